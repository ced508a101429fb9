"""The legend printed near a board's lands, as a record: the content of legend.json, beside a plan."""

from pathlib import Path
from typing import Annotated, Literal

from msgspec import Meta, Struct

from pastewright.records.kinds import Side
from pastewright.records.plan import Ring
from pastewright.records.reading import record_of_text, record_text, text_of_file
from pastewright.records.sha256 import Sha256

FORMAT: Literal["pastewright legend"] = "pastewright legend"
VERSION: Literal[1] = 1
LEGEND_FILE = "legend.json"
MOST_BYTES = 50_000_000
"""The legend of a hundred parts takes about 40 kB."""
WHAT = "the legend of a plan"
MEND = "Plan the board anew, or remove the file: without it, what looks like paste is told by its look alone."


class LegendRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is printed near the lands of one side: polygons, the edge and then its holes."""

    format: Literal["pastewright legend"]
    version: Literal[1]
    inputs_sha256: Annotated[Sha256, Meta(description="Of the files that it was read from, as in plan.json.")]
    side: Side
    areas_mm: tuple[Annotated[tuple[Ring, ...], Meta(min_length=1)], ...]


def read_legend(path: Path) -> LegendRecord:
    """Return the record in a legend.json; raises `InputError` for what is none."""
    text = text_of_file(path, what=WHAT, mend=MEND, most_bytes=MOST_BYTES)
    return record_of_text(text, LegendRecord, what=WHAT, mend=MEND, file=str(path))


def legend_text(legend: LegendRecord) -> str:
    """Return the text of legend.json."""
    return record_text(legend)

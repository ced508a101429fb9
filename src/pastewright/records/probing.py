"""A probing program as a record: the file beside it, which says where it touches and which board that is for.

With it the program is read back and sent like any other, and what the controller answers becomes the placement's surface.
"""

from typing import Annotated, Literal

from msgspec import Meta, Struct

from pastewright.records.companion import Kind
from pastewright.records.kinds import DialectName, ProgramKind
from pastewright.records.placement import BoardPlaceRecord
from pastewright.records.reading import record_of_text, record_text

FORMAT: Literal["pastewright probing"] = "pastewright probing"
VERSION: Literal[1] = 1
WHAT = "the description of a probing program"
MEND = "Use the file that `pastewright probe` wrote together with the program."

Amount = Annotated[float, Meta(ge=-1e6, le=1e6)]
Pair = tuple[Amount, Amount]


class ProbePlaceRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A place to touch: on the board, and where the probe stands then [mm]; its part of the program begins at `line`."""

    number: Annotated[int, Meta(ge=1, le=100_000)]
    on_board_mm: Pair
    at_mm: Pair
    line: Annotated[int, Meta(ge=1, le=10_000_000)]


class ProbingRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The content of the file. Heights [mm, machine]: sideways at travel_z_mm or above, the probe never below low_z_mm."""

    format: Literal["pastewright probing"]
    version: Literal[1]
    kind: Kind = ProgramKind.PROBING
    board: str
    side: str
    size_mm: Pair
    inputs_sha256: str
    profile_sha256: str
    dialect: DialectName
    plunger_letter: str
    travel_z_mm: Amount
    low_z_mm: Amount
    place: BoardPlaceRecord
    endless_mm: Annotated[
        tuple[Annotated[tuple[Pair, ...], Meta(min_length=3)], ...],
        Meta(description="What nothing passes over, with its margin [mm, machine, of the head]."),
    ] = ()
    places: Annotated[tuple[ProbePlaceRecord, ...], Meta(min_length=1, max_length=10_000)]


def probing_of_text(text: str, *, file: str = "probe.json") -> ProbingRecord:
    """Return the record in a text; raises `InputError` with everything that is wrong."""
    return record_of_text(text, ProbingRecord, what=WHAT, mend=MEND, file=file)


def probing_text(record: ProbingRecord) -> str:
    """Return the text of the file."""
    return record_text(record, indent=1)

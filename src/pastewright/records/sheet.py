"""The tuning sheet as a record: the content of sheet.json. What its parts mean is told in `tune.sheet.model`."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, field

from pastewright.records.companion import Kind
from pastewright.records.kinds import ProgramKind, Role
from pastewright.records.reading import record_of_data, record_of_text, record_text, text_of_file

FORMAT: Literal["pastewright tuning sheet"] = "pastewright tuning sheet"
VERSION: Literal[1] = 1
MOST_BYTES = 5_000_000
"""A sheet of a thousand dots takes about 200 kB."""
WHAT = "the description of a tuning sheet"
MEND = "Use the sheet.json that was written with the sheet."

Amount = Annotated[float, Meta(ge=-1e12, le=1e12)]
Place = Annotated[int, Meta(ge=-1, le=100_000)]
Index = Annotated[int, Meta(ge=0, le=100_000)]


class SheetDotRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One dot as commanded; odd dots have row = column = −1."""

    index: Index
    row: Place
    column: Place
    x_mm: Amount
    y_mm: Amount
    dose_ul: Amount
    role: Role


class SheetBeadRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One bead as commanded: the tip's path and its dose."""

    index: Index
    path_mm: Annotated[tuple[tuple[Amount, Amount], ...], Meta(min_length=2)]
    dose_ul: Amount
    tip_mm_s: Amount


class SheetRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The content of sheet.json; `process` is the designer's own note of bench and motions."""

    format: Literal["pastewright tuning sheet"]
    version: Literal[1]
    kind: Kind = ProgramKind.TUNING_SHEET
    name: str = ""
    rows: Place
    columns: Place
    pitch_mm: Amount
    dots: tuple[SheetDotRecord, ...] = ()
    beads: tuple[SheetBeadRecord, ...] = ()
    process: Mapping[str, Any] = field(default_factory=dict)


def sheet_of_data(data: object, *, file: str = "sheet.json") -> SheetRecord:
    """Return the record of JSON-ready data; raises `InputError` with everything that is wrong."""
    return record_of_data(data, SheetRecord, what=WHAT, mend=MEND, file=file)


def read_sheet_record(path: Path) -> SheetRecord:
    """Return the record in a sheet.json."""
    text = text_of_file(path, what=WHAT, mend=MEND, most_bytes=MOST_BYTES)
    return record_of_text(text, SheetRecord, what=WHAT, mend=MEND, file=str(path))


def sheet_text(sheet: SheetRecord) -> str:
    """Return the text of sheet.json."""
    return record_text(sheet, indent=1)

"""The first bytes of a file to the kind of thing it is. What layer it is, `roles` says."""

import re
from enum import StrEnum

HEAD_BYTES = 64 * 1024
"""As much of a file as is looked at. X2 asks for file attributes before any drawing; real headers with
hundreds of macros stay under 30 kB."""


class FileKind(StrEnum):
    """The format of a file, by its content alone."""

    GERBER = "Gerber"
    EXCELLON = "Excellon"
    IPC_D_356 = "IPC-D-356"
    CENTROID = "centroid table"
    OTHER = "other"


def text_of(data: bytes) -> str:
    """Return the text of a fabrication file: by its byte order mark, else Latin-1, which never fails."""
    if data.startswith(b"\xef\xbb\xbf"):
        return data[3:].decode("utf-8", "replace")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    return data.decode("latin-1")


_GERBER = re.compile(
    r"%\s*(?:FS[LTD]?[AI]?X|MO(?:IN|MM)|ADD[0-9]|AM[A-Za-z0-9_.$]+\*|TF\.|LP[DC]|IN[^*%]*\*|LN[^*%]*\*)"
    r"|(?:^|\*)\s*G0?4[^*%]*\*|[XY][+-]?[0-9]+D0?[123]\*"
)
_NETLIST = re.compile(
    r"^P {1,2}(?:JOB|CODE|UNITS|TITLE|NUM|REV|VER|IMAGE|NNAME)|^3[0-9]7.{14,40}[DA M].*X[+-]?[0-9]{6}", re.M
)
_DRILL_HEADER = re.compile(r"^\s*M48\s*(?:;.*)?$", re.M)
_DRILL_TOOL = re.compile(r"^T[0-9]+(?:[FSBHZ][0-9.+-]*)*C[0-9.]+", re.M)
_DRILL_PICK = re.compile(r"^T[0-9]{1,4}\s*$", re.M)
_DRILL_HIT = re.compile(r"^(?:G0[05])?X[+-]?[0-9.]+(?:Y[+-]?[0-9.]+)?\s*$|^Y[+-]?[0-9.]+\s*$", re.M)
_GCODE = re.compile(r"^\s*(?:N[0-9]+\s*)?(?:G2[01]\b|M0?3\b|M8[234]\b|G0?[01]\b.*[ZEF]-?[0-9.])", re.M)
_REF_COLUMN = re.compile(
    r"(?<![a-z])(?:designator|ref(?:[ ._]?des|erence)?s?|name|parts?|component)(?![a-z])"
)
_AXIS_COLUMN = (
    r"(?<![a-z])(?:(?:pos|mid|cent(?:er|re)|loc(?:ation)?|coord(?:inate)?|ref|pad|origin)[ _.-]*)?{}"
    r"(?:[ _-]*(?:pos(?:ition)?|loc(?:ation)?|coord(?:inate)?))?(?:[ _]*[(\[]?(?:mm|mils?|in|inch|um)[)\]]?)?(?![a-z])"
)
_X_COLUMN, _Y_COLUMN = (re.compile(_AXIS_COLUMN.format(axis)) for axis in "xy")
_NUMBER_CELL = re.compile(r"[+-]?[0-9]*[.,]?[0-9]+(?:mm|mils?|in|um)?", re.I)
_BETWEEN_CELLS = re.compile(r"[,;\t| \"]+")
_ROWS_AFTER = 6  # a rule, a blank line, units and a part that is not placed may come first
_HEADER_LINES = 80  # some programs write a page of design information before the table


def kind_of(data: bytes) -> FileKind:
    """Return the format of a file, judged from its first `HEAD_BYTES` bytes."""
    head = text_of(data[:HEAD_BYTES])
    if "\0" in head or head.lstrip().startswith(("<", "{", "%PDF", "PK\x03")):
        return FileKind.OTHER
    if _DRILL_HEADER.search(head) and not re.search(r"%FS|%ADD", head) and not _GCODE.search(head):
        return FileKind.EXCELLON
    if _NETLIST.search(head):
        return FileKind.IPC_D_356
    if _GERBER.search(head):
        return FileKind.GERBER
    if not _GCODE.search(head) and (
        _DRILL_TOOL.search(head) or (_DRILL_PICK.search(head) and _DRILL_HIT.search(head))
    ):
        return FileKind.EXCELLON
    lines = head.splitlines()
    for number, line in enumerate(lines[:_HEADER_LINES]):
        low = line.lower()
        if "target_ul" in low and "planned_ul" in low:
            return FileKind.OTHER  # the pads.csv of a plan, written beside the design
        if all(column.search(low) for column in (_REF_COLUMN, _X_COLUMN, _Y_COLUMN)):
            rows = [row for row in lines[number + 1 : number + 1 + _ROWS_AFTER] if row.strip()]
            if not rows or any(_has_place(row) for row in rows):
                return FileKind.CENTROID
    return FileKind.OTHER


def _has_place(row: str) -> bool:
    """Tell whether a row holds two numbers: prose that speaks of parts and x and y has none below it."""
    return sum(bool(_NUMBER_CELL.fullmatch(cell)) for cell in _BETWEEN_CELLS.split(row)) > 1

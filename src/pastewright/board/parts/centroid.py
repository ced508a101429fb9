"""A component placement (centroid) file to `PartPlace` values: which part stands where, on which side.

Every design program spells these files its own way: CSV, tabs, or columns of blanks under a page of remarks; mm,
mil or inch, in the header, behind each number, or in a remark. They name parts, not pads: `part_fit` finds
which pads are whose.
"""

import re
from collections.abc import Sequence

from msgspec import Struct

from pastewright.board.artwork import PartPlace
from pastewright.board.model import Side
from pastewright.board.source.column_names import Columns, Field, columns_of_header, fields_of, side_of
from pastewright.board.source.spreadsheet import is_spreadsheet, spreadsheet_text
from pastewright.board.source.text_table import Row, TextTable, number_in, read_table_text
from pastewright.board.source.units import NAMES, UNIT_MM
from pastewright.problems import InputError, Problem, Severity, one_error

MOST_PARTS = 100_000
"""Panels have some thousands (common practice)."""
MOST_WARNINGS = 10
"""Rows passed over, told one by one; the rest adds nothing."""
_SIDE_IN_NAME = re.compile(r"(?<![a-z])(top|bot|bottom|front|back)(?![a-z])|\.(mnt|mnb)$", re.I)


class Centroids(Struct, frozen=True, kw_only=True):
    """All parts of a file, and what was wrong with rows that were passed over."""

    parts: tuple[PartPlace, ...]
    problems: tuple[Problem, ...]
    unit_known: bool = True


def read_centroids(data: bytes, file: str, *, units: str = "") -> Centroids:
    """Return the parts of a centroid file or spreadsheet; rows that cannot be read are passed over with a warning.

    Where nothing says the unit, places are as written and `unit_known` is False: the pads tell (`part_units`). Raises
    `InputError` when there is no header with a reference and a place, a unit for some rows only, or no row that can
    be read.
    """
    if is_spreadsheet(data):
        data = spreadsheet_text(data, file, is_header=_is_header)
    table = read_table_text(data, file, is_header=_is_header)
    if not table.header:
        raise one_error(
            "has no header with a reference designator, x and y",
            "Export the centroid file with a header, or leave it out.",
            file=file,
        )
    columns = columns_of_header(table.header, _ref_column(table), file, table.header_line, strict=False)
    pads = columns.has(Field.PIN) and (columns.has(Field.WIDTH) or columns.has(Field.DIAMETER))
    if pads:
        raise one_error("is a table of pads, not of parts", "Plan from it alone, or leave it out.", file=file)
    common = units or table.remark_unit
    named = set(columns.unit.values())
    common = common or (named.pop() if len(named) == 1 else "")
    whole = _side_of_name(file)
    bare = not common and not columns.unit and not _has_units(table, columns)
    common = "mm" if bare else common
    parts: list[PartPlace] = []
    problems: list[Problem] = []
    for row in table.rows:
        try:
            part = _part(row, table, columns, common, whole, file)
        except InputError as error:
            if any("unit" in problem.what for problem in error.problems):
                raise
            if len(problems) < MOST_WARNINGS:
                problems.extend(_soft(problem) for problem in error.problems)
            continue
        if part is not None:
            parts.append(part)
    if not parts:
        raise InputError(problems or [Problem(what="names no part", mend="Export it again.", file=file)])
    if len(parts) > MOST_PARTS:
        raise one_error(f"has {len(parts)} parts; {MOST_PARTS} are the limit", "Leave it out.", file=file)
    return Centroids(parts=tuple(parts), problems=tuple(problems), unit_known=not bare)


def _has_units(table: TextTable, columns: Columns) -> bool:
    """Tell whether numbers of places bear a unit each."""
    for row in table.rows:
        for field in (Field.X, Field.Y):
            number = columns.index.get(field)
            cell = row.cells[number] if number is not None and number < len(row.cells) else ""
            found = number_in(cell, decimal_comma=table.decimal_comma)
            if found is not None and found[1]:
                return True
    return False


def _is_header(cells: Sequence[str]) -> bool:
    found = fields_of(cells)
    return Field.X in found and Field.Y in found and Field.REF in found


_DESIGNATOR = re.compile(r"[A-Za-z_]{1,6}-?[0-9]+[A-Za-z]?")
# Most parts are named so; mounting holes and logos are not.
_MOSTLY = 0.7


def _ref_column(table: TextTable) -> str:
    """Return the column of references where headings alone leave two ("Name", "Component"), as --columns says it.

    The rows tell: references are letters and a number, and no two are the same.
    """
    found = fields_of(table.header).get(Field.REF, [])
    if len(found) < 2:
        return ""
    like: list[int] = []
    for number in found:
        cells = [row.cells[number] for row in table.rows if number < len(row.cells)]
        named = sum(1 for cell in cells if _DESIGNATOR.fullmatch(cell))
        if named >= _MOSTLY * len(cells) and len(set(cells)) == len(cells):
            like.append(number)
    return f"ref={table.header[like[0]]}" if len(like) == 1 else ""


def _soft(problem: Problem) -> Problem:
    return Problem(
        what=problem.what,
        mend="The part's pads stay without its name.",
        severity=Severity.WARNING,
        file=problem.file,
        line=problem.line,
    )


def _side_of_name(file: str) -> Side | None:
    found = _SIDE_IN_NAME.search(file.rsplit("/", 1)[-1])
    if found is None:
        return None
    word = (found[1] or {"mnt": "top", "mnb": "bottom"}[found[2].lower()]).lower()
    return Side.TOP if word in ("top", "front") else Side.BOTTOM


def _part(
    row: Row, table: TextTable, columns: Columns, common: str, whole: Side | None, file: str
) -> PartPlace | None:
    def cell(field: Field) -> str:
        number = columns.index.get(field)
        return row.cells[number] if number is not None and number < len(row.cells) else ""

    def length_mm(field: Field) -> float:
        found = number_in(cell(field), decimal_comma=table.decimal_comma)
        if found is None:
            raise one_error(f"{field} is {cell(field)[:30]!r}", "", file=file, line=row.line)
        unit = found[1] or columns.unit.get(field, "") or common
        if not unit:
            raise one_error(
                "nothing says which unit the places are in",
                f"Name it in the header, e.g. Mid X (mm), or say --units; units are {', '.join(NAMES)}.",
                file=file,
                line=table.header_line,
            )
        return found[0] * UNIT_MM[unit]

    ref = " ".join(cell(Field.REF).split())[:80]
    if not ref:
        return None
    turn = number_in(cell(Field.ROTATION).rstrip("°"), decimal_comma=table.decimal_comma)
    side = side_of(cell(Field.SIDE)) if columns.has(Field.SIDE) else whole
    return PartPlace(
        ref=ref,
        x_mm=length_mm(Field.X),
        y_mm=length_mm(Field.Y),
        rotation_deg=turn[0] % 360 if turn else 0.0,
        side=side,
        line=row.line,
    )

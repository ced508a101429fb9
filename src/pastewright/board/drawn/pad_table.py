"""A table of points (CSV and its kin) to a `Artwork`: each row a pad, or a bead from (x, y) to (x2, y2).

The size of a row is that of its paste area; a `volume_ul` overrides what would be reckoned from it. Coordinates
are as seen from the top, y up, as in centroid files. Nothing is guessed: no unit, no header, two columns for one
thing are asked about with the choices that there are.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from shapely import affinity
from shapely.geometry import Polygon

from pastewright.board.artwork import Artwork, Judging
from pastewright.board.ask import Ask
from pastewright.board.drawn.sketch_artwork import artwork_of_sketch
from pastewright.board.drawn.things import Sketch, Thing, stroke_area
from pastewright.board.model import Area, Point, Side, Source
from pastewright.board.shapes.curves import area_of, circle, obround, rectangle
from pastewright.board.source.column_names import (
    LENGTHS,
    Columns,
    Field,
    columns_by_position,
    columns_of_header,
    fields_of,
    side_of,
)
from pastewright.board.source.files import SourceFile
from pastewright.board.source.text_table import Row, TextTable, number_in, read_table_text
from pastewright.board.source.units import NAMES, UNIT_MM, unit_mm
from pastewright.problems import InputError, Problem, one_error

WHAT = "table of pads"
MOST_PROBLEMS = 30
"""Rows that are wrong, told one by one: what fits a screen."""
_SHAPES = {
    "rect": "rect rectangle rectangular r square sq",
    "round": "round circle circular c dot",
    "oval": "oval obround o ellipse slot",
    "rounded": "rounded roundrect rounded-rectangle roundedrectangle roundedrect",
    "fiducial": "fiducial fid",
}
_SHAPE_OF = {word: shape for shape, words in _SHAPES.items() for word in words.split()}


def _has_places(cells: Sequence[str]) -> bool:
    found = fields_of(cells)
    return Field.X in found and Field.Y in found


def looks_like_pads(head: bytes) -> bool:
    """Tell whether the first bytes are a table of pads: places with sizes, or bare rows of numbers.

    Rows of a reference and a place without any size are a centroid file, which says where parts are, not pads.
    """
    if head.lstrip()[:1] in (b"<", b"{", b"%", b"\x89", b""):
        return False
    try:
        table = read_table_text(head.rpartition(b"\n")[0] or head, "", is_header=_has_places)
    except InputError:
        return False
    if table.header:
        found = fields_of(table.header)
        sized = found.keys() & {Field.WIDTH, Field.HEIGHT, Field.DIAMETER, Field.X2, Field.VOLUME_UL}
        return bool(sized) or Field.REF not in found
    rows = table.rows[:20]
    return all(
        len(row.cells) >= 2 and all(number_in(cell, decimal_comma=True) for cell in row.cells[:2])
        for row in rows
    )


def read_table(file: SourceFile, ask: Ask) -> Artwork:
    """Return one side of what a table lists; raises `InputError` with every row that is wrong."""
    return artwork_of_sketch(table_drawing(file, ask), ask)


def table_drawing(file: SourceFile, ask: Ask) -> Sketch:
    """Return the rows of the asked side as shapes [mm]."""
    table = read_table_text(file.data, file.name, is_header=_has_places)
    if table.header:
        columns = columns_of_header(table.header, ask.columns, file.name, table.header_line)
    else:
        columns = columns_by_position(ask.columns, max(len(row.cells) for row in table.rows), file.name)
    _check_columns(columns, file.name, table)
    if not columns.has(Field.SIDE) and ask.side is Side.BOTTOM:
        raise one_error(
            "the table has no side column, and the bottom side was asked for",
            "Plan it as --side top: it is taken as seen from the pasted side; or add a column side with top or bottom.",
            file=file.name,
        )
    reader = _Rows(
        file=file.name, table=table, columns=columns, factors=_factors(table, columns, ask.units, file.name)
    )
    things = [thing for row in table.rows for thing in reader.thing(row, ask.side)]
    if reader.problems:
        raise InputError(reader.problems)
    return Sketch(file=file.name, what=WHAT, things=tuple(things), judging=Judging.AS_LISTED)


def _check_columns(columns: Columns, file: str, table: TextTable) -> None:
    names = ", ".join(repr(cell) for cell in table.header) or "unnamed"
    for field in (Field.X, Field.Y):
        if field not in columns.index:
            raise one_error(
                f"no column is {field}", f"Columns are {names}; say --columns '{field}=NAME'.", file=file
            )
    if columns.has(Field.X2) != columns.has(Field.Y2):
        raise one_error(
            "only one of x2 and y2 is given", "A bead needs both.", file=file, line=table.header_line
        )
    if not any(columns.has(field) for field in (Field.WIDTH, Field.DIAMETER)):
        raise one_error(
            "no column says how large the paste is",
            "Add a column diameter, or width and height; or one for all rows: --columns diameter=0.8",
            file=file,
            line=table.header_line or None,
        )


def _factors(table: TextTable, columns: Columns, units: str, file: str) -> dict[Field, float | None]:
    """Return mm per unit of each column: its header, --units, or a remark; None: each number must say."""
    stated = units or table.remark_unit
    common = unit_mm(stated, file) if stated else None
    found: dict[Field, float | None] = {}
    for field in LENGTHS:
        named = columns.unit.get(field)
        found[field] = UNIT_MM[named] if named else common
    # One unit in the header speaks for lengths that name none: "X (mm), Y" is common.
    named_units = set(columns.unit.values())
    if common is None and len(named_units) == 1:
        factor = UNIT_MM[named_units.pop()]
        found = dict.fromkeys(found, factor)
    return found


@dataclass(slots=True)
class _Rows:
    """Reads rows; problems gather in `problems`."""

    file: str
    table: TextTable
    columns: Columns
    factors: dict[Field, float | None]
    problems: list[Problem] = dataclasses.field(default_factory=list)

    def thing(self, row: Row, side: Side) -> list[Thing]:
        try:
            if self.columns.has(Field.SIDE):
                cell = self._cell(row, Field.SIDE)
                own = side_of(cell)
                if own is None:
                    raise self._wrong(row, f"side is {cell!r}", "Write top or bottom.")
                if own is not side:
                    return []
            return [self._thing(row)]
        except InputError as error:
            if len(self.problems) < MOST_PROBLEMS:
                self.problems.extend(error.problems)
            return []

    def _thing(self, row: Row) -> Thing:
        x, y = self._need(row, Field.X), self._need(row, Field.Y)
        x2, y2 = self._length(row, Field.X2), self._length(row, Field.Y2)
        volume_ul = self._volume(row)
        source = Source(file=self.file, line=row.line)
        ref, pin, net = (
            " ".join(self._cell(row, field).split())[:80] for field in (Field.REF, Field.PIN, Field.NET)
        )
        if (x2 is None) != (y2 is None):
            raise self._wrong(row, "only one of x2 and y2 is given", "A bead needs both.")
        if x2 is not None and y2 is not None:
            width = self._length(row, Field.WIDTH) or self._length(row, Field.DIAMETER)
            if width is None or width <= 0:
                raise self._wrong(
                    row, "a bead without a width", "Give its width; with a volume it is the largest."
                )
            path: tuple[Point, ...] = ((x, y), (x2, y2))
            if path[0] == path[1]:
                raise self._wrong(row, "a bead that ends where it starts", "Leave x2 and y2 empty for a dot.")
            area = stroke_area(path, width)
            return Thing(
                area=area,
                path_mm=path,
                width_mm=width,
                source=source,
                volume_ul=volume_ul,
                ref=ref,
                pin=pin,
                net=net,
            )
        shape = self._shape(row)
        area = self._area(row, "round" if shape == "fiducial" else shape)
        turned = affinity.rotate(area, self._number(row, Field.ROTATION) or 0.0, origin=(0, 0))
        placed = area_of(affinity.translate(turned, x, y))
        fiducial = shape == "fiducial" or self._cell(row, Field.KIND).lower() == "fiducial"
        return Thing(
            area=placed,
            source=source,
            volume_ul=volume_ul,
            fiducial=fiducial,
            hole_mm=self._length(row, Field.HOLE) or 0.0,
            ref=ref,
            pin=pin,
            net=net,
        )

    def _shape(self, row: Row) -> str:
        cell = self._cell(row, Field.SHAPE).lower()
        if not cell:
            has = self._length(row, Field.DIAMETER) is not None
            return "round" if has else "rounded" if self._length(row, Field.CORNER) else "rect"
        shape = _SHAPE_OF.get(cell.replace(" ", "").replace("_", ""))
        if shape is None:
            raise self._wrong(row, f"shape is {cell[:30]!r}", f"Shapes are {', '.join(_SHAPES)}.")
        return shape

    def _area(self, row: Row, shape: str) -> Area:
        diameter = self._length(row, Field.DIAMETER)
        width, height = self._length(row, Field.WIDTH), self._length(row, Field.HEIGHT)
        if shape == "round":
            if diameter is None:
                if width is None or (height is not None and abs(height - width) > 1e-6):
                    raise self._wrong(
                        row, "a round shape without one diameter", "Give diameter, or shape oval."
                    )
                diameter = width
            elif width is not None and abs(width - diameter) > 1e-6:
                raise self._wrong(row, "both a diameter and another width", "Leave one of them empty.")
            return circle(self._positive(row, Field.DIAMETER, diameter) / 2)
        if diameter is not None:
            raise self._wrong(
                row, f"a diameter for the shape {shape}", "Give width and height, or shape round."
            )
        if width is None or height is None:
            missing = Field.WIDTH if width is None else Field.HEIGHT
            raise self._wrong(row, f"{missing} is empty", "Give both width and height, or a diameter.")
        width, height = self._positive(row, Field.WIDTH, width), self._positive(row, Field.HEIGHT, height)
        if shape == "oval":
            return obround(width, height)
        corner = self._length(row, Field.CORNER)
        if shape == "rect" and not corner:
            return rectangle(width, height)
        if corner is None or not 0 < corner <= min(width, height) / 2 + 1e-9:
            raise self._wrong(
                row,
                "a rounded shape needs a corner radius, at most half its shorter side",
                "Add a column corner.",
            )
        return rounded(width, height, corner)

    def _positive(self, row: Row, field: Field, value: float) -> float:
        if not 0 < value <= 500:
            raise self._wrong(row, f"{field} is {value:g} mm", "It must be above 0 and at most 500 mm.")
        return value

    def _cell(self, row: Row, field: Field) -> str:
        number = self.columns.index.get(field)
        cell = row.cells[number] if number is not None and number < len(row.cells) else ""
        return cell or self.columns.constant.get(field, "")

    def _parsed(self, row: Row, field: Field) -> tuple[float, str] | None:
        cell = self._cell(row, field)
        if not cell or cell in ("-", "~"):
            return None
        comma = self.table.decimal_comma and cell != self.columns.constant.get(field)
        found = number_in(cell, decimal_comma=comma)
        if found is None:
            raise self._wrong(row, f"{field} is {cell[:30]!r}", "Write a number.")
        return found

    def _number(self, row: Row, field: Field) -> float | None:
        found = self._parsed(row, field)
        if found is not None and found[1]:
            raise self._wrong(row, f"{field} has a unit of length", "Write degrees as a plain number.")
        return found[0] if found else None

    def _length(self, row: Row, field: Field) -> float | None:
        found = self._parsed(row, field)
        if found is None:
            return None
        factor = UNIT_MM[found[1]] if found[1] else self.factors[field]
        if factor is None:
            raise one_error(
                "nothing says which unit lengths are in",
                f"Name it in the header, e.g. x (mm), or say --units; units are {', '.join(NAMES)}.",
                file=self.file,
                line=self.table.header_line or row.line,
            )
        return found[0] * factor

    def _need(self, row: Row, field: Field) -> float:
        value = self._length(row, field)
        if value is None:
            raise self._wrong(row, f"{field} is empty", "Write a number, or take the row out.")
        return value

    def _volume(self, row: Row) -> float | None:
        for field, factor in ((Field.VOLUME_UL, 1.0), (Field.VOLUME_NL, 0.001)):
            value = self._number(row, field)
            if value is not None:
                if not 0 < value * factor <= 1000:
                    raise self._wrong(row, f"{field} is {value:g}", "It must be above 0 and at most 1000 µL.")
                return value * factor
        return None

    def _wrong(self, row: Row, what: str, mend: str) -> InputError:
        return one_error(what, mend, file=self.file, line=row.line)


def rounded(width_mm: float, height_mm: float, corner_mm: float) -> Polygon:
    """Return a rectangle about the origin with round corners of true area."""
    half_w, half_h = width_mm / 2 - corner_mm, height_mm / 2 - corner_mm
    quarter = circle(corner_mm)
    corners = [
        (x + sx * max(half_w, 0.0), y + sy * max(half_h, 0.0))
        for x, y in list(quarter.exterior.coords)[:-1]
        for sx, sy in [(1 if x > 0 else -1, 1 if y > 0 else -1)]
    ]
    return Polygon(corners)

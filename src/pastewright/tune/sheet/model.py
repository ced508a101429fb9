"""The tuning sheet as a value, and `sheet.json` to and from it.

A sheet is a lattice of dots seen from above: x to the right, y away from the person, row 0 nearest, column 0
leftmost. Dot (row, column) lies at (origin + column·pitch, origin + row·pitch); lattice places may stay empty.
Three odd dots lie half a pitch off the lattice, outside its edges, and tell how a photo is turned:

      odd 0                odd 1              y
        ●                    ●                ^
    ●   ●   ●   ●   ●   ●   ●   ●             |
    ●   ●   ●   ●   ●   ●   ●   ●             +--> x
  ● ...                    odd 2 is left of the lattice

`design` lays a sheet out, `read` finds it in photos, `fit` explains it.
"""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from pastewright.json_text import parsed
from pastewright.problems import InputError, Problem, one_error

Fault = Callable[[str], None]

FORMAT = "pastewright tuning sheet"
VERSION = 1
MEND = "Use the sheet.json that was written with the sheet."
MOST = 1e12  # no number of a sheet is larger
MOST_BYTES = 5_000_000  # a sheet of a thousand dots takes about 200 kB
LATTICE_SLACK = 0.02  # share of the pitch by which a dot may lie off its lattice place
LEAST_ROWS = LEAST_COLUMNS = 6  # below this the three odd dots could match after a quarter turn


class Role(StrEnum):
    """Why a dot is on the sheet."""

    STEADY = "steady"
    RISING = "rising"
    FALLING = "falling"
    REPEAT = "repeat"
    JUMP = "jump"
    PAUSE = "pause"
    SPEED = "speed"
    ODD = "odd"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetDot:
    """One dot as commanded: `index` is its turn in the sheet's order of laying; odd dots have row = column = −1."""

    index: int
    row: int
    column: int
    x_mm: float
    y_mm: float
    dose_ul: float
    role: Role

    @property
    def is_odd(self) -> bool:
        """Whether this is one of the three orientation dots."""
        return self.role is Role.ODD


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBead:
    """One bead as commanded: the tip's path [mm] and its dose; its index shares the dots' numbering."""

    index: int
    path_mm: tuple[tuple[float, float], ...]
    dose_ul: float
    tip_mm_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet: what was commanded, where.

    `process` is the designer's own record (machine, barrel, tip, paste, plunger motion of each index) as plain JSON
    data; the photo's reader does not look into it.
    """

    name: str
    rows: int
    columns: int
    pitch_mm: float
    dots: tuple[SheetDot, ...]
    beads: tuple[SheetBead, ...] = ()
    process: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        faults = _faults(self)
        if faults:
            raise ValueError("; ".join(faults))

    @property
    def odd(self) -> tuple[SheetDot, ...]:
        """The three orientation dots, in the order of their index."""
        return tuple(dot for dot in self.dots if dot.is_odd)

    @property
    def lattice(self) -> tuple[SheetDot, ...]:
        """The dots on the lattice, in the order of their index."""
        return tuple(dot for dot in self.dots if not dot.is_odd)

    @property
    def origin_mm(self) -> tuple[float, float]:
        """Place of row 0, column 0 [mm]."""
        return _origin(self.lattice, self.pitch_mm)

    @property
    def dots_ul(self) -> float:
        """Volume of all dots as commanded, beads left out [µL]."""
        return math.fsum(dot.dose_ul for dot in self.dots)


def odd_places(rows: int, columns: int) -> tuple[tuple[float, float], ...]:
    """Return (row, column) of the three odd dots, in lattice steps.

    Two lie above the last row, one left of the first column, all half a step off. With six or more rows and columns,
    no turn by quarters and no shift that keeps half of the lattice on the lattice brings two of them onto places of
    the three; a mirror image brings two there, never three. A test tries them all.
    """
    return ((float(rows), 0.5), (float(rows), columns - 2.5), (rows - 3.5, -1.0))


def sheet_data(sheet: Sheet) -> dict[str, Any]:
    """Return the sheet as JSON-ready data."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "name": sheet.name,
        "rows": sheet.rows,
        "columns": sheet.columns,
        "pitch_mm": sheet.pitch_mm,
        "dots": [
            {
                "index": dot.index,
                "row": dot.row,
                "column": dot.column,
                "x_mm": dot.x_mm,
                "y_mm": dot.y_mm,
                "dose_ul": dot.dose_ul,
                "role": dot.role.value,
            }
            for dot in sheet.dots
        ],
        "beads": [
            {
                "index": bead.index,
                "path_mm": [list(point) for point in bead.path_mm],
                "dose_ul": bead.dose_ul,
                "tip_mm_s": bead.tip_mm_s,
            }
            for bead in sheet.beads
        ],
        "process": dict(sheet.process),
    }


def sheet_from_data(data: object, *, file: str = "") -> Sheet:
    """Return the sheet of JSON data; raises InputError with every fault found, each with its place in the data."""
    problems: list[Problem] = []

    def fault(what: str) -> None:
        problems.append(Problem(what=what, mend=MEND, file=file))

    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise one_error(
            "this is not the description of a tuning sheet",
            "Give the sheet.json that `pastewright tune sheet` wrote.",
            file=file,
        )
    if data.get("version") != VERSION:
        raise one_error(
            f"the sheet has version {data.get('version')!r}; this program reads version {VERSION}",
            "Read it with the program that wrote it, or lay a new sheet.",
            file=file,
        )
    name = data.get("name", "")
    if not isinstance(name, str):
        fault(f"name is {name!r}, not text")
    rows, columns = _whole(data, "rows", "", fault), _whole(data, "columns", "", fault)
    pitch_mm = _number(data, "pitch_mm", "", fault)
    dots = [_dot(item, f"dots[{place}]", fault) for place, item in enumerate(_list(data, "dots", fault))]
    beads = [_bead(item, f"beads[{place}]", fault) for place, item in enumerate(_list(data, "beads", fault))]
    process = data.get("process", {})
    if not isinstance(process, dict):
        fault("process is not a table of values")
    if problems:
        raise InputError(problems)
    try:
        return Sheet(
            name=name,
            rows=rows,
            columns=columns,
            pitch_mm=pitch_mm,
            dots=tuple(dot for dot in dots if dot is not None),
            beads=tuple(bead for bead in beads if bead is not None),
            process=process,
        )
    except ValueError as error:
        raise InputError(
            Problem(what=words, mend=MEND, file=file) for words in str(error).split("; ")
        ) from error


def read_sheet(path: Path) -> Sheet:
    """Read sheet.json; raises InputError when it is missing, malformed or contradicts itself."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise one_error(
                f"the file has {path.stat().st_size} bytes; a sheet's description has at most {MOST_BYTES}",
                file=str(path),
            )
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the sheet's description cannot be read: {error.strerror}",
            "Give the sheet.json that `pastewright tune sheet` wrote.",
            file=str(path),
        ) from error
    except UnicodeDecodeError as error:
        raise one_error(
            "this is not text",
            "Give sheet.json first, then the photos.",
            file=str(path),
        ) from error
    data = parsed(text, what="a sheet", mend=MEND, file=str(path))
    return sheet_from_data(data, file=str(path))


def write_sheet(sheet: Sheet, path: Path) -> None:
    """Write sheet.json."""
    path.write_text(json.dumps(sheet_data(sheet), indent=1) + "\n", encoding="utf-8")


def _whole(data: Mapping[str, Any], key: str, place: str, fault: Fault, least: int = -1) -> int:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= 100_000:
        fault(f"{place}{key} is {value!r}, not a whole number")
        return 0
    return value


def _number(data: Mapping[str, Any], key: str, place: str, fault: Fault) -> float:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < MOST:
        fault(f"{place}{key} is {value!r}, not a number")
        return 0.0
    return float(value)


def _list(data: Mapping[str, Any], key: str, fault: Fault) -> Sequence[object]:
    value = data.get(key, [])
    if not isinstance(value, list):
        fault(f"{key} is not a list")
        return ()
    return value


def _dot(item: object, place: str, fault: Fault) -> SheetDot | None:
    if not isinstance(item, dict):
        fault(f"{place} is not a table of values")
        return None
    role = item.get("role")
    if role not in set(Role):
        fault(f"{place}.role is {role!r}, not one of {', '.join(Role)}")
        role = Role.STEADY
    return SheetDot(
        index=_whole(item, "index", f"{place}.", fault, 0),
        row=_whole(item, "row", f"{place}.", fault),
        column=_whole(item, "column", f"{place}.", fault),
        x_mm=_number(item, "x_mm", f"{place}.", fault),
        y_mm=_number(item, "y_mm", f"{place}.", fault),
        dose_ul=_number(item, "dose_ul", f"{place}.", fault),
        role=Role(role),
    )


def _bead(item: object, place: str, fault: Fault) -> SheetBead | None:
    if not isinstance(item, dict):
        fault(f"{place} is not a table of values")
        return None
    path = item.get("path_mm")
    points: list[tuple[float, float]] = []
    if not isinstance(path, list) or len(path) < 2:
        fault(f"{place}.path_mm is not a list of two or more points")
        path = []
    for at, point in enumerate(path):
        if not isinstance(point, list) or len(point) != 2:
            fault(f"{place}.path_mm[{at}] is {point!r}, not [x, y]")
            continue
        pair = {"x": point[0], "y": point[1]}
        spot = f"{place}.path_mm[{at}]."
        points.append((_number(pair, "x", spot, fault), _number(pair, "y", spot, fault)))
    return SheetBead(
        index=_whole(item, "index", f"{place}.", fault, 0),
        path_mm=tuple(points),
        dose_ul=_number(item, "dose_ul", f"{place}.", fault),
        tip_mm_s=_number(item, "tip_mm_s", f"{place}.", fault),
    )


def _origin(lattice: Sequence[SheetDot], pitch_mm: float) -> tuple[float, float]:
    first = lattice[0]
    return first.x_mm - first.column * pitch_mm, first.y_mm - first.row * pitch_mm


def _faults(sheet: Sheet) -> list[str]:
    """Return what contradicts itself in a sheet, in words without a semicolon."""
    faults: list[str] = []
    if not sheet.pitch_mm > 0:
        faults.append(f"pitch_mm is {sheet.pitch_mm:g} and must be above zero")
    if sheet.rows < LEAST_ROWS or sheet.columns < LEAST_COLUMNS:
        faults.append(
            f"{sheet.rows} rows × {sheet.columns} columns are too few: "
            f"{LEAST_ROWS} × {LEAST_COLUMNS} or more tell the orientation"
        )
    indices = [dot.index for dot in sheet.dots] + [bead.index for bead in sheet.beads]
    if len(set(indices)) != len(indices):
        faults.append("two dots or beads share one index")
    odd = [dot for dot in sheet.dots if dot.is_odd]
    lattice = [dot for dot in sheet.dots if not dot.is_odd]
    if len(odd) != 3:
        faults.append(f"{len(odd)} dots have the role odd and three must")
    if not lattice:
        return [*faults, "no dot lies on the lattice"]
    places = [(dot.row, dot.column) for dot in lattice]
    if len(set(places)) != len(places):
        faults.append("two dots share one row and column")
    if faults:
        return faults
    x0, y0 = _origin(lattice, sheet.pitch_mm)
    for dot in sheet.dots:
        if not dot.dose_ul > 0:
            faults.append(f"dot {dot.index} has a dose of {dot.dose_ul:g} µL and must have more than zero")
        column, row = (dot.x_mm - x0) / sheet.pitch_mm, (dot.y_mm - y0) / sheet.pitch_mm
        off = max(abs(column - round(column)), abs(row - round(row)))
        if dot.is_odd and off < 0.3:
            faults.append(f"odd dot {dot.index} lies on the lattice and must lie half a pitch off it")
        elif not dot.is_odd and not (0 <= dot.row < sheet.rows and 0 <= dot.column < sheet.columns):
            faults.append(f"dot {dot.index} is at row {dot.row}, column {dot.column}, outside the lattice")
        elif not dot.is_odd and math.hypot(column - dot.column, row - dot.row) > LATTICE_SLACK:
            faults.append(
                f"dot {dot.index} lies at ({dot.x_mm:g}, {dot.y_mm:g}) mm, not at its row and column"
            )
    faults += [
        f"bead {bead.index} has fewer than two points" for bead in sheet.beads if len(bead.path_mm) < 2
    ]
    return faults

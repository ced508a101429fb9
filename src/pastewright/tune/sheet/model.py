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

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pastewright.problems import InputError, Problem
from pastewright.records.kinds import Role as Role
from pastewright.records.sheet import (
    FORMAT,
    MEND,
    VERSION,
    SheetBeadRecord,
    SheetDotRecord,
    SheetRecord,
    read_sheet_record,
    sheet_text,
)

LATTICE_SLACK = 0.02  # share of the pitch by which a dot may lie off its lattice place
LEAST_ROWS = LEAST_COLUMNS = 6  # below this the three odd dots could match after a quarter turn


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


def sheet_record(sheet: Sheet) -> SheetRecord:
    """Return the sheet as the record that sheet.json holds."""
    return SheetRecord(
        format=FORMAT,
        version=VERSION,
        name=sheet.name,
        rows=sheet.rows,
        columns=sheet.columns,
        pitch_mm=sheet.pitch_mm,
        dots=tuple(
            SheetDotRecord(
                index=dot.index,
                row=dot.row,
                column=dot.column,
                x_mm=dot.x_mm,
                y_mm=dot.y_mm,
                dose_ul=dot.dose_ul,
                role=dot.role,
            )
            for dot in sheet.dots
        ),
        beads=tuple(
            SheetBeadRecord(
                index=bead.index, path_mm=bead.path_mm, dose_ul=bead.dose_ul, tip_mm_s=bead.tip_mm_s
            )
            for bead in sheet.beads
        ),
        process=sheet.process,
    )


def sheet_of(record: SheetRecord, *, file: str = "") -> Sheet:
    """Return the sheet of a record; raises InputError with everything in which it contradicts itself."""
    try:
        return Sheet(
            name=record.name,
            rows=record.rows,
            columns=record.columns,
            pitch_mm=record.pitch_mm,
            dots=tuple(
                SheetDot(
                    index=dot.index,
                    row=dot.row,
                    column=dot.column,
                    x_mm=dot.x_mm,
                    y_mm=dot.y_mm,
                    dose_ul=dot.dose_ul,
                    role=dot.role,
                )
                for dot in record.dots
            ),
            beads=tuple(
                SheetBead(
                    index=bead.index, path_mm=bead.path_mm, dose_ul=bead.dose_ul, tip_mm_s=bead.tip_mm_s
                )
                for bead in record.beads
            ),
            process=record.process,
        )
    except ValueError as error:
        raise InputError(
            Problem(what=words, mend=MEND, file=file) for words in str(error).split("; ")
        ) from error


def read_sheet(path: Path) -> Sheet:
    """Read sheet.json; raises InputError when it is missing, malformed or contradicts itself."""
    return sheet_of(read_sheet_record(path), file=str(path))


def write_sheet(sheet: Sheet, path: Path) -> None:
    """Write sheet.json."""
    path.write_text(sheet_text(sheet_record(sheet)), encoding="utf-8")


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

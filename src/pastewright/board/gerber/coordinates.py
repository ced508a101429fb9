"""Coordinate words of a Gerber file to millimetres: number format, unit, and whether they are incremental."""

import re
from collections.abc import Iterator
from contextlib import suppress

import numpy as np

from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.lexer import StatementKind, shown, statements
from pastewright.board.gerber.numbers import (
    MM_PER_INCH,
    PLAIN_FORMAT,
    CoordinateFormat,
    NumberError,
    number_format,
)
from pastewright.board.gerber.runs import PlainRun, filled
from pastewright.board.shapes.curves import Points
from pastewright.problems import InputError

Words = tuple[str | None, str | None, str | None, str | None]
"""The digits of X, Y, I and J; None where the statement has none."""


class Coordinates:
    """How numbers of the file become millimetres, as far as the file has said it yet."""

    def __init__(self, text: str, complaints: Complaints) -> None:
        self._text = text
        self._complaints = complaints
        self._format: CoordinateFormat | None = None
        self._known_unit_mm: float | None = None
        self._unit_line = 0
        self._incremental = False
        self._factors = (1.0, 1.0)
        self._scale = (0.0, 0.0)
        self._quick = False

    @property
    def unit_known(self) -> bool:
        """Whether the file has named its unit, or something needed it."""
        return self._known_unit_mm is not None

    def follow_format(self, text: str, line: int) -> None:
        """Follow an `FS` command."""
        try:
            layout, oddities = number_format(text)
        except NumberError as error:
            self._complaints.error(f"The number format cannot be read: {error}.", line=line)
            return
        for oddity in oddities:
            self._complaints.note(oddity, line=line)
        if self._format is not None and layout != self._format:
            self._complaints.error("The number format (FS) is changed within the file.", line=line)
        self._format = layout
        self._incremental = layout.incremental
        self._rescale()

    def follow_mode(self, text: str, line: int) -> None:
        """Follow an `MO` command."""
        if text in ("MOIN", "MOMM"):
            self.set_unit(inches=text == "MOIN", name=text, line=line)
        else:
            self._complaints.error(f"The unit {shown(text)} is neither MOIN nor MOMM.", line=line)

    def set_unit(self, *, inches: bool, name: str, line: int) -> None:
        """Take the unit that the command `name` sets; two that contradict each other are an error."""
        unit_mm = MM_PER_INCH if inches else 1.0
        if self._known_unit_mm is None:
            self._known_unit_mm, self._unit_line = unit_mm, line
            self._rescale()
        elif unit_mm != self._known_unit_mm:
            self._complaints.error(
                f"{name} contradicts the unit that line {self._unit_line} sets; one of the two is wrong.",
                "Export the layer with one unit. Guessing it could make every size wrong by 25.4.",
                line=line,
            )

    def set_incremental(self, incremental: bool) -> None:
        """Follow G90 or G91."""
        self._incremental = incremental
        self._rescale()

    def set_factors(self, factors: tuple[float, float]) -> None:
        """Take the factors on x and y of the old image commands MI and SF."""
        self._factors = factors
        self._rescale()

    @property
    def factors(self) -> tuple[float, float]:
        """Return the factors on x and y in force; a negative one mirrors."""
        return self._factors

    def unit_mm(self, line: int) -> float:
        """Return the file's unit [mm]. A unit named further down counts: files have one unit throughout.

        Some writers define apertures before they name the unit.
        """
        if self._known_unit_mm is None:
            found = self._later_unit()
            if found is None:
                self._complaints.error(
                    "The file does not name its unit (MO), so sizes are unknown.",
                    "Export the layer as RS-274X or X2, which names its unit.",
                    line=line,
                )
                found = (1.0, line)
            self._known_unit_mm, self._unit_line = found
            self._rescale()
        return self._known_unit_mm

    def _later_unit(self) -> tuple[float, int] | None:
        """Return the first `MO`, else the first G70 or G71, of the whole file, with its line."""
        by_code: tuple[float, int] | None = None
        for kind, body, line in self._all_statements():
            if kind is StatementKind.EXTENDED:
                found = re.search(r"(?:^|\*)\s*MO\s*(IN|MM)", body)
                if found:
                    return (MM_PER_INCH if found[1] == "IN" else 1.0), line
            elif kind is StatementKind.WORDS and by_code is None:
                code = re.match(r"\s*G7([01])(?!\d)", body)
                if code:
                    by_code = (MM_PER_INCH if code[1] == "0" else 1.0), line
        return by_code

    def _all_statements(self) -> Iterator[tuple[StatementKind, str, int]]:
        """Yield the statements of the whole file; what is wrong with them is told where they are followed."""
        with suppress(InputError):
            yield from statements(self._text, Complaints(""))

    def _rescale(self) -> None:
        """Work out the factors of the quick path, and whether it may be taken."""
        layout = self._format
        self._quick = False
        if layout is not None and self._known_unit_mm is not None:
            factor_x, factor_y = self._factors
            self._scale = (
                self._known_unit_mm * factor_x / 10**layout.x_decimals,
                self._known_unit_mm * factor_y / 10**layout.y_decimals,
            )
            self._quick = not layout.trailing_omitted and not self._incremental

    def whole_numbers_mm(
        self, words: Words, x_mm: float, y_mm: float
    ) -> tuple[float, float, float, float] | None:
        """Return what `place_mm` returns for digits without a point, or None where only `place_mm` can tell.

        It is the usual case (leading zeros omitted, absolute), many thousand times a file, without further calls.
        """
        if not self._quick:
            return None
        x, y, i, j = words
        scale_x, scale_y = self._scale
        return (
            int(x) * scale_x if x else x_mm,
            int(y) * scale_y if y else y_mm,
            int(i) * scale_x if i else 0.0,
            int(j) * scale_y if j else 0.0,
        )

    def run_mm(self, run: PlainRun, x_mm: float, y_mm: float) -> Points | None:
        """Return where a run leads from (x, y), N×2 [mm]; None where its statements must be followed one by one."""
        if not self._quick:
            return None
        scale_x, scale_y = self._scale
        return np.column_stack(
            (filled(run.x, run.x_said, scale_x, x_mm), filled(run.y, run.y_said, scale_y, y_mm))
        )

    def place_mm(
        self, words: Words, x_mm: float, y_mm: float, line: int
    ) -> tuple[float, float, float, float]:
        """Return the place that a statement leads to from (x, y), and its I and J [mm]; raises `NumberError`."""
        if not any(words):
            return x_mm, y_mm, 0.0, 0.0
        unit_mm = self.unit_mm(line)
        layout = self._format
        if layout is None:
            if any(word and "." not in word for word in words):
                self._complaints.error(
                    "Coordinates come before the number format (FS), so their size is unknown.",
                    "Export the layer as RS-274X or X2 (not RS-274-D), which names its format.",
                    line=line,
                    key="no format",
                )
                return x_mm, y_mm, 0.0, 0.0
            layout = PLAIN_FORMAT
        if any(word and "." in word for word in words):
            self._complaints.note(
                "Coordinates have decimal points; they are taken as they stand.", line=line, key="points"
            )
        x, y, i, j = words
        factor_x, factor_y = unit_mm * self._factors[0], unit_mm * self._factors[1]
        base_x_mm, base_y_mm = (x_mm, y_mm) if self._incremental else (0.0, 0.0)
        return (
            base_x_mm + layout.in_units(x, along_y=False) * factor_x if x else x_mm,
            base_y_mm + layout.in_units(y, along_y=True) * factor_y if y else y_mm,
            layout.in_units(i, along_y=False) * factor_x if i else 0.0,
            layout.in_units(j, along_y=True) * factor_y if j else 0.0,
        )

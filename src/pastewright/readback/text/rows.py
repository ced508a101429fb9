"""What the axes do, row after row: of single lines as they are read, and of runs of plain lines as whole tables.

A row: line, kind (see `controller`), x, y, z at the end [mm], plunger at the end [of its letter], feed of the path [mm/s],
feed of the plunger alone [of its letter per s], seconds of a dwell or a timed move.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pastewright.readback.model import Finding
from pastewright.readback.text.arcs import ArcMove

Floats = NDArray[np.float64]
Row = tuple[int, int, float, float, float, float, float, float, float]

COLUMNS = 9


class AxisRows:
    """Rows that are gathered, and given as one table in the end: tuples of numbers take ten times the room."""

    def __init__(self) -> None:
        self._tables: list[Floats] = []
        self._since: list[Row] = []  # the last table
        self._before = 0

    def __len__(self) -> int:
        return self._before + len(self._since)

    def append(self, row: Row) -> None:
        """Add the row of a line."""
        self._since.append(row)

    def extend(self, table: Floats) -> None:
        """Add the rows of a run, N×9."""
        self._settle()
        self._tables.append(table)
        self._before += len(table)

    def cut(self, count: int) -> None:
        """Take back all rows but the first `count`, where those were added one by one since the last table."""
        if count < self._before:
            raise ValueError(f"{self._before} rows stand, {count} are to be left")
        del self._since[count - self._before :]

    def table(self) -> Floats:
        """Return all rows, N×9."""
        self._settle()
        return np.concatenate(self._tables) if self._tables else np.empty((0, COLUMNS))

    def _settle(self) -> None:
        if self._since:
            self._tables.append(np.array(self._since, dtype=np.float64))
            self._before += len(self._since)
            self._since = []


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadProgram:
    """What a program makes the axes do: `table` (N×9, see above), arcs by row, and what was wrong on the way.

    `ended`: a program end (M2, M30 or a closing %) was met.
    """

    table: Floats = field(repr=False, compare=False)
    arcs: Mapping[int, ArcMove]
    findings: tuple[Finding, ...]
    ended: bool

    @property
    def rows(self) -> list[list[float]]:
        """The table's rows as numbers, for whoever wants to look at them one by one."""
        found: list[list[float]] = self.table.tolist()
        return found

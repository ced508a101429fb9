"""The nearest of many places to each of many others, by a grid laid over them (along their first and last axes).

Cells are gone through from the middle outwards, until no further one can hold anything nearer. The loop is compiled.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLACES_A_CELL = 2.0
"""More mean more distances, fewer more cells that are empty (own choice)."""

GRAIN_MM = 1e-9
"""By so much more is looked at, so that rounding hides none that is on the edge of a cell."""


LEAST_CELL_MM = 1e-3
"""Far above the grain: where all places are one, each look would go through all the cells else."""


class Grid(NamedTuple):
    """A grid over N places: its corner [mm], the side of its cells [mm], how many there are each way; the places' numbers
    cell after cell, and where those of each cell begin (one more than there are cells).
    """

    x_mm: float
    y_mm: float
    cell_mm: float
    columns: int
    rows: int
    order: Ints
    begins: Ints


def grid_over(places: Floats) -> Grid:
    """Return a grid over N places (N×d), one at least."""
    flat = places[:, [0, -1]]
    corner = flat.min(axis=0)
    wide = np.maximum(flat.max(axis=0) - corner, 1e-9)
    cell = max(
        sqrt(PLACES_A_CELL * float(wide.prod()) / len(places)), float(wide.max()) / len(places), LEAST_CELL_MM
    )
    columns, rows = (int(size) + 1 for size in wide / cell)
    own = np.floor((flat - corner) / cell).astype(np.int64)
    number = own[:, 1] * columns + own[:, 0]
    order = np.argsort(number, kind="stable")
    begins = np.concatenate([[0], np.cumsum(np.bincount(number, minlength=columns * rows))])
    return Grid(float(corner[0]), float(corner[1]), cell, columns, rows, order, begins)


def nearest_by_grid(
    asked: Floats, places: Floats, grid: Grid, count: int, *, slower_axis: bool
) -> tuple[Floats, Ints]:
    """Return the `count` nearest of N places (N×d) to each of M (M×d): how far (M×count) and which, near ones first.

    The way is Euclid's, where `slower_axis` the longest of the axes' ones. What is equally far comes in the order of its
    numbers; what is missing is inf far, and its number is N.
    """
    away = np.full((len(asked), count), np.inf)
    found = np.full((len(asked), count), len(places), dtype=np.int64)
    _look(np.ascontiguousarray(asked), np.ascontiguousarray(places), grid, slower_axis, away, found)
    return away, found


@entry
def _look(
    asked: Floats,
    places: Floats,
    grid: Grid,
    slower_axis: bool,
    away: Floats,
    found: Ints,
) -> None:
    x0, y0, cell, columns, rows, order, begins = grid
    last = away.shape[1] - 1
    for k in range(asked.shape[0]):
        x, y = asked[k, 0] - x0, asked[k, asked.shape[1] - 1] - y0
        column = min(max(int(x / cell), 0), columns - 1)
        row = min(max(int(y / cell), 0), rows - 1)
        for ring in range(max(columns, rows)):
            # What lies outside the rings looked at is no nearer than their edge.
            inside = min(x - (column - ring + 1) * cell, (column + ring) * cell - x)
            inside = min(inside, y - (row - ring + 1) * cell, (row + ring) * cell - y)
            if ring > 0 and away[k, last] < inside - GRAIN_MM:
                break
            for at in range(row - ring, row + ring + 1):
                if at < 0 or at >= rows:
                    continue
                step = 1 if at in (row - ring, row + ring) else max(2 * ring, 1)
                for there in range(column - ring, column + ring + 1, step):
                    if 0 <= there < columns:
                        cell_number = at * columns + there
                        for place in range(begins[cell_number], begins[cell_number + 1]):
                            # Where many are in one place: those of a cell come in the order of their numbers.
                            if away[k, last] == 0.0 and order[place] > found[k, last]:
                                break
                            _taken(k, order[place], asked, places, slower_axis, away, found)


@inner
def _taken(
    k: int, which: int, asked: Floats, places: Floats, slower_axis: bool, away: Floats, found: Ints
) -> None:
    """Put a place among the nearest, where it is one of them."""
    far = 0.0
    for axis in range(asked.shape[1]):
        way = asked[k, axis] - places[which, axis]
        far = max(far, abs(way)) if slower_axis else far + way * way
    if not slower_axis:
        far = sqrt(far)
    at = away.shape[1]
    while at > 0 and (far < away[k, at - 1] or (far == away[k, at - 1] and which < found[k, at - 1])):
        at -= 1
        if at + 1 < away.shape[1]:
            away[k, at + 1], found[k, at + 1] = away[k, at], found[k, at]
    if at < away.shape[1]:
        away[k, at], found[k, at] = far, which

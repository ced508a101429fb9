"""Places to those near them: with what numpy has where they are few or near is near, by a grid where they are many.

Not by scipy's tree: loading it takes longer than what is asked on a board of a thousand pads (measured: a third of a second
of processor time, and 40 MB). All ways give the same; what is equally far comes in the order of its numbers.
"""

from collections.abc import Iterator
from functools import reduce

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.nearest import Grid, grid_over, nearest_by_grid

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

FEW = 1000
"""Up to so many places all distances are worked out: a thousand from a thousand take about 15 ms (measured)."""

AT_A_TIME = 1 << 18
"""Distances held at once: 2 MB."""

LOOSE_MM = 1e-6
"""By so much farther is looked, so that rounding loses none that is just within; how far each is decides in the end."""

MANY_ASKED = 64
"""From so many on places are sorted into bands first; for fewer that takes longer than it spares (measured)."""

MOST_BANDS = 16
"""That one asked place looks into, where its reach is much larger than the others' (own choice)."""


class NearPlaces:
    """Places (N×d, mm) that are asked for those near others. Distances are Euclid's, where `slower_axis` the largest
    of the axes' ones.
    """

    def __init__(self, places: ArrayLike, *, slower_axis: bool = False) -> None:
        self.places: Floats = np.atleast_2d(np.asarray(places, dtype=np.float64))
        self.slower_axis = slower_axis
        self._along_x: Ints = np.argsort(self.places[:, 0], kind="stable")
        self._x: Floats = self.places[self._along_x, 0]
        self._order = self._along_x
        self._grid: Grid | None = None

    def nearest(self, asked: ArrayLike, *, within: float = np.inf) -> tuple[Floats, Ints]:
        """Return how far the nearest is from each of M places (M) [mm] and which (M): inf and N where none is `within`."""
        away, found = self.some(asked, 1, within=within)
        return away[:, 0], found[:, 0]

    def some(self, asked: ArrayLike, count: int, *, within: float = np.inf) -> tuple[Floats, Ints]:
        """Return the `count` nearest of each of M places, near ones first: how far (M×count) [mm] and which.

        Those that are missing, or not nearer than `within`, are inf far, and their number is N.
        """
        of, many = np.atleast_2d(np.asarray(asked, dtype=np.float64)), len(self.places)
        if many > FEW and not np.isfinite(within):
            self._grid = self._grid or grid_over(self.places)
            return nearest_by_grid(of, self.places, self._grid, count, slower_axis=self.slower_axis)
        away, found = np.full((len(of), count), np.inf), np.full((len(of), count), many, dtype=np.intp)
        if np.isfinite(within):
            for rows, which, far in self._pairs(of, np.full(len(of), within)):
                near = np.lexsort((which, far, rows))
                near = near[far[near] < within]
                place = np.arange(len(near)) - np.searchsorted(rows[near], rows[near])
                near, place = near[place < count], place[place < count]
                away[rows[near], place], found[rows[near], place] = far[near], which[near]
            return away, found
        held = min(count, many)
        for part in self._parts(np.full(len(of), many)):
            far = _far(of[part, None], self.places, self.slower_axis)
            chosen = _least(far, held)
            away[part, :held], found[part, :held] = np.take_along_axis(far, chosen, axis=1), chosen
        return away, found

    def within(self, asked: ArrayLike, reach: ArrayLike) -> list[Ints]:
        """Return which are no further from each of M places than its `reach` (M, or one for all) [mm], in order."""
        whose, which = self.all_within(asked, reach)
        many = len(np.atleast_2d(np.asarray(asked)))
        return np.split(which, np.cumsum(np.bincount(whose, minlength=many)))[:many]

    def all_within(self, asked: ArrayLike, reach: ArrayLike) -> tuple[Ints, Ints]:
        """Return as `within` does, all of it in two columns: the numbers of those that are asked, in order, and which."""
        of = np.atleast_2d(np.asarray(asked, dtype=np.float64))
        reaches = np.broadcast_to(np.asarray(reach, dtype=np.float64), len(of))
        none = np.empty(0, dtype=np.intp)
        asking, found = [none], [none]
        for rows, which, far in self._pairs(of, reaches):
            near = far <= reaches[rows]
            asking.append(rows[near])
            found.append(which[near])
        whose, which = np.concatenate(asking), np.concatenate(found)
        order = np.lexsort((which, whose))
        return whose[order], which[order]

    def pairs(self, reach: float) -> list[tuple[int, int]]:
        """Return the pairs (i < j) that are no further apart than `reach` [mm], in order."""
        one, other = self.all_within(self.places, reach)
        return list(zip(one[other > one].tolist(), other[other > one].tolist(), strict=True))

    def _beside(self, of: Floats, reaches: Floats) -> tuple[Ints, Ints, Ints]:
        """Return where in `_order` those begin and end that are within reach along x, and nearly so along y.

        A stretch for each band of places that it looks into, one asked place's after the other's; and where each one's
        stretches begin (one more than are asked).
        """
        more = reaches * (1 + 1e-9) + LOOSE_MM
        if len(of) < MANY_ASKED or not self.places[:, 1:].size:
            self._order = self._along_x
            first = np.searchsorted(self._x, of[:, 0] - more)
            return first, np.searchsorted(self._x, of[:, 0] + more, side="right"), np.arange(len(of) + 1)
        high = max(2 * float(more.mean()), 2 * float(more.max()) / MOST_BANDS)
        band = np.floor(self.places[:, 1] / high)
        self._order = np.lexsort((self.places[:, 0], band))
        y = np.nan_to_num(of[:, 1])
        lowest, highest = np.floor((y - more) / high), np.floor((y + more) / high)
        looks = (highest - lowest).astype(np.intp) + 1
        begins = np.concatenate([[0], np.cumsum(looks)])
        asking = np.repeat(np.arange(len(of)), looks)
        into = lowest[asking] + (np.arange(len(asking)) - begins[asking])
        # Band and x in one number, so that one search finds a stretch: a band is twice as long as x goes.
        x = self.places[self._order, 0]
        low, wide = float(x.min()), float(np.ptp(x)) + 1.0
        known = 2 * wide * band[self._order] + (x - low)
        ends = [np.clip(of[:, 0] + side - low, -wide / 4, 1.25 * wide)[asking] for side in (-more, more)]
        first, last = (np.searchsorted(known, 2 * wide * into + end) for end in ends)
        return first, last, begins

    def _pairs(self, of: Floats, reaches: Floats) -> Iterator[tuple[Ints, Ints, Floats]]:
        """Give, part by part, the pairs that are near along x: the asked ones' numbers in order, the others', how far."""
        first, last, begins = self._beside(of, reaches)
        counts = last - first
        whole = np.concatenate([[0], np.cumsum(counts)])
        for part in self._parts(np.diff(whole[begins])):
            own = slice(begins[part.start], begins[min(part.stop, len(of))])
            asking = np.repeat(np.arange(len(of))[part], np.diff(begins)[part])
            rows = np.repeat(asking, counts[own])
            begin = whole[:-1][own] - whole[own.start]
            which = self._order[np.arange(len(rows)) + np.repeat(first[own] - begin, counts[own])]
            yield rows, which, _far(of[rows], self.places[which], self.slower_axis)

    def _parts(self, counts: Ints) -> Iterator[slice]:
        """Give parts of what is asked such that not too many distances are held at once."""
        whole = np.cumsum(counts)
        begin = 0
        while begin < len(counts):
            before = int(whole[begin - 1]) if begin else 0
            end = max(int(np.searchsorted(whole, before + AT_A_TIME, side="right")), begin + 1)
            yield slice(begin, end)
            begin = end


def _far(here: Floats, there: Floats, slower_axis: bool) -> Floats:
    """Return the distances of places (…×d) from others [mm]."""
    ways = [here[..., axis] - there[..., axis] for axis in range(there.shape[-1])]
    if slower_axis:
        far: Floats = reduce(np.maximum, [np.abs(way) for way in ways])
    else:  # the root of the sum of squares, as the grid's loop has it, to the last bit
        far = np.sqrt(reduce(np.add, [way * way for way in ways]))
    return far


def _least(far: Floats, held: int) -> Ints:
    """Return the places of the `held` least of each row, near ones first."""
    if held == 1:
        some: Ints = far.argmin(axis=1)[:, None]
    elif held == far.shape[1]:
        some = far.argsort(axis=1, kind="stable")
    else:
        some = np.sort(np.argpartition(far, held - 1, axis=1)[:, :held], axis=1)
        order = np.take_along_axis(far, some, axis=1).argsort(axis=1, kind="stable")
        some = np.take_along_axis(some, order, axis=1)
    return some

"""Places to those near them: with what numpy has where they are few or near is near, with a tree where they are many.

The tree is scipy's; loading it takes longer than all that is asked on a board of a few hundred pads (measured: a third of a
second of processor time), so it is loaded only where there is more to do. All ways give the same; what is equally far
comes in the order of its numbers, where it is not the tree's.
"""

from collections.abc import Iterator
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

FEW = 1000
"""Up to so many places all distances are worked out: a thousand from a thousand take about 15 ms (measured)."""

FEW_PAIRS = 2_000_000
"""So many pairs that are near along x are looked at before a tree is made: they take as long as loading it (measured)."""

AT_A_TIME = 1 << 18
"""Distances held at once: 2 MB."""


class NearPlaces:
    """Places (N×d, mm) that are asked for those near others. Distances are Euclid's, where `slower_axis` the largest
    of the axes' ones.
    """

    def __init__(self, places: ArrayLike, *, slower_axis: bool = False) -> None:
        self.places: Floats = np.atleast_2d(np.asarray(places, dtype=np.float64))
        self.slower_axis = slower_axis
        self._norm = np.inf if slower_axis else 2.0
        self._tree: Any = None
        self._along_x: Ints = np.argsort(self.places[:, 0], kind="stable")
        self._x: Floats = self.places[self._along_x, 0]

    def nearest(self, asked: ArrayLike, *, within: float = np.inf) -> tuple[Floats, Ints]:
        """Return how far the nearest is from each of M places (M) [mm] and which (M): inf and N where none is `within`."""
        away, found = self.some(asked, 1, within=within)
        return away[:, 0], found[:, 0]

    def some(self, asked: ArrayLike, count: int, *, within: float = np.inf) -> tuple[Floats, Ints]:
        """Return the `count` nearest of each of M places, near ones first: how far (M×count) [mm] and which.

        Those that are missing, or not nearer than `within`, are inf far, and their number is N.
        """
        of, many = np.atleast_2d(np.asarray(asked, dtype=np.float64)), len(self.places)
        if not self._few(of, within):
            told = self._tree.query(of, k=range(1, count + 1), p=self._norm, distance_upper_bound=within)
            return np.asarray(told[0]), np.asarray(told[1], dtype=np.intp)
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
        of = np.atleast_2d(np.asarray(asked, dtype=np.float64))
        reaches = np.broadcast_to(np.asarray(reach, dtype=np.float64), len(of))
        if not self._few(of, reaches):
            told = self._tree.query_ball_point(of, reaches, p=self._norm, return_sorted=True)
            return [np.array(one, dtype=np.intp) for one in told]
        none = np.empty(0, dtype=np.intp)
        asking, found = [none], [none]
        for rows, which, far in self._pairs(of, reaches):
            near = far <= reaches[rows]
            asking.append(rows[near])
            found.append(which[near])
        whose, which = np.concatenate(asking), np.concatenate(found)
        ends = np.cumsum(np.bincount(whose, minlength=len(of)))
        return np.split(which[np.lexsort((which, whose))], ends)[: len(of)]

    def pairs(self, reach: float) -> list[tuple[int, int]]:
        """Return the pairs (i < j) that are no further apart than `reach` [mm], in order."""
        return [
            (one, int(other))
            for one, near in enumerate(self.within(self.places, reach))
            for other in near[near > one]
        ]

    def _few(self, of: Floats, reach: float | Floats) -> bool:
        """Tell whether there is little to be looked at; where there is not, a tree is made."""
        if self._tree is None:
            if np.isfinite(reach).all():
                first, last = self._beside(of, reach)
                few = int((last - first).sum()) <= FEW_PAIRS
            else:
                few = len(self.places) <= FEW
            if few:
                return True
            from scipy.spatial import cKDTree

            self._tree = cKDTree(self.places, balanced_tree=False)
        return False

    def _beside(self, of: Floats, reach: float | Floats) -> tuple[Ints, Ints]:
        """Return where in the order along x those begin and end that are no further from each place than its reach."""
        more = reach * (1 + 1e-9) + 1e-9  # rounding must lose none that is just within
        return np.searchsorted(self._x, of[:, 0] - more), np.searchsorted(
            self._x, of[:, 0] + more, side="right"
        )

    def _pairs(self, of: Floats, reaches: Floats) -> Iterator[tuple[Ints, Ints, Floats]]:
        """Give, part by part, the pairs that are near along x: the asked ones' numbers in order, the others', how far."""
        first, last = self._beside(of, reaches)
        counts = last - first
        for part in self._parts(counts):
            begin = np.cumsum(counts[part]) - counts[part]
            rows = np.repeat(np.arange(part.start, part.start + len(begin)), counts[part])
            which = self._along_x[np.arange(len(rows)) + np.repeat(first[part] - begin, counts[part])]
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
    else:  # the root of the sum of squares, as the tree has it, to the last bit
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

"""Visits to expected deposits: which dot or bead each visit laid, by place alone.

A dot belongs to the nearest expected dot within the place tolerance; a path to the expected bead that it follows
from either end, every corner of one within the tolerance of the other. The order in the program means nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pastewright.board.model import Point
from pastewright.profile.model import Bed
from pastewright.readback.machine.visits import HEIGHT_GRAIN_MM, TipVisit
from pastewright.readback.model import Expected
from pastewright.readback.placed import NO_TRAY, ReadTray, WipePlace, boards_on, strip_lines

STRIP_MARGIN_MM = 0.5  # beside the settling strip; a deposit there soils nothing
MOST_CANDIDATES = 8  # beads that begin or end at one place
NEAR_MM = 3.0  # how far off a deposit may lie and still be named as the one that is in the wrong place


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """An expected deposit in machine coordinates."""

    index: int
    is_dot: bool
    path_mm: tuple[Point, ...]


def targets(expected: Expected, bed: Bed) -> list[Target]:
    """Return the expected deposits, moved from their boards to the machine [mm]."""
    boards = boards_on(expected.tray, bed)
    deposits = expected.deposits
    paths: list[tuple[Point, ...]] = [()] * len(deposits)
    for number, board in enumerate(boards):
        own = [index for index, deposit in enumerate(deposits) if deposit.board == number]
        flat = np.array([point for index in own for point in deposits[index].points_mm], dtype=np.float64)
        places: list[Point] = list(map(tuple, board.to_machine(flat.reshape(-1, 2)).tolist()))
        at = 0
        for index in own:
            count = len(deposits[index].points_mm)
            paths[index] = tuple(places[at : at + count])
            at += count
    return [Target(index=index, is_dot=len(path) == 1, path_mm=path) for index, path in enumerate(paths)]


class Finder:
    """Finds the target of a visit."""

    def __init__(self, wanted: Sequence[Target], *, tolerance_mm: float) -> None:
        self.wanted = wanted
        self.tolerance_mm = tolerance_mm
        self._dots = [target for target in wanted if target.is_dot]
        self._beads = [target for target in wanted if not target.is_dot]
        self._dot_tree = _tree([target.path_mm[0] for target in self._dots])
        self._bead_tree = _tree([target.path_mm[end] for target in self._beads for end in (0, -1)])
        self._ends = [(target.index, point) for target in wanted for point in target.path_mm]
        self._any_tree = _tree([point for _, point in self._ends])

    def dots(self, places_mm: Sequence[Point]) -> list[int | None]:
        """Return for each place the index of the expected dot there, or None."""
        if self._dot_tree is None or not places_mm:
            return [None] * len(places_mm)
        places = np.nan_to_num(np.array(places_mm), nan=1e9)
        found = np.asarray(self._dot_tree.query(places, distance_upper_bound=self.tolerance_mm)[1])
        return [self._dots[k].index if k < len(self._dots) else None for k in found.tolist()]

    def bead(self, path_mm: Sequence[Point]) -> int | None:
        """Return the index of the expected bead that `path_mm` follows from either end, or None."""
        if self._bead_tree is None or not np.isfinite(np.array(path_mm)).all():
            return None
        count = min(MOST_CANDIDATES, 2 * len(self._beads))
        _, found = self._bead_tree.query(path_mm[0], k=count, distance_upper_bound=self.tolerance_mm)
        candidates: list[int] = np.atleast_1d(np.asarray(found)).tolist()
        for k in candidates:
            if k >= 2 * len(self._beads):
                continue
            target = self._beads[k // 2]
            wanted = target.path_mm if k % 2 == 0 else target.path_mm[::-1]
            if same_path(path_mm, wanted, tolerance_mm=self.tolerance_mm):
                return target.index
        return None

    def nearest(self, place_mm: Point) -> tuple[int, float] | None:
        """Return the index and distance [mm] of the expected deposit nearest to a place, if within `NEAR_MM`."""
        if self._any_tree is None or not np.isfinite(np.array(place_mm)).all():
            return None
        distance, found = self._any_tree.query(place_mm, distance_upper_bound=NEAR_MM)
        return (self._ends[int(found)][0], float(distance)) if np.isfinite(distance) else None


def _tree(points: list[Point]) -> cKDTree | None:
    return cKDTree(np.array(points)) if points else None


def same_path(path_mm: Sequence[Point], wanted_mm: Sequence[Point], *, tolerance_mm: float) -> bool:
    """Return whether two polylines begin, end and run together within `tolerance_mm` (corner to line, both ways)."""
    if len(path_mm) == len(wanted_mm) and all(
        abs(x - u) <= tolerance_mm * 0.7 and abs(y - v) <= tolerance_mm * 0.7
        for (x, y), (u, v) in zip(path_mm, wanted_mm, strict=True)
    ):
        return True
    path, wanted = np.array(path_mm), np.array(wanted_mm)
    if (np.linalg.norm(path[[0, -1]] - wanted[[0, -1]], axis=1) > tolerance_mm).any():
        return False
    long_way = abs(_length(path) - _length(wanted))  # a path that goes there and back again is another one
    if long_way > 2 * tolerance_mm * max(len(path), len(wanted)):
        return False
    return bool(
        (_distances(path, wanted) <= tolerance_mm).all() and (_distances(wanted, path) <= tolerance_mm).all()
    )


def _length(line: NDArray[np.float64]) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def _distances(points: NDArray[np.float64], line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the distance of each of N points to a polyline [mm]."""
    start, along = line[:-1], np.diff(line, axis=0)
    squared = np.maximum((along**2).sum(axis=1), 1e-18)
    offset = points[:, None, :] - start[None, :, :]
    share = np.clip((offset * along).sum(axis=2) / squared, 0.0, 1.0)
    nearest = offset - share[:, :, None] * along
    return np.asarray(np.sqrt((nearest**2).sum(axis=2)).min(axis=1))


def on_strips(visits: Sequence[TipVisit], bed: Bed, tray: ReadTray = NO_TRAY) -> list[TipVisit]:
    """Return the visits that stay on one of the settling strips."""
    lines = strip_lines(tray, bed)
    places = np.array([visit.path_mm[0] for visit in visits]).reshape(-1, 2)
    near = np.zeros(len(visits), dtype=np.bool_)
    for line in lines:
        ends = np.array(line)
        low, high = ends.min(axis=0) - STRIP_MARGIN_MM, ends.max(axis=0) + STRIP_MARGIN_MM
        near |= ((places >= low) & (places <= high)).all(axis=1)
    return [
        visits[k]
        for k in np.flatnonzero(near).tolist()
        if any(_along(visits[k].path_mm, line) for line in lines)
    ]


def _along(path_mm: Sequence[Point], line_mm: Sequence[Point]) -> bool:
    """Return whether a path stays within `STRIP_MARGIN_MM` of a line."""
    return bool((_distances(np.array(path_mm), np.array(line_mm)) <= STRIP_MARGIN_MM).all())


def on_wipe(visit: TipVisit, wipe: WipePlace | None) -> bool:
    """Return whether a visit goes along the wiping pad, no deeper than it may, and lays nothing there."""
    if wipe is None or visit.volume_ul > 0 or visit.low_mm < wipe.z_mm - HEIGHT_GRAIN_MM:
        return False
    return all(near_wipe(np.array(place), wipe) for place in visit.path_mm)


def near_wipe(place_mm: NDArray[np.float64], wipe: WipePlace) -> bool:
    """Return whether a place is on the wiping pad."""
    line = np.array([wipe.from_mm, wipe.to_mm])
    return bool(np.isfinite(place_mm).all() and _distances(place_mm[None, :], line)[0] <= STRIP_MARGIN_MM)

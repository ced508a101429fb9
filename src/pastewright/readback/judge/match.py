"""Visits to expected deposits: which dot or bead each visit laid, by place alone.

A dot belongs to the nearest expected dot within the place tolerance; a path to the expected bead that it follows
from either end, every corner of one within the tolerance of the other. The order in the program means nothing.
"""

from collections.abc import Sequence
from itertools import chain
from math import isfinite

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.near import NearPlaces
from pastewright.profile.model import Bed
from pastewright.readback.machine.visits import HEIGHT_GRAIN_MM, TipVisit
from pastewright.readback.model import Expected
from pastewright.readback.placed import NO_TRAY, ReadTray, WipePlace, boards_on, strip_lines

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STRIP_MARGIN_MM = 0.5  # beside the settling strip; a deposit there soils nothing
MOST_CANDIDATES = 8  # beads that begin or end at one place
NEAR_MM = 3.0  # how far off a deposit may lie and still be named as the one that is in the wrong place


class Target(Struct, frozen=True, kw_only=True):
    """An expected deposit in machine coordinates."""

    index: int
    is_dot: bool
    path_mm: tuple[Point, ...]


def targets(expected: Expected, bed: Bed) -> list[Target]:
    """Return the expected deposits, moved from their boards to the machine [mm]."""
    boards = boards_on(expected.tray, bed)
    deposits = expected.deposits
    paths = [deposit.points_mm if deposit.thrown else () for deposit in deposits]
    for number, board in enumerate(boards):
        own = [
            index for index, deposit in enumerate(deposits) if deposit.board == number and not deposit.thrown
        ]
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
        found = self._dot_tree.nearest(places, within=self.tolerance_mm)[1]
        return [self._dots[k].index if k < len(self._dots) else None for k in found.tolist()]

    def beads(self, paths_mm: Sequence[Sequence[Point]]) -> list[int | None]:
        """Return for each path the index of the expected bead that it follows from either end, or None."""
        found: list[int | None] = [None] * len(paths_mm)
        known = [k for k, path in enumerate(paths_mm) if all(map(isfinite, chain.from_iterable(path)))]
        if self._bead_tree is None or not known:
            return found
        count = min(MOST_CANDIDATES, 2 * len(self._beads))
        firsts = np.array([paths_mm[k][0] for k in known])
        _, near = self._bead_tree.some(firsts, count, within=self.tolerance_mm)
        for turn in near.T.tolist():
            alike: dict[tuple[int, int], list[tuple[int, int, tuple[Point, ...]]]] = {}
            for k, end in zip(known, turn, strict=True):
                if found[k] is None and end < 2 * len(self._beads):
                    target = self._beads[end // 2]
                    wanted = target.path_mm if end % 2 == 0 else target.path_mm[::-1]
                    alike.setdefault((len(paths_mm[k]), len(wanted)), []).append((k, target.index, wanted))
            for pairs in alike.values():
                paths = np.array([paths_mm[k] for k, _, _ in pairs])
                lines = np.array([wanted for _, _, wanted in pairs])
                for at in np.flatnonzero(same_paths(paths, lines, tolerance_mm=self.tolerance_mm)).tolist():
                    found[pairs[at][0]] = pairs[at][1]
        return found

    def nearest(self, place_mm: Point) -> tuple[int, float] | None:
        """Return the index and distance [mm] of the expected deposit nearest to a place, if within `NEAR_MM`."""
        if self._any_tree is None or not np.isfinite(np.array(place_mm)).all():
            return None
        (distance,), (found,) = self._any_tree.nearest(place_mm, within=NEAR_MM)
        return (self._ends[int(found)][0], float(distance)) if np.isfinite(distance) else None


def _tree(points: list[Point]) -> NearPlaces | None:
    return NearPlaces(points) if points else None


def same_paths(paths_mm: Floats, wanted_mm: Floats, *, tolerance_mm: float) -> Flags:
    """Tell of K pairs of polylines (K×N×2, K×M×2) which begin, end and run together within `tolerance_mm`.

    Each corner lies that near to the other line, both ways, and their lengths agree.
    """
    ends = np.linalg.norm(paths_mm[:, [0, -1]] - wanted_mm[:, [0, -1]], axis=2)
    same = (ends <= tolerance_mm).all(axis=1)
    long_way = np.abs(_length(paths_mm) - _length(wanted_mm))  # there and back again is another path
    same &= long_way <= 2 * tolerance_mm * max(paths_mm.shape[1], wanted_mm.shape[1])
    same &= (_distances(paths_mm, wanted_mm) <= tolerance_mm).all(axis=1)
    same &= (_distances(wanted_mm, paths_mm) <= tolerance_mm).all(axis=1)
    return np.asarray(same)


def _length(lines: Floats) -> Floats:
    return np.asarray(np.linalg.norm(np.diff(lines, axis=1), axis=2).sum(axis=1))


def _distances(points: Floats, lines: Floats) -> Floats:
    """Return the distance of each of K×N points to the polyline of its row, K×M corners [mm]."""
    start, along = lines[:, :-1], np.diff(lines, axis=1)
    squared = np.maximum((along**2).sum(axis=2), 1e-18)
    offset = points[:, :, None, :] - start[:, None, :, :]
    share = np.clip((offset * along[:, None]).sum(axis=3) / squared[:, None], 0.0, 1.0)
    nearest = offset - share[..., None] * along[:, None]
    return np.asarray(np.sqrt((nearest**2).sum(axis=3)).min(axis=2))


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
    return bool((_distances(np.array([path_mm]), np.array([line_mm])) <= STRIP_MARGIN_MM).all())


def on_wipe(visit: TipVisit, wipe: WipePlace | None) -> bool:
    """Return whether a visit goes along the wiping pad, no deeper than it may, and lays nothing there."""
    if wipe is None or visit.volume_ul > 0 or visit.low_mm < wipe.z_mm - HEIGHT_GRAIN_MM:
        return False
    return all(near_wipe(np.array(place), wipe) for place in visit.path_mm)


def near_wipe(place_mm: Floats, wipe: WipePlace) -> bool:
    """Return whether a place is on the wiping pad."""
    line = np.array([[wipe.from_mm, wipe.to_mm]])
    return bool(
        np.isfinite(place_mm).all() and _distances(place_mm[None, None, :], line)[0, 0] <= STRIP_MARGIN_MM
    )

"""Two revisions of a board to what changed as far as paste is concerned: pads added, removed, moved, dosed otherwise.

Pads are matched by part and pin first, then by place. A shift that all pads share is no change of any of them: it
is told once, and places are compared without it.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import shapely
from numpy.typing import NDArray

from pastewright.board.model import Board, Pad, Point
from pastewright.dose.doses import dose_board
from pastewright.near import NearPlaces
from pastewright.profile.model import Profile

# Smaller moves and changes come from rounding of files, and from one format's curves to another's.
MOVED_MM = 0.02
CHANGED = 0.01
# Pads without a common name are one pad when they lie this near to each other.
SAME_PLACE_MM = 0.3


class ChangeKind(StrEnum):
    """What happened to a pad."""

    ADDED = "added"
    REMOVED = "removed"
    MOVED = "moved"
    DOSE = "dose changed"
    RENAMED = "renamed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of one pad. `before` and `after` are amounts of paste (0 where there is none), places in mm
    of the new board; `was` is the pad's id in the old board where that is another one."""

    kind: ChangeKind
    pad_id: str
    was: str
    before: float
    after: float
    from_mm: Point | None
    to_mm: Point | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All changes, in the order of the new board; amounts are in `unit` ("µL" with a profile, else "mm²")."""

    changes: tuple[Change, ...]
    unit: str
    before_total: float
    after_total: float
    unchanged: int
    shift_mm: Point

    def of(self, kind: ChangeKind) -> tuple[Change, ...]:
        """Return the changes of one kind."""
        return tuple(change for change in self.changes if change.kind is kind)


def compare_boards(old: Board, new: Board, profile: Profile | None = None) -> Comparison:
    """Return what changed from one side of a board to the same side of another revision."""
    before, after = _amounts(old, profile), _amounts(new, profile)
    one = [n for n, amount in enumerate(before) if amount > 0]
    other = [n for n, amount in enumerate(after) if amount > 0]
    old_places, new_places = _places(old), _places(new)
    pairs = _by_name(old, new, one, other, old_places, new_places)
    shift = _shift(pairs, old_places, new_places)
    if not pairs:
        shift = _guessed_shift(old_places[one], new_places[other])
    taken_old, taken_new = {a for a, _ in pairs}, {b for _, b in pairs}
    pairs += _by_place(
        [n for n in one if n not in taken_old],
        [n for n in other if n not in taken_new],
        old_places + shift,
        new_places,
    )
    changes: list[tuple[tuple[int, int], Change]] = []
    unchanged = 0
    for a, b in pairs:
        found = _changes(old.pads[a], new.pads[b], before[a], after[b], old_places[a] + shift, new_places[b])
        unchanged += not found
        changes.extend(((0, b), change) for change in found)
    matched_old, matched_new = {a for a, _ in pairs}, {b for _, b in pairs}
    changes.extend(
        ((0, b), _one_sided(ChangeKind.ADDED, new.pads[b], 0.0, after[b], new_places[b]))
        for b in sorted(set(other) - matched_new)
    )
    for a in sorted(set(one) - matched_old):
        place = old_places[a] + shift
        changes.append(((1, a), _one_sided(ChangeKind.REMOVED, old.pads[a], before[a], 0.0, place)))
    return Comparison(
        changes=tuple(change for _, change in sorted(changes, key=lambda item: item[0])),
        unit="µL" if profile is not None else "mm²",
        before_total=sum(before),
        after_total=sum(after),
        unchanged=unchanged,
        shift_mm=(float(shift[0]), float(shift[1])),
    )


def _amounts(board: Board, profile: Profile | None) -> list[float]:
    if profile is None:
        return [pad.aperture_area_mm2 for pad in board.pads]
    doses = dose_board(
        board, profile.dose, profile.paste, bead_shape_ratio=profile.tuning.bead_shape_ratio
    ).doses
    return [dose.target_ul for dose in doses]


def _places(board: Board) -> NDArray[np.float64]:
    """Return the middle of each pad's paste (of its land without any), N×2 [mm, board]."""
    shapes = np.empty(len(board.pads), dtype=object)
    shapes[:] = [
        shapely.MultiPolygon([each.shape for each in pad.apertures]) if pad.apertures else pad.land
        for pad in board.pads
    ]
    return np.asarray(shapely.get_coordinates(shapely.centroid(shapes))).reshape(-1, 2)


def _by_name(
    old: Board,
    new: Board,
    one: Sequence[int],
    other: Sequence[int],
    old_places: NDArray[np.float64],
    new_places: NDArray[np.float64],
) -> list[tuple[int, int]]:
    groups: dict[tuple[str, str], list[int]] = defaultdict(list)
    for n in other:
        if new.pads[n].ref and new.pads[n].pin:
            groups[new.pads[n].ref, new.pads[n].pin].append(n)
    pairs: list[tuple[int, int]] = []
    for n in one:
        group = groups.get((old.pads[n].ref, old.pads[n].pin), [])
        if group:
            # Several pads of one pin are told apart by place.
            near = min(group, key=lambda m: float(np.hypot(*(new_places[m] - old_places[n]))))
            group.remove(near)
            pairs.append((n, near))
    return pairs


def _shift(
    pairs: Sequence[tuple[int, int]], old_places: NDArray[np.float64], new_places: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the shift that at least half of the pads share [mm], (0, 0) when there is none."""
    if not pairs:
        return np.zeros(2)
    moves = np.array([new_places[b] - old_places[a] for a, b in pairs])
    middle = np.median(moves, axis=0)
    shared = np.hypot(*(moves - middle).T) <= MOVED_MM
    if shared.mean() < 0.5 or float(np.hypot(*middle)) <= MOVED_MM:
        return np.zeros(2)
    return np.asarray(moves[shared].mean(axis=0))


def _guessed_shift(old_places: NDArray[np.float64], new_places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the shift of boards without names: none, or what brings lower left corners together, if that fits."""
    none = np.zeros(2)
    if not len(old_places) or not len(new_places):
        return none
    tree = NearPlaces(new_places)

    def met(shift: NDArray[np.float64]) -> int:
        away, _ = tree.nearest(old_places + shift, within=MOVED_MM)
        return int(np.isfinite(away).sum())

    corner = new_places.min(axis=0) - old_places.min(axis=0)
    return np.asarray(corner) if met(corner) > 2 * met(none) else none


def _by_place(
    one: Sequence[int],
    other: Sequence[int],
    old_places: NDArray[np.float64],
    new_places: NDArray[np.float64],
) -> list[tuple[int, int]]:
    """Return pairs of pads that are each other's nearest."""
    if not one or not other:
        return []
    olds, news = old_places[list(one)], new_places[list(other)]
    away, near = NearPlaces(news).nearest(olds, within=SAME_PLACE_MM)
    _, back = NearPlaces(olds).nearest(news)
    return [
        (one[n], other[int(m)])
        for n, (gap, m) in enumerate(zip(away, near, strict=True))
        if np.isfinite(gap) and int(back[m]) == n
    ]


def _changes(
    old: Pad, new: Pad, before: float, after: float, was_at: NDArray[np.float64], now_at: NDArray[np.float64]
) -> list[Change]:
    kinds = []
    named = bool(old.ref and new.ref)
    if named and (old.ref, old.pin) != (new.ref, new.pin):
        kinds.append(ChangeKind.RENAMED)
    if float(np.hypot(*(now_at - was_at))) > MOVED_MM:
        kinds.append(ChangeKind.MOVED)
    if abs(after - before) > CHANGED * max(before, after):
        kinds.append(ChangeKind.DOSE)
    return [
        Change(
            kind=kind,
            pad_id=new.id,
            was=old.id if old.id != new.id else "",
            before=before,
            after=after,
            from_mm=(float(was_at[0]), float(was_at[1])),
            to_mm=(float(now_at[0]), float(now_at[1])),
        )
        for kind in kinds
    ]


def _one_sided(kind: ChangeKind, pad: Pad, before: float, after: float, place: NDArray[np.float64]) -> Change:
    at = (float(place[0]), float(place[1]))
    return Change(
        kind=kind,
        pad_id=pad.id,
        was="",
        before=before,
        after=after,
        from_mm=at if kind is ChangeKind.REMOVED else None,
        to_mm=at if kind is ChangeKind.ADDED else None,
    )

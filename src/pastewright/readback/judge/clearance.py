"""Moves, and what stands on the boards, to the height that each move must keep: the read-back's own clearance.

    paste     the caps and beads that the plan lists, from their volumes and the profile's shapes, laid or not
    ground    the board's surface along the move
    unknown   a part without paste, a pad without paste, a fiducial, a zone, within a millimetre of the edge, off the
              boards, or a way longer than the profile's reach: there the full height of travels holds

The planner asks a geometry library for distances between shapes; here beads are rows of points, found with a tree of
places, and boxes are cut out of moves.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import hypot

import numpy as np
from numpy.typing import NDArray

from pastewright.near import NearPlaces
from pastewright.profile.model import Profile
from pastewright.readback.judge.cap import height_mm
from pastewright.readback.judge.match import Target
from pastewright.readback.machine.timeline import Floats, MachineTimeline
from pastewright.readback.machine.visits import HEIGHT_GRAIN_MM
from pastewright.readback.model import Expected
from pastewright.readback.placed import BoardPlace, on_way

EDGE_MM = 1.0  # clamps and rails stand at a board's edge; the planner keeps the same
ROUNDING_MM = 0.002  # places are written to a thousandth at best
STEP_MM = (
    0.2  # a bead is looked at every so far; its paste between two such places is missed by 0.01 mm at most
)
GROUND_LOOKS = 17  # places on a hop where a ground that is not level is looked at

Flags = NDArray[np.bool_]


def needed_z_mm(
    moves: MachineTimeline,
    wanted: Sequence[Target],
    expected: Expected,
    boards: Sequence[BoardPlace],
    profile: Profile,
    *,
    travel_z_mm: float,
) -> Floats:
    """Return the height that each move must keep to be a travel, not work [mm, machine]; `travel_z_mm` at most."""
    need = np.full(len(moves), travel_z_mm)
    reach_mm = profile.bed.hop_reach_mm
    if reach_mm <= 0 or not len(moves):
        return need
    ways = np.column_stack([moves.start_mm[:, :2], moves.end_mm[:, :2]])
    lower = np.fmin(moves.start_mm[:, 2], moves.end_mm[:, 2])
    asked = np.isfinite(ways).all(axis=1) & (lower < travel_z_mm - HEIGHT_GRAIN_MM)
    asked &= np.hypot(ways[:, 2] - ways[:, 0], ways[:, 3] - ways[:, 1]) <= reach_mm + ROUNDING_MM
    asked[list(moves.arcs)] = False
    rows = np.flatnonzero(asked)
    # A deposit's lines stand at one place one after another: they are looked at once.
    anew = np.ones(len(rows), dtype=np.bool_)
    anew[1:] = (np.diff(ways[rows], axis=0) != 0).any(axis=1)
    which = np.cumsum(anew) - 1
    found = _over(ways[rows[anew]], wanted, expected, boards, profile)
    known = np.isfinite(found)[which]
    need[rows[known]] = np.minimum(found[which][known], travel_z_mm)
    return need


def _over(
    ways: Floats,
    wanted: Sequence[Target],
    expected: Expected,
    boards: Sequence[BoardPlace],
    profile: Profile,
) -> Floats:
    """Return the height that each way x0, y0, x1, y1 must keep [mm, machine]; infinite over what is unknown."""
    tip_mm = profile.tip.outer_mm / 2 + profile.deposit.placement_error_mm
    found = np.full(len(ways), np.inf)
    for number, board in enumerate(boards):
        own = np.flatnonzero(_inside(ways, board))
        if not len(own):
            continue
        found[own] = _ground(ways[own], board)
        found[own[_unknown(ways[own], number, board, expected, tip_mm)]] = np.inf
    known = np.flatnonzero(np.isfinite(found))
    if len(known):
        tops = _paste(ways[known], wanted, expected, boards, profile, tip_mm)
        found[known] = np.maximum(found[known], tops) + profile.bed.hop_clear_mm
    return found


def _inside(ways: Floats, board: BoardPlace) -> Flags:
    if min(board.size_mm) <= 0:
        return np.zeros(len(ways), dtype=np.bool_)
    kept = ROUNDING_MM - EDGE_MM
    return board.beneath(ways[:, :2], margin_mm=kept) & board.beneath(ways[:, 2:], margin_mm=kept)


def _ground(ways: Floats, board: BoardPlace) -> Floats:
    if board.ground.level:
        return np.full(len(ways), board.ground.z_mm)
    shares = np.linspace(0.0, 1.0, GROUND_LOOKS)[:, None, None]
    places = ways[None, :, :2] + shares * (ways[None, :, 2:] - ways[None, :, :2])
    heights: Floats = board.ground.heights_mm(places.reshape(-1, 2)).reshape(GROUND_LOOKS, -1).max(axis=0)
    return heights


def _unknown(ways: Floats, number: int, board: BoardPlace, expected: Expected, tip_mm: float) -> Flags:
    """Tell which ways lead over a part or pad without paste, or a zone."""
    unknown = np.zeros(len(ways), dtype=np.bool_)
    boxes = [
        *((one.low_mm, one.high_mm) for one in expected.empty if one.board == number),
        *((zone.low_mm, zone.high_mm) for zone in expected.tray.zones),
    ]
    if not boxes:
        return unknown
    middles = NearPlaces((ways[:, :2] + ways[:, 2:]) / 2)
    longest = float(np.hypot(ways[:, 2] - ways[:, 0], ways[:, 3] - ways[:, 1]).max())
    # A tip's round way past a corner stays clear of a box grown by this much along both sides.
    grown = tip_mm * 0.7
    for low, high in boxes:
        corners = board.to_machine(np.array([low, high]))
        size = hypot(high[0] - low[0], high[1] - low[1])
        (rows,) = middles.within(corners.mean(axis=0), size / 2 + longest / 2 + 2 * tip_mm)
        if len(rows):
            hit = on_way(
                (low[0] - grown, low[1] - grown),
                (high[0] + grown, high[1] + grown),
                board,
                ways[rows, :2],
                ways[rows, 2:],
            )
            unknown[rows[hit]] = True
    return unknown


def _paste(
    ways: Floats,
    wanted: Sequence[Target],
    expected: Expected,
    boards: Sequence[BoardPlace],
    profile: Profile,
    tip_mm: float,
) -> Floats:
    """Return the highest paste within reach of each way [mm, machine], minus infinity where there is none."""
    found = np.full(len(ways), -np.inf)
    middles = (ways[:, :2] + ways[:, 2:]) / 2
    halves = np.hypot(ways[:, 2] - ways[:, 0], ways[:, 3] - ways[:, 1]) / 2
    for places, reach, tops in _standing(wanted, expected, boards, profile, tip_mm):
        tree = NearPlaces(places)
        rows, which = tree.all_within(middles, halves + float(reach.max()))
        met = _away(places[which], ways[rows]) < reach[which] - ROUNDING_MM
        np.maximum.at(found, rows[met], tops[which[met]])
    return found


def _standing(
    wanted: Sequence[Target],
    expected: Expected,
    boards: Sequence[BoardPlace],
    profile: Profile,
    tip_mm: float,
) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Yield places of paste, how far from the tip's middle it is met, and its top [mm, machine]; like sizes together."""
    places: list[Floats] = []
    reach: list[float] = []
    tops: list[float] = []
    level = [board.ground.z_mm if board.ground.level else None for board in boards]
    for target, deposit in zip(wanted, expected.deposits, strict=True):
        points = _strung(np.array(target.path_mm))
        height = height_mm(deposit, profile.tuning)
        ratio = profile.tuning.dot_shape_ratio if target.is_dot else profile.tuning.bead_shape_ratio
        ground_z_mm = profile.bed.board_z_mm if deposit.on_card else level[deposit.board]
        if ground_z_mm is None:
            ground_z_mm = float(boards[deposit.board].ground.heights_mm(points).max())
        places.append(points)
        reach.append(height / ratio / 2 + tip_mm)
        tops.append(ground_z_mm + height)
    sizes = np.array(reach)
    counts = np.array([len(points) for points in places])
    order = np.floor(np.log2(sizes / sizes.min())) if len(sizes) else sizes
    for size in sorted(set(order.tolist())):
        own = np.flatnonzero(order == size)
        yield (
            np.concatenate([places[index] for index in own]),
            np.repeat(sizes[own], counts[own]),
            np.repeat(np.array(tops)[own], counts[own]),
        )


def _strung(path: Floats) -> Floats:
    """Return places along a path, no more than a step apart."""
    if len(path) == 1:
        return path
    pieces = [path[:1]]
    for start, end in pairwise(path):
        steps = max(int(np.ceil(np.hypot(*(end - start)) / STEP_MM)), 1)
        pieces.append(start + (np.arange(1, steps + 1) / steps)[:, None] * (end - start))
    return np.concatenate(pieces)


def _away(places: Floats, ways: Floats) -> Floats:
    """Return how far each place is from its way [mm]."""
    start, along = ways[:, :2], ways[:, 2:] - ways[:, :2]
    squared = np.maximum((along**2).sum(axis=1), 1e-18)
    share = np.clip(((places - start) * along).sum(axis=1) / squared, 0.0, 1.0)
    off = places - start - share[:, None] * along
    away: Floats = np.hypot(off[:, 0], off[:, 1])
    return away

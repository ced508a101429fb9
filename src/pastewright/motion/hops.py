"""Deposits and what else stands on the boards to the height of each hop: no higher than what lies on its way asks for.

    full height   ────┐                        ┌──── over what is unknown, and between places far apart
                      │                        │
    hop height        └────────────────────────┘     the highest thing within reach of the tip's way, and the gap above it
                        ◠  ◠   paste: laid already or to be laid, so that any order and any part of a run may use it

Known is what lies between two places of one board: its surface, and the paste of this program. Unknown is what may
stand where no paste of this program goes: a part that was placed before, what hangs over a board's edge, a fiducial's
post, zones of the job. A part whose pads get paste now is not there yet.
"""

from collections.abc import Sequence
from math import inf, pi, sqrt

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray
from shapely.geometry import LineString, box
from shapely.geometry.base import BaseGeometry

from pastewright.board.model import Point as Place
from pastewright.deposit.model import Deposit
from pastewright.motion.around import Blocked
from pastewright.place.tray.located import Located
from pastewright.profile.model import Profile
from pastewright.records.kinds import PadKind

Floats = NDArray[np.float64]

SPARE_MM = 0.03
"""Above the gap that the profile asks for: heights are rounded to two decimals at worst. Own choice."""

# The read-back judges by the same distances, written down there again (`readback.judge.clearance`).
EDGE_MM = 1.0
"""A hop keeps so far inside its board: clamps and rails stand at edges. Own choice."""
PART_MM = 2.0
"""A part reaches so far beyond its outermost pads, or half as far as they lie apart, whichever is more. From memory:
through-hole LEDs and capacitors overhang by 1.7 to 2.5 mm.
"""
PAD_MM = 0.5
"""What may stand on a pad that gets no paste now (an earlier deposit) reaches so far beyond its land. Own choice."""


class EmptyPad(Struct, frozen=True, kw_only=True):
    """A pad, or a fiducial, that gets no paste in this program: its centre [mm, board] and its land."""

    board: int
    ref: str
    place_mm: Place
    area_mm2: float


class Floor(Struct, frozen=True, kw_only=True):
    """What is known of every board: its size, the pads that get nothing, the parts that get something; and the zones."""

    size_mm: Place
    empty: tuple[EmptyPad, ...]
    pasted: frozenset[tuple[int, str]]
    zones: tuple[Blocked, ...] = ()


class Hop(Struct, frozen=True, kw_only=True):
    """A straight way [mm, machine] from one deposit of a board to the next."""

    board: int
    from_mm: Place
    to_mm: Place


def nothing_stands(kind: PadKind) -> bool:
    """Tell whether a pad without paste is bare for sure: nobody solders to a test point."""
    return kind is PadKind.TEST_POINT


def hop_heights_mm(hops: Sequence[Hop], there: Located, floor: Floor, profile: Profile) -> list[float]:
    """Return the height of each hop [mm, machine]; infinite where only the full height of travels will do."""
    bed = profile.bed
    if not hops or bed.hop_reach_mm <= 0:
        return [inf] * len(hops)
    ends = np.array([(*hop.from_mm, *hop.to_mm) for hop in hops])
    lines: NDArray[np.object_] = np.array(shapely.linestrings(ends.reshape(-1, 2, 2)))
    heights = _over_ground(hops, ends, there)
    tip_mm = profile.tip.outer_mm / 2 + profile.deposit.placement_error_mm
    paste = _over_paste(lines, there, tip_mm, profile)
    heights = np.maximum(heights, paste) + bed.hop_clear_mm + SPARE_MM
    far = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1]) > bed.hop_reach_mm
    heights[far | _over_unknown(hops, lines, there, floor, tip_mm)] = inf
    found: list[float] = heights.tolist()
    return found


def _over_ground(hops: Sequence[Hop], ends: Floats, there: Located) -> Floats:
    """Highest ground of the board within the box of each hop [mm, machine]."""
    heights = np.empty(len(hops))
    for row, hop in enumerate(hops):
        surface = there.placements.boards[hop.board].surface
        if surface.flat:
            heights[row] = surface.z_mm
        else:
            (x0, y0), (x1, y1) = hop.from_mm, hop.to_mm
            heights[row] = surface.highest_mm((min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)))
    return heights


def _over_paste(lines: NDArray[np.object_], there: Located, tip_mm: float, profile: Profile) -> Floats:
    """Highest paste that the tip's way goes over, of all that this program lays [mm, machine]."""
    deposits = there.layout.deposits
    shapes = _shapes(deposits)
    # A short bead is wide and high where its paste is all between its ends, none round them.
    lengths = shapely.length(shapes).tolist()
    caps = [_cap(one, length_mm, profile) for one, length_mm in zip(deposits, lengths, strict=True)]
    reach = np.array([width / 2 for width, _ in caps]) + tip_mm
    tops = np.array([max(ground) + height for (_, height), ground in zip(caps, there.ground_mm, strict=True)])
    found = np.full(len(lines), -inf)
    # By falling width, so that one large deposit does not make every hop look far around.
    for near in _by_size(reach):
        tree = shapely.STRtree(shapes[near])
        rows, columns = tree.query(lines, predicate="dwithin", distance=float(reach[near].max()))
        which = near[columns]
        away = shapely.distance(lines[rows], shapes[which])
        met = away <= reach[which]
        np.maximum.at(found, rows[met], tops[which[met]])
    return found


def _shapes(deposits: Sequence[Deposit]) -> NDArray[np.object_]:
    """Return where the tip stands or goes for each deposit: a point or a line."""
    shapes: NDArray[np.object_] = np.empty(len(deposits), dtype=object)
    dots = [n for n, one in enumerate(deposits) if len(one.points_mm) == 1]
    if dots:
        shapes[dots] = shapely.points([deposits[n].points_mm[0] for n in dots])
    for n, one in enumerate(deposits):
        if len(one.points_mm) > 1:
            shapes[n] = LineString(one.points_mm)
    return shapes


def _cap(deposit: Deposit, length_mm: float, profile: Profile) -> tuple[float, float]:
    """Width and height of a deposit at rest [mm], a bead's as if its ends were cut off straight where they are wider."""
    if length_mm <= 0:
        return deposit.width_mm, deposit.height_mm
    ratio = profile.tuning.bead_shape_ratio
    width = sqrt(deposit.volume_ul / length_mm / (pi / 4 * ratio))
    return max(deposit.width_mm, width), max(deposit.height_mm, ratio * width)


def _by_size(reach: Floats) -> list[NDArray[np.intp]]:
    """Indices in groups whose reach differs by no more than a factor of two."""
    order = np.argsort(reach)
    groups = np.floor(np.log2(reach[order] / reach[order[0]])) if len(order) else np.empty(0)
    return np.split(order, np.flatnonzero(np.diff(groups)) + 1)


def _over_unknown(
    hops: Sequence[Hop], lines: NDArray[np.object_], there: Located, floor: Floor, tip_mm: float
) -> NDArray[np.bool_]:
    """Tell which hops leave what is known of their board."""
    unknown = np.zeros(len(hops), dtype=np.bool_)
    boards = np.array([hop.board for hop in hops])
    width, height = floor.size_mm
    for number, board in enumerate(there.placements.boards):
        own = np.flatnonzero(boards == number)
        if not len(own):
            continue
        back = board.affine.inverse()
        drawn = shapely.transform(lines[own], back.apply)
        inner = box(EDGE_MM, EDGE_MM, width - EDGE_MM, height - EDGE_MM)
        if width <= 2 * EDGE_MM or height <= 2 * EDGE_MM:
            unknown[own] = True
            continue
        unknown[own] |= ~shapely.covers(inner, drawn)
        things = _unknown_things(floor, number)
        if things:
            tree = shapely.STRtree(things)
            rows, _ = tree.query(drawn, predicate="dwithin", distance=tip_mm)
            unknown[own[rows]] = True
    for zone in floor.zones:
        unknown |= shapely.distance(lines, zone.area) <= zone.margin_mm + tip_mm
    return unknown


def _unknown_things(floor: Floor, board: int) -> list[BaseGeometry]:
    """Return where something may stand on a board [mm, board]: parts that get no paste, and pads of those that do."""
    parts: dict[str, list[Place]] = {}
    things: list[BaseGeometry] = []
    for pad in floor.empty:
        if pad.board != board:
            continue
        around_mm = sqrt(pad.area_mm2) + PAD_MM
        x, y = pad.place_mm
        things.append(box(x - around_mm, y - around_mm, x + around_mm, y + around_mm))
        if pad.ref and (board, pad.ref) not in floor.pasted:
            parts.setdefault(pad.ref, []).append(pad.place_mm)
    for places in parts.values():
        xs, ys = [x for x, _ in places], [y for _, y in places]
        around_mm = max(PART_MM, (max(xs) - min(xs)) / 2, (max(ys) - min(ys)) / 2)
        things.append(box(min(xs) - around_mm, min(ys) - around_mm, max(xs) + around_mm, max(ys) + around_mm))
    return things

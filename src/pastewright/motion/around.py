"""Motions and blocked areas to motions that pass over them or around them: clamps, and tall parts already placed.

A travel that would cross an area below its top is either made higher, by lifting the tip further before it, or led
round by way of corners (the shortest way in the graph of corners that see each other), whichever takes less time.
An area without a top can only be gone round. Deposits are never moved.
"""

import heapq
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import dist, inf, sqrt

import numpy as np
import shapely
from msgspec import Struct, structs
from shapely.geometry import LineString, Point, Polygon

from pastewright.kinematics import move_time_s
from pastewright.motion.model import Motions, Move, Step
from pastewright.motion.vertical import vertical
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import Profile

ABOVE_MM = 1.0
"""Height kept above an area that is passed over: tips bend and parts stand crooked. Own choice."""
CORNER_MM = 0.05
"""How far outside the margin the corners of a way round lie, so that the way itself is clear of it."""

Place = tuple[float, float]


class Blocked(Struct, frozen=True, kw_only=True):
    """An area [mm, machine] and its top [mm, machine]; `top_z_mm` None: nothing passes over it."""

    name: str
    area: Polygon
    top_z_mm: float | None
    margin_mm: float

    @property
    def free_z_mm(self) -> float:
        """The least height of a travel over it [mm, machine], infinite where there is none."""
        return inf if self.top_z_mm is None else self.top_z_mm + ABOVE_MM


def around(motions: Motions, blocked: Sequence[Blocked], profile: Profile) -> Motions:
    """Return the journey with no travel through a blocked area; the same value when none was needed.

    Raises `InputError` when a place lies in a blocked area, or no way leads to it.
    """
    low = [each for each in blocked if each.free_z_mm > profile.travel_z_mm]
    if not low:
        return motions
    detour = _Detours(low, profile)
    moves: list[Move] = []
    begins: list[int] = []
    for planned, move in zip(motions.moves[:1] + motions.moves[:-1], motions.moves, strict=True):
        begins.append(len(moves))
        if move.step is Step.RAISE:
            # Nobody knows where the tip is at first, so it goes above all that has a top.
            tops = [each.free_z_mm for each in low if each.top_z_mm is not None]
            top = min(max(tops, default=move.z_mm), profile.machine.z_max_mm)
            moves.append(structs.replace(move, z_mm=max(move.z_mm, top)))
        elif move.step is Step.TRAVEL and moves:
            _travel(moves, move, detour, profile)
        elif move.step in (Step.LOWER, Step.LIFT) and moves:
            way, plunger = abs(move.z_mm - moves[-1].z_mm), abs(move.plunger_mm - moves[-1].plunger_mm)
            # However long the way is now, paste is pressed and drawn no faster than planned.
            short = abs(move.z_mm - planned.z_mm)
            pace_mm_s = move.speed_mm_s * plunger / short if short > 0 else inf
            speed, seconds = vertical(way, plunger, profile, plunger_mm_s=pace_mm_s)
            moves.append(structs.replace(move, speed_mm_s=speed, duration_s=seconds))
        else:
            moves.append(move)
    left = crossings(moves, low)
    if left:
        raise InputError(left)
    sections = tuple(
        (begins[index] if index < len(begins) else len(moves), words) for index, words in motions.sections
    )
    travels = [(a, b) for a, b in pairwise(moves) if b.step is Step.TRAVEL]
    extra = sum(dist((a.x_mm, a.y_mm), (b.x_mm, b.y_mm)) for a, b in travels) - sum(
        dist((a.x_mm, a.y_mm), (b.x_mm, b.y_mm)) for a, b in pairwise(motions.moves) if b.step is Step.TRAVEL
    )
    return replace(
        motions,
        moves=tuple(moves),
        sections=sections,
        machine_s=sum(move.duration_s for move in moves),
        travel_mm=motions.travel_mm + extra,
    )


def way_round(
    start: Place, end: Place, z_mm: float, blocked: Sequence[Blocked], profile: Profile
) -> tuple[Place, ...]:
    """Return the corners by which a level way at a height [mm, machine] gets to its end, none where it is straight.

    Raises `InputError` where its end lies within what stands higher, or no way leads there.
    """
    for each in blocked:
        if each.free_z_mm > z_mm + 1e-9 and each.area.intersects(Point(end)):
            raise one_error(
                f"({end[0]:.2f}, {end[1]:.2f}) mm of the machine lies within the zone {each.name!r}, which stands higher"
                f" than the tip would be there (Z {z_mm:g} mm)",
                "Go beside it, and the last of the way by keys: machine jog.",
            )
    detour = _Detours(blocked, profile)
    if not detour.crossed(start, end, z_mm):
        return ()
    way = detour.way(start, end, z_mm)
    if way is None:
        names = ", ".join(repr(each.name) for each in detour.crossed(start, end, z_mm))
        raise one_error(
            f"no way leads from ({start[0]:.2f}, {start[1]:.2f}) to ({end[0]:.2f}, {end[1]:.2f}) mm of the machine at"
            f" Z {z_mm:g} mm: {names} stand(s) between",
            "Go by places beside it (machine to X,Y), or by keys: machine jog.",
        )
    return tuple(way[1:-1])


def crossings(moves: Sequence[Move], blocked: Sequence[Blocked]) -> list[Problem]:
    """Return a problem for each area that some move goes through below its top (the tip's path alone, no margin)."""
    if len(moves) < 2 or not blocked:
        return []
    ends = np.array([(move.x_mm, move.y_mm, move.z_mm) for move in moves])
    lines = shapely.linestrings(np.stack((ends[:-1, :2], ends[1:, :2]), axis=1))
    lowest = np.minimum(ends[:-1, 2], ends[1:, 2])
    # The first travel starts nobody knows where.
    start = next((n for n, move in enumerate(moves) if move.step is Step.TRAVEL), 0)
    problems = []
    for each in blocked:
        below = lowest < (inf if each.top_z_mm is None else each.top_z_mm) - 1e-9
        hit = (shapely.distance(lines, each.area) <= 0.0) & below
        hit[:start] = False
        if hit.any():
            move = moves[int(np.flatnonzero(hit)[0]) + 1]
            what = (
                f"the tip would go through the zone {each.name!r} below its top, near"
                f" ({move.x_mm:.2f}, {move.y_mm:.2f}) mm of the machine"
            )
            problems.append(
                Problem(what=what, mend="Move or shrink the zone, or leave out the pads within it.")
            )
    return problems


def _travel(moves: list[Move], move: Move, detour: "_Detours", profile: Profile) -> None:
    """Add a travel, made higher or led round where it must be."""
    before = moves[-1]
    start, end, z = (before.x_mm, before.y_mm), (move.x_mm, move.y_mm), before.z_mm
    known = any(each.step is Step.TRAVEL for each in moves)
    crossed = detour.crossed(start, end, z) if known else []
    if not crossed:
        moves.append(structs.replace(move, z_mm=z))
        return
    machine = profile.machine
    high = max(each.free_z_mm for each in crossed)
    raised_s = inf
    if high <= machine.z_max_mm:
        raised_s = 2 * move_time_s(high - z, machine.speed_z_mm_s, machine.accel_z_mm_s2) + move.duration_s
    way = detour.way(start, end, z)
    legs = [] if way is None else [_leg(move, a, b, z, profile) for a, b in pairwise(way)]
    round_s = inf if way is None else sum(leg.duration_s for leg in legs)
    if raised_s == inf and round_s == inf:
        names = ", ".join(repr(each.name) for each in crossed)
        raise one_error(
            f"no way leads from ({start[0]:.2f}, {start[1]:.2f}) to ({end[0]:.2f}, {end[1]:.2f}) mm of the machine:"
            f" {names} stand(s) between, and Z goes up to {machine.z_max_mm:g} mm only",
            "Shrink the zones or their margins, give them a height, or move the board.",
        )
    if round_s <= raised_s:
        moves.extend(legs)
        return
    draws = len(moves) > 1 and before.plunger_mm != moves[-2].plunger_mm
    if before.step in (Step.LIFT, Step.RAISE) and not draws:
        # The lift before it simply goes on.
        seconds = before.duration_s + move_time_s(high - z, machine.speed_z_mm_s, machine.accel_z_mm_s2)
        moves[-1] = structs.replace(before, z_mm=high, duration_s=seconds)
    else:
        seconds = move_time_s(high - z, machine.speed_z_mm_s, machine.accel_z_mm_s2)
        moves.append(
            structs.replace(
                before, step=Step.LIFT, z_mm=high, speed_mm_s=machine.speed_z_mm_s, duration_s=seconds
            )
        )
    moves.append(structs.replace(move, z_mm=high))


def _leg(move: Move, start: Place, end: Place, z_mm: float, profile: Profile) -> Move:
    machine = profile.machine
    longer = max(abs(end[0] - start[0]), abs(end[1] - start[1]))
    speed = machine.speed_xy_mm_s * (dist(start, end) / longer if longer > 0 else 1.0)
    seconds = move_time_s(longer, machine.speed_xy_mm_s, machine.accel_xy_mm_s2)
    return structs.replace(move, x_mm=end[0], y_mm=end[1], z_mm=z_mm, speed_mm_s=speed, duration_s=seconds)


class _Detours:
    """Ways round blocked areas."""

    def __init__(self, blocked: Sequence[Blocked], profile: Profile) -> None:
        self.blocked = blocked
        self.machine = profile.machine
        self._wide = [each.area.buffer(each.margin_mm, join_style="mitre") for each in blocked]

    def _areas(self, start: Place, end: Place, z_mm: float) -> list[tuple[Blocked, Polygon]]:
        """Return what blocks at a height; near an end that lies within a margin, the margin is less."""
        found = []
        for each, wide in zip(self.blocked, self._wide, strict=True):
            if each.free_z_mm <= z_mm + 1e-9:
                continue
            area = wide
            if any(wide.intersects(Point(place)) for place in (start, end)):
                # The corners of a mitred margin reach √2 times as far as its sides.
                near = min(each.area.distance(Point(place)) for place in (start, end))
                area = each.area.buffer(0.9 * near / sqrt(2), join_style="mitre")
            found.append((each, area))
        return found

    def crossed(self, start: Place, end: Place, z_mm: float) -> list[Blocked]:
        """Return the areas that the straight way goes through."""
        line = LineString([start, end])
        return [each for each, area in self._areas(start, end, z_mm) if area.intersects(line)]

    def way(self, start: Place, end: Place, z_mm: float) -> list[Place] | None:
        """Return the shortest way round all areas, both ends included; None when there is none."""
        areas = [area for _each, area in self._areas(start, end, z_mm)]
        walls = shapely.union_all(np.array(areas, dtype=object))
        shapely.prepare(walls)
        places = [start, end]
        for area in areas:
            for x, y in list(area.buffer(CORNER_MM, join_style="mitre").exterior.coords)[:-1]:
                reach = (
                    self.machine.x_min_mm <= x <= self.machine.x_max_mm
                    and self.machine.y_min_mm <= y <= self.machine.y_max_mm
                )
                if reach and not walls.intersects(Point(x, y)):
                    places.append((x, y))
        best = {0: 0.0}
        before: dict[int, int] = {}
        queue = [(0.0, 0)]
        done: set[int] = set()
        while queue:
            way_mm, here = heapq.heappop(queue)
            if here == 1:
                break
            if here in done:
                continue
            done.add(here)
            for there in range(1, len(places)):
                if there in done:
                    continue
                whole = way_mm + dist(places[here], places[there])
                if whole < best.get(there, inf) and not walls.intersects(
                    LineString([places[here], places[there]])
                ):
                    best[there] = whole
                    before[there] = here
                    heapq.heappush(queue, (whole, there))
        if 1 not in best:
            return None
        path = [1]
        while path[-1] != 0:
            path.append(before[path[-1]])
        return [places[number] for number in reversed(path)]

"""What lies beside the boards: settling strips, wiping pad and park place, and that none of them touches anything.

A strip is paste on a card: it must not touch a board of the program, a neighbour on the tray, a zone of the job, or
the edge of the travel. The profile may say where it begins; where it leaves that open, a free place near the boards
is chosen here.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, floor, pi, sqrt

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon
from shapely.geometry import Point as ShapelyPoint
from shapely.geometry.base import BaseGeometry

from pastewright.board.model import Point
from pastewright.motion.around import Blocked
from pastewright.place.transform import Placements, corners_mm
from pastewright.plunger.settle import Settling, strip_of
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import Profile

CLEAR_MM = 0.5
"""Least gap between the strip's paste and anything that must stay clean; paste slumps by less. Own choice."""
CHOSEN_CLEAR_MM = 3.0
"""The gap where the place is chosen here: room for the edge of a card and a finger. Own choice."""
TRIP_CLEAR_MM = 1.5
"""The gap of what is thrown away in line with the strip, which is wider than that. Own choice."""
GRID_MM = 1.0
"""Places are looked for on whole millimetres, so that a person can find them with a ruler."""
MOST_PLACES = 200_000
"""Of a large machine every second, third … millimetre is looked at, so that a choice takes no longer than this many."""

Line = tuple[Point, Point]


class Taken(Struct, frozen=True, kw_only=True):
    """A place where nothing of this may be [mm, machine]."""

    name: str
    area: Polygon
    is_zone: bool = False


def strip_width_mm(strip: Settling, profile: Profile) -> float:
    """Return the width of the strip at rest [mm], a bead: w = √(V / L / (π/4·s)).

    V is the most that it may lay, in case the barrel was left at the worst.
    """
    volume_ul = max(strip.most_ul, strip.cycle.volume_ul)
    return sqrt(volume_ul / profile.bed.strip_length_mm / (pi / 4 * profile.tuning.bead_shape_ratio))


def strips_mm(profile: Profile, placements: Placements) -> tuple[Line, ...]:
    """Return the line of each settling strip of a program, in their order [mm, machine]."""
    bed = profile.bed
    count = len(placements.boards) if placements.settle else 1
    heights = [bed.strip_y_mm + number * placements.strip_step_mm for number in range(count)]
    return tuple(((bed.strip_x_mm, y), (bed.strip_x_mm + bed.strip_length_mm, y)) for y in heights)


def taken(size_mm: Point, placements: Placements, blocked: Sequence[Blocked] = ()) -> tuple[Taken, ...]:
    """Return what lies on the machine: the boards of this program, their neighbours, the zones of the job."""
    several = len(placements.boards) > 1
    boards = [
        Taken(
            name=f"board {board.name}" if several else "the board",
            area=Polygon(corners_mm(size_mm, board.affine)),
        )
        for board in placements.boards
    ]
    others = [
        Taken(name=f"board {other.name}", area=Polygon(other.corners_mm)) for other in placements.neighbours
    ]
    zones = [Taken(name=f"the zone {each.name!r}", area=each.area, is_zone=True) for each in blocked]
    return (*boards, *others, *zones)


def with_strip(
    profile: Profile, placements: Placements, size_mm: Point, blocked: Sequence[Blocked] = ()
) -> Profile:
    """Return the profile with its strip at a free place, where it leaves that open; else unchanged.

    Raises `InputError` when strip, wiping pad or park place touch what they must not, or nothing is free.
    """
    things = taken(size_mm, placements, blocked)
    width = strip_width_mm(strip_of(profile), profile)
    here = profile
    if profile.bed.strip_open:
        free = free_place(profile, placements, things, width_mm=width)
        if free is None:
            raise one_error(
                f"no place is left for the settling strip, {profile.bed.strip_length_mm:g} mm long",
                "Shorten strip_length_mm, move the board in [bed], or leave boards out of the tray.",
                file=profile.file,
            )
        bed = replace(profile.bed, strip_x_mm=free[0], strip_y_mm=free[1])
        if profile.bed.park_open:
            bed = replace(bed, park_x_mm=free[0], park_y_mm=free[1])
        here = replace(profile, bed=bed)
    problems = [
        *_strip_problems(here, placements, things, width_mm=width),
        *_wipe_problems(here, placements, things),
        *_park_problems(here, things),
    ]
    if problems:
        raise InputError(problems)
    return here


def free_place(
    profile: Profile, placements: Placements, things: Sequence[Taken], *, width_mm: float
) -> Point | None:
    """Return where the first strip may begin so that all of them are free, as near to the boards as possible."""
    bed, machine = profile.bed, profile.machine
    count = len(placements.boards) if placements.settle else 1
    high = (count - 1) * placements.strip_step_mm  # how far the last strip lies from the first
    margin = width_mm / 2 + CHOSEN_CLEAR_MM
    xs = _whole(machine.x_min_mm + margin, machine.x_max_mm - margin - bed.strip_length_mm)
    ys = _whole(machine.y_min_mm + margin - min(high, 0.0), machine.y_max_mm - margin - max(high, 0.0))
    every = max(ceil(sqrt(len(xs) * len(ys) / MOST_PLACES)), 1)
    x, y = (each.ravel() for each in np.meshgrid(xs[::every], ys[::every]))
    if not len(x):
        return None
    boxes = shapely.box(
        x - margin,
        y + min(high, 0.0) - margin,
        x + bed.strip_length_mm + margin,
        y + max(high, 0.0) + margin,
    )
    walls = shapely.union_all(np.array([thing.area for thing in things], dtype=object))
    shapely.prepare(walls)
    free = np.flatnonzero(~shapely.intersects(walls, boxes))
    if not len(free):
        return None
    away = np.round(shapely.distance(boxes[free], walls), 3)
    near = free[away <= away.min() + GRID_MM * every]
    middle = walls.centroid
    off = np.hypot(x[near] + bed.strip_length_mm / 2 - middle.x, y[near] + high / 2 - middle.y)
    # Of places alike the one nearest to the person, then leftmost, so that a plan is the same every time.
    best = near[np.lexsort((x[near], y[near], np.round(off, 3)))[0]]
    return float(x[best]), float(y[best])


def card_places(
    profile: Profile,
    placements: Placements,
    size_mm: Point,
    blocked: Sequence[Blocked],
    radius_mm: float,
    most: int,
) -> tuple[Point, ...]:
    """Return places for so much paste of a radius, in line with the strip: behind its end, then before its beginning.

    None touches another or the strip, nor comes near a board, a zone or the edge of the travel; and none would reach the
    next row of a batch's card.
    """
    bed, machine, pitch = profile.bed, profile.machine, 2 * radius_mm + CLEAR_MM
    if abs(profile.run.card_pitch_mm) < pitch:
        return ()
    ((start, end),) = strips_mm(profile, placements)
    beside_mm = strip_width_mm(strip_of(profile), profile) / 2 + CLEAR_MM + radius_mm
    walls = [thing.area for thing in taken(size_mm, placements, blocked)]
    clear_mm = radius_mm + TRIP_CLEAR_MM
    found: list[Point] = []
    for x, way in ((end[0] + beside_mm, 1.0), (start[0] - beside_mm, -1.0)):
        for number in range(most - len(found)):
            place = (round(x + way * number * pitch, 3), bed.strip_y_mm)
            inside = machine.x_min_mm <= place[0] - radius_mm and place[0] + radius_mm <= machine.x_max_mm
            if not inside or any(area.distance(ShapelyPoint(place)) < clear_mm for area in walls):
                break
            found.append(place)
    return tuple(found)


def _whole(low_mm: float, high_mm: float) -> NDArray[np.float64]:
    return np.arange(ceil(low_mm / GRID_MM), floor(high_mm / GRID_MM) + 1, dtype=np.float64) * GRID_MM


def _strip_problems(
    profile: Profile, placements: Placements, things: Sequence[Taken], *, width_mm: float
) -> list[Problem]:
    reach = width_mm / 2 + CLEAR_MM
    problems = []
    for line in strips_mm(profile, placements):
        what = f"the settling strip from {_at(line[0])} to {_at(line[1])} mm, {width_mm:.1f} mm wide,"
        hit = _hit(LineString(line), reach, things)
        if hit:
            problems.append(f"{what} would touch {hit}")
        elif not _within(line, profile):
            problems.append(f"{what} leaves the travel of the machine")
    if not problems:
        return []
    free = free_place(profile, placements, things, width_mm=width_mm)
    mend = "Leave strip_x_mm and strip_y_mm out of [bed], and a free place is chosen"
    mend += "." if free is None else f", such as X {free[0]:g} Y {free[1]:g}; or mend them."
    return [Problem(what=what, mend=mend, file=profile.file) for what in problems]


def _wipe_problems(profile: Profile, placements: Placements, things: Sequence[Taken]) -> list[Problem]:
    wipe = placements.wipe
    if wipe is None:
        return []
    line = (wipe.from_mm, wipe.to_mm)
    hit = _hit(LineString(line), profile.tip.outer_mm / 2, things)
    if not hit and _within(line, profile):
        return []
    where = f"touch {hit}" if hit else "leave the travel of the machine"
    return [
        Problem(
            what=f"the wiping pad from {_at(line[0])} to {_at(line[1])} mm would {where}",
            mend="Mend from_mm and to_mm of [wipe] in the tray's file.",
        )
    ]


def _park_problems(profile: Profile, things: Sequence[Taken]) -> list[Problem]:
    place = (profile.bed.park_x_mm, profile.bed.park_y_mm)
    # Above a zone the tip may stand: the way there is high enough, or has been refused.
    hit = _hit(ShapelyPoint(place), 0.0, [thing for thing in things if not thing.is_zone])
    if not hit:
        return []
    return [
        Problem(
            what=f"the park place {_at(place)} mm is over {hit}: what drips from the tip would fall on it",
            mend="Mend park_x_mm and park_y_mm in [bed].",
            file=profile.file,
        )
    ]


def _hit(shape: BaseGeometry, reach_mm: float, things: Sequence[Taken]) -> str:
    return ", ".join(
        thing.name
        for thing in things
        if thing.area.distance(shape) < reach_mm or thing.area.intersects(shape)
    )


def _within(line: Line, profile: Profile) -> bool:
    machine = profile.machine
    return all(
        machine.x_min_mm <= x <= machine.x_max_mm and machine.y_min_mm <= y <= machine.y_max_mm
        for x, y in line
    )


def _at(place: Point) -> str:
    return f"({place[0]:.1f}, {place[1]:.1f})"

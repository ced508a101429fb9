"""A board's place and its tall parts to a probing journey: where to touch, in which order, and how to get there.

Places form a grid over the board. One that falls on a part, into a hole or off the board moves to the nearest
place that is free, or is left out. Between places the probe travels at travel height, round whatever reaches
above it: along the corners of boxes drawn wide around the parts (the shortest way past boxes turns only at their
corners). The first and last way, and any with no way round, go at the safe height above everything. Over a part of
unknown height the probe never goes once it is on its journey; a place to which no other way leads is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from math import dist, inf, isfinite

from shapely import affinity
from shapely.geometry import LineString, Polygon, box
from shapely.geometry import Point as Spot
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points, unary_union
from shapely.prepared import prep

from pastewright.board.model import Board, Point
from pastewright.deposit.model import Deposit, DepositKind
from pastewright.job.model import zone_box
from pastewright.place.surface import Surface
from pastewright.place.transform import Affine
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import Profile
from pastewright.records.placement import Zone
from pastewright.route.order import order

MARGIN_MM = 2.0  # from the board's edge
FROM_PART_MM = 1.5  # from a part to a probed place
FROM_HOLE_MM = 0.6  # from a hole's edge
CLEAR_MM = 0.05  # a place this far outside a wall is reached
ROUND_PART_MM = 2.5  # from a part to the way past it; wider than the probe's own body is up to the person
OVER_PART_MM = 1.0  # between a part and the travel above it
MOST_PLACES = 400  # at some four seconds a touch, half an hour; own choice
FARTHEST_MM = 1e5  # no machine here reaches further


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """A place to probe [mm, machine, of the tip], and the corners passed on the way; `over` goes at the safe height."""

    at_mm: Point
    by_mm: tuple[Point, ...] = ()
    over: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Probing:
    """The journey. Heights in machine coordinates; `left_out` tells what could not be probed, `endless` what nothing
    passes over [mm, machine, of the probe].
    """

    stops: tuple[Touch, ...]
    travel_z_mm: float
    safe_z_mm: float
    low_z_mm: float
    left_out: tuple[str, ...] = ()
    endless: tuple[Polygon, ...] = ()


def typed_keep_out(word: str) -> Zone:
    """Return the zone of a word like 10,12,18,20 or 10,12,18,20,6.5 (two corners on the board, height)."""
    try:
        numbers = [float(part) for part in word.split(",")]
    except ValueError:
        numbers = []
    if (
        len(numbers) not in (4, 5)
        or not all(isfinite(v) and abs(v) <= FARTHEST_MM for v in numbers)
        or (len(numbers) == 5 and numbers[4] < 0)
    ):
        raise one_error(
            f"--keep-out {word!r} is not X0,Y0,X1,Y1 or X0,Y0,X1,Y1,HEIGHT",
            "Two corners of the part on the board, and how high it stands, in mm.",
        )
    x0, x1 = sorted((numbers[0], numbers[2]))
    y0, y1 = sorted((numbers[1], numbers[3]))
    return Zone(
        name=f"part at {x0:g}, {y0:g}",
        x_from_mm=x0,
        x_to_mm=x1,
        y_from_mm=y0,
        y_to_mm=y1,
        height_mm=numbers[4] if len(numbers) == 5 else None,
        margin_mm=ROUND_PART_MM,
    )


def probing(
    board: Board,
    where: Affine,
    profile: Profile,
    *,
    columns: int = 3,
    rows: int = 3,
    zones: Sequence[Zone] = (),
    surface: Surface | None = None,
) -> Probing:
    """Return the journey that probes a grid of `columns` × `rows` places over a board that lies at `where`.

    `surface` is the board's where it was measured before, level at the profile's height without. Raises `InputError` when
    fewer than three places are free, or one is out of reach.
    """
    if columns < 1 or rows < 1 or columns * rows > MOST_PLACES:
        raise one_error(
            f"a grid of {columns} × {rows} places is not possible",
            f"1 to {MOST_PLACES} places can be probed.",
        )
    low_mm, high_mm = _heights_mm(board, where, profile, surface)
    travel, safe = _ways_z_mm(high_mm, zones, profile)
    there = _Parts.of(zones, where, profile)
    places, left_out = _places(board, columns, rows, there.taken)
    if len(places) < min(3, columns * rows):
        raise one_error(
            f"only {len(places)} of {columns * rows} places are free to be probed",
            "Ask for more places with --grid, or make the keep-outs smaller.",
        )
    ordered = _ordered([where.point(place) for place in places], profile)
    stops = [Touch(at_mm=ordered[0], over=True)]
    for place in ordered[1:]:
        by = way_round(stops[-1].at_mm, place, there.walls)
        over = by is None
        if over and (by := way_round(stops[-1].at_mm, place, there.endless)) is None:
            x, y = where.inverse().point(place)
            left_out.append(
                f"no way leads to ({x:.1f}, {y:.1f}) on the board but over a part of unknown height"
            )
            continue
        stops.append(Touch(at_mm=place, by_mm=by or (), over=over))
    _reachable(stops, profile)
    return Probing(
        stops=tuple(stops),
        travel_z_mm=travel,
        safe_z_mm=safe,
        low_z_mm=max(low_mm + profile.probe.offset_z_mm - profile.probe.below_mm, profile.machine.z_min_mm),
        left_out=tuple(left_out),
        endless=there.endless,
    )


def _heights_mm(
    board: Board, where: Affine, profile: Profile, surface: Surface | None
) -> tuple[float, float]:
    """Return the lowest and the highest place of the board [mm, machine]."""
    if surface is None:
        return profile.bed.board_z_mm, profile.bed.board_z_mm
    width, height = board.size_mm
    corners = [where.point(corner) for corner in ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))]
    xs, ys = zip(*corners, strict=True)
    around = (min(xs), min(ys), max(xs), max(ys))
    return surface.lowest_mm(around), surface.highest_mm(around)


def _ways_z_mm(high_mm: float, zones: Sequence[Zone], profile: Profile) -> tuple[float, float]:
    """Return the heights of ways over the board and over everything [mm, machine]; raises `InputError` beyond the axis.

    A probe that hangs below the tip needs both higher by as much.
    """
    machine, hangs = profile.machine, max(profile.probe.offset_z_mm, 0.0)
    high_mm = max(high_mm, profile.bed.board_z_mm)
    tops_mm = [_tall_mm(part) for part in zones]
    travel = high_mm + profile.bed.clearance_mm + hangs
    safe = max(
        [travel, *(high_mm + tall_mm + OVER_PART_MM + hangs for tall_mm in tops_mm if isfinite(tall_mm))]
    )
    if safe > machine.z_max_mm:
        raise one_error(
            f"the tallest part needs travels at Z {safe:.1f} mm; the axis ends at {machine.z_max_mm:g} mm",
            "Take the part off, or mend its height.",
        )
    return travel, safe if all(isfinite(tall_mm) for tall_mm in tops_mm) else machine.z_max_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """What stands on the board, for a probe and for the tip beside it: `taken` is where nothing is probed [mm, board];
    `walls` are what ways at travel height go round, and `endless` what all ways do [mm, machine, of the probe].
    """

    taken: tuple[BaseGeometry, ...]
    walls: tuple[Polygon, ...]
    endless: tuple[Polygon, ...]

    @classmethod
    def of(cls, zones: Sequence[Zone], where: Affine, profile: Profile) -> "_Parts":
        probe, clearance_mm = profile.probe, profile.bed.clearance_mm
        taken: list[BaseGeometry] = []
        walls: list[Polygon] = []
        endless: list[Polygon] = []
        # The tip is where the probe is, less the offset: a part is in its way where the probe would be that much further.
        offset = (probe.offset_x_mm, probe.offset_y_mm)
        x, y = where.inverse().point((where.x_mm + offset[0], where.y_mm + offset[1]))
        bodies = [((0.0, 0.0), (0.0, 0.0), 0.0, -inf)]
        if offset != (0.0, 0.0):
            down_mm = (
                probe.offset_z_mm - probe.below_mm
            )  # the tip's height over the board when the probe gives up
            bodies.append((offset, (x, y), max(probe.offset_z_mm, 0.0), down_mm))
        for part in zones:
            there, tall_mm = zone_box(part), _tall_mm(part)
            off_mm = max(FROM_PART_MM, 0.0 if isfinite(tall_mm) else part.margin_mm + CLEAR_MM)
            for off_machine, off_board, higher_mm, down_mm in bodies:
                if tall_mm + OVER_PART_MM > down_mm:
                    taken.append(affinity.translate(there, *off_board).buffer(off_mm, join_style="mitre"))
                wide = _moved(there.buffer(part.margin_mm, join_style="mitre"), where)
                wide = affinity.translate(wide, *off_machine)
                if tall_mm + OVER_PART_MM > clearance_mm + higher_mm:
                    walls.append(wide)
                if not isfinite(tall_mm):
                    endless.append(wide)
        return cls(taken=tuple(taken), walls=tuple(walls), endless=tuple(endless))


def _tall_mm(part: Zone) -> float:
    """Return how high a part stands above the board [mm], infinite where nobody knows."""
    return inf if part.height_mm is None else part.height_mm


def _moved(shape: Polygon, where: Affine) -> Polygon:
    return affinity.affine_transform(shape, [where.xx, where.xy, where.yx, where.yy, where.x_mm, where.y_mm])


def _places(
    board: Board, columns: int, rows: int, parts: Sequence[BaseGeometry]
) -> tuple[list[Point], list[str]]:
    """Return the free places nearest to the grid's [mm, board], and what was left out."""
    width, height = board.size_mm
    outline = board.outline if board.outline is not None else box(0, 0, width, height)
    taken: list[BaseGeometry] = [*parts]
    for hole in board.holes:
        ends = [(hole.x_mm, hole.y_mm), hole.slot_to_mm or (hole.x_mm, hole.y_mm)]
        line = LineString(ends) if ends[0] != ends[1] else Spot(ends[0])
        taken.append(line.buffer(hole.diameter_mm / 2 + FROM_HOLE_MM))
    free = outline.buffer(-MARGIN_MM).difference(unary_union(taken))
    if free.is_empty:
        return [], ["no place of the board is free"]
    xs = (
        [width / 2]
        if columns == 1
        else [MARGIN_MM + (width - 2 * MARGIN_MM) * k / (columns - 1) for k in range(columns)]
    )
    ys = (
        [height / 2]
        if rows == 1
        else [MARGIN_MM + (height - 2 * MARGIN_MM) * k / (rows - 1) for k in range(rows)]
    )
    reach = min(width / max(columns - 1, 1), height / max(rows - 1, 1)) / 2
    inside = prep(free)
    places: list[Point] = []
    left_out = []
    for y in ys:
        for x in xs:
            spot = Spot(x, y)
            if not inside.covers(spot):
                spot = nearest_points(free, spot)[0]
            place = (float(spot.x), float(spot.y))
            if dist(place, (x, y)) > reach or any(dist(place, other) < reach / 2 for other in places):
                left_out.append(
                    f"the place at ({x:.1f}, {y:.1f}) on the board is taken; nothing near it is free"
                )
            else:
                places.append(place)
    return places, left_out


def _ordered(places: Sequence[Point], profile: Profile) -> list[Point]:
    dots = [
        Deposit(
            index=k,
            kind=DepositKind.DOT,
            points_mm=(place,),
            volume_ul=0.0,
            width_mm=0.0,
            height_mm=0.0,
            shares=(),
        )
        for k, place in enumerate(places)
    ]
    park = (profile.bed.park_x_mm, profile.bed.park_y_mm)
    return [places[visit.deposit] for visit in order(dots, start_mm=park, machine=profile.machine).visits]


def way_round(start: Point, end: Point, walls: Sequence[Polygon]) -> tuple[Point, ...] | None:
    """Return the corners passed on the shortest way between two places past the walls; None where there is none.

    Dijkstra over the corners of the walls and the straight lines between them that cross none.
    """
    if not walls:
        return ()
    solid = prep(unary_union([wall.buffer(-1e-6) for wall in walls]))

    def clear(a: Point, b: Point) -> bool:
        return not solid.intersects(LineString([a, b]))

    if clear(start, end):
        return ()
    if solid.intersects(Spot(start)) or solid.intersects(Spot(end)):
        return None
    corners = [(float(x), float(y)) for wall in walls for x, y in list(wall.exterior.coords)[:-1]]
    corners = [corner for corner in corners if not solid.intersects(Spot(corner))]
    nodes = [start, *corners, end]
    best = {0: 0.0}
    came: dict[int, int] = {}
    heap = [(0.0, 0)]
    while heap:
        so_far, here = heappop(heap)
        if here == len(nodes) - 1:
            way = [here]
            while way[-1]:
                way.append(came[way[-1]])
            return tuple(nodes[k] for k in way[-2:0:-1])
        if so_far > best[here]:
            continue
        for there in range(1, len(nodes)):
            far = so_far + dist(nodes[here], nodes[there])
            if there != here and far < best.get(there, inf) and clear(nodes[here], nodes[there]):
                best[there], came[there] = far, here
                heappush(heap, (far, there))
    return None


def _reachable(stops: Sequence[Touch], profile: Profile) -> None:
    machine, probe = profile.machine, profile.probe
    problems = []
    for stop in stops:
        for x, y in (*stop.by_mm, stop.at_mm):
            head = (x - probe.offset_x_mm, y - probe.offset_y_mm)
            if not (
                machine.x_min_mm <= head[0] <= machine.x_max_mm
                and machine.y_min_mm <= head[1] <= machine.y_max_mm
            ):
                problems.append(
                    Problem(
                        what=f"probing ({x:.2f}, {y:.2f}) needs the head at ({head[0]:.2f}, {head[1]:.2f}) mm, out of reach",
                        mend="Move the board, or correct the probe's offset or [machine].",
                        file=profile.file,
                    )
                )
    if problems:
        raise InputError(problems[:10])

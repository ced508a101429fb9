"""The placement of a plan file to `BoardPlace`: where its boards lie, worked out again from what was measured.

The steps of each board are composed here, the fits of found points repeated, and both compared with what the
plan says came of them. A plan that contradicts itself is refused.

    z = shift + k·w  (w = x + iy, or its mirror image −x + iy)     k complex: turn and stretch of a similarity
                                                                  k/|k|: a rigid map

The complex regression is the two-dimensional case of the textbook's linear one: k = Σ conj(w)·z / Σ |w|² about
the means.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import cos, radians, sin

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.profile.model import Bed
from pastewright.records.kinds import FitKind
from pastewright.records.placement import ON_BED, BoardPlaceRecord, StepRecord, SurfaceRecord
from pastewright.records.plan import PlacesRecord

Floats = NDArray[np.float64]
Line = tuple[Point, Point]
Flags = NDArray[np.bool_]

SAME_MM = 1e-4  # maps that agree this closely over the board are the same map
FLAT = 1e-6  # a map that shrinks areas by this presses them onto a line


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadGround:
    """Height of a board: `z_mm` + `slope`·(place − `at_mm`), and deviations `dz_mm` at the crossings of a mesh."""

    z_mm: float
    slope: tuple[float, float] = (0.0, 0.0)
    at_mm: Point = (0.0, 0.0)
    mesh_x_mm: Floats | None = None
    mesh_y_mm: Floats | None = None
    dz_mm: Floats | None = None

    @property
    def level(self) -> bool:
        """Whether it is as high everywhere."""
        return self.slope == (0.0, 0.0) and self.dz_mm is None

    def heights_mm(self, places_mm: Floats) -> Floats:
        """Return the height under N×2 machine places [mm, machine]; beyond the mesh that of its nearest edge."""
        z: Floats = self.z_mm + (places_mm - np.array(self.at_mm)) @ np.array(self.slope)
        if self.mesh_x_mm is None or self.mesh_y_mm is None or self.dz_mm is None:
            return z
        xs, ys = self.mesh_x_mm, self.mesh_y_mm
        inside = np.column_stack(
            [np.clip(places_mm[:, 1], ys[0], ys[-1]), np.clip(places_mm[:, 0], xs[0], xs[-1])]
        )
        known = np.isfinite(inside).all(axis=1)
        from scipy.interpolate import RegularGridInterpolator  # loads for longer than a level board is judged

        z[known] += RegularGridInterpolator((ys, xs), self.dz_mm)(inside[known])
        return z


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardPlace:
    """One board: (x, y) [mm, board] is at `matrix`·(x, y) + `shift_mm` [mm, machine], and as high as its `ground`.

    `on_bed` leaves the shift and the height to the profile.
    """

    name: str
    matrix: Floats
    shift_mm: Floats
    size_mm: Point
    ground: ReadGround
    on_bed: bool = False

    def to_machine(self, points_mm: Floats) -> Floats:
        """Return N×2 places of the board in machine coordinates [mm]."""
        answer: Floats = points_mm @ self.matrix.T + self.shift_mm
        return answer

    def beneath(self, places_mm: Floats, *, margin_mm: float) -> Flags:
        """Return which of N×2 machine places are above the board, or within a margin of it."""
        back = (places_mm - self.shift_mm) @ np.linalg.inv(self.matrix).T
        with np.errstate(invalid="ignore"):
            inside: Flags = (back >= -margin_mm) & (back <= np.array(self.size_mm) + margin_mm)
        answer: Flags = np.all(inside, axis=1)
        return answer

    def highest_mm(self, points_mm: Floats) -> float:
        """Return the greatest height at N×2 of its points [mm, board] and the nodes of its mesh [mm, machine]."""
        if self.ground.level:
            return self.ground.z_mm
        places = self.to_machine(points_mm)
        if self.ground.mesh_x_mm is not None and self.ground.mesh_y_mm is not None:
            crossings = np.meshgrid(self.ground.mesh_x_mm, self.ground.mesh_y_mm)
            places = np.concatenate([places, np.stack(crossings, axis=-1).reshape(-1, 2)])
        return float(self.ground.heights_mm(places).max(initial=-np.inf))


class WipePlace(Struct, frozen=True, kw_only=True):
    """Where the tip may be drawn along a wiping pad, as low as `z_mm` [mm, machine]."""

    from_mm: Point
    to_mm: Point
    z_mm: float


class ReadKeepOut(Struct, frozen=True, kw_only=True):
    """A box on every board, from its low to its high corner [mm, board], up to `height_mm` above it, or endless."""

    name: str
    low_mm: Point
    high_mm: Point
    height_mm: float | None


class ReadNeighbour(Struct, frozen=True, kw_only=True):
    """A board that lies there and is not in the program: its corners, and its highest place [mm, machine] where known."""

    name: str
    corners_mm: tuple[Point, ...]
    highest_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadTray:
    """The boards of a plan and what lies beside them: strips, wiping pad, park place, other boards by their corners.

    Without strips there is one where the profile has it; without a park place, that of the profile counts.
    """

    boards: tuple[BoardPlace, ...] = ()
    strips: tuple[Line, ...] = ()
    wipe: WipePlace | None = None
    park_mm: Point | None = None
    neighbours: tuple[ReadNeighbour, ...] = ()
    zones: tuple[ReadKeepOut, ...] = ()


NO_TRAY = ReadTray()


def strip_lines(tray: ReadTray, bed: Bed) -> tuple[Line, ...]:
    """Return the lines of the settling strips [mm, machine]."""
    start = (bed.strip_x_mm, bed.strip_y_mm)
    return tray.strips or ((start, (start[0] + bed.strip_length_mm, start[1])),)


def boards_on(tray: ReadTray, bed: Bed) -> tuple[BoardPlace, ...]:
    """Return where every board lies; one square in the bed's corner when the plan does not say."""

    def in_corner(name: str, size_mm: Point) -> BoardPlace:
        return BoardPlace(
            name=name,
            size_mm=size_mm,
            matrix=np.eye(2),
            shift_mm=np.array([bed.board_x_mm, bed.board_y_mm]),
            ground=ReadGround(z_mm=bed.board_z_mm),
            on_bed=True,
        )

    if not tray.boards:
        return (in_corner("", (0.0, 0.0)),)
    return tuple(in_corner(board.name, board.size_mm) if board.on_bed else board for board in tray.boards)


def on_way(
    low_mm: Point, high_mm: Point, board: BoardPlace, start: Floats, end: Floats, *, less_mm: float = 0.0
) -> Flags:
    """Return which of N straight moves [mm, machine] have a part inside a box [mm, board], smaller by `less_mm` all round.

    The box is cut out of each.
    """
    back = np.linalg.inv(board.matrix).T
    a, b = (start - board.shift_mm) @ back, (end - board.shift_mm) @ back
    enters, leaves = np.zeros(len(a)), np.ones(len(a))
    for axis in (0, 1):
        low, high = low_mm[axis] + less_mm, high_mm[axis] - less_mm
        way = b[:, axis] - a[:, axis]
        still = np.abs(way) < 1e-12
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            one, other = (low - a[:, axis]) / way, (high - a[:, axis]) / way
        enters = np.where(still, enters, np.maximum(enters, np.minimum(one, other)))
        leaves = np.where(still, leaves, np.minimum(leaves, np.maximum(one, other)))
        beside = still & ((a[:, axis] < low) | (a[:, axis] > high))
        leaves = np.where(beside, -1.0, leaves)
    return np.asarray(enters <= leaves)


def tray_of_plan(places: PlacesRecord, size_mm: Point, problems: list[str]) -> ReadTray:
    """Return the placement that a plan records; what contradicts itself in it is added to `problems`."""
    boards = tuple(
        _board(
            one, size_mm, f"placement, boards {number} ({one.name})" if one.name else "placement", problems
        )
        for number, one in enumerate(places.boards, start=1)
    )
    names = [board.name for board in boards]
    if len(set(names)) != len(names):
        problems.append('"placement" names two boards alike')
    wipe = places.wipe
    return ReadTray(
        boards=boards,
        strips=tuple((strip.from_mm, strip.to_mm) for strip in places.strips),
        park_mm=places.park_mm,
        neighbours=tuple(
            ReadNeighbour(name=other.name, corners_mm=other.corners_mm, highest_mm=other.highest_mm)
            for other in places.neighbours
        ),
        zones=tuple(
            ReadKeepOut(
                name=zone.name,
                low_mm=(min(zone.x_from_mm, zone.x_to_mm), min(zone.y_from_mm, zone.y_to_mm)),
                high_mm=(max(zone.x_from_mm, zone.x_to_mm), max(zone.y_from_mm, zone.y_to_mm)),
                height_mm=zone.height_mm,
            )
            for zone in places.zones
        ),
        wipe=None if wipe is None else WipePlace(from_mm=wipe.from_mm, to_mm=wipe.to_mm, z_mm=wipe.z_mm),
    )


def _board(one: BoardPlaceRecord, size_mm: Point, where: str, problems: list[str]) -> BoardPlace:
    matrix, shift = np.eye(2), np.zeros(2)
    for number, step in enumerate(one.steps, start=1):
        turn, move = _parts(step)
        problems.extend(_other_than_fitted(step, turn, move, f"{where}, steps {number}"))
        matrix, shift = turn @ matrix, turn @ shift + move
    told, told_shift = np.array(one.matrix), np.array(one.shift_mm)
    reach = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) * max(*size_mm, 10.0)
    off = np.abs(reach @ (matrix - told).T + shift - told_shift).max()
    if not off <= SAME_MM:
        problems.append(f"{where}: its steps put the board {off:.4f} mm from where its matrix and shift do")
    if abs(np.linalg.det(matrix)) < FLAT:
        problems.append(f"{where}: its map presses the board onto a line")
    return BoardPlace(
        name=one.name,
        matrix=matrix,
        shift_mm=shift,
        size_mm=size_mm,
        ground=_ground(one.surface, where, problems),
        on_bed=len(one.steps) == 1 and one.steps[0].what == ON_BED,
    )


def _ground(surface: SurfaceRecord, where: str, problems: list[str]) -> ReadGround:
    plane = ReadGround(z_mm=surface.z_mm, slope=(surface.slope_x, surface.slope_y), at_mm=surface.at_mm)
    mesh = surface.mesh
    if mesh is None:
        return plane
    xs, ys = np.array(mesh.x_mm), np.array(mesh.y_mm)
    if len(mesh.dz_mm) != len(ys) or any(len(row) != len(xs) for row in mesh.dz_mm):
        problems.append(f"{where}: the mesh needs a deviation for each crossing")
        return plane
    if not ((np.diff(xs) > 0).all() and (np.diff(ys) > 0).all()):
        problems.append(f"{where}: the lines of the mesh must rise")
        return plane
    return replace(plane, mesh_x_mm=xs, mesh_y_mm=ys, dz_mm=np.array(mesh.dz_mm))


def _parts(step: StepRecord) -> tuple[Floats, Floats]:
    """Return matrix and shift of a step: mirror x, stretch both axes, lean y, turn, shift."""
    lean = radians(step.skew_deg)
    stretched = np.diag([-step.scale_x if step.mirrored else step.scale_x, step.scale_y])
    leaning = np.array([[1.0, -sin(lean)], [0.0, cos(lean)]])
    c, s = cos(radians(step.turn_deg)), sin(radians(step.turn_deg))
    return np.array([[c, -s], [s, c]]) @ leaning @ stretched, np.array(step.shift_mm)


def _other_than_fitted(step: StepRecord, matrix: Floats, shift: Floats, where: str) -> Iterator[str]:
    """Fit the step's points again, and compare."""
    if not step.points:
        return
    known = np.array([point.from_mm for point in step.points])
    found = np.array([point.to_mm for point in step.points])
    try:
        again, again_shift = _fitted(known, found, step.fit, mirrored=step.mirrored)
    except np.linalg.LinAlgError:
        yield f"{where}: its points cannot be fitted again"
        return
    off = np.abs(known @ (matrix - again).T + shift - again_shift).max()
    if not off <= SAME_MM:
        yield f"{where}: its points, fitted again, put the board {off:.4f} mm elsewhere"


def _fitted(known: Floats, found: Floats, kind: FitKind | None, *, mirrored: bool) -> tuple[Floats, Floats]:
    if kind is FitKind.AFFINE:
        columns = np.column_stack([known, np.ones(len(known))])
        answer = np.linalg.lstsq(columns, found, rcond=None)[0]
        return np.array(answer[:2].T, dtype=np.float64), np.array(answer[2], dtype=np.float64)
    w = (-known[:, 0] if mirrored else known[:, 0]) + 1j * known[:, 1]
    z = found[:, 0] + 1j * found[:, 1]
    w0, z0 = w.mean(), z.mean()
    with np.errstate(invalid="ignore", divide="ignore"):
        # Points that all lie in one place have no turn: not a number, which no comparison lets pass.
        k = np.sum(np.conj(w - w0) * (z - z0)) / np.sum(np.abs(w - w0) ** 2)
        if kind is not FitKind.SIMILARITY:
            k /= abs(k)
    side = -1.0 if mirrored else 1.0
    shift = z0 - k * w0
    return np.array([[side * k.real, -k.imag], [side * k.imag, k.real]]), np.array([shift.real, shift.imag])

"""The placement of a plan file to `BoardPlace`: where its boards lie, worked out again from what was measured.

The steps of each board are composed here, the fits of found points repeated, and both compared with what the
plan says came of them. A plan that contradicts itself is refused.

    z = shift + k·w  (w = x + iy, or its mirror image −x + iy)     k complex: turn and stretch of a similarity
                                                                  k/|k|: a rigid map

The complex regression is the two-dimensional case of the textbook's linear one: k = Σ conj(w)·z / Σ |w|² about
the means.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from pastewright.board.model import Point
from pastewright.profile.model import Bed

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ON_BED = "corner on the bed"  # the step that says: where the profile's [bed] has it
SAME_MM = 1e-4  # maps that agree this closely over the board are the same map
LARGEST = 1e6  # no length [mm], angle or scale of any machine is beyond
PARTS = ("turn_deg", "scale_x", "scale_y", "skew_deg")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
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
    ground: Ground
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


@dataclass(frozen=True, slots=True, kw_only=True)
class WipePlace:
    """Where the tip may be drawn along a wiping pad, as low as `z_mm` [mm, machine]."""

    from_mm: Point
    to_mm: Point
    z_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tray:
    """The boards of a plan, how far one settling strip lies from the next, how many there are, and the wiping pad."""

    boards: tuple[BoardPlace, ...] = ()
    strips: int = 1
    strip_step_mm: float = 0.0
    wipe: WipePlace | None = None


NO_TRAY = Tray()


def boards_on(tray: Tray, bed: Bed) -> tuple[BoardPlace, ...]:
    """Return where every board lies; one square in the bed's corner when the plan does not say."""

    def in_corner(name: str, size_mm: Point) -> BoardPlace:
        return BoardPlace(
            name=name,
            size_mm=size_mm,
            matrix=np.eye(2),
            shift_mm=np.array([bed.board_x_mm, bed.board_y_mm]),
            ground=Ground(z_mm=bed.board_z_mm),
            on_bed=True,
        )

    if not tray.boards:
        return (in_corner("", (0.0, 0.0)),)
    return tuple(in_corner(board.name, board.size_mm) if board.on_bed else board for board in tray.boards)


def tray_of_plan(plan: Mapping[str, object], problems: list[str]) -> Tray:
    """Return the placement that a plan records; what is wrong with it is added to `problems`."""
    data = plan.get("placement")
    if data is None:
        return Tray()
    if not isinstance(data, Mapping) or not isinstance(data.get("boards"), list) or not data["boards"]:
        problems.append('"placement" must be an object with a list "boards"')
        return Tray()
    about = plan.get("board")
    size = _numbers(about.get("size_mm"), 2) if isinstance(about, Mapping) else None
    boards = []
    for number, one in enumerate(data["boards"]):
        where = f"placement.boards[{number}]"
        try:
            boards.append(_board(one, size or (0.0, 0.0), where, problems))
        except (KeyError, TypeError, ValueError, IndexError, np.linalg.LinAlgError) as error:
            problems.append(f"{where} is malformed: {error.__class__.__name__} {error}")
    names = [board.name for board in boards]
    if len(set(names)) != len(names):
        problems.append('"placement" names two boards alike')
    wipe = None
    settle = data.get("settle") is True
    step = _numbers([data.get("strip_step_mm", 0.0)], 1) or (0.0,)
    if data.get("wipe") is not None:
        try:
            wipe = _wipe(data["wipe"])
        except (KeyError, TypeError, ValueError) as error:
            problems.append(f"placement.wipe is malformed: {error.__class__.__name__} {error}")
    return Tray(boards=tuple(boards), strips=len(boards) if settle else 1, strip_step_mm=step[0], wipe=wipe)


def _wipe(data: Mapping[str, object]) -> WipePlace:
    start, end, z = _numbers(data["from_mm"], 2), _numbers(data["to_mm"], 2), _numbers([data["z_mm"]], 1)
    if start is None or end is None or z is None:
        raise ValueError("from_mm, to_mm and z_mm must be numbers")
    return WipePlace(from_mm=(start[0], start[1]), to_mm=(end[0], end[1]), z_mm=z[0])


def _numbers(value: object, count: int) -> tuple[float, ...] | None:
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != count:
        return None
    # Not-a-number is not below anything either.
    if not all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) <= LARGEST for v in value):
        return None
    return tuple(float(v) for v in value)


def _must(value: object, count: int, name: str) -> Floats:
    numbers = _numbers(value, count)
    if numbers is None:
        raise ValueError(f"{name} must be {count} numbers")
    return np.array(numbers)


def _board(
    data: Mapping[str, object], size: tuple[float, ...], where: str, problems: list[str]
) -> BoardPlace:
    steps = data["steps"]
    name = data["name"]
    if not isinstance(name, str) or not isinstance(steps, list) or not steps:
        raise ValueError("name must be text and steps a list")
    matrix, shift = np.eye(2), np.zeros(2)
    for number, step in enumerate(steps):
        turn, move = _parts(step)
        _same_as_fitted(step, turn, move, f"{where}.steps[{number}]", problems)
        matrix, shift = turn @ matrix, turn @ shift + move
    rows = data["matrix"]
    if not isinstance(rows, Sequence) or len(rows) != 2:
        raise ValueError("matrix must have two rows")
    told = np.array([_must(row, 2, "matrix") for row in rows])
    told_shift = _must(data["shift_mm"], 2, "shift_mm")
    reach = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) * max(*size, 10.0)
    off = np.abs(reach @ (matrix - told).T + shift - told_shift).max()
    if not off <= SAME_MM:
        problems.append(f"{where}: its steps put the board {off:.4f} mm from where its matrix and shift do")
    if abs(np.linalg.det(matrix)) < 1e-6:
        problems.append(f"{where}: its map presses the board onto a line")
    on_bed = len(steps) == 1 and steps[0].get("what") == ON_BED
    return BoardPlace(
        name=name,
        matrix=matrix,
        shift_mm=shift,
        size_mm=(size[0], size[1]),
        ground=_ground(data["surface"]),
        on_bed=on_bed,
    )


def _ground(surface: object) -> Ground:
    if not isinstance(surface, Mapping):
        raise TypeError("surface must be an object")
    slope = _must([surface["slope_x"], surface["slope_y"]], 2, "slopes")
    at = _must(surface["at_mm"], 2, "at_mm")
    z = float(_must([surface["z_mm"]], 1, "z_mm")[0])
    plane = Ground(z_mm=z, slope=(float(slope[0]), float(slope[1])), at_mm=(float(at[0]), float(at[1])))
    mesh = surface.get("mesh")
    if mesh is None:
        return plane
    xs, ys = (_must(mesh[key], len(mesh[key]), key) for key in ("x_mm", "y_mm"))
    dz = np.array([_must(row, len(xs), "dz_mm") for row in mesh["dz_mm"]])
    if len(xs) < 2 or len(ys) < 2 or dz.shape != (len(ys), len(xs)):
        raise ValueError("the mesh needs two or more lines each way and a deviation for each crossing")
    if not ((np.diff(xs) > 0).all() and (np.diff(ys) > 0).all()):
        raise ValueError("the lines of the mesh must rise")
    return replace(plane, mesh_x_mm=xs, mesh_y_mm=ys, dz_mm=dz)


def _parts(step: Mapping[str, object]) -> tuple[Floats, Floats]:
    """Return matrix and shift of a step: mirror x, stretch both axes, lean y, turn, shift."""
    turn, sx, sy, lean = _must([step[name] for name in PARTS], 4, ", ".join(PARTS)).tolist()
    if not isinstance(step["mirrored"], bool):
        raise TypeError("mirrored must be true or false")
    stretched = np.diag([-sx if step["mirrored"] else sx, sy])
    leaning = np.array([[1.0, -sin(radians(lean))], [0.0, cos(radians(lean))]])
    c, s = cos(radians(turn)), sin(radians(turn))
    return np.array([[c, -s], [s, c]]) @ leaning @ stretched, _must(step["shift_mm"], 2, "shift_mm")


def _same_as_fitted(
    step: Mapping[str, object], matrix: Floats, shift: Floats, where: str, problems: list[str]
) -> None:
    """Fit the step's points again, and compare."""
    points = step.get("points")
    if not points:
        return
    if not isinstance(points, list):
        raise TypeError("points must be a list")
    known = np.array([_must(pair["from_mm"], 2, "from_mm") for pair in points])
    found = np.array([_must(pair["to_mm"], 2, "to_mm") for pair in points])
    again, again_shift = _fitted(known, found, str(step.get("fit")), mirrored=step["mirrored"] is True)
    off = np.abs(known @ (matrix - again).T + shift - again_shift).max()
    if not off <= SAME_MM:
        problems.append(f"{where}: its points, fitted again, put the board {off:.4f} mm elsewhere")


def _fitted(known: Floats, found: Floats, kind: str, *, mirrored: bool) -> tuple[Floats, Floats]:
    if kind == "affine":
        columns = np.column_stack([known, np.ones(len(known))])
        answer = np.linalg.lstsq(columns, found, rcond=None)[0]
        return np.array(answer[:2].T, dtype=np.float64), np.array(answer[2], dtype=np.float64)
    if kind not in ("rigid", "similarity"):
        raise ValueError(f'"fit" is {kind!r}')
    w = (-known[:, 0] if mirrored else known[:, 0]) + 1j * known[:, 1]
    z = found[:, 0] + 1j * found[:, 1]
    w0, z0 = w.mean(), z.mean()
    k = np.sum(np.conj(w - w0) * (z - z0)) / np.sum(np.abs(w - w0) ** 2)
    if kind == "rigid":
        k /= abs(k)
    side = -1.0 if mirrored else 1.0
    shift = z0 - k * w0
    return np.array([[side * k.real, -k.imag], [side * k.imag, k.real]]), np.array([shift.real, shift.imag])

"""The height of a board over the machine's X and Y: a plane, and on it a mesh of small deviations.

    z(x, y) = z0 + sx·(x − x0) + sy·(y − y0) + mesh(x, y)

Between four nodes of the mesh the deviation is bilinear; outside the mesh it is that of the nearest edge, so
that nothing is ever extrapolated but the plane.
"""

from dataclasses import dataclass
from itertools import pairwise
from math import atan, degrees, hypot

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.board.model import Point

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Least and greatest X and Y: (x0, y0, x1, y1) [mm]."""

# A bead is cut into legs that stay this close to the surface; a tenth of the least standoff.
FOLLOW_MM = 0.005
MOST_HALVINGS = 6  # 64 legs: of a bead of 60 mm each is under a millimetre
# Shares of a leg at which it is compared with the surface; uneven, so that no regular mesh hides between them.
_LOOKS = np.array([0.13, 0.31, 0.5, 0.69, 0.87])


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """Deviations at the crossings of rising `x_mm` and `y_mm`; `dz_mm[row]` belongs to `y_mm[row]`."""

    x_mm: tuple[float, ...]
    y_mm: tuple[float, ...]
    dz_mm: tuple[tuple[float, ...], ...]

    def __post_init__(self) -> None:
        rising = all(a < b for line in (self.x_mm, self.y_mm) for a, b in pairwise(line))
        shape = len(self.dz_mm) == len(self.y_mm) and all(len(row) == len(self.x_mm) for row in self.dz_mm)
        if not (rising and shape and len(self.x_mm) > 1 and len(self.y_mm) > 1):
            raise ValueError("a mesh needs two or more rising x and y, and one deviation for each crossing")


class Surface(Struct, frozen=True, kw_only=True):
    """A plane of height `z_mm` at `at_mm`, with slopes [mm/mm], and the deviations from it."""

    z_mm: float
    slope_x: float = 0.0
    slope_y: float = 0.0
    at_mm: Point = (0.0, 0.0)
    mesh: Mesh | None = None

    @property
    def flat(self) -> bool:
        """Whether it has the same height everywhere."""
        return self.slope_x == 0.0 == self.slope_y and self.mesh is None

    @property
    def tilt_deg(self) -> float:
        """Angle of the plane against the machine's XY [degrees]."""
        return degrees(atan(hypot(self.slope_x, self.slope_y)))

    def heights_mm(self, points_mm: Floats) -> Floats:
        """Return the height at each of N×2 points [mm, machine]."""
        x, y = points_mm[..., 0], points_mm[..., 1]
        z: Floats = np.full(np.shape(x), self.z_mm, dtype=np.float64)
        if self.slope_x or self.slope_y:
            z = z + self.slope_x * (x - self.at_mm[0]) + self.slope_y * (y - self.at_mm[1])
        return z if self.mesh is None else z + _bilinear(self.mesh, x, y)

    def highest_mm(self, box_mm: tuple[float, float, float, float]) -> float:
        """Return the greatest height within a box (x0, y0, x1, y1); exact, since it lies at a node or edge."""
        return float(self._nodes(box_mm).max())

    def lowest_mm(self, box_mm: tuple[float, float, float, float]) -> float:
        """Return the least height within a box (x0, y0, x1, y1)."""
        return float(self._nodes(box_mm).min())

    def _nodes(self, box_mm: tuple[float, float, float, float]) -> Floats:
        x0, y0, x1, y1 = box_mm
        inner_x = [] if self.mesh is None else [x for x in self.mesh.x_mm if x0 < x < x1]
        inner_y = [] if self.mesh is None else [y for y in self.mesh.y_mm if y0 < y < y1]
        grid = np.meshgrid([x0, *inner_x, x1], [y0, *inner_y, y1])
        return self.heights_mm(np.stack(grid, axis=-1))


def flat(z_mm: float) -> Surface:
    """Return a level surface."""
    return Surface(z_mm=z_mm)


def _bilinear(mesh: Mesh, x: Floats, y: Floats) -> Floats:
    xs, ys, dz = np.array(mesh.x_mm), np.array(mesh.y_mm), np.array(mesh.dz_mm)
    column = np.clip(np.searchsorted(xs, x, side="right") - 1, 0, len(xs) - 2)
    row = np.clip(np.searchsorted(ys, y, side="right") - 1, 0, len(ys) - 2)
    u = np.clip((x - xs[column]) / (xs[column + 1] - xs[column]), 0.0, 1.0)
    v = np.clip((y - ys[row]) / (ys[row + 1] - ys[row]), 0.0, 1.0)
    low = dz[row, column] * (1 - u) + dz[row, column + 1] * u
    high = dz[row + 1, column] * (1 - u) + dz[row + 1, column + 1] * u
    answer: Floats = low * (1 - v) + high * v
    return answer


def followed(
    path_mm: tuple[Point, ...], surface: Surface, *, within_mm: float = FOLLOW_MM
) -> tuple[Point, ...]:
    """Return the path with points added where a straight leg in space would leave the surface.

    On a plane nothing is added. Each leg is halved, at most 6 times, until five places on it lie within
    `within_mm` of the surface's height.
    """
    if surface.mesh is None or len(path_mm) < 2:
        return path_mm
    points = [path_mm[0]]
    for start, end in pairwise(path_mm):
        points.extend(_leg(np.array(start), np.array(end), surface, within_mm))
        points.append(end)
    return tuple(points)


def _leg(start: Floats, end: Floats, surface: Surface, within_mm: float) -> list[Point]:
    for halvings in range(MOST_HALVINGS + 1):
        pieces = 2**halvings
        cuts = np.linspace(0.0, 1.0, pieces + 1)
        shares = (cuts[:-1, None] + _LOOKS[None, :] / pieces).ravel()
        z = surface.heights_mm(start + np.concatenate([cuts, shares])[:, None] * (end - start))
        straight = np.interp(shares, cuts, z[: pieces + 1])
        if float(np.abs(z[pieces + 1 :] - straight).max()) <= within_mm:
            break
    places = start + cuts[1:-1, None] * (end - start)
    return [(float(x), float(y)) for x, y in places]

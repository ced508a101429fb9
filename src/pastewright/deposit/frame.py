"""Lands to frames: the centre, long axis and sides of a land, so that forms are chosen once per shape.

    v ^   ┌───────────────┐
      |   │               │ short side      u: along the land's long side
      └── │       + centre│                 v: u turned by +90°
          └───────────────┘
              long side --> u

Shapes repeat: a board has thousands of pads and a few dozen shapes. Coordinates relative to the first corner,
rounded far below a nanometre, name a shape; its frame is computed once from the rounded corners and moved to the pads.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pastewright.board.model import Area, Point

_DECIMALS = 9  # a picometre: far below any file's grid, far above the rounding of floats on a metre
# Boxes and sides that differ by less are equal: rounded coordinates must not choose the direction of a disc.
_TIE = 1e-4


class Frame(Struct, frozen=True, kw_only=True):
    """Least rectangle around a land [mm, board]; (`ux`, `uy`) is the direction of its long side.

    `fill` is the land's area over the rectangle's [-]: 1 for a rectangle, 0.785 for a circle. `shape` is a
    number that equal lands of one call of `frames` share, whatever their place.
    """

    x_mm: float
    y_mm: float
    ux: float
    uy: float
    long_mm: float
    short_mm: float
    fill: float
    shape: int

    def to_board(self, u_mm: float, v_mm: float) -> Point:
        """Return the place (u, v) of the frame in board coordinates [mm]."""
        return self.x_mm + u_mm * self.ux - v_mm * self.uy, self.y_mm + u_mm * self.uy + v_mm * self.ux

    def to_local(self, shape: Area) -> Area:
        """Return a polygon of the board in the coordinates (u, v) of the frame [mm]."""
        moved: Area = shapely.transform(shape, self._local)
        return moved

    def _local(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        dx, dy = xy[:, 0] - self.x_mm, xy[:, 1] - self.y_mm
        # Rounded as shapes are, so that equal lands in different places are equal here too.
        turned = np.empty_like(xy)
        turned[:, 0] = dx * self.ux + dy * self.uy
        turned[:, 1] = dy * self.ux - dx * self.uy
        return turned.round(_DECIMALS)


BOARD_FRAME = Frame(x_mm=0.0, y_mm=0.0, ux=1.0, uy=0.0, long_mm=1.0, short_mm=1.0, fill=1.0, shape=-1)
"""The board's own coordinates, for what is laid where it was drawn."""


def frames(shapes: Sequence[Polygon]) -> list[Frame]:
    """Return the frame of each polygon, in order; equal shapes get equal frames but for their place."""
    if not shapes:
        return []
    rings = shapely.get_exterior_ring(np.array(shapes, dtype=object))
    xy, owner = shapely.get_coordinates(rings, return_index=True)
    bounds = np.searchsorted(owner, np.arange(len(shapes) + 1))
    first = xy[bounds[:-1]]
    relative = np.round(xy - first[owner], _DECIMALS) + 0.0  # + 0.0 makes −0.0 and 0.0 the same bytes
    areas = shapely.area(np.array(shapes, dtype=object))
    pierced = shapely.get_num_interior_rings(np.array(shapes, dtype=object)) > 0
    known: dict[bytes, tuple[int, tuple[float, float, float, float, float, float]]] = {}
    found: list[Frame] = []
    for index, ((x0, y0), begin, end, area) in enumerate(
        zip(first.tolist(), bounds[:-1].tolist(), bounds[1:].tolist(), areas.tolist(), strict=True)
    ):
        name = relative[begin:end].tobytes()
        if pierced[index]:
            inner = shapely.get_coordinates(list(shapes[index].interiors)) - first[index]
            name += b"inner" + np.round(inner, _DECIMALS).tobytes()
        if name not in known:
            known[name] = len(known), _least_box(relative[begin:end])
        number, (dx, dy, ux, uy, long_mm, short_mm) = known[name]
        found.append(
            Frame(
                x_mm=x0 + dx,
                y_mm=y0 + dy,
                ux=ux,
                uy=uy,
                long_mm=long_mm,
                short_mm=short_mm,
                fill=area / (long_mm * short_mm),
                shape=number,
            )
        )
    return found


def _least_box(ring: NDArray[np.float64]) -> tuple[float, float, float, float, float, float]:
    """Centre, direction and sides of the least rectangle around a closed ring.

    One side of the least rectangle lies on an edge of the convex hull (Freeman and Shapira 1975). Ties, as in
    squares and circles, go to the first edge of the ring, so that a turned land has a frame turned alike.
    """
    corners = ring[:-1]
    outer = Polygon(ring)
    hull = outer.convex_hull
    if outer.area < 0.999 * hull.area:
        corners = shapely.get_coordinates(hull)[:-1]
    edges = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    edges = edges[lengths > 1e-9] / lengths[lengths > 1e-9, None]
    along = edges @ corners.T
    across = np.column_stack([-edges[:, 1], edges[:, 0]]) @ corners.T
    width, depth = np.ptp(along, axis=1), np.ptp(across, axis=1)
    area = width * depth
    best = int(np.argmax(area <= area.min() * (1 + _TIE)))
    ux, uy = edges[best].tolist()
    u = float(along[best].max() + along[best].min()) / 2
    v = float(across[best].max() + across[best].min()) / 2
    long_mm, short_mm = float(width[best]), float(depth[best])
    x, y = u * ux - v * uy, u * uy + v * ux
    if short_mm > long_mm * (1 + _TIE):
        return x, y, -uy, ux, short_mm, long_mm
    return x, y, ux, uy, max(long_mm, short_mm), min(long_mm, short_mm)

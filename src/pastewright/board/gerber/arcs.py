"""Arcs as Gerber writes them (G02, G03 with I and J, in single or multi quadrant mode) to `Arc` values."""

from math import atan2, hypot, pi

from msgspec import Struct

from pastewright.board.model import Point

_QUARTER = pi / 2 + 0.01
"""Single quadrant arcs span 90° at most; rounded coordinates of short arcs need a little more."""


class Arc(Struct, frozen=True, kw_only=True):
    """An arc about `centre`; `sweep` [rad] is positive counterclockwise, ±2π for a full circle."""

    centre: Point
    start: Point
    end: Point
    sweep: float

    @property
    def misfit_mm(self) -> float:
        """Return by how much the distances of both ends from the centre differ [mm]."""
        return abs(self.radius_mm - hypot(self.end[0] - self.centre[0], self.end[1] - self.centre[1]))

    @property
    def radius_mm(self) -> float:
        """Return the distance of the start from the centre [mm]."""
        return hypot(self.start[0] - self.centre[0], self.start[1] - self.centre[1])


def _sweep(centre: Point, start: Point, end: Point, clockwise: bool) -> float:
    """Return the angle from start to end in the given sense [rad]; 0 only when both lie in one direction."""
    turn = atan2(end[1] - centre[1], end[0] - centre[0]) - atan2(start[1] - centre[1], start[0] - centre[0])
    return -((-turn) % (2 * pi)) if clockwise else turn % (2 * pi)


def multi_quadrant_arc(start: Point, end: Point, i_mm: float, j_mm: float, clockwise: bool) -> Arc | None:
    """Return the arc of G75: I and J are signed; equal ends are a full circle. None when I and J are both 0."""
    if i_mm == 0 and j_mm == 0:
        return None
    centre = (start[0] + i_mm, start[1] + j_mm)
    if start == end:
        return Arc(centre=centre, start=start, end=end, sweep=-2 * pi if clockwise else 2 * pi)
    return Arc(centre=centre, start=start, end=end, sweep=_sweep(centre, start, end, clockwise))


def single_quadrant_arc(start: Point, end: Point, i_mm: float, j_mm: float, clockwise: bool) -> Arc | None:
    """Return the arc of G74: I and J have no sign, and of four centres the one that fits is meant.

    It is the one whose arc spans at most 90° and whose distances from both ends agree best. None when the arc has
    no length (equal ends), or no centre fits.
    """
    if start == end or (i_mm == 0 and j_mm == 0):
        return None
    best: Arc | None = None
    for sign_i in (1, -1):
        for sign_j in (1, -1):
            centre = (start[0] + sign_i * abs(i_mm), start[1] + sign_j * abs(j_mm))
            sweep = _sweep(centre, start, end, clockwise)
            arc = Arc(centre=centre, start=start, end=end, sweep=sweep)
            if 0 < abs(sweep) <= _QUARTER and (best is None or arc.misfit_mm < best.misfit_mm):
                best = arc
    return best

"""G2 and G3: from the words of the line to a circle with a start, an end and a climb along its axis.

Source: NISTIR 6556 (2000), sections 3.5.3.1 (radius form) and 3.5.3.2 (centre form). Clockwise is as seen from
the positive end of the axis across the plane.
"""

from math import atan2, cos, hypot, pi, sin, sqrt
from typing import NamedTuple

from pastewright.readback.text.expressions import LineError

RADIUS_AGREES_MM = 0.002  # start and end radius in centre form, section 3.5.3.2
CHORD_ERROR_MM = 0.002  # how far `Arc.points_mm` may stay inside the curve; well below any place tolerance

# Plane: the two axes across, then the axis along, as indices of (X, Y, Z); sections 2.1.2.3 and 3.5.2.
PLANES = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}

Place = tuple[float, float, float]


class ArcMove(NamedTuple):
    """A circular or helical move. `turn_rad` is signed, positive anticlockwise."""

    start_mm: Place
    end_mm: Place
    plane: int
    centre_mm: tuple[float, float]
    radius_mm: float
    turn_rad: float

    @property
    def length_mm(self) -> float:
        """Length of the path [mm], climb included."""
        along = PLANES[self.plane][2]
        return hypot(self.radius_mm * self.turn_rad, self.end_mm[along] - self.start_mm[along])

    @property
    def points_mm(self) -> tuple[Place, ...]:
        """Points on the curve from start to end, close enough that chords stay within `CHORD_ERROR_MM`."""
        u, v, w = PLANES[self.plane]
        error = min(CHORD_ERROR_MM / max(self.radius_mm, CHORD_ERROR_MM), 1.0)
        count = min(max(int(abs(self.turn_rad) / sqrt(8 * error)) + 1, 4), 2000)
        first = atan2(self.start_mm[v] - self.centre_mm[1], self.start_mm[u] - self.centre_mm[0])
        places = [self.start_mm]
        for k in range(1, count):
            angle = first + self.turn_rad * k / count
            place = [0.0, 0.0, 0.0]
            place[u] = self.centre_mm[0] + self.radius_mm * cos(angle)
            place[v] = self.centre_mm[1] + self.radius_mm * sin(angle)
            place[w] = self.start_mm[w] + (self.end_mm[w] - self.start_mm[w]) * k / count
            places.append((place[0], place[1], place[2]))
        return (*places, self.end_mm)


def arc_by_centre(
    *, start_mm: Place, end_mm: Place, plane: int, offset_mm: tuple[float, float], clockwise: bool
) -> ArcMove:
    """Return the arc whose centre lies `offset_mm` from its start; a full circle when the ends coincide.

    LineError when the radii at both ends differ by more than `RADIUS_AGREES_MM`.
    """
    u, v, _ = PLANES[plane]
    centre = (start_mm[u] + offset_mm[0], start_mm[v] + offset_mm[1])
    radius = hypot(*offset_mm)
    at_end = hypot(end_mm[u] - centre[0], end_mm[v] - centre[1])
    if abs(radius - at_end) > RADIUS_AGREES_MM:
        raise LineError(
            f"the arc's radius is {radius:.4f} mm at its start and {at_end:.4f} mm at its end;"
            f" they must agree within {RADIUS_AGREES_MM} mm"
        )
    if radius < RADIUS_AGREES_MM:
        raise LineError("the arc has no radius")
    return _arc(start_mm, end_mm, plane, centre, radius, clockwise)


def arc_by_radius(
    *, start_mm: Place, end_mm: Place, plane: int, radius_mm: float, clockwise: bool
) -> ArcMove:
    """Return the arc with that radius through both ends; a negative radius asks for more than 180°.

    The centre lies on the perpendicular through the middle of the chord, h = sqrt(R² − (chord/2)²) away.
    """
    u, v, _ = PLANES[plane]
    du, dv = end_mm[u] - start_mm[u], end_mm[v] - start_mm[v]
    chord = hypot(du, dv)
    if chord < 1e-9:
        raise LineError("an arc given by its radius cannot end where it starts")
    if chord > 2 * abs(radius_mm) + RADIUS_AGREES_MM:
        raise LineError(f"a radius of {abs(radius_mm):g} mm cannot span {chord:.4f} mm")
    height = sqrt(max(radius_mm**2 - (chord / 2) ** 2, 0.0))
    # Anticlockwise and less than 180°: the centre is to the left of the chord.
    side = -1.0 if clockwise != (radius_mm < 0) else 1.0
    centre = (
        (start_mm[u] + end_mm[u]) / 2 - side * height * dv / chord,
        (start_mm[v] + end_mm[v]) / 2 + side * height * du / chord,
    )
    radius = hypot(start_mm[u] - centre[0], start_mm[v] - centre[1])
    return _arc(start_mm, end_mm, plane, centre, radius, clockwise)


def _arc(
    start: Place, end: Place, plane: int, centre: tuple[float, float], radius: float, clockwise: bool
) -> ArcMove:
    u, v, _ = PLANES[plane]
    first = atan2(start[v] - centre[1], start[u] - centre[0])
    last = atan2(end[v] - centre[1], end[u] - centre[0])
    turn = last - first
    if clockwise and turn >= -1e-12:
        turn -= 2 * pi
    elif not clockwise and turn <= 1e-12:
        turn += 2 * pi
    return ArcMove(start, end, plane, centre, radius, turn)

"""Circles, arcs and the ends of strokes as polygons of true area.

A polygon inscribed in a circle loses area: 0.64 % with 32 corners, and paste is area. So corners are moved
outwards until the polygon's area equals the circle's; what is left is a ripple of the edge about the true one.

    full circle, n corners at angles θ = 2π/n:  ½·n·q²·R²·sin θ = π·R²        ->  q = √(θ / sin θ)
    arc of n chords, both ends kept in place:   ½·R²·sin θ·(2q + (n-2)·q²) = ½·n·θ·R²

q·R is the radius of the moved corners; q - 1 ≈ θ²/12 for the circle. The number of chords keeps that ripple
below `RIPPLE_MM`, so small flashes carry few corners and large circles as many as they need.
"""

from collections.abc import Sequence
from math import atan2, ceil, cos, hypot, pi, sin, sqrt

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.board.model import Area, Point

Points = NDArray[np.float64]

RIPPLE_MM = 0.002
"""Most that a corner stands outside the true circle: below what a photo plotter resolves (common practice)."""

FEWEST_CORNERS = 24
"""Even the smallest circle is round enough for its perimeter to 0.3 %; areas are exact by design."""
MOST_CORNERS = 1024
"""A circle of 200 mm diameter strays by half a micrometre then."""

EMPTY = Polygon()


def corner_count(radius_mm: float) -> int:
    """Return how many corners a circle of this radius gets: a multiple of 4, from 24 to 1024.

    From R·θ²/12 <= RIPPLE_MM with θ = 2π/n.
    """
    wanted = 2 * pi * sqrt(max(radius_mm, 0.0) / (12 * RIPPLE_MM))
    return min(MOST_CORNERS, max(FEWEST_CORNERS, 4 * ceil(wanted / 4)))


def circle(radius_mm: float, x_mm: float = 0.0, y_mm: float = 0.0) -> Polygon:
    """Return a disc of area πR². Flats, not corners, lie on the axes, so that it blends into rectangles."""
    if radius_mm <= 0:
        return EMPTY
    count = corner_count(radius_mm)
    step = 2 * pi / count
    angles = (np.arange(count) + 0.5) * step
    reach = radius_mm * sqrt(step / sin(step))
    return Polygon(np.column_stack((x_mm + reach * np.cos(angles), y_mm + reach * np.sin(angles))))


def _outward(chords: int, step: float) -> float:
    """Return q [-], the factor on the radius of the inner corners of an arc of `chords` chords of angle `step`."""
    if step < 1e-6:
        return 1.0
    wanted = chords * step / sin(step)
    if chords == 2:
        return wanted / 2
    return (sqrt(1 + (chords - 2) * wanted) - 1) / (chords - 2)


def arc_points(
    centre: Point, start: Point, end: Point, sweep: float, *, true_area: bool, reach_mm: float = 0.0
) -> Points:
    """Return points from `start` to `end` (N×2, mm) around `centre`; `sweep` [rad] is positive counterclockwise.

    Both ends are kept exactly. `true_area`: inner points are moved outwards so that the sector has the area of the
    arc; otherwise they lie on it. `reach_mm` is the radius that sets the number of chords, if larger. Where the
    radii of both ends differ, the radius changes evenly along the arc.
    """
    radius_from = hypot(start[0] - centre[0], start[1] - centre[1])
    radius_to = hypot(end[0] - centre[0], end[1] - centre[1])
    around = corner_count(max(radius_from, radius_to, reach_mm))
    chords = max(2, ceil(abs(sweep) / (2 * pi) * around - 1e-9))
    part = np.arange(1, chords) / chords
    radius = radius_from + (radius_to - radius_from) * part
    if true_area:
        radius = radius * _outward(chords, abs(sweep) / chords)
    angles = atan2(start[1] - centre[1], start[0] - centre[0]) + sweep * part
    points = np.empty((chords + 1, 2))
    points[0] = start
    points[-1] = end
    points[1:-1, 0] = centre[0] + radius * np.cos(angles)
    points[1:-1, 1] = centre[1] + radius * np.sin(angles)
    return points


def half_circle(corners: int) -> Points:
    """Return the unit half circle from -90° to 90° (K×2), its ends exact, its area π/2."""
    chords = max(2, corners // 2)
    angles = -pi / 2 + pi * np.arange(chords + 1) / chords
    reach = np.full(chords + 1, _outward(chords, pi / chords))
    reach[0] = reach[-1] = 1.0
    return np.column_stack((reach * np.cos(angles), reach * np.sin(angles)))


def round_strokes(
    start: Points, end: Points, radius_mm: NDArray[np.float64], corners: int
) -> NDArray[np.object_]:
    """Return the area swept by discs along straight lines, each 2·R·L + πR² (N polygons).

    `start`, `end`: N×2, mm; `corners` per full circle. A line without length gives a disc.
    """
    along = end - start
    length = np.hypot(along[:, 0], along[:, 1])
    still = length == 0
    along = np.where(still[:, None], (1.0, 0.0), along / np.where(still, 1.0, length)[:, None])
    across = np.column_stack((-along[:, 1], along[:, 0]))
    cap = half_circle(corners)
    reach = radius_mm[:, None, None] * (
        cap[None, :, 0, None] * along[:, None, :] + cap[None, :, 1, None] * across[:, None, :]
    )
    rings = np.concatenate((end[:, None, :] + reach, start[:, None, :] - reach), axis=1)
    return np.asarray(shapely.polygons(shapely.linearrings(rings)))


def obround(width_mm: float, height_mm: float) -> Polygon:
    """Return a rectangle with two half-round ends, centred on the origin."""
    if width_mm <= 0 or height_mm <= 0:
        return EMPTY
    radius = min(width_mm, height_mm) / 2
    reach = np.array([[max(0.0, width_mm / 2 - radius), max(0.0, height_mm / 2 - radius)]])
    if not reach.any():
        return circle(radius)
    shape = round_strokes(-reach, reach, np.array([radius]), corner_count(radius))[0]
    assert isinstance(shape, Polygon)
    return shape


def rectangle(width_mm: float, height_mm: float, x_mm: float = 0.0, y_mm: float = 0.0) -> Polygon:
    """Return a rectangle centred on (x, y)."""
    if width_mm <= 0 or height_mm <= 0:
        return EMPTY
    x, y = width_mm / 2, height_mm / 2
    return Polygon([(x_mm - x, y_mm - y), (x_mm + x, y_mm - y), (x_mm + x, y_mm + y), (x_mm - x, y_mm + y)])


def regular_polygon(diameter_mm: float, corners: int, turn_deg: float) -> Polygon:
    """Return a regular polygon inscribed in a circle about the origin, first corner at `turn_deg`."""
    if diameter_mm <= 0:
        return EMPTY
    angles = np.deg2rad(turn_deg) + 2 * pi * np.arange(corners) / corners
    return Polygon(diameter_mm / 2 * np.column_stack((np.cos(angles), np.sin(angles))))


def round_arc_stroke(centre: Point, start: Point, end: Point, sweep: float, radius_mm: float) -> Area:
    """Return the area swept by a disc of `radius_mm` along an arc: a piece of a ring and two round ends."""
    arc_radius = hypot(start[0] - centre[0], start[1] - centre[1])
    end_radius = hypot(end[0] - centre[0], end[1] - centre[1])
    if arc_radius <= radius_mm or abs(arc_radius - end_radius) > 1e-3 * arc_radius:
        # The disc covers the centre, or the arc is a spiral: no closed form, so chord by chord.
        return round_chain(
            arc_points(centre, start, end, sweep, true_area=False, reach_mm=4 * radius_mm), radius_mm
        )
    if abs(sweep) >= 2 * pi - 1e-9:
        ring = circle(arc_radius + radius_mm, *centre).difference(circle(arc_radius - radius_mm, *centre))
        return area_of(ring)
    reach_mm = arc_radius + radius_mm
    edges = []
    for factor in (1 + radius_mm / arc_radius, 1 - radius_mm / arc_radius):
        first = (centre[0] + factor * (start[0] - centre[0]), centre[1] + factor * (start[1] - centre[1]))
        last = (centre[0] + factor * (end[0] - centre[0]), centre[1] + factor * (end[1] - centre[1]))
        edges.append(arc_points(centre, first, last, sweep, true_area=True, reach_mm=reach_mm))
    body = Polygon(np.concatenate((edges[0], edges[1][::-1])))
    caps = [circle(radius_mm, *start), circle(radius_mm, *end)]
    return area_of(shapely.union_all([body, *caps]))


def round_chain(points: Points, radius_mm: float) -> Area:
    """Return the area swept by a disc along a chain of straight lines."""
    count = len(points) - 1
    radii = np.full(count, radius_mm)
    return joined(round_strokes(points[:-1], points[1:], radii, corner_count(radius_mm)))


def swept(shape: Area, start: Point, end: Point) -> Area:
    """Return the exact area swept by any `shape` (drawn about the origin) along a straight line.

    A ⊕ segment = A at the start ∪ A at the end ∪ the parallelogram that each edge of A sweeps: a point that the
    moving shape covers, but neither end does, must have crossed an edge.
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    parts: list[BaseGeometry] = [moved(shape, *start), moved(shape, *end)]
    for polygon in polygons_of(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            corners = np.asarray(ring.coords)[:, :2] + start
            shift = np.array([dx, dy])
            first, second = corners[:-1], corners[1:]
            quads = np.stack((first, second, second + shift, first + shift), axis=1)
            edge = second - first
            flat = np.abs(edge[:, 0] * dy - edge[:, 1] * dx) <= 1e-15
            if not flat.all():
                parts.extend(np.asarray(shapely.polygons(quads[~flat])))
    return area_of(shapely.union_all(parts))


def ring_area(points: Points) -> Polygon:
    """Return the polygon within a chain of points (N×2, mm), closed if it is not; empty below three corners."""
    closed = len(points) > 1 and bool((points[0] == points[-1]).all())
    return Polygon(points) if len(points) - closed >= 3 else EMPTY


def joined(shapes: Sequence[BaseGeometry] | NDArray[np.object_]) -> Area:
    """Return the union. Islands that do not touch are joined apart, which is some nine times as fast."""
    if len(shapes) == 0:
        return EMPTY
    return area_of(shapes[0] if len(shapes) == 1 else shapely.disjoint_subset_union_all(shapes))


def all_moved(shapes: NDArray[np.object_], shift_mm: Points) -> NDArray[np.object_]:
    """Return shapes moved by `shift_mm`: one (x, y) for all, or one per corner of all shapes."""
    return np.asarray(shapely.transform(shapes, lambda points: points + shift_mm))


def moved(shape: Area, x_mm: float, y_mm: float) -> Area:
    """Return `shape` moved by (x, y)."""
    shift = np.array((x_mm, y_mm))
    result: Area = shapely.transform(shape, lambda points: points + shift)
    return result


def polygons_of(shape: BaseGeometry) -> list[Polygon]:
    """Return the polygons of any geometry, leaving out points and lines."""
    if isinstance(shape, Polygon):
        return [] if shape.is_empty else [shape]
    return [part for geometry in getattr(shape, "geoms", ()) for part in polygons_of(geometry)]


def area_of(shape: BaseGeometry) -> Area:
    """Return the polygons of any geometry as one `Area`."""
    if isinstance(shape, Polygon | MultiPolygon):
        return shape
    parts = polygons_of(shape)
    if len(parts) < 2:
        return parts[0] if parts else EMPTY
    return MultiPolygon(parts)


def turned(points: Points, turn_deg: float) -> Points:
    """Return points turned about the origin; quarter turns are exact."""
    quarter = {0.0: (1.0, 0.0), 90.0: (0.0, 1.0), 180.0: (-1.0, 0.0), 270.0: (0.0, -1.0)}
    angle = turn_deg % 360.0
    c, s = quarter.get(angle, (cos(np.deg2rad(angle)), sin(np.deg2rad(angle))))
    return np.asarray(points @ np.array([[c, s], [-s, c]]))

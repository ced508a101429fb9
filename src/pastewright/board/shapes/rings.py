"""Rings and curves to areas: what a fill rule fills, and points along Bézier curves and arcs."""

from collections.abc import Sequence
from math import ceil, sqrt

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import LineString, Polygon

from pastewright.board.model import Area
from pastewright.board.shapes.islands import groups, one_area, polygons, shape_array

Points = NDArray[np.float64]

FLAT_MM = 0.0005
"""Most that a chord may stray from its curve: a circle of 1 mm loses 0.1 % of its area at most."""
MOST_CHORDS = 512
"""Chords of one curve; a circle of 100 mm diameter strays by 0.001 mm then."""
MOST_CROSSINGS = 50_000
"""Crossings of lines that are worked out in one shape; scribbles of thousands of lines have millions."""
_AT_ONCE = 64
"""Rings whose crossings are worked out together; so that the arrays of one step stay small."""


class TangledError(ValueError):
    """Lines that cross each other too often to be a shape of paste."""


def check_tangle(lines: Sequence[LineString]) -> None:
    """Raise `TangledError` when the segments of lines cross more than `MOST_CROSSINGS` times."""
    corners, owner = shapely.get_coordinates(shape_array(lines), return_index=True)
    same = owner[:-1] == owner[1:]
    ends = np.stack((corners[:-1], corners[1:]), axis=1)[same]
    segments = shapely.linestrings(ends)
    if len(segments) ** 2 / 2 < MOST_CROSSINGS:
        return
    tree = STRtree(segments)
    count = 0
    # Each segment meets itself and its two neighbours.
    allowed = 2 * MOST_CROSSINGS + 3 * len(segments)
    for begin in range(0, len(segments), _AT_ONCE):
        count += tree.query(segments[begin : begin + _AT_ONCE], predicate="intersects").shape[1]
        if count > allowed:
            raise TangledError(f"its lines cross each other more than {MOST_CROSSINGS} times")


def bezier_points(control: Points, flat: float) -> Points:
    """Return points along a quadratic (3×2) or cubic (4×2) Bézier, its start left out (N×2, same unit).

    The chords stray at most `flat`: n = √(d(d−1)/8 · max|second difference| / flat), degree d (Wang's bound).
    """
    degree = len(control) - 1
    second = np.abs(control[2:] - 2 * control[1:-1] + control[:-2])
    reach = float(np.hypot(second[:, 0], second[:, 1]).max())
    count = min(MOST_CHORDS, max(1, ceil(sqrt(degree * (degree - 1) / 8 * reach / flat))))
    t = (np.arange(1, count + 1) / count)[:, None]
    u = 1 - t
    if degree == 2:
        return np.asarray(u * u * control[0] + 2 * u * t * control[1] + t * t * control[2])
    return np.asarray(
        u**3 * control[0] + 3 * u * u * t * control[1] + 3 * u * t * t * control[2] + t**3 * control[3]
    )


def arc_chords(radius: float, sweep_rad: float, flat: float) -> int:
    """Return how many chords an arc needs so that none strays more than `flat`: r(1 − cos θ/2) ≈ rθ²/8."""
    if radius <= flat:
        return 4
    return min(MOST_CHORDS, max(2, ceil(abs(sweep_rad) / sqrt(8 * flat / radius))))


def filled_area(rings: Sequence[Points], *, even_odd: bool) -> Area:
    """Return the area that rings (N×2, closed or not) fill by the even-odd or the non-zero rule.

    Raises `TangledError` for rings that cross themselves and each other too often.
    """
    kept = [ring for ring in rings if len(ring) >= 3 and bool(np.ptp(ring, axis=0).min() > 0)]
    if not kept:
        return Polygon()
    if len(kept) == 1:  # most shapes by far
        alone = Polygon(kept[0])
        if alone.is_valid:
            return alone
    simple = shape_array([Polygon(ring) for ring in kept])
    valid = shapely.is_valid(simple)
    pairs = STRtree(simple).query(simple, predicate=None)
    pairs = pairs[:, pairs[0] < pairs[1]]
    parts: list[Polygon] = []
    for members in groups(len(kept), pairs):
        if len(members) == 1 and valid[int(members[0])]:
            parts.extend(polygons(simple[int(members[0])]))
        else:
            parts.extend(_by_winding([kept[int(n)] for n in members], even_odd=even_odd))
    return one_area(parts) if parts else Polygon()


def _by_winding(rings: Sequence[Points], *, even_odd: bool) -> list[Polygon]:
    """Cut the plane along all rings and keep the faces that the rule fills."""
    closed = [np.vstack((ring, ring[:1])) for ring in rings]
    outlines = [LineString(ring) for ring in closed]
    check_tangle(outlines)
    lines = shapely.union_all(shape_array(outlines))
    faces = polygons(shapely.polygonize(shapely.get_parts(lines)))
    if not faces:
        return []
    inside = shapely.get_coordinates(shapely.point_on_surface(shape_array(faces)))
    turns = np.zeros(len(faces), dtype=np.int64)
    for ring in closed:
        turns += _winding(ring, inside)
    filled = turns % 2 != 0 if even_odd else turns != 0
    return polygons(
        shapely.union_all(shape_array([face for face, on in zip(faces, filled, strict=True) if on]))
    )


def _winding(ring: Points, places: Points) -> NDArray[np.int64]:
    """Return how often a closed ring turns around each place: edges that cross its height to the right."""
    found = np.zeros(len(places), dtype=np.int64)
    start, end = ring[:-1], ring[1:]
    for begin in range(0, len(places), 256):
        some = places[begin : begin + 256]
        x, y = some[:, 0, None], some[:, 1, None]
        up = (start[None, :, 1] <= y) & (end[None, :, 1] > y)
        down = (start[None, :, 1] > y) & (end[None, :, 1] <= y)
        side = (end[None, :, 0] - start[None, :, 0]) * (y - start[None, :, 1]) - (x - start[None, :, 0]) * (
            end[None, :, 1] - start[None, :, 1]
        )
        found[begin : begin + 256] = (up & (side > 0)).sum(axis=1) - (down & (side < 0)).sum(axis=1)
    return found

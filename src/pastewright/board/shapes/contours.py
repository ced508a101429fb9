"""Lines to the faces they enclose, small gaps closed: what a contour drawn by a person holds."""

from collections import Counter
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import STRtree
from shapely.geometry import LineString, Polygon
from shapely.geometry import Point as PlanePoint

from pastewright.board.artwork import DrawnKind, Layer
from pastewright.board.model import Point
from pastewright.board.shapes.islands import Shapes, polygons, shape_array
from pastewright.near import NearPlaces

GAP_MM = 0.1
"""Ends nearer than this are joined; more than rounding of any file format, less than any routed slot."""


def centre_lines(layer: Layer) -> list[LineString]:
    """Return the centre lines of strokes and the edges of regions [mm, file]; clear ones and flashes have none."""
    lines: list[LineString] = []
    for thing in layer.objects:
        if not thing.dark:
            continue
        if thing.kind is DrawnKind.STROKE:
            if len(thing.path_mm) > 1 and any(point != thing.path_mm[0] for point in thing.path_mm):
                lines.append(LineString(thing.path_mm))
        elif thing.kind is DrawnKind.REGION:
            for part in polygons(thing.shape):
                lines.extend(LineString(ring.coords) for ring in (part.exterior, *part.interiors))
    return lines


def faces_of(lines: Sequence[LineString]) -> tuple[list[Polygon], list[float]]:
    """Return the faces that the lines enclose, and the widths [mm] of the gaps closed for it."""
    noded = shapely.get_parts(shapely.union_all(shape_array(lines)))
    bridges, gaps_mm = _bridges(noded)
    if bridges:
        noded = shapely.get_parts(shapely.union_all(np.concatenate([noded, shape_array(bridges)])))
    return polygons(shapely.polygonize(noded)), gaps_mm


def _loose_ends(noded: Shapes) -> list[tuple[Point, Point]]:
    """Return the ends that no other line meets, each with the point before it."""
    ends: Counter[Point] = Counter()
    before: dict[Point, Point] = {}
    for line in noded:
        coords = [(float(x), float(y)) for x, y in shapely.get_coordinates(line)]
        for end, inner in ((coords[0], coords[1]), (coords[-1], coords[-2])):
            ends[end] += 1
            before[end] = inner
    return [(point, before[point]) for point, count in ends.items() if count == 1]


def _bridges(noded: Shapes) -> tuple[list[LineString], list[float]]:
    """Return the segments that close small gaps: end to nearest end first, else straight on to a line."""
    ends = _loose_ends(noded)
    bridges: list[LineString] = []
    gaps_mm: list[float] = []
    joined: set[int] = set()
    if len(ends) > 1:
        places = np.array([end for end, _ in ends])
        pairs = NearPlaces(places).pairs(GAP_MM)
        near = sorted((float(np.hypot(*(places[i] - places[j]))), i, j) for i, j in pairs)
        for gap_mm, i, j in near:
            if i not in joined and j not in joined:
                joined |= {i, j}
                bridges.append(LineString([ends[i][0], ends[j][0]]))
                gaps_mm.append(gap_mm)
    tree = STRtree(noded)
    for index, ((x, y), (x_before, y_before)) in enumerate(ends):
        if index in joined:
            continue
        length_mm = float(np.hypot(x - x_before, y - y_before))
        if length_mm == 0.0:
            continue
        step = ((x - x_before) / length_mm, (y - y_before) / length_mm)
        onward = LineString([(x + step[0] * reach, y + step[1] * reach) for reach in (1e-6, GAP_MM + 1e-3)])
        hits = tree.query(onward, predicate="intersects")
        if len(hits) == 0:
            continue
        end = PlanePoint(x, y)
        gap_mm = min(float(noded[hit].intersection(onward).distance(end)) for hit in hits)
        # Run a little past the line, so that rounding cannot leave the bridge short of it.
        reach = gap_mm + 1e-3
        bridges.append(LineString([(x, y), (x + step[0] * reach, y + step[1] * reach)]))
        gaps_mm.append(gap_mm)
    return bridges, gaps_mm

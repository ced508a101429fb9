"""Outline layer to the board's shape: closed contours of stroke centre lines, with inner cut-outs as holes.

Outline layers are drawn by people: strokes of zero or any width, arcs, regions, contours that miss closing
by a hair, contours drawn twice, and legends beside the board. What is closed becomes the outline; the
extent is that of the centre lines. A contour that stays open gives the box of what is there, with a
warning, since a size that may be a little large is safer than none.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import STRtree
from shapely.geometry import LineString, Polygon, box
from shapely.geometry import Point as Point2D

from pastewright.board.artwork import DrawnKind, Layer
from pastewright.board.model import Area, Point
from pastewright.board.shapes.islands import Shapes, one_area, polygons, shape_array
from pastewright.problems import Problem, Severity

# Ends nearer than this are joined; more than rounding of any file format, less than any routed slot.
GAP_MM = 0.1
# Gaps below this come from rounding (2.3 inch format: 0.0254 mm / 2) and are closed without a word.
SILENT_GAP_MM = 0.015
# Strokes of other layers within this of the outline's line follow it.
SAME_LINE_MM = 0.02
# Contours beside the board that hold no pads: kept as a rail when at least this part of the largest.
RAIL_PART = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """The board's `area` [mm, file], None when the layer holds no line, and what there is to say about it."""

    area: Area | None
    closed: bool
    problems: tuple[Problem, ...] = ()


def read_outline(layer: Layer, pads: Sequence[Polygon] = ()) -> Outline:
    """Return the outline [mm, file] drawn in `layer`.

    `pads` (lands or apertures, may be empty) tell a cut-out from a board in a frame: a closed contour
    inside another one is a cut-out unless pads lie in it.
    """
    lines = _centre_lines(layer)
    if not lines:
        what = "the outline layer holds no line"
        return Outline(
            area=None, closed=False, problems=(_warning(what, "Export the outline layer again.", layer),)
        )
    faces, gaps_mm = _faces(lines)
    problems = _gap_problems(gaps_mm, layer)
    inside = _Pads(pads) if len(pads) else None
    boards, notes = _boards(faces, inside, layer)
    if boards and (inside is None or _holds_most(boards, inside)):
        return Outline(area=one_area(boards), closed=True, problems=(*problems, *notes))
    return _box_of(lines, layer, problems, closed_parts=len(boards))


def on_outline(layer: Layer, outline: Layer | None) -> NDArray[np.bool_]:
    """Return for each object of `layer` whether it is a stroke along the lines of the outline layer.

    Some programs draw the board's outline into every layer; there it is neither copper nor opening nor paste.
    """
    result = np.zeros(len(layer.objects), dtype=bool)
    lines = shape_array(_centre_lines(outline)) if outline is not None else shape_array([])
    strokes = [
        (number, LineString(thing.path_mm))
        for number, thing in enumerate(layer.objects)
        if thing.kind is DrawnKind.STROKE and len(thing.path_mm) > 1
    ]
    if len(lines) == 0 or not strokes:
        return result
    paths = shape_array([path for _, path in strokes])
    near = np.unique(STRtree(lines).query(paths, predicate="dwithin", distance=SAME_LINE_MM)[0])
    if len(near):
        band = shapely.union_all(shapely.buffer(lines, SAME_LINE_MM))
        shapely.prepare(band)
        for position in near[shapely.covers(band, paths[near])]:
            result[strokes[position][0]] = True
    return result


def _warning(what: str, mend: str, layer: Layer, *, severity: Severity = Severity.WARNING) -> Problem:
    return Problem(what=what, mend=mend, severity=severity, file=layer.file)


def _centre_lines(layer: Layer) -> list[LineString]:
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


def _faces(lines: Sequence[LineString]) -> tuple[list[Polygon], list[float]]:
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
        pairs = cKDTree(places).query_pairs(GAP_MM)
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
        end = Point2D(x, y)
        gap_mm = min(float(noded[hit].intersection(onward).distance(end)) for hit in hits)
        # Run a little past the line, so that rounding cannot leave the bridge short of it.
        reach = gap_mm + 1e-3
        bridges.append(LineString([(x, y), (x + step[0] * reach, y + step[1] * reach)]))
        gaps_mm.append(gap_mm)
    return bridges, gaps_mm


def _gap_problems(gaps_mm: Iterable[float], layer: Layer) -> list[Problem]:
    seen = [gap_mm for gap_mm in gaps_mm if gap_mm > SILENT_GAP_MM]
    if not seen:
        return []
    what = f"the outline is not closed: {len(seen)} gap(s) of up to {max(seen):.3f} mm were closed"
    return [
        _warning(what, f"Join the outline's ends in the design; gaps over {GAP_MM} mm are not closed.", layer)
    ]


def _filled(face: Polygon) -> Polygon:
    return Polygon(face.exterior)


class _Pads:
    """Pads to count within contours."""

    def __init__(self, pads: Sequence[Polygon]) -> None:
        shapes = shape_array(pads)
        self.count = len(shapes)
        self._whole = STRtree(shapes)
        self._points = STRtree(shapely.point_on_surface(shapes))

    def within(self, area: Polygon) -> int:
        """Return how many pads lie in `area`, castellations at its edge included."""
        return len(self._points.query(area, predicate="intersects"))

    def wholly_within(self, area: Polygon) -> int:
        """Return how many pads `area` contains. A slot within a pad's ring contains none."""
        return len(self._whole.query(area, predicate="contains"))


def _boards(
    faces: Sequence[Polygon], inside: _Pads | None, layer: Layer
) -> tuple[list[Polygon], list[Problem]]:
    """Return the boards with their cut-outs, and notes on panels and on contours left out."""
    if not faces:
        return [], []
    outers = polygons(shapely.union_all(shape_array([_filled(face) for face in faces])))
    cut_outs: list[Polygon] = []
    framed = 0
    for face in faces:
        for ring in face.interiors:
            hole = Polygon(ring)
            if inside is not None and inside.wholly_within(hole):
                framed += 1
            else:
                cut_outs.append(hole)
    largest_mm2 = max(outer.area for outer in outers)
    pads_in = [inside.within(outer) if inside is not None else 0 for outer in outers]
    kept = [
        outer
        for outer, count in zip(outers, pads_in, strict=True)
        if count or outer.area >= RAIL_PART * largest_mm2 or (inside is None and outer.area == largest_mm2)
    ]
    notes: list[Problem] = []
    if len(kept) < len(outers):
        what = f"{len(outers) - len(kept)} small closed contour(s) beside the board hold no pads: left out"
        notes.append(_warning(what, "", layer, severity=Severity.NOTE))
    if len(kept) > 1:
        with_pads = sum(1 for count in pads_in if count)
        rails = len(kept) - with_pads if inside is not None else 0
        what = f"the outline has {len(kept)} separate parts ({rails} without pads): taken as one panel"
        notes.append(_warning(what, "", layer, severity=Severity.NOTE))
    if framed:
        what = f"{framed} closed contour(s) with pads lie inside an outer contour: taken as boards of a panel"
        notes.append(_warning(what, "", layer, severity=Severity.NOTE))
    if cut_outs:
        cut = shapely.union_all(shape_array(cut_outs))
        kept = [part for outer in kept for part in polygons(shapely.difference(outer, cut))]
    return sorted(kept, key=lambda part: -part.area), notes


def _holds_most(boards: Sequence[Polygon], inside: _Pads) -> bool:
    """True when at least half of the pads lie within the boards' outer contours."""
    return 2 * sum(inside.within(_filled(part)) for part in boards) >= inside.count


def _box_of(
    lines: Sequence[LineString], layer: Layer, problems: Sequence[Problem], *, closed_parts: int
) -> Outline:
    x0_mm, y0_mm, x1_mm, y1_mm = shapely.total_bounds(shape_array(lines))
    found = f"only {closed_parts} small closed part(s)" if closed_parts else "no closed contour"
    what = (
        f"the outline is open: {found} in {len(lines)} line(s); "
        f"their box of {x1_mm - x0_mm:.2f} x {y1_mm - y0_mm:.2f} mm is used instead"
    )
    mend = f"Close the outline in the design (gaps up to {GAP_MM} mm are closed), or check the size."
    area = box(x0_mm, y0_mm, x1_mm, y1_mm)
    if area.area == 0.0:
        return Outline(area=None, closed=False, problems=(*problems, _warning(what, mend, layer)))
    return Outline(area=area, closed=False, problems=(*problems, _warning(what, mend, layer)))

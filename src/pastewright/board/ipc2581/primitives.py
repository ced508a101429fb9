"""Primitives of IPC-2581 to polygons: the standard shapes, contours with arcs, and references to dictionaries.

Names and attributes after the schema of the standard (IPC-2581, chapter on primitives; from memory of the
published XSD). Every shape is drawn about its own origin in the unit in force, then placed by Xform and Location.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from math import atan2, hypot, isfinite, pi

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Polygon, box

from pastewright.board.model import Area, Point
from pastewright.board.shapes.curves import (
    EMPTY,
    Points,
    arc_points,
    area_of,
    circle,
    obround,
    rectangle,
    regular_polygon,
)
from pastewright.board.shapes.rings import filled_area
from pastewright.board.source.safe_xml import Node

UNITS_MM = {"MILLIMETER": 1.0, "MICRON": 0.001, "INCH": 25.4}
MOST_MM = 10_000.0
"""Far beyond any panel (610 mm, common practice): the unit was misread."""


class BadShapeError(ValueError):
    """A shape that cannot be made; `line` is where it stands, 0 when its record says it."""

    def __init__(self, what: str, line: int = 0) -> None:
        super().__init__(what)
        self.line = line


def number(node: Node, name: str, default: float | None = None) -> float:
    """Return a number attribute; raises `BadShapeError` when it is missing or no number."""
    text = node.attributes.get(name)
    if text is None:
        if default is not None:
            return default
        raise BadShapeError(f"<{node.tag}> has no {name}", node.line)
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or abs(value) > 1e9:
        raise BadShapeError(f"<{node.tag}> {name} is {text[:30]!r}", node.line)
    return value


def placed(area: Area, node: Node, unit_mm: float) -> Area:
    """Return a shape put in place by the Xform and Location among the children of `node`.

    Mirror turns x round, then comes the rotation (counter-clockwise, degrees), then offsets (from memory).
    """
    result = area
    for child in node.children:
        if child.tag == "Xform":
            factor = number(child, "scale", 1.0)
            if child.attributes.get("mirror", "false").lower() == "true":
                result = affinity.scale(result, -1.0, 1.0, origin=(0, 0))
            if factor != 1.0:
                result = affinity.scale(result, factor, factor, origin=(0, 0))
            turn = number(child, "rotation", 0.0)
            if turn:
                result = affinity.rotate(result, turn, origin=(0, 0))
            dx, dy = number(child, "xOffset", 0.0) * unit_mm, number(child, "yOffset", 0.0) * unit_mm
            if dx or dy:
                result = affinity.translate(result, dx, dy)
    for child in node.children:
        if child.tag == "Location":
            result = affinity.translate(result, number(child, "x") * unit_mm, number(child, "y") * unit_mm)
    return result


def polygon_points(node: Node, unit_mm: float) -> Points:
    """Return the corners (N×2, mm) of a Polygon, Cutout or Polyline; arcs become chords of true area."""
    points: list[Points] = []
    here: Point | None = None
    for step in node.children:
        if step.tag not in ("PolyBegin", "PolyStepSegment", "PolyStepCurve"):
            continue
        to = (number(step, "x") * unit_mm, number(step, "y") * unit_mm)
        if max(abs(to[0]), abs(to[1])) > MOST_MM:
            raise BadShapeError(f"a corner lies {max(map(abs, to)):.4g} mm away", step.line)
        if step.tag == "PolyStepCurve" and here is not None:
            centre = (number(step, "centerX") * unit_mm, number(step, "centerY") * unit_mm)
            clockwise = step.attributes.get("clockwise", "false").lower() == "true"
            points.append(_arc(centre, here, to, clockwise=clockwise)[1:])
        else:
            points.append(np.array([to]))
        here = to
    return np.vstack(points) if points else np.empty((0, 2))


def _arc(centre: Point, start: Point, end: Point, *, clockwise: bool) -> Points:
    sweep = atan2(end[1] - centre[1], end[0] - centre[0]) - atan2(start[1] - centre[1], start[0] - centre[0])
    if clockwise:
        sweep = sweep - 2 * pi if sweep > 0 else sweep
    else:
        sweep = sweep + 2 * pi if sweep < 0 else sweep
    if hypot(start[0] - end[0], start[1] - end[1]) < 1e-9:
        sweep = -2 * pi if clockwise else 2 * pi
    if hypot(start[0] - centre[0], start[1] - centre[1]) > MOST_MM:
        return np.array([start, end])
    return arc_points(centre, start, end, sweep, true_area=True)


@dataclass(slots=True)
class Shapes:
    """The dictionaries read so far; `unit_mm` is the unit in force."""

    unit_mm: float = 1.0
    standard: dict[str, Area] = field(default_factory=dict)
    lines_mm: dict[str, float] = field(default_factory=dict)
    doubts: list[str] = field(default_factory=list)

    def define(self, node: Node) -> None:
        """Take in an EntryStandard or EntryUser."""
        area = self.of_children(node)
        self.standard[node.attributes.get("id", "")] = area if area is not None else EMPTY

    def define_line(self, node: Node) -> None:
        """Take in an EntryLineDesc."""
        for child in node.children:
            if child.tag == "LineDesc":
                self.lines_mm[node.attributes.get("id", "")] = number(child, "lineWidth") * self.unit_mm

    def of_children(self, node: Node) -> Area | None:
        """Return the union of the primitives directly below a node; None when there is none."""
        found = [area for child in node.children for area in self._one(child)]
        return None if not found else found[0] if len(found) == 1 else area_of(shapely.union_all(found))

    def drawn(self, node: Node) -> Iterator[tuple[Area, float, tuple[Point, ...]]]:
        """Yield what a Features element draws: (area, width of a stroke or 0, its path) [mm]."""
        for child in node.children:
            if child.tag in ("Line", "Polyline", "Arc"):
                path = self._path(child)
                width = self._line_width(child)
                if len(path) > 1 and width > 0:
                    points = tuple((float(x), float(y)) for x, y in path)
                    yield area_of(LineString(points).buffer(width / 2, quad_segs=24)), width, points
            else:
                for area in self._one(child):
                    yield area, 0.0, ()

    def _path(self, node: Node) -> Points:
        unit = self.unit_mm
        if node.tag == "Polyline":
            return polygon_points(node, unit)
        ends = [(number(node, f"{end}X") * unit, number(node, f"{end}Y") * unit) for end in ("start", "end")]
        if node.tag == "Line":
            return np.array(ends)
        centre = (number(node, "centerX") * unit, number(node, "centerY") * unit)
        clockwise = node.attributes.get("clockwise", "false").lower() == "true"
        return _arc(centre, ends[0], ends[1], clockwise=clockwise)

    def _line_width(self, node: Node) -> float:
        for child in node.children:
            if child.tag == "LineDesc":
                return number(child, "lineWidth") * self.unit_mm
            if child.tag == "LineDescRef":
                return self.lines_mm.get(child.attributes.get("id", ""), 0.0)
        return 0.0

    def _one(self, node: Node) -> list[Area]:
        """Return the area of a primitive, [] for elements that are none."""
        match node.tag:
            case "StandardPrimitiveRef" | "UserPrimitiveRef":
                name = node.attributes.get("id", "")
                if name not in self.standard:
                    raise BadShapeError(f"the primitive {name!r} is not in the dictionaries", node.line)
                return [self.standard[name]]
            case "UserSpecial":
                return [area for area, _width, _path in self.drawn(node)]
            case "Contour":
                return [self._contour(node)]
            case "Outline" | "Polyline" | "Line":
                return []
        make = _PRIMITIVES.get(node.tag)
        if make is None:
            if node.tag in _DOUBTFUL:
                words = f"primitives of kind {node.tag} are left out"
                if words not in self.doubts:
                    self.doubts.append(words)
            return []
        unit = self.unit_mm

        def length(name: str, default: float | None = None) -> float:
            value = number(node, name, default) * unit
            if abs(value) > MOST_MM:
                raise BadShapeError(f"<{node.tag}> {name} is {value:.4g} mm", node.line)
            return value

        return [area_of(make(length, node.attributes))]

    def _contour(self, node: Node) -> Area:
        outer = [polygon_points(child, self.unit_mm) for child in node.children if child.tag == "Polygon"]
        cuts = [polygon_points(child, self.unit_mm) for child in node.children if child.tag == "Cutout"]
        area = filled_area(outer, even_odd=False)
        if cuts:
            area = area_of(shapely.difference(area, filled_area(cuts, even_odd=False)))
        return area


_Length = Callable[..., float]
"""A length attribute by its name, in mm; with a second argument where it may be left out."""
_Make = Callable[[_Length, Mapping[str, str]], Area]


def _corners(attributes: Mapping[str, str]) -> tuple[bool, bool, bool, bool]:
    """Return which corners are shaped: upper right, upper left, lower left, lower right; by default all."""
    names = ("upperRight", "upperLeft", "lowerLeft", "lowerRight")
    if not any(name in attributes for name in names):
        return True, True, True, True
    one, two, three, four = (attributes.get(name, "false").lower() == "true" for name in names)
    return one, two, three, four


def _rect_round(length: _Length, attributes: Mapping[str, str]) -> Area:
    w, h = length("width"), length("height")
    r = min(abs(length("radius")), w / 2, h / 2)
    return _shaped(w, h, r, attributes, chamfer=False)


def _rect_cham(length: _Length, attributes: Mapping[str, str]) -> Area:
    w, h = length("width"), length("height")
    return _shaped(w, h, min(abs(length("chamfer")), w / 2, h / 2), attributes, chamfer=True)


def _shaped(w: float, h: float, r: float, attributes: Mapping[str, str], *, chamfer: bool) -> Area:
    if w <= 0 or h <= 0 or r <= 0:
        return rectangle(w, h)
    signs = ((1, 1), (-1, 1), (-1, -1), (1, -1))
    points: list[Points] = []
    for (sx, sy), on in zip(signs, _corners(attributes), strict=True):
        x, y = sx * w / 2, sy * h / 2
        if not on:
            points.append(np.array([(x, y)]))
            continue
        first, second = (
            ((x, y - sy * r), (x - sx * r, y)) if sx * sy > 0 else ((x - sx * r, y), (x, y - sy * r))
        )
        if chamfer:
            points.append(np.array([first, second]))
        else:
            points.append(arc_points((x - sx * r, y - sy * r), first, second, pi / 2, true_area=True))
    return Polygon(np.vstack(points))


def _ellipse(length: _Length, _attributes: Mapping[str, str]) -> Area:
    w, h = length("width"), length("height")
    return area_of(affinity.scale(circle(w / 2), 1.0, h / w, origin=(0, 0))) if w > 0 and h > 0 else EMPTY


def _donut(length: _Length, attributes: Mapping[str, str]) -> Area:
    outer, inner = length("outerDiameter") / 2, length("innerDiameter", 0.0) / 2
    if attributes.get("shape", "ROUND").upper() == "SQUARE":
        return area_of(rectangle(2 * outer, 2 * outer).difference(rectangle(2 * inner, 2 * inner)))
    return area_of(circle(outer).difference(circle(inner)))


def _triangle(length: _Length, _attributes: Mapping[str, str]) -> Area:
    base, high = length("base"), length("height")
    return (
        Polygon([(-base / 2, -high / 2), (base / 2, -high / 2), (0.0, high / 2)]) if base and high else EMPTY
    )


def _diamond(length: _Length, _attributes: Mapping[str, str]) -> Area:
    w, h = length("width") / 2, length("height") / 2
    return Polygon([(w, 0), (0, h), (-w, 0), (0, -h)]) if w and h else EMPTY


def _across(corners: int) -> _Make:
    """Regular shapes by the distance between opposite corners ("length")."""
    return lambda length, _attributes: regular_polygon(length("length"), corners, 0.0)


def _rect_corner(length: _Length, _attributes: Mapping[str, str]) -> Area:
    xs = sorted((length("lowerLeftX"), length("upperRightX")))
    ys = sorted((length("lowerLeftY"), length("upperRightY")))
    return box(xs[0], ys[0], xs[1], ys[1])


_PRIMITIVES: Mapping[str, _Make] = {
    "Circle": lambda length, _a: circle(length("diameter") / 2),
    "RectCenter": lambda length, _a: rectangle(length("width"), length("height")),
    "RectCorner": _rect_corner,
    "RectRound": _rect_round,
    "RectCham": _rect_cham,
    "Oval": lambda length, _a: obround(length("width"), length("height")),
    "Ellipse": _ellipse,
    "Donut": _donut,
    "Triangle": _triangle,
    "Diamond": _diamond,
    "Hexagon": _across(6),
    "Octagon": _across(8),
}
_DOUBTFUL = frozenset({"Butterfly", "Moire", "Thermal", "Text"})

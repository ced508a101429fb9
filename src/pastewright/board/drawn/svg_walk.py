"""SVG elements to `Thing` values: transforms, style, layers, `use` and clip paths followed, the rest noted."""

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import hypot, sqrt

import numpy as np
import shapely
from shapely.geometry import CAP_STYLE, JOIN_STYLE, LineString, Polygon

from pastewright.board.drawn.svg_data import layer_of, names_of, volume_of
from pastewright.board.drawn.svg_shapes import SHAPES, PathRun, runs_of
from pastewright.board.drawn.svg_style import (
    Matrix,
    NotSvgError,
    StyleSheet,
    fitted,
    is_painted,
    is_white,
    length,
    scale_of,
    style_of,
    times,
    transform,
    view_box,
)
from pastewright.board.drawn.things import MOST_THINGS, Thing, stroke_area
from pastewright.board.model import Area, Source
from pastewright.board.shapes.curves import area_of, circle
from pastewright.board.shapes.islands import LEAST_AREA_MM2
from pastewright.board.shapes.rings import FLAT_MM, Points, TangledError, filled_area
from pastewright.board.source.safe_xml import Node
from pastewright.problems import InputError, Problem, Severity, one_error

_CONTAINERS = frozenset({"g", "a", "svg", "switch"})
_NOTED = {"text": "text", "image": "image", "foreignObject": "foreign object", "script": "script"}
# Corners nearer to a bead's line than this are no corners: the tip need not stop for them.
BEAD_FLAT_MM = 0.01
# Strokes narrower than this draw no bead that any tip could lay; hairlines outline things.
HAIRLINE_MM = 0.02
MOST_ERRORS = 40
"""Shapes that cannot be read, told one by one: what fits a screen."""
# Letters and numbers of all path data; a rounded rectangle as a path has some 40 of them.
MOST_WORDS = 1_500_000
_WORD = re.compile(r"[A-Za-z]|[0-9.]+")
_JOIN = {"round": JOIN_STYLE.round, "bevel": JOIN_STYLE.bevel}
_CAP = {"round": CAP_STYLE.round, "square": CAP_STYLE.square}


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    """What an element inherits."""

    matrix: Matrix
    style: Mapping[str, str]
    size: tuple[float, float]
    layer: str = ""
    names: tuple[str, str, str] = ("", "", "")
    clip: Area | None = None
    uses: tuple[str, ...] = ()


class Walker:
    """Walks one SVG tree; `things` and `errors` are the result, `notes` what was left out."""

    def __init__(self, file: str, root: Node, matrix: Matrix, size: tuple[float, float]) -> None:
        self.file = file
        self.root = root
        self.things: list[Thing] = []
        self.errors: list[Problem] = []
        self._left: Counter[str] = Counter()
        self._first: dict[str, int] = {}
        self._warned: dict[str, int] = {}
        self._by_id: dict[str, Node] = {}
        self._sheet = StyleSheet()
        self._start = _State(matrix=matrix, style={}, size=size)
        self._visited = self._read = 0
        self._words: dict[int, int] = {}
        self._index(root)

    def _index(self, node: Node) -> None:
        stack = [node]
        while stack:
            each = stack.pop()
            if each.attributes.get("id"):
                self._by_id.setdefault(each.attributes["id"], each)
            if each.tag == "style" and each.text:
                self._sheet.add(each.text)
            stack.extend(each.children)

    def walk(self) -> None:
        """Fill `things` and `errors`."""
        style = style_of("svg", self.root.attributes, {}, self._sheet)
        if style.get("display") == "none":
            return
        state = replace(self._start, style=style, matrix=self._transformed(self.root, self._start.matrix))
        for child in self.root.children:
            self._node(child, state)

    def notes(self) -> list[Problem]:
        """Return what was left out and what is doubtful."""
        found = [
            Problem(
                what=f"{count} {what}(s) left out: only shapes are read",
                mend="Convert text to paths if it shall be paste." if what == "text" else "",
                severity=Severity.NOTE,
                file=self.file,
                line=self._first[what],
            )
            for what, count in self._left.items()
        ]
        found.extend(
            Problem(what=what, severity=Severity.WARNING, file=self.file, line=line)
            for what, line in self._warned.items()
        )
        if self._sheet.strange:
            what = f"style rules for {', '.join(self._sheet.strange[:3])} are not followed"
            mend = "Simple selectors are: element, .class, #id. Export with presentation attributes."
            found.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=self.file))
        return found

    # ---- elements

    def _node(self, node: Node, before: _State) -> None:
        self._visited += 1
        if self._visited > MOST_THINGS:
            raise one_error(
                f"draws more than {MOST_THINGS} elements once uses are followed",
                "Leave out what is no paste.",
                file=self.file,
                line=node.line,
            )
        if node.tag in _NOTED:
            self._note(_NOTED[node.tag], node)
            return
        if node.tag not in SHAPES and node.tag not in _CONTAINERS and node.tag != "use":
            return
        style = style_of(node.tag, node.attributes, before.style, self._sheet)
        if style.get("display") == "none" or style.get("opacity") in ("0", "0.0", "0%"):
            return
        try:
            state = replace(
                before,
                style=style,
                matrix=self._transformed(node, before.matrix),
                layer=layer_of(node, before.layer),
                names=names_of(node, before.names),
            )
            state = self._clipped(node, state)
            if node.tag in SHAPES:
                self._shape(node, state)
            elif node.tag == "use":
                self._use(node, state)
            elif node.tag == "svg":
                self._inside(
                    node, state, width=node.attributes.get("width"), height=node.attributes.get("height")
                )
            else:
                children = node.children[:1] if node.tag == "switch" else node.children
                for child in children:
                    self._node(child, state)
        except (NotSvgError, TangledError) as error:
            if len(self.errors) < MOST_ERRORS:
                what = f"<{node.tag}>: {error}"
                mend = "Export the drawing again; a shape that is half read would be wrong paste."
                self.errors.append(Problem(what=what, mend=mend, file=self.file, line=node.line))

    def _transformed(self, node: Node, matrix: Matrix) -> Matrix:
        text = node.attributes.get("transform", "")
        return times(matrix, transform(text)) if text.strip() else matrix

    def _note(self, what: str, node: Node) -> None:
        self._left[what] += 1
        self._first.setdefault(what, node.line)

    def _warn(self, what: str, node: Node) -> None:
        self._warned.setdefault(what, node.line)

    def _use(self, node: Node, state: _State) -> None:
        href = node.attributes.get("href", "").strip()
        if not href.startswith("#"):
            self._warn("a use element refers outside the file: it is not followed", node)
            return
        name = href[1:]
        target = self._by_id.get(name)
        if target is None:
            raise NotSvgError(f"it uses {href}, which is not in the file")
        if name in state.uses:
            raise InputError(
                [
                    Problem(
                        what=f"<use>: {href} uses itself",
                        mend="Take the loop out of the drawing.",
                        file=self.file,
                        line=node.line,
                    )
                ]
            )
        x = length(node.attributes.get("x", "0"), whole=state.size[0])
        y = length(node.attributes.get("y", "0"), whole=state.size[1])
        moved = replace(
            state,
            matrix=times(state.matrix, (1.0, 0.0, 0.0, 1.0, x, y)),
            uses=(*state.uses, name),
        )
        if target.tag in ("symbol", "svg"):
            style = style_of(target.tag, target.attributes, state.style, self._sheet)
            if style.get("display") == "none":
                return
            moved = replace(moved, style=style, matrix=self._transformed(target, moved.matrix))
            width = node.attributes.get(
                "width", target.attributes.get("width") if target.tag == "svg" else None
            )
            height = node.attributes.get(
                "height", target.attributes.get("height") if target.tag == "svg" else None
            )
            self._inside(target, moved, width=width, height=height)
        else:
            self._node(target, moved)

    def _inside(self, node: Node, state: _State, *, width: str | None, height: str | None) -> None:
        """Walk an inner viewport: an <svg>, or a <symbol> that is used."""
        w = length(width, whole=state.size[0]) if width not in (None, "", "auto") else state.size[0]
        h = length(height, whole=state.size[1]) if height not in (None, "", "auto") else state.size[1]
        if w <= 0 or h <= 0:
            return
        matrix, size = state.matrix, (w, h)
        if node.tag == "svg":
            x = length(node.attributes.get("x", "0"), whole=state.size[0])
            y = length(node.attributes.get("y", "0"), whole=state.size[1])
            matrix = times(matrix, (1.0, 0.0, 0.0, 1.0, x, y))
        if node.attributes.get("viewBox", "").strip():
            box = view_box(node.attributes["viewBox"])
            if box is None:
                return
            matrix = times(matrix, fitted(box, w, h, node.attributes.get("preserveAspectRatio", "")))
            size = (box[2], box[3])
        for child in node.children:
            self._node(child, replace(state, matrix=matrix, size=size))

    # ---- shapes

    def _runs(self, node: Node, state: _State, flat_mm: float = FLAT_MM) -> list[PathRun]:
        scale = scale_of(state.matrix)
        if scale == 0:
            return []
        text = node.attributes.get("d", "") + node.attributes.get("points", "")
        if text and id(node) not in self._words:
            self._words[id(node)] = len(_WORD.findall(text))
        self._read += self._words.get(id(node), 0)
        if self._read > MOST_WORDS:
            raise one_error(
                f"holds over {MOST_WORDS} letters and numbers of path data once uses are followed",
                "Leave out what is no paste.",
                file=self.file,
                line=node.line,
            )
        wide, high = state.size
        diagonal = hypot(wide, high) / sqrt(2)

        def number(name: str) -> float:
            text = node.attributes.get(name, "").strip()
            if not text or text == "auto":
                return 0.0
            whole = wide if name in ("x", "cx", "x1", "x2", "width", "rx") else high
            return length(text, whole=diagonal if name == "r" else whole)

        runs = runs_of(node.tag, node.attributes, number, flat_mm / scale)
        return [replace(run, points=_mapped(run.points, state.matrix)) for run in runs]

    def _shape(self, node: Node, state: _State) -> None:
        style = state.style
        if style.get("visibility", "visible") in ("hidden", "collapse"):
            return
        filled = is_painted(style, "fill") and node.tag != "line"
        width_mm = self._stroke_mm(state) if is_painted(style, "stroke") else 0.0
        if not filled and width_mm <= 0:
            return
        runs = self._runs(node, state)
        source = Source(file=self.file, line=node.line)
        ref, pin, net = state.names
        volume_ul = volume_of(node)
        common = {"source": source, "layer": state.layer, "ref": ref, "pin": pin, "net": net}
        area = (
            filled_area([run.points for run in runs], even_odd=style.get("fill-rule") == "evenodd")
            if filled
            else Polygon()
        )
        if area.area > LEAST_AREA_MM2:
            if is_white(style):
                self._warn("white shapes are taken as shapes like all others", node)
            if width_mm > 0:
                area = area_of(shapely.union_all([area, *(_stroked(run, width_mm, style) for run in runs)]))
            area = _within(area, state.clip)
            if area.area > LEAST_AREA_MM2:
                self.things.append(Thing(area=area, volume_ul=volume_ul, **common))  # type: ignore[arg-type]
            return
        if width_mm <= 0:
            return
        if width_mm < HAIRLINE_MM:
            width_mm = 0.0  # an outline may be a hairline; as paste it has no area and is left out
            self._warn(f"lines under {HAIRLINE_MM} mm wide are no paste", node)
        if style.get("stroke-dasharray", "none") not in ("none", "0"):
            self._warn("dashed lines are taken as whole ones", node)
        for run in runs:
            self._line(run, width_mm, state, common, volume_ul)

    def _line(
        self,
        run: PathRun,
        width_mm: float,
        state: _State,
        common: Mapping[str, object],
        volume_ul: float | None,
    ) -> None:
        points = np.vstack((run.points, run.points[:1])) if run.closed else run.points
        if float(np.ptp(points, axis=0).max()) < 1e-6:
            # A line of no length with round ends is how programs draw a dot.
            if state.style.get("stroke-linecap") == "round" and width_mm > 0:
                dot = circle(width_mm / 2, *points[0].tolist())
                self.things.append(Thing(area=dot, volume_ul=volume_ul, **common))  # type: ignore[arg-type]
            return
        line = LineString(points).simplify(BEAD_FLAT_MM)
        path = tuple((float(x), float(y)) for x, y in line.coords)
        area = stroke_area(path, width_mm) if width_mm > 0 else Polygon()
        if state.clip is not None and not shapely.covers(state.clip, line):
            self._warned.setdefault("lines are not cut by clip paths: they are beads as drawn", 0)
        self.things.append(
            Thing(area=area, path_mm=path, width_mm=width_mm, volume_ul=volume_ul, **common)  # type: ignore[arg-type]
        )

    def _stroke_mm(self, state: _State) -> float:
        wide, high = state.size
        whole = hypot(wide, high) / sqrt(2)
        width = length(state.style.get("stroke-width", "1"), whole=whole)
        if state.style.get("vector-effect") == "non-scaling-stroke":
            return width * scale_of(self._start.matrix)
        return width * scale_of(state.matrix)

    def _clipped(self, node: Node, state: _State) -> _State:
        """Return the state with the element's clip path taken into account; masks and filters are noted."""
        for name in ("mask", "filter"):
            if state.style.get(name, "none") != "none":
                self._warn(f"a {name} is not applied: the whole shape is taken", node)
        text = state.style.get("clip-path", "none")
        if text == "none":
            return state
        name = text.removeprefix("url(").removesuffix(")").strip("\"' ").removeprefix("#")
        target = self._by_id.get(name)
        if target is None or target.tag != "clipPath":
            self._warn("a clip path is not in the file: it is not applied", node)
            return state
        if target.attributes.get("clipPathUnits") == "objectBoundingBox":
            self._warn("a clip path in box units is not applied: the whole shape is taken", node)
            return state
        matrix = self._transformed(target, state.matrix)
        areas = []
        for child in target.children:
            if child.tag not in SHAPES:
                continue
            style = style_of(child.tag, child.attributes, {}, self._sheet)
            inner = replace(state, style=style, matrix=self._transformed(child, matrix))
            rings = [run.points for run in self._runs(child, inner)]
            areas.append(filled_area(rings, even_odd=style.get("clip-rule") == "evenodd"))
        area = area_of(shapely.union_all(areas)) if areas else Polygon()
        return replace(state, clip=area if state.clip is None else _within(area, state.clip))


def _mapped(points: Points, matrix: Matrix) -> Points:
    a, b, c, d, e, f = matrix
    return np.asarray(points @ np.array([[a, b], [c, d]]) + np.array((e, f)))


def _within(area: Area, clip: Area | None) -> Area:
    return area if clip is None else area_of(shapely.intersection(area, clip))


def _stroked(run: PathRun, width_mm: float, style: Mapping[str, str]) -> Area:
    points = np.vstack((run.points, run.points[:1])) if run.closed else run.points
    if len(points) < 2:
        return Polygon()
    join = _JOIN.get(style.get("stroke-linejoin", "miter"), JOIN_STYLE.mitre)
    line = shapely.LinearRing(points) if run.closed and len(points) > 3 else LineString(points)
    cap = _CAP.get(style.get("stroke-linecap", "butt"), CAP_STYLE.flat)
    return area_of(line.buffer(width_mm / 2, join_style=join, cap_style=cap, mitre_limit=4.0, quad_segs=24))

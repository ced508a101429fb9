"""A DXF drawing to a `Artwork`: closed polylines, circles, hatches and blocks on chosen layers, through ezdxf.

Closed contours are filled and become pads; contours of loose lines and arcs are joined; open polylines with a
width become beads. Hatches keep their holes, other contours do not cut each other. The unit is $INSUNITS or
--units, never a guess. Frozen and switched-off layers, paper space and text are left out with a note.
"""

import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from math import hypot, isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from pastewright.board.artwork import Artwork
from pastewright.board.ask import Ask
from pastewright.board.drawn.sketch_artwork import artwork_of_sketch
from pastewright.board.drawn.things import MOST_THINGS, Sketch, Thing, stroke_area
from pastewright.board.model import Area, Source
from pastewright.board.shapes.curves import circle
from pastewright.board.shapes.islands import LEAST_AREA_MM2, one_area, polygons, shape_array
from pastewright.board.shapes.rings import FLAT_MM, Points, TangledError, check_tangle, filled_area
from pastewright.board.source.files import SourceFile
from pastewright.board.source.units import NAMES, unit_mm
from pastewright.problems import InputError, Problem, Severity, one_error

if TYPE_CHECKING:
    from ezdxf.document import Drawing as DxfDocument

WHAT = "DXF drawing"
MOST_BYTES = 64 * 2**20
"""Ten times the largest board drawings (from memory); the library holds a file as objects many times its size."""
MOST_DEPTH = 16
"""Blocks within blocks; drawings of boards nest two or three deep (common practice)."""
FURTHEST_MM = 100_000.0
"""Beyond 100 m no corner belongs to a board, and curves so large would be cut into millions of chords."""
# Ends of loose lines nearer than this are one corner: more than rounding, less than any pad's detail.
JOIN_MM = 0.005
BEAD_FLAT_MM = 0.01
"""Centre lines of beads are thinned to this: a tenth of what a gantry places to."""
# A wide ring that leaves less than this part open in its middle is a disc; chords leave a speck.
OPEN_PART = 0.01
# $INSUNITS, DXF reference, header section: codes of the units a board could be drawn in.
_INSUNITS_MM = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 8: 25.4e-6, 9: 0.0254, 13: 0.001}
_LINES = frozenset({"LINE", "ARC", "SPLINE", "ELLIPSE"})
_POLYLINES = frozenset({"LWPOLYLINE", "POLYLINE"})
_FILLED = frozenset({"HATCH", "MPOLYGON"})
_CORNERED = frozenset({"SOLID", "TRACE", "3DFACE"})


def read_dxf(file: SourceFile, ask: Ask) -> Artwork:
    """Return one side of what a DXF draws; raises `InputError` when it cannot be read."""
    return artwork_of_sketch(dxf_drawing(file, units=ask.units), ask)


def dxf_drawing(file: SourceFile, *, units: str = "") -> Sketch:
    """Return the shapes of a DXF's model space [mm]; `units` speaks where $INSUNITS does not."""
    if len(file.data) > MOST_BYTES:
        what = f"is {len(file.data) / 2**20:.0f} MB; a DXF may have {MOST_BYTES // 2**20} MB"
        raise one_error(what, "Leave out what is no paste.", file=file.name)
    if file.data.startswith(b"AutoCAD Binary DXF"):
        raise one_error("is a binary DXF", "Save it as text (ASCII) DXF.", file=file.name)
    problems: list[Problem] = []
    document = _document(file)
    factor = _factor(file, document, units, problems)
    reader = _Entities(file.name, document, factor)
    reader.read()
    return Sketch(
        file=file.name, what=WHAT, things=tuple(reader.things), problems=(*problems, *reader.notes())
    )


def _document(file: SourceFile) -> "DxfDocument":
    from ezdxf import recover

    try:
        document, _auditor = recover.read(io.BytesIO(file.data))
    # A damaged file makes the library fail in a dozen ways; whatever it was, the file is what is wrong.
    except Exception as error:
        words = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise one_error(
            f"cannot be read as DXF: {words}", "Save it again as text DXF, R2000 or later.", file=file.name
        ) from None
    return document


def _factor(file: SourceFile, document: "DxfDocument", units: str, problems: list[Problem]) -> float:
    """Return mm per drawing unit. The library fills in a default, so the file itself is asked."""
    stated = None
    found = re.search(rb"\$INSUNITS\s+70\s+([0-9]+)", file.data[: 2**20])
    if found:
        stated = _INSUNITS_MM.get(int(found[1][:6]))
    if units:
        factor = unit_mm(units, file.name)
        if stated is not None and stated != factor:
            what = (
                f"$INSUNITS says {stated:g} mm per unit, --units {units} says {factor:g}: the option is taken"
            )
            problems.append(Problem(what=what, severity=Severity.WARNING, file=file.name))
        return factor
    if stated is None:
        code = f"$INSUNITS is {int(found[1][:6])}" if found else "it has no $INSUNITS"
        raise one_error(
            f"nothing says which unit the drawing is in: {code}",
            f"Set its units in the drawing program, or say --units; units are {', '.join(NAMES)}.",
            file=file.name,
        )
    return stated


class _Entities:
    """Reads the model space; `things` is the result."""

    def __init__(self, file: str, document: "DxfDocument", factor: float) -> None:
        self.file = file
        self.document = document
        self.factor = factor
        self.things: list[Thing] = []
        self._loose: dict[str, list[tuple[LineString, Source]]] = {}
        self._left: Counter[str] = Counter()
        self._off = {
            layer.dxf.name.lower() for layer in document.layers if layer.is_off() or layer.is_frozen()
        }
        self._open = 0
        self._uneven = 0
        self._seen = 0

    def read(self) -> None:
        for entity, layer in self._entities(self.document.modelspace(), "0", ()):
            try:
                self._entity(entity, layer)
            except InputError:
                raise
            # See _document: values that make no sense show only when a shape is made of them.
            except Exception as error:
                raise one_error(
                    f"a {entity.dxftype()} on layer {layer!r} cannot be read: {str(error)[:100]}",
                    "Draw it again, or take it out.",
                    file=self.file,
                ) from None
        self._join_loose()

    def _entities(self, space: Any, layer: str, blocks: tuple[str, ...]) -> Iterator[tuple[Any, str]]:
        """Yield every entity with its layer, those of blocks put in place; layer 0 of a block is the insert's."""
        for entity in space:
            self._seen += 1
            if self._seen > MOST_THINGS:
                raise one_error(
                    f"holds more than {MOST_THINGS} entities once blocks are put in place",
                    "Leave out layers that are no paste.",
                    file=self.file,
                )
            own = str(entity.dxf.get("layer", "0"))
            if blocks and own == "0":
                own = layer
            if own.lower() in self._off:
                self._left["entity on a layer that is off or frozen"] += 1
                continue
            if entity.dxftype() != "INSERT":
                yield entity, own
                continue
            name = str(entity.dxf.get("name", ""))
            if name in blocks or len(blocks) >= MOST_DEPTH:
                raise one_error(
                    f"the block {name!r} holds itself", "Take the loop out of the drawing.", file=self.file
                )
            if entity.mcount > MOST_THINGS:
                raise one_error(
                    f"the block {name!r} is put in place {entity.mcount} times; the limit is {MOST_THINGS}",
                    "Take the array apart, or leave it out.",
                    file=self.file,
                )
            for insert in entity.multi_insert() if entity.mcount > 1 else (entity,):
                yield from self._entities(insert.virtual_entities(), own, (*blocks, name))

    def _entity(self, entity: Any, layer: str) -> None:
        kind = entity.dxftype()
        if kind in _POLYLINES:
            self._polyline(entity, layer)
        elif kind == "CIRCLE":
            self._circle(entity, layer)
        elif kind in _LINES:
            self._line(entity, layer)
        elif kind in _FILLED:
            self._hatch(entity, layer)
        elif kind in _CORNERED:
            corners = np.array([[v.x, v.y] for v in entity.wcs_vertices()]) * self.factor
            self._fill([corners], entity, layer)
        elif kind not in ("VIEWPORT", "ATTDEF", "ATTRIB", "SEQEND"):
            self._left[kind] += 1

    def _source(self, entity: Any) -> Source:
        # Entities have handles, not lines; within blocks not even that.
        return Source(file=self.file)

    def _points(self, entity: Any) -> Points:
        from ezdxf.path import make_path

        path = make_path(entity)
        return self._flat(path)

    def _flat(self, path: Any) -> Points:
        # A curve as large as a house would be cut into millions of chords.
        if any(max(abs(v.x), abs(v.y)) * self.factor > FURTHEST_MM for v in path.control_vertices()):
            raise ValueError(f"a corner lies over {FURTHEST_MM / 1000:g} m away")
        points = np.array([(v.x, v.y) for v in path.flattening(FLAT_MM / self.factor)], dtype=np.float64)
        if not len(points):
            return np.empty((0, 2))
        if not np.isfinite(points).all() or np.abs(points).max() > 1e9:
            raise ValueError("a coordinate is out of range")
        return np.asarray(points * self.factor)

    def _polyline(self, entity: Any, layer: str) -> None:
        if entity.dxftype() == "POLYLINE" and not (entity.is_2d_polyline or entity.is_3d_polyline):
            self._left["mesh"] += 1
            return
        points = self._points(entity)
        width_mm = self._width(entity)
        closed = entity.is_closed if entity.dxftype() == "POLYLINE" else bool(entity.closed)
        if len(points) > 2 and hypot(*(points[0] - points[-1])) < 1e-6:
            closed = True
        if len(points) < 2:
            return
        if closed and width_mm <= 0:
            self._fill([points], entity, layer)
            return
        line = LineString(np.vstack((points, points[:1])) if closed else points)
        if width_mm <= 0:
            self._loose.setdefault(layer, []).append((line, self._source(entity)))
            return
        path = tuple((float(x), float(y)) for x, y in line.simplify(BEAD_FLAT_MM).coords)
        area = stroke_area(path, width_mm)
        filled = polygons(stroke_area(tuple((float(x), float(y)) for x, y in line.coords), width_mm))
        open_mm2 = sum(Polygon(ring).area for part in filled for ring in part.interiors)
        if closed and len(filled) == 1 and open_mm2 < OPEN_PART * filled[0].area:
            # A ring so wide that nothing is left open within: how CAD programs draw a filled disc.
            disc = Polygon(filled[0].exterior)
            self._add(Thing(area=disc, source=self._source(entity), layer=layer))
            return
        self._add(Thing(area=area, path_mm=path, width_mm=width_mm, source=self._source(entity), layer=layer))

    def _width(self, entity: Any) -> float:
        """Return the width of a polyline [mm], the largest where it changes."""
        if entity.dxftype() == "LWPOLYLINE":
            constant = float(entity.dxf.get("const_width", 0.0))
            widths = [float(value) for point in entity.get_points("se") for value in point]
            if constant > 0 and not any(widths):
                widths = [constant]
        else:
            default = [float(entity.dxf.get(f"default_{end}_width", 0.0)) for end in ("start", "end")]
            widths = default + [
                float(vertex.dxf.get(name, 0.0))
                for vertex in entity.vertices
                for name in ("start_width", "end_width")
            ]
        largest = max(widths, default=0.0)
        if not isfinite(largest) or largest < 0:
            raise ValueError("its width is no length")
        if largest > 0 and any(0 < width < largest for width in widths):
            self._uneven += 1
        return largest * self.factor

    def _circle(self, entity: Any, layer: str) -> None:
        center = entity.ocs().to_wcs(entity.dxf.center)
        radius = abs(float(entity.dxf.radius)) * self.factor
        if not all(isfinite(v) and abs(v) < 1e9 for v in (center.x, center.y, radius)):
            raise ValueError("a coordinate is out of range")
        disc = circle(radius, center.x * self.factor, center.y * self.factor)
        if disc.area > LEAST_AREA_MM2:
            self._add(Thing(area=disc, source=self._source(entity), layer=layer))

    def _line(self, entity: Any, layer: str) -> None:
        points = self._points(entity)
        if len(points) < 2:
            return
        if len(points) > 3 and hypot(*(points[0] - points[-1])) < 1e-6:
            self._fill([points], entity, layer)
        elif float(np.ptp(points, axis=0).max()) > 1e-6:
            self._loose.setdefault(layer, []).append((LineString(points), self._source(entity)))

    def _hatch(self, entity: Any, layer: str) -> None:
        from ezdxf.path import from_hatch

        rings = [self._flat(path) for path in from_hatch(entity)]
        self._fill([ring for ring in rings if len(ring) > 2], entity, layer)

    def _fill(self, rings: Sequence[Points], entity: Any, layer: str) -> None:
        area = filled_area(rings, even_odd=True)
        if area.area > LEAST_AREA_MM2:
            self._add(Thing(area=area, source=self._source(entity), layer=layer))

    def _add(self, thing: Thing) -> None:
        self.things.append(thing)

    def _join_loose(self) -> None:
        """Fill the contours that loose lines and arcs close; an outline layer takes the lines as they are."""
        for layer, lines in self._loose.items():
            try:
                check_tangle([line for line, _ in lines])
            except TangledError as error:
                raise one_error(
                    f"layer {layer!r}: {error}", "Leave out layers that are no paste.", file=self.file
                ) from None
            shapes = shape_array([line for line, _ in lines])
            noded = shapely.union_all(shapely.set_precision(shapes, JOIN_MM))
            faces = polygons(shapely.polygonize(shapely.get_parts(noded)))
            source = lines[0][1]
            outer = polygons(shapely.union_all(shape_array([Polygon(face.exterior) for face in faces])))
            kept: Area = one_area(outer) if outer else Polygon()
            band = shapely.buffer(kept, 2 * JOIN_MM)
            loose = [line for line, _ in lines if not shapely.covers(band, line)]
            self._open += len(loose)
            self.things.extend(Thing(area=part, source=source, layer=layer) for part in outer)
            # Lines without a width have no area: they matter only to an outline, which closes small gaps.
            self.things.extend(
                Thing(
                    area=Polygon(),
                    path_mm=tuple((float(x), float(y)) for x, y in line.coords),
                    source=source,
                    layer=layer,
                )
                for line in loose
            )

    def notes(self) -> list[Problem]:
        found = [
            Problem(
                what=f"{count} {kind} left out: only shapes are read", severity=Severity.NOTE, file=self.file
            )
            for kind, count in self._left.items()
        ]
        if self._open:
            what = f"{self._open} open line(s) without a width are no paste"
            mend = "Close their contour, or give a polyline the width of the bead it shall become."
            found.append(Problem(what=what, mend=mend, severity=Severity.NOTE, file=self.file))
        if self._uneven:
            what = f"{self._uneven} polyline(s) change their width: the largest is taken"
            found.append(Problem(what=what, severity=Severity.WARNING, file=self.file))
        return found

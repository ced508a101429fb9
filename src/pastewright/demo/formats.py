"""The demo board in the other formats that a design comes in: SVG, DXF, a table, IPC-2581, and a centroid file.

All hold the same paste openings, outline and fiducials as the Gerber files (`board`), so that every reader can be
measured against them. Each is written by hand or by a library of its own, never by the reader's code.

Longer than 400 lines because five small writers, none of which is worth a module.
"""

import io
import math
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path as FilePath

from pastewright.decimals import short
from pastewright.demo.board import holes, write_demo
from pastewright.demo.drawing import (
    Drawing,
    Edge,
    Flash,
    Path,
    Point,
    Thing,
    copper,
    mask,
    pad_thing,
    profile,
)
from pastewright.demo.gerber_text import ORIGIN_MM
from pastewright.demo.layout import PADS, PARTS, SIZE_MM, DemoPad
from pastewright.demo.patterns import Use

FIDUCIALS = (Use.FIDUCIAL_GLOBAL, Use.FIDUCIAL_LOCAL)
SIDES = (False, True)


_n = partial(short, digits=6)  # a nanometre: the doses of all formats agree


def openings(pad: DemoPad) -> tuple[Thing, ...]:
    """Return the paste openings of a pad [mm, board]."""
    if pad.land.same_paste:
        return (pad_thing(pad),)
    return tuple(Flash(x=pane.x, y=pane.y, w=pane.w, h=pane.h, corner=pane.corner) for pane in pad.panes)


def _pasted(bottom: bool) -> Iterator[tuple[DemoPad, Thing]]:
    for pad in PADS:
        if pad.bottom == bottom:
            for thing in openings(pad):
                yield pad, thing


def _fiducials(bottom: bool) -> Iterator[DemoPad]:
    return (pad for pad in PADS if pad.land.use in FIDUCIALS and pad.bottom == bottom)


def _arc(start: Point, edge: Edge) -> tuple[float, float]:
    """Return radius [mm] and sweep [rad, left positive] of an arc edge."""
    assert edge.centre is not None
    (cx, cy), (ex, ey) = edge.centre, edge.end
    sweep = math.atan2(ey - cy, ex - cx) - math.atan2(start[1] - cy, start[0] - cx)
    sweep = sweep % (2 * math.pi) if edge.left else -((-sweep) % (2 * math.pi))
    return math.hypot(start[0] - cx, start[1] - cy), sweep


# ---- SVG


def svg_text() -> str:
    """Return one SVG in mm with layers for both sides; y runs down, and x as seen from the top."""
    width, height = SIZE_MM
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<svg xmlns="http://www.w3.org/2000/svg"',
        f'     width="{_n(width)}mm" height="{_n(height)}mm" viewBox="0 0 {_n(width)} {_n(height)}">',
        "<style>.edge{fill:none;stroke:#000;stroke-width:0.1}</style>",
        _svg_layer("outline"),
        *(
            f'<path class="edge" d="{_svg_path(thing)}"/>'
            for thing in profile().things
            if isinstance(thing, Path)
        ),
        "</g>",
    ]
    lines.append(_svg_layer("plated holes"))
    for x, y, size, to in holes(plated=True):
        if to is None:
            lines.append(f'<circle cx="{_n(x)}" cy="{_n(height - y)}" r="{_n(size / 2)}"/>')
        else:
            line = f'x1="{_n(x)}" y1="{_n(height - y)}" x2="{_n(to[0])}" y2="{_n(height - to[1])}"'
            lines.append(f'<line {line} stroke="#000" stroke-width="{_n(size)}" stroke-linecap="round"/>')
    lines.append("</g>")
    for bottom, side in zip(SIDES, ("top", "bottom"), strict=True):
        lines.append(_svg_layer(f"{side} paste"))
        for pad, thing in _pasted(bottom):
            names = f'data-ref="{pad.ref}" data-pin="{pad.pin}" data-net="{pad.net}"'
            lines.append(_svg_shape(thing, names))
        lines += ["</g>", _svg_layer(f"{side} fiducials")]
        lines += [
            f'<circle cx="{_n(pad.x)}" cy="{_n(height - pad.y)}" r="{_n(pad.land.w / 2)}"/>'
            for pad in _fiducials(bottom)
        ]
        lines.append("</g>")
    return "\n".join([*lines, "</svg>", ""])


def _svg_layer(words: str) -> str:
    """Return the opening of a layer: a group whose id says what it is, and a title for the eye."""
    return f'<g id="{words.replace(" ", "-")}"><title>{words}</title>'


def _svg_shape(thing: Thing, names: str) -> str:
    if isinstance(thing, Path):
        return f'<path {names} d="{_svg_path(thing)}"/>'
    y = SIZE_MM[1] - thing.y
    if thing.corner * 2 >= max(thing.w, thing.h):
        return f'<circle {names} cx="{_n(thing.x)}" cy="{_n(y)}" r="{_n(thing.w / 2)}"/>'
    return (
        f'<rect {names} x="{_n(thing.x - thing.w / 2)}" y="{_n(y - thing.h / 2)}" width="{_n(thing.w)}"'
        f' height="{_n(thing.h)}" rx="{_n(thing.corner)}"/>'
    )


def _svg_path(path: Path) -> str:
    height = SIZE_MM[1]
    words = [f"M{_n(path.start[0])} {_n(height - path.start[1])}"]
    here = path.start
    for edge in path.edges:
        x, y = _n(edge.end[0]), _n(height - edge.end[1])
        if edge.centre is None:
            words.append(f"L{x} {y}")
        else:
            radius, sweep = _arc(here, edge)
            # y runs down here, so a left turn is the negative direction.
            words.append(f"A{_n(radius)} {_n(radius)} 0 {int(abs(sweep) > math.pi)} {int(sweep < 0)} {x} {y}")
        here = edge.end
    return "".join(words) + "Z"


# ---- a table


def table_text() -> str:
    """Return a semicolon table with decimal commas, both sides, in mm from the lower left corner.

    Shapes that a table cannot tell stand as rectangles of the same area about the same centre.
    """
    rows = ["side;ref;pin;net;x (mm);y (mm);width;height;corner radius;rotation;hole;shape"]

    def row(
        pad: DemoPad, place: Point, size: Point, corner: float, turn: float, shape: str, *, bottom: bool
    ) -> None:
        hole = pad.land.hole if pad.through and not pad.land.slot else 0.0
        cells = [*place, *size, corner, turn, hole]
        numbers = ";".join(_n(value).replace(".", ",") for value in cells)
        rows.append(f"{'bottom' if bottom else 'top'};{pad.ref};{pad.pin};{pad.net};{numbers};{shape}")

    for bottom in SIDES:
        for pad, thing in _pasted(bottom):
            if isinstance(thing, Flash):
                round_ = thing.corner * 2 >= max(thing.w, thing.h)
                shape = "round" if round_ else "rounded"
                row(pad, (thing.x, thing.y), (thing.w, thing.h), thing.corner, 0.0, shape, bottom=bottom)
            else:
                area, x, y = _measured(thing)
                size = (area / pad.land.h, pad.land.h)
                row(pad, (x, y), size, 0.0, pad.turn_deg, "rect", bottom=bottom)
        for pad in _fiducials(bottom):
            row(pad, (pad.x, pad.y), (pad.land.w, pad.land.w), 0.0, 0.0, "fiducial", bottom=bottom)
    return "\n".join([*rows, ""])


def _measured(path: Path) -> tuple[float, float, float]:
    """Return area [mm²] and centroid [mm] of a contour, arcs as 64 chords."""
    points = [path.start]
    for edge in path.edges:
        here = points[-1]
        if edge.centre is not None:
            radius, sweep = _arc(here, edge)
            start = math.atan2(here[1] - edge.centre[1], here[0] - edge.centre[0])
            points += [
                (
                    edge.centre[0] + radius * math.cos(start + sweep * k / 64),
                    edge.centre[1] + radius * math.sin(start + sweep * k / 64),
                )
                for k in range(1, 64)
            ]
        points.append(edge.end)
    area = cx = cy = 0.0
    for (ax, ay), (bx, by) in zip(points, [*points[1:], points[0]], strict=True):
        cross = ax * by - bx * ay
        area += cross / 2
        cx += (ax + bx) * cross / 6
        cy += (ay + by) * cross / 6
    return abs(area), cx / area, cy / area


# ---- DXF


def dxf_bytes() -> bytes:
    """Return a DXF in mm: one block per shape, put in place by inserts; odd shapes as polylines with bulges."""
    from ezdxf import options  # type: ignore[attr-defined]
    from ezdxf.filemanagement import new
    from ezdxf.units import MM

    fixed = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        document = new("R2000", units=MM)
        space = document.modelspace()

        def polyline(where, path: Path, layer: str) -> None:  # type: ignore[no-untyped-def]
            here, points = path.start, []
            for edge in path.edges:
                bulge = math.tan(_arc(here, edge)[1] / 4) if edge.centre is not None else 0.0
                points.append((here[0], here[1], bulge))
                here = edge.end
            where.add_lwpolyline(points, format="xyb", close=True, dxfattribs={"layer": layer})

        for thing in profile().things:
            if isinstance(thing, Path):
                polyline(space, thing, "BOARD_OUTLINE")
        for x, y, size, to in holes(plated=True):
            if to is None:
                space.add_circle((x, y), size / 2, dxfattribs={"layer": "PLATED_HOLES"})
            else:
                space.add_lwpolyline([(x, y), to], dxfattribs={"layer": "PLATED_HOLES", "const_width": size})
        for bottom, side in zip(SIDES, ("TOP", "BOTTOM"), strict=True):
            for _pad, thing in _pasted(bottom):
                layer = f"{side}_PASTE"
                if isinstance(thing, Path):
                    polyline(space, thing, layer)
                    continue
                name = f"R_{_n(thing.w)}_{_n(thing.h)}_{_n(thing.corner)}".replace(".", "-")
                if name not in document.blocks:
                    block = document.blocks.new(name)
                    polyline(block, _flash_path(thing), "0")
                space.add_blockref(name, (thing.x, thing.y), dxfattribs={"layer": layer})
            for pad in _fiducials(bottom):
                space.add_circle((pad.x, pad.y), pad.land.w / 2, dxfattribs={"layer": f"{side}_FIDUCIALS"})
        stream = io.StringIO()
        document.write(stream)
    finally:
        options.write_fixed_meta_data_for_testing = fixed
    return stream.getvalue().encode("utf-8")


def _flash_path(flash: Flash) -> Path:
    """Return the contour of a flash about the origin."""
    x, y, r = flash.w / 2, flash.h / 2, flash.corner
    if r == 0:
        corners = ((x, -y), (x, y), (-x, y), (-x, -y))
        return Path(start=(-x, -y), edges=tuple(Edge(end=corner) for corner in corners))
    edges = [
        Edge(end=(x - r, -y)),
        Edge(end=(x, r - y), centre=(x - r, r - y)),
        Edge(end=(x, y - r)),
        Edge(end=(x - r, y), centre=(x - r, y - r)),
        Edge(end=(r - x, y)),
        Edge(end=(-x, y - r), centre=(r - x, y - r)),
        Edge(end=(-x, r - y)),
        Edge(end=(r - x, -y), centre=(r - x, r - y)),
    ]
    here, kept = (r - x, -y), []
    for edge in edges:
        if math.dist(here, edge.end) > 1e-9:
            kept.append(edge)
        here = edge.end
    return Path(start=(r - x, -y), edges=tuple(kept))


# ---- IPC-2581

_IPC_LAYERS: tuple[tuple[str, str, str, Callable[[], Drawing]], ...] = (
    ("TOP_PASTE", "SOLDERPASTE", "TOP", lambda: _paste_drawing(bottom=False)),
    ("TOP_MASK", "SOLDERMASK", "TOP", lambda: mask(bottom=False)),
    ("TOP_COPPER", "CONDUCTOR", "TOP", lambda: copper(bottom=False)),
    ("BOTTOM_COPPER", "CONDUCTOR", "BOTTOM", lambda: copper(bottom=True)),
    ("BOTTOM_MASK", "SOLDERMASK", "BOTTOM", lambda: mask(bottom=True)),
    ("BOTTOM_PASTE", "SOLDERPASTE", "BOTTOM", lambda: _paste_drawing(bottom=True)),
)


def _paste_drawing(*, bottom: bool) -> Drawing:
    return Drawing(function="", things=tuple(thing for _pad, thing in _pasted(bottom)))


def ipc2581_text(revision: str = "C") -> str:
    """Return the whole board as IPC-2581: dictionaries in mm, the board itself in mm, nets and pins."""
    ids: dict[tuple[float, float, float], str] = {}
    widths: dict[float, str] = {}
    body: list[str] = []
    for name, _function, _side, draw in _IPC_LAYERS:
        body.append(f'<LayerFeature layerRef="{name}">')
        body += [_ipc_set(thing, ids, widths) for thing in draw().things]
        body.append("</LayerFeature>")
    body.append('<LayerFeature layerRef="DRILL">')
    body += _ipc_holes()
    body.append("</LayerFeature>")
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<IPC-2581 revision="{revision}" xmlns="http://webstds.ipc.org/2581">',
        '<Content roleRef="Owner"><FunctionMode mode="FABRICATION"/><StepRef name="greenhouse-logger"/>',
        '<DictionaryStandard units="MILLIMETER">',
        *(f'<EntryStandard id="{key}">{_ipc_primitive(*size)}</EntryStandard>' for size, key in ids.items()),
        "</DictionaryStandard>",
        # In inches on purpose: each dictionary has a unit of its own.
        '<DictionaryLineDesc units="INCH">',
        *(
            f'<EntryLineDesc id="{key}"><LineDesc lineEnd="ROUND" lineWidth="{width / 25.4:.9f}"/></EntryLineDesc>'
            for width, key in widths.items()
        ),
        "</DictionaryLineDesc></Content>",
        '<Ecad name="greenhouse-logger"><CadHeader units="MILLIMETER"/><CadData>',
        *(
            f'<Layer name="{name}" layerFunction="{function}" side="{side}" polarity="POSITIVE"/>'
            for name, function, side, _draw in _IPC_LAYERS
        ),
        '<Layer name="DRILL" layerFunction="DRILL" side="ALL" polarity="POSITIVE"/>',
        '<Step name="greenhouse-logger"><Datum x="0" y="0"/>',
        "<Profile>",
        *(
            _ipc_polygon(thing, "Cutout" if number else "Polygon")
            for number, thing in enumerate(thing for thing in profile().things if isinstance(thing, Path))
        ),
        "</Profile>",
        *(
            f'<Component refDes="{part.ref}" packageRef="{part.pattern.name}" layerRef="'
            f'{"BOTTOM" if part.bottom else "TOP"}_COPPER" mountType="SMT"><Xform rotation="{part.turn_deg % 360}"/>'
            f'<Location x="{_x(part.x)}" y="{_y(part.y)}"/></Component>'
            for part in PARTS
        ),
        *body,
        "</Step></CadData></Ecad></IPC-2581>",
        "",
    ]
    return "\n".join(lines)


def _x(x: float) -> str:
    return _n(x + ORIGIN_MM[0])


def _y(y: float) -> str:
    return _n(y + ORIGIN_MM[1])


def _ipc_primitive(w: float, h: float, corner: float) -> str:
    if corner * 2 >= max(w, h):
        return f'<Circle diameter="{_n(w)}"/>'
    if corner == 0:
        return f'<RectCenter width="{_n(w)}" height="{_n(h)}"/>'
    return (
        f'<RectRound width="{_n(w)}" height="{_n(h)}" radius="{_n(corner)}" upperRight="true" upperLeft="true"'
        ' lowerRight="true" lowerLeft="true"/>'
    )


def _ipc_set(thing: Thing, ids: dict[tuple[float, float, float], str], widths: dict[float, str]) -> str:
    tag = thing.tag
    net = f' net="{tag.net}"' if tag.net and tag.net != "N/C" else ""
    usage = ' padUsage="VIA"' if tag.function == "ViaPad" else ""
    usage += ' testPoint="true"' if tag.function == "TestPad" else ""
    polarity = ' polarity="NEGATIVE"' if thing.clear else ""
    head = f"<Set{net}{usage}{polarity}>"
    pin = f'<PinRef componentRef="{tag.ref}" pin="{tag.pin}"/>' if tag.pin else ""
    if isinstance(thing, Path):
        if thing.width:
            width = widths.setdefault(thing.width, f"L{len(widths) + 1}")
            steps = "".join(_ipc_steps(thing))
            return f'{head}<Features><Polyline>{steps}<LineDescRef id="{width}"/></Polyline></Features></Set>'
        contour = f"<Contour>{_ipc_polygon(thing, 'Polygon')}</Contour>"
        if pin:
            return f'{head}<Pad><Location x="0" y="0"/>{contour}{pin}</Pad></Set>'
        return f"{head}<Features>{contour}</Features></Set>"
    key = ids.setdefault((thing.w, thing.h, thing.corner), f"S{len(ids) + 1}")
    places = [
        (thing.x + thing.step * column, thing.y + thing.step * row)
        for row in range(thing.grid)
        for column in range(thing.grid)
    ]
    element = "Pad"
    if tag.function.startswith("FiducialPad"):
        element = "GlobalFiducial" if tag.function.endswith("Global") else "LocalFiducial"
    pads = "".join(
        f'<{element}><Location x="{_x(x)}" y="{_y(y)}"/><StandardPrimitiveRef id="{key}"/>{pin}</{element}>'
        for x, y in places
    )
    return f"{head}{pads}</Set>"


def _ipc_polygon(path: Path, name: str) -> str:
    return f"<{name}>{''.join(_ipc_steps(path))}</{name}>"


def _ipc_steps(path: Path) -> Iterator[str]:
    yield f'<PolyBegin x="{_x(path.start[0])}" y="{_y(path.start[1])}"/>'
    for edge in path.edges:
        end = f'x="{_x(edge.end[0])}" y="{_y(edge.end[1])}"'
        if edge.centre is None:
            yield f"<PolyStepSegment {end}/>"
        else:
            centre = f'centerX="{_x(edge.centre[0])}" centerY="{_y(edge.centre[1])}"'
            yield f'<PolyStepCurve {end} {centre} clockwise="{str(not edge.left).lower()}"/>'


def _ipc_holes() -> Iterator[str]:
    for plated, word in ((True, "PLATED"), (False, "NONPLATED")):
        for number, (x, y, size, to) in enumerate(holes(plated=plated)):
            if to is None:
                yield (
                    f'<Set><Hole name="{word}{number}" diameter="{_n(size)}" platingStatus="{word}" plusTol="0"'
                    f' minusTol="0" x="{_x(x)}" y="{_y(y)}"/></Set>'
                )
                continue
            long = math.dist((x, y), to) + size
            w, h = (long, size) if abs(to[0] - x) > abs(to[1] - y) else (size, long)
            yield (
                f'<Set><SlotCavity name="{word}{number}" platingStatus="{word}" plusTol="0" minusTol="0">'
                f'<Location x="{_x((x + to[0]) / 2)}" y="{_y((y + to[1]) / 2)}"/>'
                f'<Oval width="{_n(w)}" height="{_n(h)}"/></SlotCavity></Set>'
            )


# ---- centroid file


def centroid_text() -> str:
    """Return where the parts stand, in mil and from the board's own corner: not the origin of the Gerber files."""
    rows = ["Designator,Package,Mid X,Mid Y,Rotation,Layer,Comment", "# units: mil"]
    rows += [
        f"{part.ref},{part.pattern.name},{_n(part.x / 0.0254)},{_n(part.y / 0.0254)},{part.turn_deg % 360},"
        f'{"BottomLayer" if part.bottom else "TopLayer"},"{part.value}"'
        for part in PARTS
    ]
    return "\n".join([rows[1], rows[0], *rows[2:], ""])


FORMATS: Mapping[str, tuple[str, Callable[[], bytes]]] = {
    "svg": ("greenhouse-logger.svg", lambda: svg_text().encode()),
    "dxf": ("greenhouse-logger.dxf", dxf_bytes),
    "table": ("greenhouse-logger-pads.csv", lambda: table_text().encode()),
    "ipc2581": ("greenhouse-logger.xml", lambda: ipc2581_text().encode()),
}
"""File name and bytes of each single-file format."""


def write_formats(folder: FilePath) -> tuple[FilePath, ...]:
    """Write the demo board in every single-file format into folders of `folder`; return the paths."""
    written = []
    for name, (file, data) in FORMATS.items():
        path = folder / name / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data())
        written.append(path)
    return tuple(written)


def write_centroid_set(folder: FilePath) -> tuple[FilePath, ...]:
    """Write the old Gerber files with a centroid file instead of their netlist; return the paths."""
    written = [path for path in write_demo(folder, "rs274x") if path.suffix != ".IPC"]
    (folder / "GREENLOG.IPC").unlink()
    path = folder / "GREENLOG-centroid.csv"
    path.write_text(centroid_text(), encoding="utf-8")
    return (*written, path)

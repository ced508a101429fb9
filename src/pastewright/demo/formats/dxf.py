"""The demo board as DXF, written by ezdxf."""

import io
import math

from pastewright.demo.board import holes
from pastewright.demo.drawing import Edge, Flash, Path, profile
from pastewright.demo.formats.openings import SIDES, arc, fiducials, number, pasted


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
                bulge = math.tan(arc(here, edge)[1] / 4) if edge.centre is not None else 0.0
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
            for _pad, thing in pasted(bottom):
                layer = f"{side}_PASTE"
                if isinstance(thing, Path):
                    polyline(space, thing, layer)
                    continue
                name = f"R_{number(thing.w)}_{number(thing.h)}_{number(thing.corner)}".replace(".", "-")
                if name not in document.blocks:
                    block = document.blocks.new(name)
                    polyline(block, _flash_path(thing), "0")
                space.add_blockref(name, (thing.x, thing.y), dxfattribs={"layer": layer})
            for pad in fiducials(bottom):
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

"""The demo board as a table of pads."""

import math

from pastewright.demo.drawing import Flash, Path, Point
from pastewright.demo.formats.openings import SIDES, arc, fiducials, number, pasted
from pastewright.demo.layout import DemoPad


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
        numbers = ";".join(number(value).replace(".", ",") for value in cells)
        rows.append(f"{'bottom' if bottom else 'top'};{pad.ref};{pad.pin};{pad.net};{numbers};{shape}")

    for bottom in SIDES:
        for pad, thing in pasted(bottom):
            if isinstance(thing, Flash):
                round_ = thing.corner * 2 >= max(thing.w, thing.h)
                shape = "round" if round_ else "rounded"
                row(pad, (thing.x, thing.y), (thing.w, thing.h), thing.corner, 0.0, shape, bottom=bottom)
            else:
                area, x, y = _measured(thing)
                size = (area / pad.land.h, pad.land.h)
                row(pad, (x, y), size, 0.0, pad.turn_deg, "rect", bottom=bottom)
        for pad in fiducials(bottom):
            row(pad, (pad.x, pad.y), (pad.land.w, pad.land.w), 0.0, 0.0, "fiducial", bottom=bottom)
    return "\n".join([*rows, ""])


def _measured(path: Path) -> tuple[float, float, float]:
    """Return area [mm²] and centroid [mm] of a contour, arcs as 64 chords."""
    points = [path.start]
    for edge in path.edges:
        here = points[-1]
        if edge.centre is not None:
            radius, sweep = arc(here, edge)
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

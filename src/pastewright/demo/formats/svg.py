"""The demo board as SVG."""

import math

from pastewright.demo.board import holes
from pastewright.demo.drawing import Path, Thing, profile
from pastewright.demo.formats.openings import SIDES, arc, fiducials, number, pasted
from pastewright.demo.layout import SIZE_MM


def svg_text() -> str:
    """Return one SVG in mm with layers for both sides; y runs down, and x as seen from the top."""
    width, height = SIZE_MM
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<svg xmlns="http://www.w3.org/2000/svg"',
        f'     width="{number(width)}mm" height="{number(height)}mm" viewBox="0 0 {number(width)} {number(height)}">',
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
            lines.append(f'<circle cx="{number(x)}" cy="{number(height - y)}" r="{number(size / 2)}"/>')
        else:
            line = f'x1="{number(x)}" y1="{number(height - y)}" x2="{number(to[0])}" y2="{number(height - to[1])}"'
            lines.append(f'<line {line} stroke="#000" stroke-width="{number(size)}" stroke-linecap="round"/>')
    lines.append("</g>")
    for bottom, side in zip(SIDES, ("top", "bottom"), strict=True):
        lines.append(_svg_layer(f"{side} paste"))
        for pad, thing in pasted(bottom):
            names = f'data-ref="{pad.ref}" data-pin="{pad.pin}" data-net="{pad.net}"'
            lines.append(_svg_shape(thing, names))
        lines += ["</g>", _svg_layer(f"{side} fiducials")]
        lines += [
            f'<circle cx="{number(pad.x)}" cy="{number(height - pad.y)}" r="{number(pad.land.w / 2)}"/>'
            for pad in fiducials(bottom)
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
        return f'<circle {names} cx="{number(thing.x)}" cy="{number(y)}" r="{number(thing.w / 2)}"/>'
    return (
        f'<rect {names} x="{number(thing.x - thing.w / 2)}" y="{number(y - thing.h / 2)}" width="{number(thing.w)}"'
        f' height="{number(thing.h)}" rx="{number(thing.corner)}"/>'
    )


def _svg_path(path: Path) -> str:
    height = SIZE_MM[1]
    words = [f"M{number(path.start[0])} {number(height - path.start[1])}"]
    here = path.start
    for edge in path.edges:
        x, y = number(edge.end[0]), number(height - edge.end[1])
        if edge.centre is None:
            words.append(f"L{x} {y}")
        else:
            radius, sweep = arc(here, edge)
            # y runs down here, so a left turn is the negative direction.
            words.append(
                f"A{number(radius)} {number(radius)} 0 {int(abs(sweep) > math.pi)} {int(sweep < 0)} {x} {y}"
            )
        here = edge.end
    return "".join(words) + "Z"

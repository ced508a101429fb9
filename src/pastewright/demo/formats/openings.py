"""What every format of the demo board holds: its paste openings, its fiducials, how arcs turn and numbers are written."""

import math
from collections.abc import Iterator
from functools import partial

from pastewright.decimals import short
from pastewright.demo.drawing import Edge, Flash, Point, Thing, pad_thing
from pastewright.demo.layout import PADS, DemoPad
from pastewright.demo.patterns import Use

FIDUCIALS = (Use.FIDUCIAL_GLOBAL, Use.FIDUCIAL_LOCAL)
SIDES = (False, True)

number = partial(short, digits=6)
"""Writes a number to a nanometre: the doses of all formats agree."""


def openings(pad: DemoPad) -> tuple[Thing, ...]:
    """Return the paste openings of a pad [mm, board]."""
    if pad.land.same_paste:
        return (pad_thing(pad),)
    return tuple(Flash(x=pane.x, y=pane.y, w=pane.w, h=pane.h, corner=pane.corner) for pane in pad.panes)


def pasted(bottom: bool) -> Iterator[tuple[DemoPad, Thing]]:
    """Yield every paste opening of a side with its pad."""
    for pad in PADS:
        if pad.bottom == bottom:
            for thing in openings(pad):
                yield pad, thing


def fiducials(bottom: bool) -> Iterator[DemoPad]:
    """Return the fiducials of a side."""
    return (pad for pad in PADS if pad.land.use in FIDUCIALS and pad.bottom == bottom)


def arc(start: Point, edge: Edge) -> tuple[float, float]:
    """Return radius [mm] and sweep [rad, left positive] of an arc edge."""
    assert edge.centre is not None
    (cx, cy), (ex, ey) = edge.centre, edge.end
    sweep = math.atan2(ey - cy, ex - cx) - math.atan2(start[1] - cy, start[0] - cx)
    sweep = sweep % (2 * math.pi) if edge.left else -((-sweep) % (2 * math.pi))
    return math.hypot(start[0] - cx, start[1] - cy), sweep

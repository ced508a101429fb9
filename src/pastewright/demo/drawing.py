"""Layers of the demo board as drawings: flashes, strokes and contours [mm, board], free of any file format.

Longer than 400 lines because the parts of one drawing share its pens and places.
"""

import math
from dataclasses import dataclass, field

from pastewright.demo.font import text_strokes
from pastewright.demo.layout import CORNER_MM, CUT_OUT_MM, PADS, PARTS, SIZE_MM, DemoPad, DemoPart, placed
from pastewright.demo.patterns import Shape, Use, corner_mm
from pastewright.demo.tracks import CLEARANCE_MM, TRACKS, VIA_PAD_MM, VIAS

Point = tuple[float, float]

POUR_INSET_MM = 0.4  # common practice: copper keeps so far from the edge
POUR_GAP_MM = 0.22  # common practice, as the next three
SPOKE_MM = 0.3
CHAMFER_MM = 0.5
BULGE_MM = 0.8
LEGEND_MM = 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """What X2 tells of an object: aperture function, part, pin, net; "" for what it does not tell."""

    function: str = ""
    ref: str = ""
    pin: str = ""
    net: str = ""


NO_TAG = Tag()


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """A straight run to `end`, or an arc about `centre`, counter-clockwise if `left`."""

    end: Point
    centre: Point | None = None
    left: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """A rounded rectangle, a plain one (`corner` 0), or a circle (`corner` half of `w` = `h`).

    `grid` repeats it so many times right and up, `step` apart.
    """

    x: float
    y: float
    w: float
    h: float
    corner: float
    tag: Tag = NO_TAG
    clear: bool = False
    grid: int = 1
    step: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """Edges from `start`: a filled contour where `width` is 0, else a stroke of that width."""

    start: Point
    edges: tuple[Edge, ...]
    width: float = 0.0
    tag: Tag = NO_TAG
    clear: bool = False


Thing = Flash | Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """One layer: its X2 file function, and its things in drawing order."""

    function: str
    positive: bool = True
    things: tuple[Thing, ...] = field(default=())


def _polyline(points: tuple[Point, ...], width: float, tag: Tag = NO_TAG, *, clear: bool = False) -> Path:
    edges = tuple(Edge(end=point) for point in points[1:])
    return Path(start=points[0], edges=edges, width=width, tag=tag, clear=clear)


def _disc(x: float, y: float, d: float, tag: Tag = NO_TAG, *, clear: bool = False) -> Flash:
    return Flash(x=x, y=y, w=d, h=d, corner=d / 2, tag=tag, clear=clear)


def _rounded_box(x0: float, y0: float, x1: float, y1: float, r: float) -> tuple[Point, tuple[Edge, ...]]:
    """Return the contour of a box with round corners, counter-clockwise from its lower left."""
    return (x0 + r, y0), (
        Edge(end=(x1 - r, y0)),
        Edge(end=(x1, y0 + r), centre=(x1 - r, y0 + r)),
        Edge(end=(x1, y1 - r)),
        Edge(end=(x1 - r, y1), centre=(x1 - r, y1 - r)),
        Edge(end=(x0 + r, y1)),
        Edge(end=(x0, y1 - r), centre=(x0 + r, y1 - r)),
        Edge(end=(x0, y0 + r)),
        Edge(end=(x0 + r, y0), centre=(x0 + r, y0 + r)),
    )


def _pad_contour(pad: DemoPad, grow: float) -> tuple[Point, tuple[Edge, ...]]:
    """Return the contour of a pad that no flash can make, about its centre and unturned."""
    w, h = pad.land.w + 2 * grow, pad.land.h + 2 * grow
    out = math.copysign(1.0, pad.land.x) * (-1 if pad.bottom else 1)
    if pad.land.shape is Shape.ROUNDED:
        return _rounded_box(-w / 2, -h / 2, w / 2, h / 2, corner_mm(pad.land.w, pad.land.h) + grow)
    if pad.land.shape is Shape.CHAMFERED:
        corners = [(-w / 2, -h / 2), (w / 2 - CHAMFER_MM, -h / 2), (w / 2, -h / 2 + CHAMFER_MM)]
        corners += [(w / 2, h / 2 - CHAMFER_MM), (w / 2 - CHAMFER_MM, h / 2), (-w / 2, h / 2)]
        points = [(out * x, y) for x, y in corners]
        return points[0], tuple(Edge(end=point) for point in [*points[1:], points[0]])
    # Circle through both corners of the bulging side, and its top: r = (chord²/4 + sagitta²) / (2 sagitta).
    radius = (h * h / 4 + BULGE_MM**2) / (2 * BULGE_MM)
    side = w / 2 - BULGE_MM
    centre = (out * (w / 2 - radius), 0.0)
    return (-out * w / 2, -h / 2), (
        Edge(end=(out * side, -h / 2)),
        Edge(end=(out * side, h / 2), centre=centre, left=out > 0),
        Edge(end=(-out * w / 2, h / 2)),
        Edge(end=(-out * w / 2, -h / 2)),
    )


def _in_place(pad: DemoPad, start: Point, edges: tuple[Edge, ...]) -> tuple[Point, tuple[Edge, ...]]:
    turn = math.radians(pad.turn_deg)
    cos, sin = round(math.cos(turn), 12), round(math.sin(turn), 12)

    def at(point: Point) -> Point:
        return pad.x + point[0] * cos - point[1] * sin, pad.y + point[0] * sin + point[1] * cos

    moved = tuple(
        Edge(end=at(edge.end), centre=None if edge.centre is None else at(edge.centre), left=edge.left)
        for edge in edges
    )
    return at(start), moved


def pad_thing(pad: DemoPad, grow: float = 0.0, tag: Tag = NO_TAG, *, clear: bool = False) -> Thing:
    """Return a pad's shape, `grow` larger all round: a flash where it lies square, else a contour."""
    w, h = pad.land.w + 2 * grow, pad.land.h + 2 * grow
    if pad.land.shape is Shape.ROUND:
        return Flash(x=pad.x, y=pad.y, w=w, h=h, corner=w / 2, tag=tag, clear=clear)
    if pad.land.shape is Shape.ROUNDED and pad.turn_deg % 90 == 0:
        if pad.turn_deg % 180:
            w, h = h, w
        corner = 0.0 if pad.land.use is Use.THERMAL else corner_mm(pad.land.w, pad.land.h) + grow
        return Flash(x=pad.x, y=pad.y, w=w, h=h, corner=corner, tag=tag, clear=clear)
    start, edges = _in_place(pad, *_pad_contour(pad, grow))
    return Path(start=start, edges=edges, tag=tag, clear=clear)


def _on_side(pad: DemoPad, bottom: bool) -> bool:
    return pad.through or pad.bottom == bottom


def _pad_tag(pad: DemoPad) -> Tag:
    named = pad.land.use not in (Use.FIDUCIAL_GLOBAL, Use.FIDUCIAL_LOCAL)
    net = pad.net or ("N/C" if named else "")
    return Tag(function=pad.land.use.value, ref=pad.ref, pin=pad.pin, net=net)


def copper(*, bottom: bool) -> Drawing:
    """Return one copper layer; the bottom one is poured with ground around everything else."""
    things: list[Thing] = list(_pour()) if bottom else []
    things += [
        pad_thing(pad, tag=_pad_tag(pad))
        for pad in PADS
        if _on_side(pad, bottom) and pad.land.use is not Use.BARE_HOLE
    ]
    things += [_disc(x, y, VIA_PAD_MM, Tag(function="ViaPad", net=net)) for net, x, y in VIAS]
    things += [
        _polyline(track.points, track.width, Tag(function="Conductor", net=track.net))
        for track in TRACKS
        if track.bottom == bottom
    ]
    return Drawing(function="Copper,L2,Bot" if bottom else "Copper,L1,Top", things=tuple(things))


def _pour() -> list[Thing]:
    """Return the ground pour: a dark board, cleared around all that is not ground, tied to ground pads."""
    inset = POUR_INSET_MM
    ground = Tag(function="Conductor", net="GND")
    start, edges = _rounded_box(inset, inset, SIZE_MM[0] - inset, SIZE_MM[1] - inset, CORNER_MM - inset)
    things: list[Thing] = [Path(start=start, edges=edges, tag=ground)]
    spokes: list[Thing] = []
    for pad in PADS:
        if not _on_side(pad, True) and pad.land.use is not Use.BARE_HOLE:
            continue
        gap = POUR_GAP_MM + (pad.land.mask_margin if pad.net == "" else 0.0)
        things.append(pad_thing(pad, gap, clear=True))
        if pad.net == "GND":
            w, h = (pad.land.h, pad.land.w) if pad.turn_deg % 180 else (pad.land.w, pad.land.h)
            reach_x, reach_y = w / 2 + gap + SPOKE_MM / 2, h / 2 + gap + SPOKE_MM / 2
            for dx, dy in ((reach_x, 0.0), (-reach_x, 0.0), (0.0, reach_y), (0.0, -reach_y)):
                end = (pad.x + dx, pad.y + dy)
                if not _foreign(pad, end):
                    spokes.append(_polyline(((pad.x, pad.y), end), SPOKE_MM, ground))
    gap = 2 * POUR_GAP_MM
    things += [_disc(x, y, VIA_PAD_MM + gap, clear=True) for net, x, y in VIAS if net != "GND"]
    things += [
        _polyline(track.points, track.width + gap, clear=True)
        for track in TRACKS
        if track.bottom and track.net != "GND"
    ]
    x, y, w, h = CUT_OUT_MM
    d = w + 2 * inset
    things.append(_polyline(((x, y - (h - w) / 2), (x, y + (h - w) / 2)), d, clear=True))
    return things + spokes


def _foreign(pad: DemoPad, end: Point) -> bool:
    """Return whether a spoke from a ground pad to `end` would come too near to copper of another net."""
    spoke = ((pad.x, pad.y), end)
    free = SPOKE_MM / 2 + CLEARANCE_MM
    for net, x, y in VIAS:
        if net != "GND" and _apart(spoke, ((x, y), (x, y))) < free + VIA_PAD_MM / 2:
            return True
    for track in TRACKS:
        if track.bottom and track.net != "GND":
            runs = zip(track.points, track.points[1:], strict=False)
            if any(_apart(spoke, run) < free + track.width / 2 for run in runs):
                return True
    for other in PADS:
        if other.net != "GND" and _on_side(other, True):
            half = (max(other.land.w, other.land.h) - min(other.land.w, other.land.h)) / 2
            upright = (other.land.h > other.land.w) != bool(other.turn_deg % 180)
            dx, dy = (0.0, half) if upright else (half, 0.0)
            spine = ((other.x - dx, other.y - dy), (other.x + dx, other.y + dy))
            if _apart(spoke, spine) < free + min(other.land.w, other.land.h) / 2:
                return True
    return False


def _apart(a: tuple[Point, Point], b: tuple[Point, Point]) -> float:
    """Return the distance [mm] between two runs, sampled finely enough for runs of a few mm."""
    steps = 24
    return min(
        _to_run((a[0][0] + (a[1][0] - a[0][0]) * k / steps, a[0][1] + (a[1][1] - a[0][1]) * k / steps), b)
        for k in range(steps + 1)
    )


def _to_run(point: Point, run: tuple[Point, Point]) -> float:
    (ax, ay), (bx, by) = run
    dx, dy = bx - ax, by - ay
    length2 = dx * dx + dy * dy
    t = 0.0 if length2 == 0 else max(0.0, min(1.0, ((point[0] - ax) * dx + (point[1] - ay) * dy) / length2))
    return math.hypot(point[0] - ax - t * dx, point[1] - ay - t * dy)


def mask(*, bottom: bool) -> Drawing:
    """Return the openings of one solder mask; vias are covered."""
    things = tuple(
        pad_thing(pad, pad.land.mask_margin)
        for pad in PADS
        if _on_side(pad, bottom) or pad.land.use is Use.BARE_HOLE
    )
    return Drawing(function=f"Soldermask,{_side(bottom)}", positive=False, things=things)


def paste(*, bottom: bool) -> Drawing:
    """Return the openings of one paste layer."""
    things: list[Thing] = []
    for pad in PADS:
        if pad.bottom != bottom:
            continue
        tag = Tag(ref=pad.ref)
        if pad.land.use is Use.THERMAL:
            first = min(pad.panes, key=lambda pane: (pane.y, pane.x))
            step = min(pane.x for pane in pad.panes if pane.x > first.x) - first.x
            things.append(
                Flash(
                    x=first.x,
                    y=first.y,
                    w=first.w,
                    h=first.h,
                    corner=first.corner,
                    tag=tag,
                    grid=3,
                    step=step,
                )
            )
        elif pad.land.same_paste:
            things.append(pad_thing(pad, tag=tag))
        else:
            things.extend(
                Flash(x=pane.x, y=pane.y, w=pane.w, h=pane.h, corner=pane.corner, tag=tag)
                for pane in pad.panes
            )
    return Drawing(function=f"Paste,{_side(bottom)}", things=tuple(things))


def _side(bottom: bool) -> str:
    return "Bot" if bottom else "Top"


def legend(*, bottom: bool) -> Drawing:
    """Return one legend: bodies, a dot at pin 1 of what has more than three, names, and the board's own name."""
    things: list[Thing] = []
    taken = _boxes(bottom)
    for part in PARTS:
        if part.bottom == bottom and (part.pattern.body[0] or part.ref.startswith("TP")):
            things.extend(_body(part, taken))
    title = "CELL 3V" if bottom else "GREENHOUSE SOIL LOGGER"
    x, y = (28.6, 26.4) if bottom else (12.0, 1.2)
    for stroke in text_strokes(title, 1.2):
        points = tuple((x - px if bottom else x + px, y + py) for px, py in stroke)
        things.append(_polyline(points, 0.15))
    return Drawing(function=f"Legend,{_side(bottom)}", things=tuple(things))


def _body(part: DemoPart, taken: list[tuple[float, float, float, float]]) -> list[Thing]:
    """Return the ink of one part; the box of its name is added to `taken`."""
    w, h = part.pattern.body
    # Ink stays off pads: bodies are drawn where no pad of the part is crossed.
    things: list[Thing] = []
    corners = [(-w / 2, -h / 2), (w / 2, -h / 2), (w / 2, h / 2), (-w / 2, h / 2)]
    for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
        if w and not any(_crosses(part, a, b, pad) for pad in PADS if _on_side(pad, part.bottom)):
            things.append(_polyline((placed(part, *a), placed(part, *b)), LEGEND_MM))
    if len(part.pattern.lands) > 3:
        first = part.pattern.lands[0]
        x, y = first.x - (first.w / 2 + 0.6 if first.w > first.h else 0.0), first.y
        y += 0.0 if first.w > first.h else (first.h / 2 + 0.6)
        px, py = placed(part, x, y)
        things.append(Flash(x=px, y=py, w=0.3, h=0.3, corner=0.15))
    size = 0.8
    strokes = text_strokes(part.ref, size)
    place = _label_place(part, strokes, size, taken)
    if place is not None:
        for stroke in strokes:
            points = tuple((place[0] + (-px if part.bottom else px), place[1] + py) for px, py in stroke)
            things.append(_polyline(points, LEGEND_MM))
    return things


def _boxes(bottom: bool) -> list[tuple[float, float, float, float]]:
    """Return the boxes of all pads on a side, with a margin for ink."""
    boxes = []
    for pad in PADS:
        if _on_side(pad, bottom) or pad.land.use is Use.BARE_HOLE:
            w, h = (pad.land.h, pad.land.w) if pad.turn_deg % 180 in (90, -90) else (pad.land.w, pad.land.h)
            m = pad.land.mask_margin + 0.12
            boxes.append((pad.x - w / 2 - m, pad.y - h / 2 - m, pad.x + w / 2 + m, pad.y + h / 2 + m))
    return boxes


def _label_place(
    part: DemoPart,
    strokes: list[tuple[Point, ...]],
    size: float,
    taken: list[tuple[float, float, float, float]],
) -> Point | None:
    """Return where the name of a part starts so that its ink meets no pad or name; None without room."""
    width = max(x for stroke in strokes for x, _y in stroke)
    lands = [placed(part, land.x, land.y) for land in part.pattern.lands]
    x0, x1 = min(x for x, _ in lands), max(x for x, _ in lands)
    y0, y1 = min(y for _, y in lands), max(y for _, y in lands)
    middle_x, middle_y = (x0 + x1) / 2 - width / 2, (y0 + y1) / 2 - size / 2
    away = (0.7, 0.9, 1.1, 1.4, 1.8)
    tries = [(middle_x, y1 + d) for d in away] + [(middle_x, y0 - d - size) for d in away]
    tries += (
        [(x0 - d - width, middle_y) for d in away]
        + [(x1 + d, middle_y) for d in away]
        + [(middle_x, middle_y)]
    )
    for x, y in tries:
        inside = x > 0.5 and x + width < SIZE_MM[0] - 0.5 and y > 0.5 and y + size < SIZE_MM[1] - 0.5
        if inside and not any(x < b[2] and x + width > b[0] and y < b[3] and y + size > b[1] for b in taken):
            taken.append((x - 0.2, y - 0.2, x + width + 0.2, y + size + 0.2))
            return (x + width if part.bottom else x), y
    return None


def _crosses(part: DemoPart, a: Point, b: Point, pad: DemoPad) -> bool:
    (ax, ay), (bx, by) = placed(part, *a), placed(part, *b)
    w, h = (pad.land.h, pad.land.w) if pad.turn_deg % 180 in (90, -90) else (pad.land.w, pad.land.h)
    m = pad.land.mask_margin + LEGEND_MM / 2 + 0.02
    return (
        min(ax, bx) < pad.x + w / 2 + m
        and max(ax, bx) > pad.x - w / 2 - m
        and min(ay, by) < pad.y + h / 2 + m
        and max(ay, by) > pad.y - h / 2 - m
    ) or not (min(ax, bx) > 0 and max(ax, bx) < SIZE_MM[0])


def profile() -> Drawing:
    """Return the outline with its round corners, and the slit within."""
    start, edges = _rounded_box(0.0, 0.0, *SIZE_MM, CORNER_MM)
    x, y, w, h = CUT_OUT_MM
    slit, slit_edges = _rounded_box(x - w / 2, y - h / 2, x + w / 2, y + h / 2, w / 2)
    tag = Tag(function="Profile")
    # Ends of the slit are half circles, so its short sides have no length and are left out.
    kept = tuple(
        e for p, e in zip((slit, *(e.end for e in slit_edges)), slit_edges, strict=False) if p != e.end
    )
    return Drawing(
        function="Profile,NP",
        things=(
            Path(start=start, edges=edges, width=0.1, tag=tag),
            Path(start=slit, edges=kept, width=0.1, tag=tag),
        ),
    )

"""What a drawing or a table asks for, as values, and from them a `Board`: `board_of_drawing`.

A drawing has no copper and no mask to judge paste by, and needs none: what is drawn as paste is paste. Filled
areas become pads, lines become beads along them, marks become fiducials. All places are in mm in file
coordinates: y up, as seen from the top, so the bottom side is mirrored here as it is for Gerber files.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from math import pi, sqrt

import numpy as np
import shapely
from shapely import STRtree
from shapely.geometry import LineString, Polygon

from pastewright.board.artwork import GerberLayer, GerberObject, ObjectKind
from pastewright.board.model import (
    Area,
    Board,
    Hole,
    LayerRole,
    LayerUse,
    LeftOut,
    PadKind,
    PasteOrigin,
    Point,
    Side,
    Source,
)
from pastewright.board.pads.kinds import Kind, Site, by_hole
from pastewright.board.pads.lands import Land
from pastewright.board.pads.outline import Outline, read_outline
from pastewright.board.pads.paste import Opening
from pastewright.board.pads.placed import Found, placed_board
from pastewright.board.roles.role_words import role_of_words, spaced
from pastewright.board.shapes.islands import LEAST_AREA_MM2, groups, polygons, shape_array, touching, united
from pastewright.board.shapes.rings import TangledError, check_tangle
from pastewright.problems import InputError, Problem, Severity, one_error

# A board's side in mm; beyond it the unit was misread or the drawing is no board (common practice: the
# largest usual panels are 610 mm wide).
LARGEST_BOARD_MM = 1000.0
MOST_THINGS = 100_000
"""Shapes of one drawing; dense boards have under 30 000 openings (common practice)."""
# Filled shapes as large as this part of the outline are the board itself, painted.
GROUND_PART = 0.5
# Rows of a table that share more than this part of the smaller one would be pasted twice.
DOUBLED_PART = 0.05
# Window panes are parted by webs of 0.2 to 0.5 mm (common practice); separate lands of one pin lie further apart.
PANE_GAP_MM = 0.8

_BARE = re.compile(r"\b(?:npth|non ?plated|unplated|mounting)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What the person asks of a reader. `units` is "" where the file shall tell; `columns` are for tables.

    `roles` maps names of files, or of layers within a drawing, to roles; `shrink_mm` is taken off exposed
    copper where there is no paste layer.
    """

    side: Side
    name: str
    inputs_sha256: str = ""
    units: str = ""
    columns: str = ""
    roles: Mapping[str, LayerRole] = field(default_factory=dict)
    shrink_mm: float = 0.0


class Mark(Enum):
    """What a layer or a shape of a drawing is for."""

    PASTE = "paste"
    FIDUCIAL = "fiducials"
    OUTLINE = "outline"
    HOLES = "holes"
    IGNORED = "ignored"


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """One shape of a drawing [mm, file]: a filled `area`, or a line along `path_mm`, `width_mm` wide.

    A line has its stroke as `area` (round ends). `layer` is the label it was drawn under, "" for none. `hole_mm`
    is the diameter of a plated hole in its middle, 0 for none.
    """

    area: Area
    source: Source
    layer: str = ""
    path_mm: tuple[Point, ...] = ()
    width_mm: float = 0.0
    ref: str = ""
    pin: str = ""
    net: str = ""
    volume_ul: float | None = None
    fiducial: bool = False
    hole_mm: float = 0.0

    @property
    def is_line(self) -> bool:
        """Whether it is a line to be laid as a bead."""
        return bool(self.path_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Everything of one file that may be paste, mark or outline; `what` names the format for messages.

    `merge`: shapes that touch are one pad (drawings); rows of tables stay apart. `sided`: the things are
    those of the asked side already.
    """

    file: str
    what: str
    things: tuple[Thing, ...]
    problems: tuple[Problem, ...] = ()
    merge: bool = True
    sided: bool = False


def stroke_area(path_mm: Sequence[Point], width_mm: float) -> Area:
    """Return the area of a stroke with round ends and corners [mm]; empty for no width."""
    area: Area = LineString(path_mm).buffer(width_mm / 2, quad_segs=24)
    return area


def board_of_drawing(drawing: Drawing, ask: Ask) -> Board:
    """Return the board of one side; raises `InputError` when nothing on it is paste, or sides are unclear."""
    if len(drawing.things) > MOST_THINGS:
        what = f"holds {len(drawing.things)} shapes; the limit is {MOST_THINGS}"
        raise one_error(what, "Leave out layers that are no paste.", file=drawing.file)
    marks, uses, problems = _marks(drawing, ask)
    problems = [*drawing.problems, *problems]
    paste = [thing for thing in drawing.things if marks(thing) is Mark.PASTE]
    outline = _outline(drawing, marks, paste)
    problems.extend(outline.problems)
    if outline.area is None:
        what = "there is no board outline: size and origin are those of the pads"
        mend = "Draw the board's edge on a layer named outline, or place by fiducials."
        problems.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=drawing.file))
    paste, ground = _without_ground(paste, outline.area)
    _check_size(drawing, paste, outline.area)
    holes = _holes(drawing, marks, paste)
    found = _with_holes(_pads(paste, drawing, problems), holes)
    if not found:
        raise _nothing(drawing, ask, uses)
    found.extend(_fiducials(drawing, marks))
    return placed_board(
        name=ask.name,
        side=ask.side,
        uses=tuple(uses),
        inputs_sha256=ask.inputs_sha256,
        origin=PasteOrigin.PASTE_LAYER,
        outline=outline.area,
        pads=found,
        holes=holes,
        left_out=ground,
        problems=problems,
    )


# ---- layers of a drawing

Marks = Callable[[Thing], Mark]
_FIDUCIAL_WORDS = ("fid", "fids", "fiducial", "fiducials", "fidu")
_PASTE = {LayerRole.TOP_PASTE: Side.TOP, LayerRole.BOTTOM_PASTE: Side.BOTTOM}
_SIDED = {
    **_PASTE,
    LayerRole.TOP_COPPER: Side.TOP,
    LayerRole.BOTTOM_COPPER: Side.BOTTOM,
}


def _marks(drawing: Drawing, ask: Ask) -> tuple[Marks, list[LayerUse], list[Problem]]:
    """Decide for each layer of the drawing what it is for on the asked side.

    Layers named for paste are the paste; without any, every layer that no name makes something else is.
    A drawing whose layers name no side shows the top.
    """
    if drawing.sided:
        use = LayerUse(
            file=drawing.file, role=_paste_role(ask.side), how=f"content: {drawing.what}", used=True
        )
        return (lambda thing: Mark.FIDUCIAL if thing.fiducial else Mark.PASTE), [use], []
    labels = list(dict.fromkeys(thing.layer for thing in drawing.things))
    roles = {label: _role(label, ask.roles) for label in labels}
    pasted = [label for label, role in roles.items() if role[0] in _PASTE]
    sides = {_SIDED[role] for role, _, _ in roles.values() if role in _SIDED}
    if not sides and ask.side is Side.BOTTOM:
        raise one_error(
            "the drawing names no side, and the bottom side was asked for",
            "Plan it as --side top: it is taken as seen from the pasted side; or draw the bottom as seen from"
            " the top, on a layer named bottom paste.",
            file=drawing.file,
        )
    chosen: dict[str, Mark] = {}
    uses: list[LayerUse] = []
    for label, (role, how, fiducial) in roles.items():
        mark = _mark(role, ask.side, fiducial=fiducial, by_name=bool(pasted))
        if mark is Mark.FIDUCIAL and _side_of(label) not in (None, ask.side):
            mark = Mark.IGNORED
        chosen[label] = mark
        shown = label or "without a layer"
        known = role if role is not LayerRole.OTHER or mark is not Mark.PASTE else _paste_role(ask.side)
        note = "" if mark is Mark.PASTE else "ignored" if mark is Mark.IGNORED else f"taken as {mark.value}"
        uses.append(
            LayerUse(
                file=f"{drawing.file}: {shown}", role=known, how=how, used=mark is not Mark.IGNORED, note=note
            )
        )
    for name in ask.roles:
        if name not in labels and name != drawing.file:
            known_labels = ", ".join(repr(label) for label in labels if label) or "none"
            raise one_error(
                f"there is no layer {name!r} in the drawing",
                f"Its layers: {known_labels}.",
                file=drawing.file,
            )
    return (
        (
            lambda thing: (
                Mark.FIDUCIAL if thing.fiducial and chosen[thing.layer] is Mark.PASTE else chosen[thing.layer]
            )
        ),
        uses,
        [],
    )


def _paste_role(side: Side) -> LayerRole:
    return LayerRole.TOP_PASTE if side is Side.TOP else LayerRole.BOTTOM_PASTE


def _role(label: str, given: Mapping[str, LayerRole]) -> tuple[LayerRole, str, bool]:
    """Return a layer's role, how it is known, and whether its name says fiducials."""
    if label in given:
        return given[label], "command line", False
    words = spaced(label)
    if any(word in _FIDUCIAL_WORDS for word in words.split()):
        return LayerRole.OTHER, f"layer name: {label}", True
    role, told = role_of_words(words, gerber=True)
    if told and role is None and told.split()[-1] in ("paste", "cream", "stencil"):
        return LayerRole.TOP_PASTE, f"layer name: {told}, no side said", False
    if told and role is None:
        return LayerRole.TOP_SILK, f"layer name: {told}", False  # no side said, and no paste either
    if told and role is LayerRole.OTHER:
        return LayerRole.TOP_SILK, f"layer name: {told}", False
    return role or LayerRole.OTHER, f"layer name: {told}" if told else "drawn", False


def _side_of(label: str) -> Side | None:
    role, _told = role_of_words(spaced(label) + " copper", gerber=True)
    return _SIDED.get(role) if role is not None else None


def _mark(role: LayerRole, side: Side, *, fiducial: bool, by_name: bool) -> Mark:
    if fiducial:
        return Mark.FIDUCIAL
    if role is LayerRole.OUTLINE:
        return Mark.OUTLINE
    if role is LayerRole.DRILL:
        return Mark.HOLES
    if role in _PASTE:
        return Mark.PASTE if _PASTE[role] is side else Mark.IGNORED
    if by_name:
        return Mark.IGNORED
    if (
        role in _SIDED
    ):  # "top" and nothing else reads as copper; in a drawing without paste layers it is paste
        return Mark.PASTE if _SIDED[role] is side else Mark.IGNORED
    return Mark.PASTE if role is LayerRole.OTHER else Mark.IGNORED


def _nothing(drawing: Drawing, ask: Ask, uses: Sequence[LayerUse]) -> InputError:
    layers = ", ".join(use.file.removeprefix(f"{drawing.file}: ") for use in uses)
    return one_error(
        f"nothing in this {drawing.what} is paste of the {ask.side} side",
        f"Say which layer is paste, e.g. --layer 'NAME={_paste_role(ask.side).value}'. Layers seen: {layers or 'none'}.",
        file=drawing.file,
    )


# ---- shapes to pads


def _outline(drawing: Drawing, marks: Marks, paste: Sequence[Thing]) -> Outline:
    """Return the outline of the layers that hold it."""
    objects = [
        GerberObject(
            kind=ObjectKind.STROKE if thing.is_line else ObjectKind.REGION,
            shape=thing.area,
            dark=True,
            attributes={},
            line=thing.source.line,
            path_mm=thing.path_mm,
            width_mm=thing.width_mm,
        )
        for thing in drawing.things
        if marks(thing) is Mark.OUTLINE
    ]
    if not objects:
        return Outline(area=None, closed=False)
    try:
        check_tangle([LineString(thing.path_mm) for thing in objects if len(thing.path_mm) > 1])
    except TangledError as error:
        raise one_error(
            f"the outline: {error}", "Draw the board's edge alone on it.", file=drawing.file
        ) from None
    layer = GerberLayer(file=drawing.file, attributes={}, objects=tuple(objects))
    return read_outline(layer, [part for thing in paste for part in polygons(thing.area)])


def _without_ground(paste: Sequence[Thing], outline: Area | None) -> tuple[list[Thing], list[LeftOut]]:
    """Take out filled shapes that paint the board itself."""
    if outline is None:
        return list(paste), []
    kept: list[Thing] = []
    left: list[LeftOut] = []
    for thing in paste:
        if not thing.is_line and thing.area.area > GROUND_PART * outline.area:
            reason = "as large as the board: its ground"
            left.append(LeftOut(shape=thing.area, reason=reason, source=thing.source))
        else:
            kept.append(thing)
    return kept, left


def _check_size(drawing: Drawing, paste: Sequence[Thing], outline: Area | None) -> None:
    shapes = [thing.area for thing in paste] + ([outline] if outline is not None else [])
    if not shapes:
        return
    x0, y0, x1, y1 = shapely.total_bounds(shape_array(shapes)).tolist()
    if max(x1 - x0, y1 - y0) > LARGEST_BOARD_MM:
        raise one_error(
            f"the drawing spans {x1 - x0:.4g} × {y1 - y0:.4g} mm; a board has at most {LARGEST_BOARD_MM:g} mm",
            "Check its unit (--units), and that nothing lies far off the board.",
            file=drawing.file,
        )


def _pads(paste: Sequence[Thing], drawing: Drawing, problems: list[Problem]) -> list[Found]:
    filled = [thing for thing in paste if not thing.is_line]
    lines = [thing for thing in paste if thing.is_line and thing.area.area > LEAST_AREA_MM2]
    found = _paned(_merged(filled) if drawing.merge else _apart(filled, drawing, problems))
    found.extend(
        _found(
            stroke_shape(line),
            line,
            reason=f"a line {line.width_mm:.3f} mm wide, to be laid as a bead",
        )
        for line in lines
    )
    return found


def stroke_shape(line: Thing) -> Polygon:
    """Return the stroke of a line as one polygon; a closed line is a ring."""
    parts = polygons(line.area)
    return max(parts, key=lambda part: part.area)


def _found(shape: Polygon, thing: Thing, *, reason: str) -> Found:
    land = Land(
        shape=shape,
        source=thing.source,
        ref=thing.ref,
        pin=thing.pin,
        net=thing.net,
        path_mm=thing.path_mm,
        path_width_mm=thing.width_mm if thing.is_line else 0.0,
        volume_ul=thing.volume_ul,
    )
    site = Site(land=land, paste=1, ref=thing.ref, pin=thing.pin)
    opening = Opening(shape=shape, source=thing.source, ref=thing.ref)
    return site, Kind(kind=PadKind.SURFACE, reason=reason), [opening]


def _merged(filled: Sequence[Thing]) -> list[Found]:
    """Shapes that overlap are one pad: people draw pads of several parts."""
    found: list[Found] = []
    shapes = shape_array([thing.area for thing in filled])
    for members in groups(len(filled), touching(shapes)):
        things = [filled[int(n)] for n in members]
        # What the parts of one pad do not know, another may.
        first = replace(
            things[0],
            ref=next((thing.ref for thing in things if thing.ref), ""),
            pin=next((thing.pin for thing in things if thing.pin), ""),
            net=next((thing.net for thing in things if thing.net), ""),
            volume_ul=next((thing.volume_ul for thing in things if thing.volume_ul is not None), None),
        )
        parts = united([thing.area for thing in things])
        parts_ul = first.volume_ul
        total_mm2 = sum(part.area for part in parts)
        for part in parts:
            share = parts_ul * part.area / total_mm2 if parts_ul is not None else None
            found.append(_found(part, replace(first, volume_ul=share), reason="drawn as a filled shape"))
    return found


def _paned(found: Sequence[Found]) -> list[Found]:
    """Shapes close together that bear one part's and pin's name are the window panes of one pad."""
    named: dict[tuple[str, str], list[int]] = {}
    for number, (site, _, _) in enumerate(found):
        if site.ref and site.pin and site.land.volume_ul is None:
            named.setdefault((site.ref, site.pin), []).append(number)
    result: dict[int, Found] = dict(enumerate(found))
    for numbers in named.values():
        if len(numbers) < 2:
            continue
        shapes = shape_array([found[number][0].land.shape for number in numbers])
        for members in groups(len(numbers), touching(shapes, within_mm=PANE_GAP_MM)):
            if len(members) < 2:
                continue
            panes = [found[numbers[int(member)]] for member in members]
            hull = Polygon(shapely.get_coordinates(shapely.union_all(shapes[members]).convex_hull))
            site = replace(panes[0][0], paste=len(panes), land=replace(panes[0][0].land, shape=hull))
            reason = f"{len(panes)} window panes of one pin"
            first, *rest = (numbers[int(member)] for member in members)
            result[first] = (
                site,
                Kind(kind=PadKind.THERMAL, reason=reason),
                [opening for _, _, openings in panes for opening in openings],
            )
            for number in rest:
                del result[number]
    return list(result.values())


def _apart(filled: Sequence[Thing], drawing: Drawing, problems: list[Problem]) -> list[Found]:
    shapes = shape_array([thing.area for thing in filled])
    if len(shapes):
        pairs = STRtree(shapes).query(shapes, predicate="intersects")
        pairs = pairs[:, pairs[0] < pairs[1]]
        shared = shapely.area(shapely.intersection(shapes[pairs[0]], shapes[pairs[1]]))
        least = np.minimum(shapely.area(shapes[pairs[0]]), shapely.area(shapes[pairs[1]]))
        doubled = np.flatnonzero(shared > DOUBLED_PART * least)
        if len(doubled):
            one, other = (filled[int(pairs[k, doubled[0]])].source.line for k in (0, 1))
            what = f"{len(doubled)} pair(s) of rows overlap, the first in lines {one} and {other}: both are pasted"
            mend = "Take one of each pair out, if it is the same pad twice."
            problems.append(
                Problem(what=what, mend=mend, severity=Severity.WARNING, file=drawing.file, line=other)
            )
    return [
        _found(part, thing, reason=f"a row of the {drawing.what}")
        for thing in filled
        for part in polygons(thing.area)
    ]


def _holes(drawing: Drawing, marks: Marks, paste: Sequence[Thing]) -> list[Hole]:
    """Return the holes that layers of holes draw, and those that rows of a table name."""
    found: list[Hole] = []
    for thing in drawing.things:
        if marks(thing) is Mark.HOLES:
            plated = False if _BARE.search(spaced(thing.layer)) else None
            if thing.is_line and thing.width_mm > 0:
                (x, y), to = thing.path_mm[0], thing.path_mm[-1]
                found.append(
                    Hole(
                        x_mm=x,
                        y_mm=y,
                        diameter_mm=thing.width_mm,
                        plated=plated,
                        slot_to_mm=to,
                        source=thing.source,
                    )
                )
                continue
            for part in polygons(thing.area):
                size_mm = 2 * sqrt(Polygon(part.exterior).area / pi)
                found.append(_hole(part, size_mm, thing.source, plated=plated))
    found.extend(
        _hole(thing.area, thing.hole_mm, thing.source, plated=True) for thing in paste if thing.hole_mm
    )
    return found


def _hole(area: Area, size_mm: float, source: Source, *, plated: bool | None) -> Hole:
    centre = area.centroid
    return Hole(x_mm=centre.x, y_mm=centre.y, diameter_mm=size_mm, plated=plated, source=source)


def _with_holes(found: Sequence[Found], holes: Sequence[Hole]) -> list[Found]:
    """Return the pads with the leads' holes in them."""
    leads = [hole for hole in holes if hole.plated is not False]
    if not leads:
        return list(found)
    places = shapely.points([hole.x_mm for hole in leads], [hole.y_mm for hole in leads])
    shapes = shape_array([Polygon(site.land.shape.exterior) for site, _, _ in found])
    inside: dict[int, list[Hole]] = {}
    for pad, hole in STRtree(places).query(shapes, predicate="intersects").T:
        inside.setdefault(int(pad), []).append(leads[int(hole)])
    result: list[Found] = []
    for number, (site, kind, openings) in enumerate(found):
        own = replace(site, holes=tuple(inside.get(number, ())))
        result.append((own, by_hole(own) or kind, openings))
    return result


def _fiducials(drawing: Drawing, marks: Marks) -> list[Found]:
    found: list[Found] = []
    for thing in drawing.things:
        if marks(thing) is not Mark.FIDUCIAL:
            continue
        for part in polygons(thing.area):
            shape = Polygon(part.exterior)
            land = Land(
                shape=shape,
                source=thing.source,
                ref=thing.ref,
                pin=thing.pin,
                round_mm=2 * sqrt(shape.area / pi),
            )
            site = Site(land=land, paste=0, ref=thing.ref, pin=thing.pin)
            found.append((site, Kind(kind=PadKind.FIDUCIAL, reason="drawn as a fiducial"), []))
    return found

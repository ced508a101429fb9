"""Artwork of a drawing or a table to pads: what is drawn as paste is paste, and every pad is as large as its paste.

A drawing has no copper and no mask to judge paste by, and needs none. Filled areas become pads, lines become beads
along them, marks become fiducials.
"""

from collections.abc import Sequence
from math import pi, sqrt

import numpy as np
import shapely
from msgspec import structs
from shapely import STRtree
from shapely.geometry import Polygon

from pastewright.board.artwork import Artwork, Drawn, DrawnKind, Judging, Layer
from pastewright.board.model import Area, Hole, LayerRole, LeftOut, PadKind, PasteOrigin, Source
from pastewright.board.pads.holes import holes_of
from pastewright.board.pads.kinds import Kind, by_hole
from pastewright.board.pads.lands import Land
from pastewright.board.pads.outline import Outline, read_outline
from pastewright.board.pads.paste import Opening
from pastewright.board.pads.placed import Found, FoundSide
from pastewright.board.pads.site import Site
from pastewright.board.shapes.islands import LEAST_AREA_MM2, groups, polygons, shape_array, touching, united
from pastewright.problems import Problem, Severity, one_error

GROUND_PART = 0.5
"""Filled shapes as large as this part of the outline are the board itself, painted."""
DOUBLED_PART = 0.05
"""Rows of a table that share more than this part of the smaller one would be pasted twice."""
PANE_GAP_MM = 0.8
"""Window panes are parted by webs of 0.2 to 0.5 mm (common practice); separate lands of one pin lie further apart."""


def laid_side(artwork: Artwork, layer: Layer) -> FoundSide:
    """Return what a drawing's paste `layer` holds [mm, file]; raises `InputError` when none of it is paste."""
    problems: list[Problem] = []
    fiducials = [thing for thing in layer.objects if thing.function == "FiducialPad"]
    paste = [thing for thing in layer.objects if thing.function != "FiducialPad"]
    outline = _outline(artwork, paste)
    problems.extend(outline.problems)
    if outline.area is None:
        what = "there is no board outline: size and origin are those of the pads"
        mend = "Draw the board's edge on a layer named outline, or place by fiducials."
        problems.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=layer.file))
    paste, ground = _without_ground(paste, outline.area, layer.file)
    holes = holes_of(artwork.drillings)
    found = _with_holes(_pads(paste, artwork, layer.file, problems), holes)
    if not found:
        raise one_error(
            f"nothing in this {artwork.what} is paste: what there is has no area, or is the board's ground",
            "Say which layer is paste with --layer 'NAME=top paste'.",
            file=layer.file,
        )
    found.extend(_fiducials(fiducials, layer.file))
    return FoundSide(
        origin=PasteOrigin.PASTE_LAYER,
        outline=outline.area,
        pads=tuple(found),
        holes=tuple(holes),
        left_out=tuple(ground),
        problems=tuple(problems),
        outline_from=outline.known,
    )


def _is_line(thing: Drawn) -> bool:
    return thing.kind is DrawnKind.STROKE


def _outline(artwork: Artwork, paste: Sequence[Drawn]) -> Outline:
    layer = artwork.layers.get(LayerRole.OUTLINE)
    if layer is None:
        return Outline(area=None, closed=False)
    return read_outline(layer, [part for thing in paste for part in polygons(thing.shape)])


def _without_ground(
    paste: Sequence[Drawn], outline: Area | None, file: str
) -> tuple[list[Drawn], list[LeftOut]]:
    """Take out filled shapes that paint the board itself."""
    if outline is None:
        return list(paste), []
    kept: list[Drawn] = []
    left: list[LeftOut] = []
    for thing in paste:
        if not _is_line(thing) and thing.shape.area > GROUND_PART * outline.area:
            reason = "as large as the board: its ground"
            left.append(LeftOut(shape=thing.shape, reason=reason, source=Source(file=file, line=thing.line)))
        else:
            kept.append(thing)
    return kept, left


def _pads(paste: Sequence[Drawn], artwork: Artwork, file: str, problems: list[Problem]) -> list[Found]:
    filled = [thing for thing in paste if not _is_line(thing)]
    lines = [thing for thing in paste if _is_line(thing) and thing.shape.area > LEAST_AREA_MM2]
    if artwork.judging is Judging.AS_LISTED:
        found = _paned(_apart(filled, artwork.what, file, problems))
    else:
        found = _paned(_merged(filled, file))
    found.extend(
        _found(
            stroke_shape(line),
            line,
            file,
            reason=f"a line {line.width_mm:.3f} mm wide, to be laid as a bead",
        )
        for line in lines
    )
    return found


def stroke_shape(line: Drawn) -> Polygon:
    """Return the stroke of a line as one polygon; a closed line is a ring."""
    return max(polygons(line.shape), key=lambda part: part.area)


def _found(shape: Polygon, thing: Drawn, file: str, *, reason: str) -> Found:
    source = Source(file=file, line=thing.line)
    land = Land(
        shape=shape,
        source=source,
        ref=thing.ref,
        pin=thing.pin,
        net=thing.net,
        path_mm=thing.path_mm,
        path_width_mm=thing.width_mm if _is_line(thing) else 0.0,
        volume_ul=thing.volume_ul,
    )
    site = Site(land=land, paste=1, ref=thing.ref, pin=thing.pin)
    opening = Opening(shape=shape, source=source, ref=thing.ref)
    return site, Kind(kind=PadKind.SURFACE, reason=reason), [opening]


def _merged(filled: Sequence[Drawn], file: str) -> list[Found]:
    """Shapes that overlap are one pad: people draw pads of several parts."""
    found: list[Found] = []
    shapes = shape_array([thing.shape for thing in filled])
    for members in groups(len(filled), touching(shapes)):
        things = [filled[int(n)] for n in members]
        # What the parts of one pad do not know, another may.
        named = {name: words for thing in reversed(things) for name, words in thing.attributes.items()}
        asked_ul = next((thing.volume_ul for thing in things if thing.volume_ul is not None), None)
        parts = united([thing.shape for thing in things])
        total_mm2 = sum(part.area for part in parts)
        for part in parts:
            share_ul = asked_ul * part.area / total_mm2 if asked_ul is not None else None
            whole = structs.replace(things[0], attributes=named, volume_ul=share_ul)
            found.append(_found(part, whole, file, reason="drawn as a filled shape"))
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
            site = structs.replace(
                panes[0][0], paste=len(panes), land=structs.replace(panes[0][0].land, shape=hull)
            )
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


def _apart(filled: Sequence[Drawn], what: str, file: str, problems: list[Problem]) -> list[Found]:
    shapes = shape_array([thing.shape for thing in filled])
    if len(shapes):
        pairs = STRtree(shapes).query(shapes, predicate="intersects")
        pairs = pairs[:, pairs[0] < pairs[1]]
        shared = shapely.area(shapely.intersection(shapes[pairs[0]], shapes[pairs[1]]))
        least = np.minimum(shapely.area(shapes[pairs[0]]), shapely.area(shapes[pairs[1]]))
        doubled = np.flatnonzero(shared > DOUBLED_PART * least)
        if len(doubled):
            one, other = (filled[int(pairs[k, doubled[0]])].line for k in (0, 1))
            problems.append(
                Problem(
                    what=f"{len(doubled)} pair(s) of rows overlap, the first in lines {one} and {other}:"
                    " both are pasted",
                    mend="Take one of each pair out, if it is the same pad twice.",
                    severity=Severity.WARNING,
                    file=file,
                    line=other,
                )
            )
    return [
        _found(part, thing, file, reason=f"a row of the {what}")
        for thing in filled
        for part in polygons(thing.shape)
    ]


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
        own = structs.replace(site, holes=tuple(inside.get(number, ())))
        result.append((own, by_hole(own) or kind, openings))
    return result


def _fiducials(fiducials: Sequence[Drawn], file: str) -> list[Found]:
    found: list[Found] = []
    for thing in fiducials:
        for part in polygons(thing.shape):
            shape = Polygon(part.exterior)
            land = Land(
                shape=shape,
                source=Source(file=file, line=thing.line),
                ref=thing.ref,
                pin=thing.pin,
                round_mm=2 * sqrt(shape.area / pi),
            )
            site = Site(land=land, paste=0, ref=thing.ref, pin=thing.pin)
            found.append((site, Kind(kind=PadKind.FIDUCIAL, reason="drawn as a fiducial"), []))
    return found

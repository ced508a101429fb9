"""Pasted lands to sites: each land with its holes, and its name, pin and net from copper, netlist and parts."""

from collections.abc import Sequence

from msgspec import structs
from shapely import STRtree
from shapely.geometry import Point as PlanePoint
from shapely.geometry import Polygon

from pastewright.board.artwork import Artwork, NetPoint
from pastewright.board.model import Check, Hole
from pastewright.board.pads.holes import hole_centre
from pastewright.board.pads.lands import Land
from pastewright.board.pads.pasted import Pasted
from pastewright.board.pads.site import Site
from pastewright.board.parts.part_fit import name_by_parts
from pastewright.board.parts.part_units import name_by_parts_in_any_unit
from pastewright.board.parts.pin_fit import name_lands
from pastewright.board.shapes.islands import Shapes, shape_array
from pastewright.problems import Problem, Severity


def sites_of(
    pasted: Pasted, holes: Sequence[Hole], artwork: Artwork
) -> tuple[list[Site], list[Check], list[Problem]]:
    """Return every land with its holes and names, in order, how well names fit, and what their sources disagree about."""
    shapes = shape_array([land.shape for land in pasted.lands])
    inside = _holes_in(shapes, [hole for hole in holes if hole.plated is not False])
    named = name_lands(artwork.points, shapes, file=artwork.points_file)
    sites: list[Site] = []
    differ: list[tuple[Land, NetPoint]] = []
    for number, (land, openings, point) in enumerate(
        zip(pasted.lands, pasted.openings, named.points, strict=True)
    ):
        ref, pin, net = land.ref, land.pin, land.net
        if point is not None and not pin and (not ref or ref == point.ref):
            ref, pin = point.ref, point.pin
        if point is not None and not net:
            net = point.net
        if point is not None and _disagree(land, point):
            differ.append((land, point))
        if not ref and openings:
            ref = openings[0].ref
        sites.append(
            Site(
                land=land
                if (ref, pin, net) == (land.ref, land.pin, land.net)
                else structs.replace(land, ref=ref, pin=pin, net=net),
                paste=len(openings),
                ref=ref,
                pin=pin,
                holes=tuple(inside.get(number, ())),
                surface=named.surface[number],
            )
        )
    by_parts, check, more = _with_parts(sites, shapes, artwork)
    checks = [each for each in (named.check, check) if each is not None]
    return by_parts, checks, [*named.problems, *_disagreements(differ, artwork.points_file), *more]


def _holes_in(shapes: Shapes, leads: Sequence[Hole]) -> dict[int, list[Hole]]:
    inside: dict[int, list[Hole]] = {}
    if leads and len(shapes):
        centres = shape_array([PlanePoint(hole_centre(hole)) for hole in leads])
        # Flashes with a hole in the aperture are rings; the hole still stands in the land.
        filled = shape_array([Polygon(shape.exterior) if shape.interiors else shape for shape in shapes])
        for land, hole in STRtree(centres).query(filled, predicate="intersects").T:
            inside.setdefault(int(land), []).append(leads[int(hole)])
    return inside


def _with_parts(
    sites: Sequence[Site], shapes: Shapes, artwork: Artwork
) -> tuple[list[Site], Check | None, tuple[Problem, ...]]:
    """Return the sites with the references that a file of parts gives them."""
    result = list(sites)
    if not artwork.parts:
        return result, None, ()
    own = [number for number, site in enumerate(sites) if not site.land.via]
    by_parts = name_by_parts if artwork.parts_unit_known else name_by_parts_in_any_unit
    placed = by_parts(
        artwork.parts,
        shapes[own],
        [sites[number].ref for number in own],
        pins=[sites[number].pin for number in own],
        file=artwork.parts_file,
    )
    for number, ref in zip(own, placed.refs, strict=True):
        if ref != sites[number].ref:
            site = sites[number]
            result[number] = structs.replace(site, ref=ref, land=structs.replace(site.land, ref=ref))
    return result, placed.check, placed.problems


REF_LETTERS, NET_LETTERS = 6, 14
"""Columns of an IPC-D-356 record cut names to this many letters; some programs keep the first, some the last."""


def _disagree(land: Land, point: NetPoint) -> bool:
    """Tell whether copper and netlist name one pad differently."""
    ref = bool(land.ref and land.pin and point.ref) and not _same(land.ref, point.ref, REF_LETTERS)
    net = bool(land.net and point.net) and not _same(land.net, point.net, NET_LETTERS)
    return ref or net


def _same(whole: str, cut: str, letters: int) -> bool:
    """Tell whether a name may be another one cut to `letters`, at either end."""
    return whole[:letters] == cut[:letters] or whole[-letters:] == cut[-letters:]


def _disagreements(differ: Sequence[tuple[Land, NetPoint]], file: str) -> list[Problem]:
    if not differ:
        return []
    land, point = differ[0]
    what = (
        f"{len(differ)} pad(s) are named differently by netlist and copper, the first {land.ref}-{land.pin} on"
        f" {land.net or 'no net'} there, {point.ref}-{point.pin} on {point.net or 'no net'} in the netlist;"
        " the copper's names are kept"
    )
    mend = "Export all files from one state of the design."
    return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=file, line=point.line)]

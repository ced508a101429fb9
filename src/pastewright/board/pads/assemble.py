"""Read layers to `Board`: lands, paste, holes and names of one side brought together, as seen from that side.

Everything is matched in file coordinates; only at the end is it moved to the board's origin and, for the
bottom side, mirrored.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely import STRtree
from shapely.geometry import Polygon

from pastewright.board.artwork import DrillFile, GerberLayer
from pastewright.board.model import Board, Hole, LayerUse, LeftOut, PadKind, PasteOrigin, Side, Source
from pastewright.board.pads.kinds import Kind, Site, hole_centre, pad_kinds
from pastewright.board.pads.lands import Land, Lands, find_lands
from pastewright.board.pads.names import name_lands
from pastewright.board.pads.outline import Outline, on_outline, read_outline
from pastewright.board.pads.pasted import (
    Pasted,
    exposed_openings,
    fiducial_like,
    off_fiducials,
    paste_on_lands,
)
from pastewright.board.pads.placed import placed_board
from pastewright.board.parts.centroid import PartPlace
from pastewright.board.parts.centroid_fit import name_by_parts
from pastewright.board.parts.ipc356 import NetPoint
from pastewright.board.shapes.islands import polygons, shape_array
from pastewright.problems import InputError, Problem, Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """What was read for one side; None where there is no such layer. `net_points` and `parts` are those of this side."""

    name: str
    side: Side
    paste: GerberLayer | None = None
    copper: GerberLayer | None = None
    mask: GerberLayer | None = None
    outline: GerberLayer | None = None
    drills: tuple[DrillFile, ...] = ()
    net_points: tuple[NetPoint, ...] = ()
    net_file: str = ""
    parts: tuple[PartPlace, ...] = ()
    parts_file: str = ""
    uses: tuple[LayerUse, ...] = ()
    inputs_sha256: str = ""


def assemble(layers: Layers, *, shrink_mm: float = 0.0) -> Board:
    """Return the board of one side; `shrink_mm` is taken off exposed copper when there is no paste layer.

    Raises `InputError` when there is nothing to paste by: no paste layer and no exposed copper, or a paste
    layer that does not belong to the copper.
    """
    problems: list[Problem] = [*_missing(layers)]
    drills = [drill for file in layers.drills for drill in file.drills]
    holes = _holes(layers.drills)
    copper, mask = (_off_outline(layer, layers.outline) for layer in (layers.copper, layers.mask))
    lands = find_lands(copper, mask, drills)
    origin = PasteOrigin.PASTE_LAYER if layers.paste is not None else PasteOrigin.EXPOSED_COPPER
    outline = _outline(layers, lands)
    problems.extend(outline.problems)
    area = outline.area
    if layers.paste is not None:
        pasted = paste_on_lands(layers.paste, lands, outline=area, outline_layer=layers.outline)
    else:
        pasted = Pasted(lands=list(lands.lands), openings=[[] for _ in lands.lands], left_out=(), problems=())
    problems.extend(pasted.problems)
    sites, name_problems = _sites(pasted, holes, layers)
    problems.extend(name_problems)
    kinds = pad_kinds(sites, lands, area, origin)
    kept = [n for n, (site, kind) in enumerate(zip(sites, kinds, strict=True)) if _is_pad(site, kind, origin)]
    openings = pasted.openings
    left_out = list(pasted.left_out)
    if origin is PasteOrigin.EXPOSED_COPPER:
        openings, more = exposed_openings(sites, kinds, shrink_mm)
    else:
        openings, bare = off_fiducials(sites, kinds, openings)
        left_out.extend(bare)
        more = fiducial_like(sites, kinds, lands)
    problems.extend(more)
    if not kept and layers.paste is None:
        raise _nothing(layers)
    if not any(openings[n] for n in kept):
        problems.append(_no_paste(layers, left_out))
    return placed_board(
        name=layers.name,
        side=layers.side,
        uses=layers.uses,
        inputs_sha256=layers.inputs_sha256,
        origin=origin,
        outline=area,
        pads=[(sites[n], kinds[n], openings[n]) for n in kept],
        holes=holes,
        left_out=left_out,
        problems=problems,
    )


def _missing(layers: Layers) -> list[Problem]:
    side = layers.side.value
    found: list[Problem] = []

    def warn(what: str, mend: str) -> None:
        found.append(Problem(what=what, mend=mend, severity=Severity.WARNING))

    if layers.paste is None and layers.copper is None and layers.mask is None:
        raise InputError(
            [
                Problem(
                    what=f"there is no paste, copper or mask layer of the {side} side",
                    mend=f"Export the {side} paste, copper and mask layers, or say which files they are.",
                )
            ]
        )
    if layers.copper is None and (layers.mask is not None or layers.paste is None):
        warn(
            f"there is no {side} copper layer: every mask opening counts as a pad",
            "Add the copper layer; without it pads are as large as their mask openings.",
        )
    if layers.mask is None and (layers.copper is not None or layers.paste is None):
        warn(
            f"there is no {side} mask layer: every copper pad counts as exposed",
            "Add the mask layer; without it fiducials cannot be told by shape.",
        )
    if layers.paste is None:
        warn(
            f"there is no {side} paste layer: paste goes where copper is exposed",
            "Export the paste layer, or look at the picture and skip what shall stay bare by rules.",
        )
        if not layers.drills:
            warn(
                "there is no drill file either: through-hole pads cannot be told and get paste too",
                "Add the drill files, or skip those pads by rules.",
            )
    if layers.outline is None:
        warn(
            "there is no board outline: size and origin are those of the pads",
            "Add the outline layer, or say which file it is.",
        )
    return found


def _nothing(layers: Layers) -> InputError:
    file = layers.copper or layers.mask or layers.outline
    what = f"there is nothing to paste on the {layers.side.value} side: no copper is exposed"
    mend = "Check that the copper and mask layers belong together, or choose the other side."
    return InputError([Problem(what=what, mend=mend, file=file.file if file else "")])


def _no_paste(layers: Layers, left_out: Sequence[LeftOut]) -> Problem:
    file = layers.paste.file if layers.paste is not None else ""
    if layers.paste is not None and not layers.paste.objects:
        what = f"the paste layer is empty: nothing is pasted on the {layers.side.value} side"
    elif layers.paste is not None:
        what = f"the paste layer holds no paste, only {len(left_out)} thing(s) left out: nothing is pasted"
    else:
        what = f"no exposed copper of the {layers.side.value} side is left to paste"
    mend = "If parts stand on this side, export its paste layer again, or choose the other side."
    return Problem(what=what, mend=mend, severity=Severity.NOTE, file=file)


def _holes(files: Sequence[DrillFile]) -> list[Hole]:
    return [
        Hole(
            x_mm=drill.x_mm,
            y_mm=drill.y_mm,
            diameter_mm=drill.diameter_mm,
            plated=drill.plated if drill.plated is not None else file.plated,
            slot_to_mm=drill.slot_to_mm,
            source=Source(file=file.file, line=drill.line),
        )
        for file in files
        for drill in file.drills
    ]


def _outline(layers: Layers, lands: Lands) -> Outline:
    if layers.outline is None:
        return Outline(area=None, closed=False)
    shapes = [land.shape for land in lands.lands if not land.via]
    if not shapes and layers.paste is not None:
        shapes = [part for thing in layers.paste.objects if thing.dark for part in polygons(thing.shape)]
    return read_outline(layers.outline, shapes)


def _off_outline(layer: GerberLayer | None, outline: GerberLayer | None) -> GerberLayer | None:
    """Return the layer without the board's outline, should it be drawn there too."""
    if layer is None or outline is None:
        return layer
    drawn = on_outline(layer, outline)
    if not drawn.any():
        return layer
    kept = tuple(thing for thing, along in zip(layer.objects, drawn.tolist(), strict=True) if not along)
    return replace(layer, objects=kept)


def _sites(pasted: Pasted, holes: Sequence[Hole], layers: Layers) -> tuple[list[Site], list[Problem]]:
    shapes = shape_array([land.shape for land in pasted.lands])
    inside: dict[int, list[Hole]] = {}
    leads = [hole for hole in holes if hole.plated is not False]
    if leads and len(shapes):
        centres = shape_array([shapely.Point(hole_centre(hole)) for hole in leads])
        # Flashes with a hole in the aperture are rings; the hole still stands in the land.
        filled = shape_array([Polygon(shape.exterior) if shape.interiors else shape for shape in shapes])
        for land, hole in STRtree(centres).query(filled, predicate="intersects").T:
            inside.setdefault(int(land), []).append(leads[int(hole)])
    named = name_lands(layers.net_points, shapes, file=layers.net_file)
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
        known = replace(land, ref=ref, pin=pin, net=net)
        sites.append(
            Site(
                land=known,
                paste=len(openings),
                ref=ref,
                pin=pin,
                holes=tuple(inside.get(number, ())),
                surface=named.surface[number],
            )
        )
    problems = [*named.problems, *_disagreements(differ, layers.net_file)]
    if layers.parts:
        own = [number for number, site in enumerate(sites) if not site.land.via]
        placed = name_by_parts(
            layers.parts, shapes[own], [sites[number].ref for number in own], file=layers.parts_file
        )
        for number, ref in zip(own, placed.refs, strict=True):
            if ref != sites[number].ref:
                site = sites[number]
                sites[number] = replace(site, ref=ref, land=replace(site.land, ref=ref))
        problems.extend(placed.problems)
    return sites, problems


# Columns of an IPC-D-356 record cut names to this many letters.
_REF_LETTERS, _NET_LETTERS = 6, 14


def _disagree(land: Land, point: NetPoint) -> bool:
    """Tell whether copper and netlist name one pad differently."""
    ref = bool(land.ref and land.pin and point.ref) and land.ref[:_REF_LETTERS] != point.ref[:_REF_LETTERS]
    net = bool(land.net and point.net) and land.net[:_NET_LETTERS] != point.net[:_NET_LETTERS]
    return ref or net


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


def _is_pad(site: Site, kind: Kind, origin: PasteOrigin) -> bool:
    if site.paste:
        return True
    if site.land.via and not (kind.kind is PadKind.TEST_POINT and site.pin):
        return False  # a via whose mask is open is no pad
    if site.land.poured:
        return kind.kind is PadKind.THROUGH_HOLE or origin is PasteOrigin.EXPOSED_COPPER
    return True

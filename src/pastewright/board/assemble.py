"""Read layers to `Board`: lands, paste, holes and names of one side brought together, as seen from that side.

Everything is matched in file coordinates; only at the end is it moved to the board's origin and, for the
bottom side, mirrored.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import Polygon

from pastewright.board.ipc356 import NetPoint
from pastewright.board.islands import polygons, shape_array
from pastewright.board.kinds import (
    FIDUCIAL_CLEARANCE,
    Kind,
    Site,
    fiducial_clearance,
    hole_centre,
    pad_kinds,
    round_diameter_mm,
)
from pastewright.board.lands import Land, Lands, find_lands
from pastewright.board.layer import DrillFile, GerberLayer
from pastewright.board.model import (
    Aperture,
    Area,
    Board,
    Fiducial,
    Hole,
    LayerUse,
    LeftOut,
    Pad,
    PadKind,
    PasteOrigin,
    Point,
    Side,
    Source,
)
from pastewright.board.names import name_lands, pad_ids
from pastewright.board.outline import Outline, on_outline, read_outline
from pastewright.board.paste import Opening, Paste, find_paste
from pastewright.problems import InputError, Problem, Severity

# X2 functions of exposed copper that meets no part of this board, so that a missing paste layer cannot mean it.
_NEVER_PASTED = frozenset({"ConnectorPad", "CastellatedPad", "WasherPad"})
# An aperture that covers this part of a second land runs over two pads.
OVER_TWO_PART = 0.25
# Pads this far beyond the outline are said to be outside.
OUTSIDE_MM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """What was read for one side; None where there is no such layer. `net_points` are those of this side."""

    name: str
    side: Side
    paste: GerberLayer | None = None
    copper: GerberLayer | None = None
    mask: GerberLayer | None = None
    outline: GerberLayer | None = None
    drills: tuple[DrillFile, ...] = ()
    net_points: tuple[NetPoint, ...] = ()
    net_file: str = ""
    uses: tuple[LayerUse, ...] = ()
    inputs_sha256: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pasted:
    """Lands with the paste openings that stand on each, before kinds and names are known."""

    lands: list[Land]
    openings: list[list[Opening]]
    left_out: tuple[LeftOut, ...]
    problems: tuple[Problem, ...]


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
        pasted = _with_paste(layers, layers.paste, lands, area)
    else:
        pasted = _Pasted(
            lands=list(lands.lands), openings=[[] for _ in lands.lands], left_out=(), problems=()
        )
    problems.extend(pasted.problems)
    sites, name_problems = _sites(pasted, holes, layers)
    problems.extend(name_problems)
    kinds = pad_kinds(sites, lands, area, origin)
    kept = [n for n, (site, kind) in enumerate(zip(sites, kinds, strict=True)) if _is_pad(site, kind, origin)]
    openings = pasted.openings
    left_out = list(pasted.left_out)
    if origin is PasteOrigin.EXPOSED_COPPER:
        openings, more = _exposed(sites, kinds, shrink_mm)
    else:
        openings, bare = _off_fiducials(sites, kinds, openings)
        left_out.extend(bare)
        more = _fiducial_like(sites, kinds, lands)
    problems.extend(more)
    if not kept and layers.paste is None:
        raise _nothing(layers)
    if not any(openings[n] for n in kept):
        problems.append(_no_paste(layers, left_out))
    return _board(
        layers,
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
            plated=file.plated,
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


def _with_paste(layers: Layers, layer: GerberLayer, lands: Lands, outline: Area | None) -> _Pasted:
    """Put every paste opening on the land it covers most."""
    paste = find_paste(layer, lands, outline, graphics=on_outline(layer, layers.outline))
    every = [paste.instead.get(number, land) for number, land in enumerate(lands.lands)]
    every.extend(paste.more_lands)
    openings: list[list[Opening]] = [[] for _ in every]
    shapes = shape_array([opening.shape for opening in paste.openings])
    under = shape_array([land.shape for land in every])
    which, land = STRtree(under).query(shapes, predicate="intersects")
    # Where an opening meets just one land there is nothing to weigh.
    single = np.bincount(which, minlength=len(shapes))[which] == 1
    shared_mm2 = np.where(single, shapely.area(shapes[which]), 0.0)
    shared_mm2[~single] = shapely.area(shapely.intersection(shapes[which[~single]], under[land[~single]]))
    best: dict[int, tuple[float, int]] = {}
    crossing: set[int] = set()
    for number, place, mm2 in zip(which.tolist(), land.tolist(), shared_mm2.tolist(), strict=True):
        held = best.get(number)
        if held is not None and min(held[0], mm2) > OVER_TWO_PART * shapes[number].area:
            crossing.add(number)
        # A via never takes paste from a pad.
        if held is None or (not every[place].via, mm2) > (not every[held[1]].via, held[0]):
            best[number] = (mm2, place)
    for number, opening in enumerate(paste.openings):
        if number in best:
            openings[best[number][1]].append(opening)
        else:
            every.append(Land(shape=opening.shape, source=opening.source, ref=opening.ref))
            openings.append([opening])
    return _Pasted(
        lands=every,
        openings=openings,
        left_out=paste.left_out,
        problems=(*paste.problems, *_crossings(paste, crossing)),
    )


def _crossings(paste: Paste, crossing: set[int]) -> list[Problem]:
    if not crossing:
        return []
    first = paste.openings[min(crossing)].source
    what = (
        f"{len(crossing)} paste opening(s) run over several pads; each is counted for the pad it covers most"
    )
    mend = "Draw one opening per pad, so that each pad gets its own dose."
    return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=first.file, line=first.line)]


def _sites(pasted: _Pasted, holes: Sequence[Hole], layers: Layers) -> tuple[list[Site], list[Problem]]:
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
    for number, (land, openings, point) in enumerate(
        zip(pasted.lands, pasted.openings, named.points, strict=True)
    ):
        ref, pin, net = land.ref, land.pin, land.net
        if point is not None and not pin and (not ref or ref == point.ref):
            ref, pin = point.ref, point.pin
        if point is not None and not net:
            net = point.net
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
    return sites, list(named.problems)


def _is_pad(site: Site, kind: Kind, origin: PasteOrigin) -> bool:
    if site.paste:
        return True
    if site.land.via and not (kind.kind is PadKind.TEST_POINT and site.pin):
        return False  # a via whose mask is open is no pad
    if site.land.poured:
        return kind.kind is PadKind.THROUGH_HOLE or origin is PasteOrigin.EXPOSED_COPPER
    return True


def _exposed(
    sites: Sequence[Site], kinds: Sequence[Kind], shrink_mm: float
) -> tuple[list[list[Opening]], list[Problem]]:
    """Return paste openings made from exposed lands, and what got none."""
    openings: list[list[Opening]] = [[] for _ in sites]
    wanted = [
        number
        for number, (site, kind) in enumerate(zip(sites, kinds, strict=True))
        if kind.kind in (PadKind.SURFACE, PadKind.THERMAL)
        and not site.land.via
        and site.land.function not in _NEVER_PASTED
        and not kind.reason.startswith("castellated")
    ]
    shapes = shape_array([sites[number].land.shape for number in wanted])
    if shrink_mm > 0.0:
        shapes = shapely.buffer(shapes, -shrink_mm, join_style="mitre")
    lost: list[Land] = []
    for number, shape in zip(wanted, shapes, strict=True):
        land = sites[number].land
        parts = polygons(shape)
        openings[number] = [Opening(shape=part, source=land.source, ref=land.ref) for part in parts]
        if not parts:
            lost.append(land)
    if not lost:
        return openings, []
    what = f"{len(lost)} land(s) are narrower than twice the shrinkage of {shrink_mm} mm: they get no paste"
    mend = "Lower dose.shrink_mm in the profile."
    source = lost[0].source
    return openings, [
        Problem(what=what, mend=mend, severity=Severity.WARNING, file=source.file, line=source.line)
    ]


def _off_fiducials(
    sites: Sequence[Site], kinds: Sequence[Kind], openings: Sequence[list[Opening]]
) -> tuple[list[list[Opening]], list[LeftOut]]:
    """Take paste off what the files themselves call a fiducial."""
    kept = [list(each) for each in openings]
    left_out: list[LeftOut] = []
    for number, (site, kind) in enumerate(zip(sites, kinds, strict=True)):
        if kind.kind is PadKind.FIDUCIAL and site.paste:
            reason = f"over a fiducial ({kind.reason})"
            left_out.extend(
                LeftOut(shape=each.shape, reason=reason, source=each.source) for each in kept[number]
            )
            kept[number] = []
    return kept, left_out


def _fiducial_like(sites: Sequence[Site], kinds: Sequence[Kind], lands: Lands) -> list[Problem]:
    """Note pasted pads that look like fiducials: some programs open the paste layer over them."""
    alike = [
        site.land
        for site, kind in zip(sites, kinds, strict=True)
        if site.paste == 1
        and kind.kind is PadKind.SURFACE
        and not site.pin
        and fiducial_clearance(site.land, lands) >= FIDUCIAL_CLEARANCE
    ]
    if not alike:
        return []
    what = (
        f"{len(alike)} pasted pad(s) look like fiducials (round, with a wide mask opening); the paste layer "
        "opens over them and no file calls them fiducials, so they get paste"
    )
    mend = "Skip them by a rule if they are fiducials."
    source = alike[0].source
    return [Problem(what=what, mend=mend, severity=Severity.NOTE, file=source.file, line=source.line)]


def _board(
    layers: Layers,
    *,
    origin: PasteOrigin,
    outline: Area | None,
    pads: Sequence[tuple[Site, Kind, list[Opening]]],
    holes: Sequence[Hole],
    left_out: Sequence[LeftOut],
    problems: list[Problem],
) -> Board:
    mirrored = layers.side is Side.BOTTOM
    x0_mm, y0_mm, x1_mm, y1_mm = _box(outline, pads)
    corner = (x1_mm if mirrored else x0_mm, y0_mm)
    place = _Place(corner=corner, mirrored=mirrored)
    problems.extend(_outside(outline, pads))
    lands = place.areas([site.land.shape for site, _, _ in pads])
    apertures = iter(place.areas([each.shape for _, _, openings in pads for each in openings]))
    by_place = {id(hole): place.hole(hole) for hole in holes}
    centres = shapely.get_coordinates(shapely.centroid(shape_array(lands))).tolist()
    ids, doubled = pad_ids([(site.ref, site.pin) for site, _, _ in pads], centres)
    if doubled:
        what = (
            f"{doubled} pad(s) share a name with another (a panel of copies, or several lands on one pin); "
            "they are told apart by #2, #3, … from the lower left"
        )
        problems.append(Problem(what=what, severity=Severity.NOTE))
    made = [
        Pad(
            id=ids[number],
            kind=kind.kind,
            land=lands[number],
            apertures=tuple(Aperture(shape=next(apertures), source=each.source) for each in openings),
            source=site.land.source,
            ref=site.ref,
            pin=site.pin,
            net=site.land.net,
            hole=by_place[id(kind.hole)] if kind.hole is not None else None,
            kind_reason=kind.reason,
        )
        for number, (site, kind, openings) in enumerate(pads)
    ]
    fiducials = [
        Fiducial(
            x_mm=centres[number][0],
            y_mm=centres[number][1],
            diameter_mm=round_diameter_mm(site.land) or float(2.0 * np.sqrt(site.land.shape.area / np.pi)),
            reason=kind.reason,
            source=site.land.source,
        )
        for number, (site, kind, _) in enumerate(pads)
        if kind.kind is PadKind.FIDUCIAL
    ]
    outside = place.areas([each.shape for each in left_out])
    return Board(
        name=layers.name,
        side=layers.side,
        outline=place.areas([outline])[0] if outline is not None else None,
        size_mm=(x1_mm - x0_mm, y1_mm - y0_mm),
        file_origin_mm=corner,
        mirrored=mirrored,
        pads=tuple(made),
        holes=tuple(by_place[id(hole)] for hole in holes),
        fiducials=tuple(fiducials),
        paste_origin=origin,
        layers=layers.uses,
        left_out=tuple(
            LeftOut(shape=shape, reason=each.reason, source=each.source)
            for each, shape in zip(left_out, outside, strict=True)
        ),
        problems=tuple(problems),
        inputs_sha256=layers.inputs_sha256,
    )


def _box(
    outline: Area | None, pads: Sequence[tuple[Site, Kind, list[Opening]]]
) -> tuple[float, float, float, float]:
    """Return the box of the outline [mm, file], or of all pads when there is none."""
    if outline is None and not pads:
        return 0.0, 0.0, 0.0, 0.0
    shapes: list[Any] = [outline] if outline is not None else []
    if outline is None:
        for site, _, openings in pads:
            shapes.extend([site.land.shape, *(each.shape for each in openings)])
    x0, y0, x1, y1 = shapely.total_bounds(shape_array(shapes)).tolist()
    return x0, y0, x1, y1


def _outside(outline: Area | None, pads: Sequence[tuple[Site, Kind, list[Opening]]]) -> list[Problem]:
    pasted = [(site, openings) for site, _, openings in pads if openings]
    if outline is None or not pasted:
        return []
    board = shapely.union_all(
        shape_array([Polygon(part.exterior) for part in polygons(shapely.buffer(outline, OUTSIDE_MM))])
    )
    shapely.prepare(board)
    points = shapely.point_on_surface(shape_array([openings[0].shape for _, openings in pasted]))
    beyond = np.flatnonzero(~shapely.covers(board, points))
    if len(beyond) == 0:
        return []
    source = pasted[int(beyond[0])][1][0].source
    what = f"{len(beyond)} pasted pad(s) lie outside the board's outline"
    mend = "Check that the outline and paste layers were exported with the same origin."
    return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=source.file, line=source.line)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """From file to board coordinates: `corner` becomes (0, 0); x is turned round for the bottom side."""

    corner: Point
    mirrored: bool

    def coordinates(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        moved: NDArray[np.float64] = places - np.array(self.corner)
        if self.mirrored:
            moved = moved * np.array((-1.0, 1.0))
        return moved

    def point(self, x_mm: float, y_mm: float) -> Point:
        x, y = self.coordinates(np.array([[x_mm, y_mm]]))[0].tolist()
        return x, y

    def areas(self, shapes: Sequence[Any]) -> list[Any]:
        if not shapes:
            return []
        return list(shapely.transform(shape_array(shapes), self.coordinates))

    def hole(self, hole: Hole) -> Hole:
        x_mm, y_mm = self.point(hole.x_mm, hole.y_mm)
        slot = self.point(*hole.slot_to_mm) if hole.slot_to_mm is not None else None
        return replace(hole, x_mm=x_mm, y_mm=y_mm, slot_to_mm=slot)

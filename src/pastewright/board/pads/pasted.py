"""Paste and lands brought together: which openings stand on which land, before kinds and names are known.

With a paste layer every opening goes to the land it covers most; without one, openings are made from the
exposed lands themselves, less what must stay bare.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from msgspec import Struct, structs
from shapely import STRtree

from pastewright.board.artwork import Layer
from pastewright.board.model import Area, LeftOut, PadKind
from pastewright.board.pads.fiducials import FIDUCIAL_CLEARANCE, fiducial_clearance, of_fiducial_size
from pastewright.board.pads.graphics import Marked
from pastewright.board.pads.kinds import THERMAL_ASPECT, Kind
from pastewright.board.pads.lands import Land, Lands
from pastewright.board.pads.paste import Opening, PasteShapes, find_paste
from pastewright.board.pads.rounds import sides_mm
from pastewright.board.pads.site import Site
from pastewright.board.shapes.islands import polygons, shape_array
from pastewright.board.shapes.nearest import shared_out
from pastewright.problems import Problem, Severity

# X2 functions of exposed copper that meets no part of this board, so that a missing paste layer cannot mean it.
_NEVER_PASTED = frozenset({"ConnectorPad", "CastellatedPad", "WasherPad"})
# An aperture that covers this part of a second land runs over two pads.
OVER_TWO_PART = 0.25
COVERED_PART = 0.5
"""An opening that covers this part of several lands is paste of them all, and is shared out among them."""


class Pasted(Struct, frozen=True, kw_only=True):
    """Lands with the paste openings that stand on each, before kinds and names are known."""

    lands: list[Land]
    openings: list[list[Opening]]
    left_out: tuple[LeftOut, ...]
    problems: tuple[Problem, ...]
    off_copper: int = 0
    """Flashes and regions of the paste layer that lie over no copper; what was known as graphics not counted."""


def paste_on_lands(layer: Layer, lands: Lands, *, outline: Area | None, graphics: Marked) -> Pasted:
    """Return the lands with every paste opening on the one it covers most; what `graphics` marks is known to be none.

    Raises `InputError` when the paste layer does not belong to the lands.
    """
    paste = find_paste(layer, lands, outline, graphics=graphics)
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
    land_mm2 = shapely.area(under)
    over: dict[int, list[int]] = {}
    for number, place, mm2 in zip(which.tolist(), land.tolist(), shared_mm2.tolist(), strict=True):
        if mm2 > COVERED_PART * land_mm2[place] and not every[place].via:
            over.setdefault(number, []).append(place)
    for number, opening in enumerate(paste.openings):
        if len(over.get(number, ())) > 1:
            crossing.add(number)
            for place, parts in zip(
                over[number], shared_out(opening.shape, under[over[number]]), strict=True
            ):
                openings[place].extend(structs.replace(opening, shape=part) for part in parts)
        elif number in best:
            openings[best[number][1]].append(opening)
        else:
            every.append(Land(shape=opening.shape, source=opening.source, ref=opening.ref))
            openings.append([opening])
    if lands.copper is None:
        every, openings = _each_its_own(every, openings)
    return Pasted(
        lands=every,
        openings=openings,
        left_out=paste.left_out,
        problems=(*paste.problems, *_crossings(paste, crossing)),
        off_copper=paste.off_copper,
    )


def _is_long(land: Land) -> bool:
    short_mm, long_mm = sides_mm(land.shape)
    return long_mm > THERMAL_ASPECT * short_mm


def _each_its_own(
    lands: Sequence[Land], openings: Sequence[list[Opening]]
) -> tuple[list[Land], list[list[Opening]]]:
    """Without copper, several paste openings in one long mask opening are a row of pads, not window panes."""
    apart_lands: list[Land] = []
    apart_openings: list[list[Opening]] = []
    for land, held in zip(lands, openings, strict=True):
        if len(held) < 2 or not _is_long(land):
            apart_lands.append(land)
            apart_openings.append(held)
            continue
        for opening in held:
            apart_lands.append(
                structs.replace(land, shape=opening.shape, source=opening.source, round_mm=0.0)
            )
            apart_openings.append([opening])
    return apart_lands, apart_openings


def _crossings(paste: PasteShapes, crossing: set[int]) -> list[Problem]:
    if not crossing:
        return []
    first = paste.openings[min(crossing)].source
    what = (
        f"{len(crossing)} paste opening(s) run over several pads; what covers them is shared out, each place to the"
        " nearest pad"
    )
    mend = "Draw one opening per pad, so that each pad gets its own dose."
    return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=first.file, line=first.line)]


def exposed_openings(sites: Sequence[Site], kinds: Sequence[Kind]) -> list[list[Opening]]:
    """Return paste openings made from exposed lands, as large as they are; none for what shall stay bare."""
    return [
        [
            Opening(shape=part, source=site.land.source, ref=site.land.ref)
            for part in polygons(site.land.shape)
        ]
        if kind.kind in (PadKind.SURFACE, PadKind.THERMAL)
        and not site.land.via
        and site.land.function not in _NEVER_PASTED
        and not kind.castellated
        else []
        for site, kind in zip(sites, kinds, strict=True)
    ]


def off_fiducials(
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


def fiducial_like(sites: Sequence[Site], kinds: Sequence[Kind], lands: Lands) -> list[Problem]:
    """Note pasted pads that look like fiducials: some programs open the paste layer over them."""
    asked = [
        site.land
        for site, kind in zip(sites, kinds, strict=True)
        if site.paste == 1 and kind.kind is PadKind.SURFACE and not site.pin
    ]
    # Most lands are told by their size alone.
    sized = of_fiducial_size(shape_array([land.shape for land in asked])).tolist()
    alike = [
        land
        for land, able in zip(asked, sized, strict=True)
        if able and fiducial_clearance(land, lands) >= FIDUCIAL_CLEARANCE
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

"""Films of one side to what is pasted there [mm, file]: lands, paste, holes and names brought together.

Everything is matched in file coordinates; `placed` moves it to the board's origin.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pastewright.board.artwork import Artwork, Layer
from pastewright.board.model import Check, LeftOut, PadKind, PasteOrigin, Side
from pastewright.board.pads.astray import drills_in_place, holes_in_copper
from pastewright.board.pads.films import Films, films_of
from pastewright.board.pads.graphics import Marked, graphics_of, outside_of
from pastewright.board.pads.holes import holes_of
from pastewright.board.pads.kinds import Kind, pad_kinds
from pastewright.board.pads.lands import Land, Lands, find_lands
from pastewright.board.pads.missing import missing_layers, no_paste, nothing_exposed
from pastewright.board.pads.outline import NO_OUTLINE, Outline, read_outline
from pastewright.board.pads.partly import partly_named
from pastewright.board.pads.pasted import (
    Pasted,
    exposed_openings,
    fiducial_like,
    off_fiducials,
    paste_on_lands,
)
from pastewright.board.pads.placed import FoundSide
from pastewright.board.pads.site import Site
from pastewright.board.pads.sites import sites_of
from pastewright.board.shapes.islands import polygons, shape_array
from pastewright.problems import Problem, Severity


def films_side(artwork: Artwork, side: Side) -> FoundSide:
    """Return what is pasted on `side`.

    Raises `InputError` when there is nothing to paste by: no paste layer and no exposed copper, or a paste
    layer that does not belong to the copper.
    """
    films = films_of(artwork, side)
    problems: list[Problem] = [*missing_layers(films)]
    drillings, astray = drills_in_place(films.drillings, films.copper)
    films = replace(films, drillings=drillings)
    problems.extend(astray)
    holes = holes_of(films.drillings)
    cleared, graphics = _cleared(films)
    lands = find_lands(cleared.copper, cleared.mask, films.drills)
    outline = _outline(films, lands)
    problems.extend(outline.problems)
    if outline.closed:
        lands, beside = lands.within(outline.area)
        problems.extend(_told_outside(beside))
        if films.paste is not None:
            graphics |= outside_of(outline.area, shape_array([thing.shape for thing in films.paste.objects]))
    origin = PasteOrigin.PASTE_LAYER if films.paste is not None else PasteOrigin.EXPOSED_COPPER
    if films.paste is not None:
        pasted = paste_on_lands(films.paste, lands, outline=outline.area, graphics=graphics)
    else:
        pasted = Pasted(lands=list(lands.lands), openings=[[] for _ in lands.lands], left_out=(), problems=())
    problems.extend(pasted.problems)
    sites, named, name_problems = sites_of(pasted, holes, artwork)
    problems.extend(name_problems)
    partly, partly_told = partly_named(sites, artwork.parts_file or artwork.points_file)
    problems.extend(partly_told)
    kinds = pad_kinds(sites, lands, outline.area, origin)
    kept = [n for n, (site, kind) in enumerate(zip(sites, kinds, strict=True)) if _is_pad(site, kind, origin)]
    left_out = list(pasted.left_out)
    if origin is PasteOrigin.EXPOSED_COPPER:
        openings = exposed_openings(sites, kinds)
    else:
        openings, bare = off_fiducials(sites, kinds, pasted.openings)
        left_out.extend(bare)
        problems.extend(_told_bare(bare))
        problems.extend(fiducial_like(sites, kinds, lands))
    if not kept and films.paste is None:
        raise nothing_exposed(films)
    if not any(openings[n] for n in kept):
        problems.append(no_paste(films, left_out))
    return FoundSide(
        origin=origin,
        outline=outline.area,
        pads=tuple((sites[n], kinds[n], openings[n]) for n in kept),
        holes=tuple(holes),
        left_out=tuple(left_out),
        problems=tuple(problems),
        outline_from=outline.known,
        partly_named=tuple(partly),
        checks=tuple(check for check in (*_checks(pasted, films), *named) if check.of),
    )


def _checks(pasted: Pasted, films: Films) -> list[Check]:
    """Return how far paste, copper and drills agree."""
    checks = []
    if films.paste is not None and films.copper is not None:
        openings = sum(map(len, pasted.openings))
        checks.append(Check(what="paste openings on copper", met=openings, of=openings + pasted.off_copper))
    if films.copper is not None:
        checks.append(holes_in_copper(films.drillings, films.copper))
    return checks


def _told_bare(bare: Sequence[LeftOut]) -> list[Problem]:
    if not bare:
        return []
    what = f"{len(bare)} paste opening(s) are left out: {bare[0].reason}"
    mend = "If one is a pad, give it another reference, or a rule with its kind."
    first = bare[0].source
    return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=first.file, line=first.line)]


def _told_outside(lands: Sequence[Land]) -> list[Problem]:
    if not lands:
        return []
    what = f"{len(lands)} piece(s) of exposed copper lie outside the board's outline: left out with the paste on them"
    mend = "If they are pads, check that outline, copper and paste were exported with one origin."
    first = lands[0].source
    return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=first.file, line=first.line)]


def _cleared(films: Films) -> tuple[Films, Marked]:
    """Return the films with graphics taken off copper and mask, and what of the paste layer is graphics."""
    marked = np.zeros(0, dtype=bool)
    legends: tuple[Layer, ...] = ()
    if films.paste is not None:
        marked = graphics_of(films.paste, films.outline, films.others, films.drills)
        drawn = tuple(thing for thing, own in zip(films.paste.objects, marked.tolist(), strict=True) if own)
        legends = (replace(films.paste, objects=drawn),) if drawn and films.others else ()
    copper, mask = (
        _without(layer, graphics_of(layer, films.outline, legends, films.drills))
        if layer is not None
        else None
        for layer in (films.copper, films.mask)
    )
    return replace(films, copper=copper, mask=mask), marked


def _without(layer: Layer, marked: Marked) -> Layer:
    if not marked.any():
        return layer
    return replace(
        layer,
        objects=tuple(thing for thing, own in zip(layer.objects, marked.tolist(), strict=True) if not own),
    )


def _outline(films: Films, lands: Lands) -> Outline:
    if films.outline is None:
        return NO_OUTLINE
    shapes = [land.shape for land in lands.lands if not land.via]
    if not shapes and films.paste is not None:
        shapes = [part for thing in films.paste.objects if thing.dark for part in polygons(thing.shape)]
    return read_outline(films.outline, shapes, [(drill.x_mm, drill.y_mm) for drill in films.drills])


def _is_pad(site: Site, kind: Kind, origin: PasteOrigin) -> bool:
    if site.paste:
        return True
    if site.land.via and not (kind.kind is PadKind.TEST_POINT and site.pin):
        return False  # a via whose mask is open is no pad
    if site.land.poured:
        return kind.kind is PadKind.THROUGH_HOLE or origin is PasteOrigin.EXPOSED_COPPER
    return True

"""Films of one side to what is pasted there [mm, file]: lands, paste, holes and names brought together.

Everything is matched in file coordinates; `placed` moves it to the board's origin.
"""

from dataclasses import replace

from pastewright.board.artwork import Artwork, Layer
from pastewright.board.model import PadKind, PasteOrigin, Side
from pastewright.board.pads.films import Films, films_of
from pastewright.board.pads.holes import holes_of
from pastewright.board.pads.kinds import Kind, Site, pad_kinds
from pastewright.board.pads.lands import Lands, find_lands
from pastewright.board.pads.missing import missing_layers, no_paste, nothing_exposed
from pastewright.board.pads.outline import Outline, on_outline, read_outline
from pastewright.board.pads.pasted import (
    Pasted,
    exposed_openings,
    fiducial_like,
    off_fiducials,
    paste_on_lands,
)
from pastewright.board.pads.placed import FoundSide
from pastewright.board.pads.sites import sites_of
from pastewright.board.shapes.islands import polygons
from pastewright.problems import Problem


def films_side(artwork: Artwork, side: Side) -> FoundSide:
    """Return what is pasted on `side`.

    Raises `InputError` when there is nothing to paste by: no paste layer and no exposed copper, or a paste
    layer that does not belong to the copper.
    """
    films = films_of(artwork, side)
    problems: list[Problem] = [*missing_layers(films)]
    drills = [drill for file in films.drillings for drill in file.drills]
    holes = holes_of(films.drillings)
    copper, mask = (_off_outline(layer, films.outline) for layer in (films.copper, films.mask))
    lands = find_lands(copper, mask, drills)
    origin = PasteOrigin.PASTE_LAYER if films.paste is not None else PasteOrigin.EXPOSED_COPPER
    outline = _outline(films, lands)
    problems.extend(outline.problems)
    if films.paste is not None:
        pasted = paste_on_lands(films.paste, lands, outline=outline.area, outline_layer=films.outline)
    else:
        pasted = Pasted(lands=list(lands.lands), openings=[[] for _ in lands.lands], left_out=(), problems=())
    problems.extend(pasted.problems)
    sites, name_problems = sites_of(pasted, holes, artwork)
    problems.extend(name_problems)
    kinds = pad_kinds(sites, lands, outline.area, origin)
    kept = [n for n, (site, kind) in enumerate(zip(sites, kinds, strict=True)) if _is_pad(site, kind, origin)]
    left_out = list(pasted.left_out)
    if origin is PasteOrigin.EXPOSED_COPPER:
        openings = exposed_openings(sites, kinds)
    else:
        openings, bare = off_fiducials(sites, kinds, pasted.openings)
        left_out.extend(bare)
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
    )


def _outline(films: Films, lands: Lands) -> Outline:
    if films.outline is None:
        return Outline(area=None, closed=False)
    shapes = [land.shape for land in lands.lands if not land.via]
    if not shapes and films.paste is not None:
        shapes = [part for thing in films.paste.objects if thing.dark for part in polygons(thing.shape)]
    return read_outline(films.outline, shapes)


def _off_outline(layer: Layer | None, outline: Layer | None) -> Layer | None:
    """Return the layer without the board's outline, should it be drawn there too."""
    if layer is None or outline is None:
        return layer
    drawn = on_outline(layer, outline)
    if not drawn.any():
        return layer
    kept = tuple(thing for thing, along in zip(layer.objects, drawn.tolist(), strict=True) if not along)
    return replace(layer, objects=kept)


def _is_pad(site: Site, kind: Kind, origin: PasteOrigin) -> bool:
    if site.paste:
        return True
    if site.land.via and not (kind.kind is PadKind.TEST_POINT and site.pin):
        return False  # a via whose mask is open is no pad
    if site.land.poured:
        return kind.kind is PadKind.THROUGH_HOLE or origin is PasteOrigin.EXPOSED_COPPER
    return True

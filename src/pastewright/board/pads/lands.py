"""Copper and mask layers to lands: the copper that solder can wet, pad by pad.

A land is copper within a mask opening. Cutting the whole copper image with the openings would join pads
with the traces and pours that touch them, so each pad's own copper object (flash, or region that lies mostly in the
open) is cut by its opening, and only openings without such an object fall back on all their copper: pads
defined by the mask alone, and pads painted with strokes.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from msgspec import Struct, structs
from shapely import STRtree
from shapely.geometry import Polygon

from pastewright.board.artwork import Drawn, DrawnKind, Drill, Layer
from pastewright.board.model import Area, Point, Source
from pastewright.board.pads.graphics import outside_of
from pastewright.board.shapes.covering import covers
from pastewright.board.shapes.islands import (
    Indices,
    Island,
    Shapes,
    groups,
    islands,
    painted,
    plain_polygons,
    polygons,
    shape_array,
    united,
)

# X2 aperture functions of copper that is never soldered to (Gerber layer format specification, 5.6.10).
NOT_PADS = frozenset({"Conductor", "EtchedComponent", "NonConductor", "CopperBalancing", "Border", "Profile"})
# Vias without attributes: round, no larger than this, around a hole no larger than that (common practice:
# leads need holes of 0.6 mm and more, vias are drilled 0.2 to 0.4 mm).
VIA_LAND_MM = 1.2
VIA_HOLE_MM = 0.5  # see above
# A region is a pad of its own when at least this part of it lies open; pours are mostly covered.
OPEN_PART = 0.5
# Exposed copper longer than this times its width is a line (an outline or frame drawn into all layers).
LINE_ASPECT = 100.0
# An opening this many times larger than the via flashes in it shows a pour, not the vias.
POUR_FACTOR = 3.0
# Slivers that a neighbour's opening cuts from a pad are no lands.
SLIVER_PART = 0.1


class Land(Struct, frozen=True, kw_only=True):
    """Exposed copper [mm, file] with what its copper object says about it.

    `function` is the X2 aperture function; `round_mm` the diameter of a round flash, else 0; `opening` the
    index of the mask opening, None without a mask layer. `poured`: no copper object of its own. `path_mm`,
    `path_width_mm` and `volume_ul` are those of `Pad`, in file coordinates.
    """

    shape: Polygon
    source: Source
    opening: int | None = None
    function: str = ""
    ref: str = ""
    pin: str = ""
    net: str = ""
    round_mm: float = 0.0
    via: bool = False
    poured: bool = False
    path_mm: tuple[Point, ...] = ()
    path_width_mm: float = 0.0
    volume_ul: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lands:
    """All lands of one side, the mask `openings` they lie in, and the layers to look things up again."""

    lands: tuple[Land, ...]
    openings: tuple[Polygon, ...]
    copper: Layer | None
    has_mask: bool

    @property
    def known(self) -> bool:
        """False when there is neither copper nor mask to judge paste by."""
        return self.copper is not None or self.has_mask

    def within(self, board: Area | None) -> tuple["Lands", list[Land]]:
        """Return the lands that touch the board, and those beside it: legends and marks of a film stand there."""
        off = outside_of(board, shape_array([land.shape for land in self.lands])).tolist()
        kept = tuple(land for land, away in zip(self.lands, off, strict=True) if not away)
        beside = [land for land, away in zip(self.lands, off, strict=True) if away and not land.via]
        return replace(self, lands=kept), beside


def find_lands(copper: Layer | None, mask: Layer | None, drills: Sequence[Drill] = ()) -> Lands:
    """Return the lands [mm, file] of copper within mask openings.

    Without a mask, every copper flash counts as exposed; without copper, every opening counts as copper.
    `drills` tell vias from pads.
    """
    opened = islands(mask.objects) if mask is not None else []
    openings = tuple(island.shape for island in opened)
    if copper is None:
        lands = _lands_of_openings(opened, mask) if mask is not None else []
        return Lands(lands=tuple(lands), openings=openings, copper=None, has_mask=mask is not None)
    pieces = _pieces(copper, None if mask is None else shape_array(openings), drills)
    lands = _merged(_without_vias_in_lands(_outside_pours(pieces, openings)))
    if mask is not None:
        bare = sorted(
            set(range(len(openings))) - {land.opening for land in lands if land.opening is not None}
        )
        lands.extend(poured_lands(copper, openings, bare))
    return Lands(lands=tuple(lands), openings=openings, copper=copper, has_mask=mask is not None)


def _lands_of_openings(opened: Sequence[Island], mask: Layer) -> list[Land]:
    return [
        Land(
            shape=island.shape,
            source=Source(file=mask.file, line=mask.objects[island.members[0]].line),
            opening=index,
            round_mm=mask.objects[island.members[0]].width_mm if len(island.members) == 1 else 0.0,
        )
        for index, island in enumerate(opened)
    ]


def _land(thing: Drawn, shape: Polygon, file: str, opening: int | None, *, via: bool) -> Land:
    return Land(
        shape=shape,
        source=Source(file=file, line=thing.line),
        opening=opening,
        function=thing.function,
        ref=thing.ref,
        pin=thing.pin,
        net=thing.net,
        round_mm=thing.width_mm if thing.kind is DrawnKind.FLASH else 0.0,
        via=via,
    )


def _pieces(copper: Layer, openings: Shapes | None, drills: Sequence[Drill]) -> list[Land]:
    """Return every pad-like copper object, cut by each opening that shows it."""
    objects = copper.objects
    index = np.array([n for n, thing in enumerate(objects) if _may_be_pad(thing)], dtype=np.intp)
    shapes = shape_array([objects[n].shape for n in index])
    vias = _vias([objects[n] for n in index], shapes, drills)
    cleared = _cleared(objects, index, shapes)
    whole = [cleared.get(position, shape) for position, shape in enumerate(shapes)]
    if openings is None:
        return [
            _land(objects[n], part, copper.file, None, via=bool(vias[position]))
            for position, n in enumerate(index)
            if objects[n].kind is DrawnKind.FLASH or objects[n].function.endswith("Pad")
            for part in polygons(whole[position])
        ]
    found: list[Land] = []
    for position, cuts in _shown(shape_array(whole), openings).items():
        thing = objects[index[position]]
        if len(cuts) > 1 or thing.kind is DrawnKind.REGION:
            areas_mm2 = [part.area for _, part in cuts]
            if thing.kind is DrawnKind.REGION and sum(areas_mm2) < OPEN_PART * whole[position].area:
                continue
            least_mm2 = SLIVER_PART * max(areas_mm2, default=0.0)
            cuts = [cut for cut, area_mm2 in zip(cuts, areas_mm2, strict=True) if area_mm2 >= least_mm2]
        found.extend(
            _land(thing, part, copper.file, opening, via=bool(vias[position])) for opening, part in cuts
        )
    return found


def _may_be_pad(thing: Drawn) -> bool:
    return thing.dark and thing.kind is not DrawnKind.STROKE and thing.function not in NOT_PADS


def _shown(shapes: Shapes, openings: Shapes) -> dict[int, list[tuple[int, Polygon]]]:
    """Return, per shape that lies in some opening, the parts of it that each opening shows."""
    which, opening = STRtree(openings).query(shapes, predicate="intersects")
    area_mm2, open_mm2 = shapely.area(shapes), np.zeros(len(shapes))
    np.add.at(open_mm2, which, shapely.area(openings)[opening])
    # A pour under many openings would be cut again and again, only to be dropped for being mostly covered.
    worth = open_mm2[which] >= OPEN_PART * area_mm2[which]
    small = shapely.get_num_coordinates(shapes[which]) < 500
    which, opening = which[worth | small], opening[worth | small]
    inside = covers(openings[opening], shapes[which])
    cut = shapes[which].copy()
    cut[~inside] = shapely.intersection(shapes[which[~inside]], openings[opening[~inside]])
    found: dict[int, list[tuple[int, Polygon]]] = {}
    plain = plain_polygons(cut).tolist()
    for number, hole, part, whole in zip(which.tolist(), opening.tolist(), cut, plain, strict=True):
        pieces = (part,) if whole else polygons(part)
        found.setdefault(number, []).extend([(hole, piece) for piece in pieces])
    return found


def _cleared(objects: Sequence[Drawn], index: Indices, shapes: Shapes) -> dict[int, Any]:
    """Return what is left of the shapes that later clear objects cut into."""
    clear = np.array([n for n, thing in enumerate(objects) if not thing.dark], dtype=np.intp)
    if len(clear) == 0 or len(index) == 0:
        return {}
    wipes = shape_array([objects[n].shape for n in clear])
    which, wipe = STRtree(wipes).query(shapes, predicate="intersects")
    later = clear[wipe] > index[which]
    left: dict[int, Any] = {}
    for position, cuts in _runs(which[later], wipe[later]):
        left[position] = shapely.difference(shapes[position], shapely.union_all(wipes[cuts]))
    return left


def _runs(keys: Indices, values: Indices) -> Iterator[tuple[int, Indices]]:
    """Yield each distinct key with all of its values."""
    order = np.argsort(keys, kind="stable")
    keys, values = keys[order], values[order]
    distinct, starts = np.unique(keys, return_index=True)
    yield from zip(distinct.tolist(), np.split(values, starts[1:]), strict=True) if len(distinct) else ()


def _vias(things: Sequence[Drawn], shapes: Shapes, drills: Sequence[Drill]) -> list[bool]:
    via = [thing.function == "ViaPad" for thing in things]
    if drills and len(things):
        points = shapely.points([drill.x_mm for drill in drills], [drill.y_mm for drill in drills])
        for which, hole in STRtree(points).query(shapes, predicate="contains").T:
            thing = things[which]
            untold = not thing.function and "P" not in thing.attributes
            if untold and 0.0 < thing.width_mm <= VIA_LAND_MM and drills[hole].diameter_mm <= VIA_HOLE_MM:
                via[which] = True
    return via


def _by_opening(lands: Iterable[Land]) -> dict[int | None, list[Land]]:
    found: dict[int | None, list[Land]] = {}
    for land in lands:
        found.setdefault(land.opening, []).append(land)
    return found


def _outside_pours(pieces: Sequence[Land], openings: Sequence[Polygon]) -> list[Land]:
    """Drop the vias of openings that show a pour: there the whole exposed copper is the land."""
    kept: list[Land] = []
    for opening, lands in _by_opening(pieces).items():
        if opening is not None and all(land.via for land in lands):
            vias_mm2 = sum(land.shape.area for land in lands)
            if openings[opening].area > POUR_FACTOR * vias_mm2:
                continue
        kept.extend(lands)
    return kept


def _without_vias_in_lands(pieces: Sequence[Land]) -> list[Land]:
    """Drop vias that stand in or reach into a real land: they must not blow it up."""
    vias = [land for land in pieces if land.via]
    real = [land for land in pieces if not land.via]
    if not vias or not real:
        return list(pieces)
    via, land = STRtree(shape_array([land.shape for land in real])).query(
        shape_array([land.shape for land in vias]), predicate="intersects"
    )
    hit = {int(v) for v, r in zip(via, land, strict=True) if vias[v].opening == real[r].opening}
    return [*real, *(land for number, land in enumerate(vias) if number not in hit)]


def _merged(pieces: Sequence[Land]) -> list[Land]:
    """Unite pieces that overlap in one opening and do not say that they are different pads."""
    shapes = shape_array([land.shape for land in pieces])
    if len(pieces) == 0:
        return []
    pairs = STRtree(shapes).query(shapes, predicate="intersects")
    pairs = pairs[:, pairs[0] < pairs[1]]
    if pairs.shape[1]:
        shared = shapely.intersection(shapes[pairs[0]], shapes[pairs[1]])
        joined = (shapely.area(shared) > 1e-4) | (shapely.length(shared) > 0.02)
        alike = [_one_pad(pieces[i], pieces[j]) for i, j in pairs.T]
        pairs = pairs[:, joined & np.array(alike, dtype=bool)]
    found: list[Land] = []
    for members in groups(len(pieces), pairs):
        if len(members) == 1:
            found.append(pieces[int(members[0])])
            continue
        # The largest piece speaks for the pad; what it does not know, another may.
        lands = sorted((pieces[int(n)] for n in members), key=lambda land: -land.shape.area)
        named = next((land for land in lands if land.pin), lands[0])
        for part in united([land.shape for land in lands]):
            alone = abs(part.area - lands[0].shape.area) < 1e-3 * part.area
            found.append(
                structs.replace(
                    lands[0],
                    shape=part,
                    ref=named.ref,
                    pin=named.pin,
                    net=next((land.net for land in lands if land.net), ""),
                    function=next((land.function for land in lands if land.function), ""),
                    round_mm=lands[0].round_mm if alone else 0.0,
                )
            )
    return found


def _one_pad(one: Land, other: Land) -> bool:
    if one.opening != other.opening or one.via != other.via:
        return False
    if one.pin and other.pin and (one.ref, one.pin) != (other.ref, other.pin):
        return False
    return not (one.net and other.net and one.net != other.net)


def poured_lands(copper: Layer, openings: Sequence[Polygon], which: Sequence[int]) -> list[Land]:
    """Return all exposed copper of the openings `which`, each connected part as one land."""
    if not which:
        return []
    shown = shape_array([openings[number] for number in which])
    shapes = shape_array([thing.shape for thing in copper.objects])
    dark = np.array([thing.dark for thing in copper.objects], dtype=bool)
    opening, thing = STRtree(shapes).query(shown, predicate="intersects")
    order = np.lexsort((thing, opening))
    opening, thing = opening[order], thing[order]
    clipped = _clipped(shapes, shown, opening, thing)
    found: list[Land] = []
    bounds = [0, *(np.flatnonzero(np.diff(opening)) + 1).tolist(), len(opening)]
    for start, stop in pairwise(bounds):
        if start == stop:
            continue
        members = thing[start:stop]
        if not dark[members].any():
            continue
        first = copper.objects[members[dark[members]][0]]
        named = _named([copper.objects[n] for n in members if dark[n]])
        number = which[int(opening[start])]
        land = _land(named or first, openings[number], copper.file, number, via=False)
        image = shapely.union_all(shape_array(painted(clipped[start:stop], dark[members])))
        parts = polygons(shapely.intersection(image, openings[number]))
        found.extend(
            structs.replace(land, shape=part, poured=True, round_mm=0.0)
            for part in parts
            if not _is_line(part)
        )
    return found


def _is_line(shape: Polygon) -> bool:
    """True for a shape over LINE_ASPECT times as long as wide, from its perimeter: P²/4A = length/width."""
    return shape.length**2 > 4.0 * LINE_ASPECT * shape.area


def _named(things: Sequence[Drawn]) -> Drawn | None:
    """The one object that names its pin, when all that do name the same pin."""
    pins = {thing.attributes["P"]: thing for thing in things if "P" in thing.attributes}
    return next(iter(pins.values())) if len(pins) == 1 else None


def _clipped(shapes: Shapes, shown: Shapes, opening: Indices, thing: Indices) -> Shapes:
    """Return the shapes of each pair cut down to about their opening, so that pours stay cheap.

    A pour under many openings is cut once by all of their boxes, then handed out part by part.
    """
    clipped = shapes[thing].copy()
    heavy = shapely.get_num_coordinates(clipped) > 200
    if not heavy.any():
        return clipped
    boxes: Shapes = np.asarray(shapely.box(*shapely.bounds(shapely.buffer(shown, 0.1)).T))
    for number, rows in _runs(thing[heavy], np.flatnonzero(heavy)):
        frame = boxes[opening[rows]]
        parts = shape_array(polygons(shapely.intersection(shapes[number], shapely.union_all(frame))))
        row, part = STRtree(parts).query(frame, predicate="intersects")
        clipped[rows] = Polygon()
        for position, found in _runs(row, part):
            clipped[rows[position]] = shapely.union_all(parts[found])
    return clipped

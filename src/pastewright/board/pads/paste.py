"""Paste layer to paste: which of its objects are paste, united into apertures, and which are graphics.

Real paste layers also hold sheet frames, board outlines, film legends and text; and strokes can be paste,
where a program paints its pads. What lies beneath decides: an object mostly over exposed copper is paste.
Without copper and mask only the shape is left to decide by, and the result says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import Polygon

from pastewright.board.artwork import Drawn, DrawnKind, Layer
from pastewright.board.model import Area, LeftOut, Source
from pastewright.board.pads.lands import Land, Lands, poured_lands
from pastewright.board.shapes.covering import covers
from pastewright.board.shapes.islands import (
    LEAST_AREA_MM2,
    Indices,
    Shapes,
    apart_by,
    groups,
    one_area,
    polygons,
    shape_array,
    touching,
    united,
)
from pastewright.distinct import distinct
from pastewright.problems import InputError, Problem, Severity

# An object is paste when more than this part of it lies over exposed copper.
COPPER_PART = 0.5
# Fewer flashes and regions than this part over copper: these layers do not belong together.
FEWEST_PART = 0.2
# Strokes that paint a pad leave no holes in it: they fill this part of their convex hull.
PAINTED_PART = 0.7
# A single stroke longer than this is no pad (the longest usual pads, of connectors and coils).
LONGEST_PAD_MM = 10.0
THINNEST_PAINT_MM = 0.15
"""A single thinner stroke is a line of a legend: stencils are not cut so narrow (common practice)."""
# Strokes nearer than this to the outline's line are the outline.
ON_OUTLINE_MM = 0.1


class Opening(Struct, frozen=True, kw_only=True):
    """One opening of the paste layer [mm, file]; `ref` is the component its X2 attribute names, or ""."""

    shape: Polygon
    source: Source
    ref: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PasteShapes:
    """The openings that are paste, what was left out, and lands that only paste brought to light.

    `more_lands` are exposed parts of pours under paste, that no copper object of their own shows;
    `instead` maps the index of a land to the larger one that takes its place.
    """

    openings: tuple[Opening, ...]
    left_out: tuple[LeftOut, ...]
    more_lands: tuple[Land, ...] = ()
    instead: dict[int, Land] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    off_copper: int = 0


def find_paste(
    layer: Layer,
    lands: Lands,
    outline: Area | None = None,
    *,
    graphics: NDArray[np.bool_] | None = None,
) -> PasteShapes:
    """Return what of the paste layer is paste; objects marked in `graphics` are known not to be.

    Raises `InputError` when flashes or regions are there but hardly any lies over exposed copper: then
    this is another layer, or the files do not belong together.
    """
    objects = layer.objects
    shapes = shape_array([thing.shape for thing in objects])
    dark = np.array([thing.dark for thing in objects], dtype=bool)
    solid = np.array([thing.kind is not DrawnKind.STROKE for thing in objects], dtype=bool)
    candidate = dark & np.array(
        [thing.function not in ("Profile", "Border") for thing in objects], dtype=bool
    )
    if graphics is not None:
        candidate &= ~graphics
    area_mm2 = shapely.area(shapes)
    candidate &= area_mm2 > LEAST_AREA_MM2
    problems: list[Problem] = []
    more: list[Land] = []
    instead: dict[int, Land] = {}
    if not lands.known:
        is_paste = candidate & _paste_by_shape(objects, shapes, candidate, outline)
        if is_paste.any():
            what = (
                "there is neither copper nor mask for this side: paste was told from graphics by shape alone"
            )
            mend = "Add the copper and mask layers, or look at the picture before dispensing."
            problems.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=layer.file))
    else:
        over = _Over(shapes=shapes, lands=lands)
        is_paste = candidate & over.judged(np.flatnonzero(candidate), solid)
        unclear = over.unclear(np.flatnonzero(candidate & ~is_paste))
        if lands.copper is not None and len(unclear):
            more, instead = over.poured(unclear)
            is_paste[unclear] = over.judged(unclear, solid, [*more, *instead.values()])[unclear]
        if not lands.has_mask:
            is_paste |= _over_any_copper(objects, shapes, candidate & ~is_paste, lands, outline)
        problems.extend(_mismatch(layer, candidate & solid, is_paste, lands))
    problems.extend(_without_area(layer, np.flatnonzero(dark & solid & (area_mm2 <= LEAST_AREA_MM2))))
    ground = [*(instead.get(number, land) for number, land in enumerate(lands.lands)), *more]
    openings = _openings(layer, dark, is_paste, [land for land in ground if not land.via])
    left_out = _left_out(layer, shapes, np.flatnonzero(dark & ~is_paste), outline, lands)
    return PasteShapes(
        openings=tuple(openings),
        left_out=tuple(left_out),
        more_lands=tuple(more),
        instead=instead,
        problems=tuple(problems),
        off_copper=int((candidate & solid & ~is_paste).sum()),
    )


class _Over:
    """How much of each object lies over exposed copper."""

    def __init__(self, *, shapes: Shapes, lands: Lands) -> None:
        self.shapes = shapes
        self.lands = lands
        self.land_shapes = shape_array([land.shape for land in lands.lands])
        self.tree = STRtree(self.land_shapes)
        self.openings = shape_array(lands.openings)

    def part(self, which: Shapes, tree: STRtree) -> NDArray[np.float64]:
        """Return the part 0…1 of each shape that lies over the shapes of the tree, which hardly overlap."""
        covered_mm2 = np.zeros(len(which))
        shape, land = tree.query(which, predicate="intersects")
        ground = tree.geometries
        whole = covers(ground[land], which[shape])
        # An object inside one land needs no overlay: most objects are such.
        settled = np.zeros(len(which), dtype=bool)
        settled[shape[whole]] = True
        rest = ~settled[shape]
        cut = shapely.area(shapely.intersection(which[shape[rest]], ground[land[rest]]))
        np.add.at(covered_mm2, shape[rest], cut)
        part = covered_mm2 / np.maximum(shapely.area(which), 1e-12)
        part[settled] = 1.0
        return part

    def judged(
        self, indices: Indices, solid: NDArray[np.bool_], more: Sequence[Land] = ()
    ) -> NDArray[np.bool_]:
        """Return, for all objects, whether they are paste; only `indices` are looked at.

        Strokes that touch are judged together first: a pad may be painted a little beyond its land. A
        group that fails (a frame that runs into a painted pad) is judged stroke by stroke.
        """
        tree = self.tree
        if more:
            tree = STRtree(np.concatenate([self.land_shapes, shape_array([land.shape for land in more])]))
        result = np.zeros(len(self.shapes), dtype=bool)
        result[indices] = self.part(self.shapes[indices], tree) > COPPER_PART
        strokes = indices[~solid[indices]]
        joined = [strokes[members] for members in groups(len(strokes), touching(self.shapes[strokes]))]
        mixed = [members for members in joined if len(set(result[members].tolist())) == 2]
        if mixed:
            whole = shape_array([shapely.union_all(self.shapes[members]) for members in mixed])
            for members, part in zip(mixed, self.part(whole, tree), strict=True):
                if part > COPPER_PART:
                    result[members] = True
        return result

    def unclear(self, indices: Indices) -> Indices:
        """Return those of the objects that lie mostly in mask openings, so that a pour may be beneath."""
        if len(indices) == 0 or not self.lands.has_mask:
            return indices[:0]
        part = self.part(self.shapes[indices], STRtree(self.openings))
        unclear: Indices = indices[part > COPPER_PART]
        return unclear

    def poured(self, unclear: Indices) -> tuple[list[Land], dict[int, Land]]:
        """Return the exposed pours under the unclear objects: as lands of their own, or grown lands.

        Where the pour joins just one pad's copper, the pad is made of both; where it joins several, what
        is left between them is a land of its own.
        """
        assert self.lands.copper is not None
        shapes = self.shapes[unclear]
        numbers = distinct(STRtree(self.openings).query(shapes, predicate="intersects")[1])
        wanted = STRtree(shapes)
        more: list[Land] = []
        instead: dict[int, Land] = {}
        for pour in poured_lands(self.lands.copper, self.lands.openings, [int(n) for n in numbers]):
            if len(wanted.query(pour.shape, predicate="intersects")) == 0:
                continue
            inside = [
                int(index)
                for index in self.tree.query(pour.shape, predicate="intersects")
                if self.lands.lands[index].opening == pour.opening and not self.lands.lands[index].via
            ]
            if len(inside) == 1:
                land = self.lands.lands[inside[0]]
                instead[inside[0]] = _grown(land, pour.shape)
                continue
            rest = shapely.difference(pour.shape, shapely.union_all(self.land_shapes[inside]))
            # Opening by 0.02 mm drops the slivers along the mask's edge.
            rest = shapely.buffer(shapely.buffer(rest, -0.02), 0.02)
            more.extend(_grown(pour, part) for part in polygons(rest) if part.area > 0.01)
        return more, instead


def _grown(land: Land, shape: Polygon) -> Land:
    return Land(
        shape=shape,
        source=land.source,
        opening=land.opening,
        function=land.function,
        ref=land.ref,
        pin=land.pin,
        net=land.net,
        poured=land.poured,
    )


def _over_any_copper(
    objects: Sequence[Drawn],
    shapes: Shapes,
    candidate: NDArray[np.bool_],
    lands: Lands,
    outline: Area | None,
) -> NDArray[np.bool_]:
    """Without a mask, painted pads and pours are no lands: there copper and shape must both say paste."""
    result = np.zeros(len(shapes), dtype=bool)
    likely = candidate & _paste_by_shape(objects, shapes, candidate, outline)
    index = np.flatnonzero(likely)
    copper = [thing.shape for thing in (lands.copper.objects if lands.copper else ()) if thing.dark]
    if len(index) == 0 or not copper:
        return result
    ground = shape_array(copper)
    tree = STRtree(ground)
    for members in groups(len(index), touching(shapes[index])):
        area = shapely.union_all(shapes[index[members]])
        near = ground[tree.query(area, predicate="intersects")]
        beneath = shapely.intersection(area, shapely.union_all(near))
        result[index[members]] = beneath.area > COPPER_PART * area.area
    return result


def _without_area(layer: Layer, indices: Indices) -> list[Problem]:
    if len(indices) == 0:
        return []
    what = f"{len(indices)} flash(es) or region(s) without any area were left out"
    line = layer.objects[int(indices[0])].line
    return [Problem(what=what, severity=Severity.NOTE, file=layer.file, line=line)]


def _mismatch(
    layer: Layer, solid: NDArray[np.bool_], is_paste: NDArray[np.bool_], lands: Lands
) -> list[Problem]:
    count, over = int(solid.sum()), int((solid & is_paste).sum())
    beneath = "exposed copper" if lands.copper is not None and lands.has_mask else "the pads of this side"
    if count and over < FEWEST_PART * count:
        what = f"only {over} of {count} flashes and regions lie over {beneath}: this is no paste layer of this side"
        mend = "Check which file is which layer, and that all were exported together with the same origin."
        raise InputError([Problem(what=what, mend=mend, file=layer.file)])
    if count and over < 0.8 * count:
        what = f"{count - over} of {count} flashes and regions do not lie over {beneath} and were left out"
        mend = "Check that all layers were exported together with the same origin."
        return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=layer.file)]
    return []


def _paste_by_shape(
    objects: Sequence[Drawn], shapes: Shapes, candidate: NDArray[np.bool_], outline: Area | None
) -> NDArray[np.bool_]:
    """Flashes and regions are paste, unless as large as the board; strokes if they fill a compact shape."""
    result = candidate.copy()
    strokes = np.array([thing.kind is DrawnKind.STROKE for thing in objects], dtype=bool)
    board_mm2 = outline.area if outline is not None else float("inf")
    result &= strokes | (shapely.area(shapes) < 0.5 * board_mm2)
    index = np.flatnonzero(candidate & strokes)
    for members in groups(len(index), touching(shapes[index])):
        group = index[members]
        width_mm = max(objects[n].width_mm for n in group)
        area = shapely.union_all(shapes[group])
        x0, y0, x1, y1 = area.bounds
        painted = area.area >= PAINTED_PART * max(area.convex_hull.area, 1e-12)
        compact = max(x1 - x0, y1 - y0) <= LONGEST_PAD_MM
        line = len(group) == 1 and (width_mm < THINNEST_PAINT_MM or area.area > 12.0 * width_mm**2)
        result[group] = painted and compact and not line
    return result


def _openings(
    layer: Layer, dark: NDArray[np.bool_], is_paste: NDArray[np.bool_], ground: Sequence[Land]
) -> list[Opening]:
    """Return the openings; what touches is united only over one land, since openings of two lands may touch too."""
    kept = np.flatnonzero(is_paste | ~dark)
    objects = [layer.objects[int(n)] for n in kept]
    found: list[Opening] = []
    for island in apart_by(objects, _land_beneath(objects, ground)):
        refs = {objects[n].attributes["C"][0] for n in island.members if objects[n].attributes.get("C")}
        source = Source(file=layer.file, line=objects[island.members[0]].line)
        found.append(Opening(shape=island.shape, source=source, ref=refs.pop() if len(refs) == 1 else ""))
    return found


def _land_beneath(objects: Sequence[Drawn], ground: Sequence[Land]) -> list[int]:
    """Return for each object the land that it covers most, -1 for one over none."""
    result = np.full(len(objects), -1)
    if not objects or not ground:
        return result.tolist()
    shapes = shape_array([thing.shape for thing in objects])
    lands = shape_array([land.shape for land in ground])
    which, land = STRtree(lands).query(shapes, predicate="intersects")
    single = np.bincount(which, minlength=len(shapes))[which] == 1
    result[which[single]] = land[single]
    which, land = which[~single], land[~single]
    shared_mm2 = shapely.area(shapely.intersection(shapes[which], lands[land]))
    order = np.argsort(shared_mm2, kind="stable")  # the most comes last, and stays
    result[which[order]] = land[order]
    return result.tolist()


def _left_out(
    layer: Layer, shapes: Shapes, indices: Indices, outline: Area | None, lands: Lands
) -> list[LeftOut]:
    """Return what is not paste, one entry per thing that hangs together."""
    found: list[LeftOut] = []
    band = None
    if outline is not None and len(indices):
        widest_mm = max(layer.objects[int(n)].width_mm for n in indices)
        band = shapely.buffer(outline.boundary, ON_OUTLINE_MM + widest_mm / 2)
        shapely.prepare([band, outline])
    for members in groups(len(indices), touching(shapes[indices])):
        things = [layer.objects[int(n)] for n in indices[members]]
        parts = united([thing.shape for thing in things])
        if not parts:
            continue
        area = one_area(parts)
        source = Source(file=layer.file, line=things[0].line)
        found.append(LeftOut(shape=area, reason=_reason(things, area, outline, band, lands), source=source))
    return found


def _reason(
    things: Sequence[Drawn], area: Area, outline: Area | None, band: Area | None, lands: Lands
) -> str:
    strokes = all(thing.kind is DrawnKind.STROKE for thing in things)
    how_many = f"{len(things)} {'stroke' if strokes else 'object'}{'s' if len(things) > 1 else ''}"
    beneath = "no exposed copper beneath" if lands.known else "told by its shape"
    if any(thing.function in ("Profile", "Border") for thing in things):
        return f"board outline: its attribute says so ({how_many})"
    if outline is not None:
        if strokes and shapely.covers(band, area):
            return f"board outline: follows it within {ON_OUTLINE_MM} mm ({how_many})"
        if shapely.covers(shapely.convex_hull(area), outline):
            return f"frame around the board ({how_many})"
        if not shapely.intersects(outline, area):
            return f"outside the board: frame, legend or text ({how_many})"
    x0, y0, x1, y1 = area.bounds
    if strokes:
        what = "frame or line" if max(x1 - x0, y1 - y0) > LONGEST_PAD_MM else "line or text"
        return f"{what}: {beneath} ({how_many})"
    return f"{beneath} ({how_many} of {area.area:.2f} mm2)"

"""What of a film is no pad: the board's edge drawn on every layer, sheets, legends and corner marks of films.

They stand on copper, mask and paste alike, so that copper under mask under paste proves nothing. But they stand on films
too where pads can mean nothing: the outline layer, inner layers, drill drawings.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import LineString

from pastewright.board.artwork import DrawnKind, Drill, Layer
from pastewright.board.model import Area
from pastewright.board.shapes.contours import centre_lines
from pastewright.board.shapes.islands import Shapes, polygons, shape_array
from pastewright.distinct import distinct

SAME_LINE_MM = 0.02
"""Strokes of other layers within this of the outline's line follow it."""
SAME_PLACE_MM = 0.005
"""Shapes of two films are one where their boxes agree to this: one program writes all films with one format, so that
their numbers are the same."""
SHOWS_PADS_PART = 0.9
"""A film that repeats this part of a layer's flashes and regions is a copy of it, and proves nothing."""
OUTSIDE_MM = 0.5
"""Pads of connectors and half holes reach over the edge; what is further off than this touches no board."""

Marked = NDArray[np.bool_]


def graphics_of(
    layer: Layer, outline: Layer | None, others: Sequence[Layer], drills: Sequence[Drill]
) -> Marked:
    """Return for each object of `layer` whether it is graphics: along the outline's lines, or repeated where no pad is.

    What a drill goes through is a pad on every layer, and no graphics.
    """
    marked = _along(layer, outline)
    if not layer.objects:
        return marked
    solid = np.array([thing.kind is not DrawnKind.STROKE for thing in layer.objects], dtype=bool)
    keys = _keys(layer)
    drilled = _drilled(layer, drills)
    for film in (*((outline,) if outline is not None else ()), *others):
        known = set(map(tuple, _keys(film)[[thing.dark for thing in film.objects]].tolist()))
        same = np.array([tuple(key) in known for key in keys.tolist()], dtype=bool) & ~drilled
        if film is outline or same[solid].sum() < SHOWS_PADS_PART * max(1, solid.sum()):
            marked |= same
    return marked


def _along(layer: Layer, outline: Layer | None) -> Marked:
    """Return for each object of `layer` whether it is a stroke along the lines of the outline layer.

    Some programs draw the board's outline into every layer; there it is neither copper nor opening nor paste.
    """
    result = np.zeros(len(layer.objects), dtype=bool)
    lines = shape_array(centre_lines(outline)) if outline is not None else shape_array([])
    strokes = [
        (number, LineString(thing.path_mm))
        for number, thing in enumerate(layer.objects)
        if thing.kind is DrawnKind.STROKE and len(thing.path_mm) > 1
    ]
    if len(lines) == 0 or not strokes:
        return result
    paths = shape_array([path for _, path in strokes])
    near = distinct(STRtree(lines).query(paths, predicate="dwithin", distance=SAME_LINE_MM)[0])
    if len(near):
        band = shapely.union_all(shapely.buffer(lines, SAME_LINE_MM))
        shapely.prepare(band)
        for position in near[shapely.covers(band, paths[near])]:
            result[strokes[position][0]] = True
    return result


def _keys(layer: Layer) -> NDArray[np.int64]:
    """Return the box of each object in steps of SAME_PLACE_MM, and its area (N×5)."""
    shapes = _shapes(layer)
    boxes = np.nan_to_num(np.round(shapely.bounds(shapes) / SAME_PLACE_MM))
    return (
        np.column_stack((boxes, np.round(shapely.area(shapes) / SAME_PLACE_MM)))
        .astype(np.int64)
        .reshape(-1, 5)
    )


def _drilled(layer: Layer, drills: Sequence[Drill]) -> Marked:
    result = np.zeros(len(layer.objects), dtype=bool)
    if drills:
        points = shapely.points([drill.x_mm for drill in drills], [drill.y_mm for drill in drills])
        result[distinct(STRtree(points).query(_shapes(layer), predicate="intersects")[0])] = True
    return result


def _shapes(layer: Layer) -> Shapes:
    return shape_array([thing.shape for thing in layer.objects])


def outside_of(board: Area | None, shapes: Shapes) -> Marked:
    """Return for each shape whether it lies off the board altogether; none does where there is no outline."""
    if board is None or len(shapes) == 0:
        return np.zeros(len(shapes), dtype=bool)
    whole = shapely.union_all(
        shape_array([shapely.Polygon(part.exterior) for part in polygons(shapely.buffer(board, OUTSIDE_MM))])
    )
    shapely.prepare(whole)
    return np.asarray(~shapely.intersects(whole, shapes))

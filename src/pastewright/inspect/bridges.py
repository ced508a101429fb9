"""Which rows' pastes are joined that must not be, by what leads across the gap between them.

Two rows are joined where, straight between them, places that look like paste lead from one's paste to the other's, each
one's own land being part of the way; or a fainter neck does, which is narrow and sharp (see `ridge`). Neither counts where
the photo shows the mask between them as it does between rims that are not joined (see `rims`).
"""

from collections.abc import Collection
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.flat import READ_OUTWARD_PX, FlatBoard
from pastewright.inspect.picture import BoardPicture, InspectedRow, drawn, may_touch
from pastewright.inspect.ridge import ridge_between
from pastewright.inspect.rims import AROUND_MM, gap_between, shares
from pastewright.inspect.spill import PasteBeside

BRIDGE_MM = 1.2  # gaps that paste is known to bridge
NECK = 1.0  # ln: how much likelier paste than ground a bridge is all along (chosen on rendered photos)
# A neck as plain as this all along is a bridge also where its ends lie in shadow and show little light; of the pairs that
# blur alone had joined none had more than 1.9 (rendered photos seen before).
SURE_NECK = 2.5
NECK_BEFORE = 0.3  # the same where a photo of the bare board tells what else may be there
# A fainter neck is a bridge where it is narrow and sharp: mask shows on both sides of it (see `ridge`). Two of 2 500 pairs
# that are not joined passed both, and eight of eight faint bridges on white mask (rendered photos seen before).
FAINT_NECK, RIDGE = -0.5, 1.8
# A fainter one yet where it is very sharp: one bridge on white mask that was missed (−1.0, 3.8); in 24 photos seen before
# no pair more passed this than the above.
FAINTER_NECK, SHARP_RIDGE = -1.25, 3.0
# Between rims nearer than this, where the blur of both lies over the gap, a faint neck must be very sharp.
FAINT_GAP_PX = 6.5
# A bridge shows at least so much more of paste at its weakest place than unjoined rims would (see `rims`): 134 bridges 0.25
# and more, plain ones 0.4 and more; of 76 pairs that were taken for bridged, or would be, all but eight less than 0.15: four
# smears that nearly touch, one of legend, one of dust, two noisy (rendered photos seen before).
LEAST_MORE = 0.17
MOST_UNJOINED = 0.75  # where the blur of rims alone makes so much of it, a bridge could not show enough more
CORE = 0.15  # of a width, from the rim inwards: what lies nearer may be blurred over a gap


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """Two rows and their pastes' outlines."""

    rows: tuple[InspectedRow, InspectedRow]
    shapes: tuple[Polygon, Polygon]

    @property
    def hull(self) -> BaseGeometry:
        """The area within which a way leads straight from one to the other."""
        return self.shapes[0].union(self.shapes[1]).convex_hull


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Near:
    """All lands and all outlines of paste."""

    lands: STRtree
    pastes: STRtree


def joined_rows(
    flat: FlatBoard,
    beside: PasteBeside,
    shapes: dict[int, Polygon],
    picture: BoardPicture,
    sure: Collection[int],
) -> dict[int, set[int]]:
    """Return for each row those that its paste is joined with and must not be.

    `sure` are the rows whose paste surely is there, its edge found: between them a faint neck counts as well.
    """
    numbers = list(shapes)
    tree = STRtree([shapes[number] for number in numbers])
    least = NECK if flat.before is None else NECK_BEFORE
    seeming: list[tuple[tuple[int, int], _Pair, bool]] = []
    for number in numbers:
        for k in tree.query(shapes[number].buffer(BRIDGE_MM), predicate="intersects"):
            other = numbers[int(k)]
            if other <= number or may_touch(picture.rows[number], picture.rows[other]):
                continue
            pair = _Pair(
                rows=(picture.rows[number], picture.rows[other]), shapes=(shapes[number], shapes[other])
            )
            plain = _joined(flat, beside, pair, least)
            if plain or ({number, other} <= set(sure) and _faintly_joined(flat, beside, pair)):
                seeming.append(((number, other), pair, plain))
    if not seeming:
        return {}
    found: dict[int, set[int]] = {}
    near = _Near(lands=STRtree(picture.lands), pastes=tree)
    for (number, other), pair, plain in seeming:
        if not _mask_between(flat, beside, pair, near, plain=plain):
            found.setdefault(number, set()).add(other)
            found.setdefault(other, set()).add(number)
    return found


def _mask_between(flat: FlatBoard, beside: PasteBeside, pair: _Pair, near: _Near, *, plain: bool) -> bool:
    """Tell whether mask shows between two pastes as it does between rims that are not joined.

    A plain neck is doubted only where outlines drawn as far in as they mostly are would leave mask to be seen; a faint one
    must be more than outlines as they were read explain.
    """
    if _joined(flat, beside, pair, SURE_NECK):
        return False
    around = pair.hull.buffer(AROUND_MM)
    lands, pastes = (
        tuple(one.geometries[one.query(around, predicate="intersects")]) for one in (near.lands, near.pastes)
    )
    first, second = (_core(row, shape) for row, shape in zip(pair.rows, pair.shapes, strict=True))
    own = (pair.rows[0].land, pair.rows[1].land)
    gap = gap_between(flat, pair.shapes, (first, second), own, lands, pastes)
    told = shares(gap, beside.mask_spread, flat.blur_px, READ_OUTWARD_PX if plain else 0.0)
    if told is None:
        return False
    if told.unjoined > MOST_UNJOINED:
        return not plain
    return told.more < LEAST_MORE


def _faintly_joined(flat: FlatBoard, beside: PasteBeside, pair: _Pair) -> bool:
    """Tell whether a faint neck, which is sharp, leads from one paste to the other."""
    if not _joined(flat, beside, pair, FAINTER_NECK):
        return False
    ridge = ridge_between(flat, beside.mask_spread, pair.shapes)
    if ridge > SHARP_RIDGE:
        return True
    apart_px = pair.shapes[0].distance(pair.shapes[1]) * flat.scale
    return ridge > RIDGE and apart_px > FAINT_GAP_PX and _joined(flat, beside, pair, FAINT_NECK)


def _joined(flat: FlatBoard, beside: PasteBeside, pair: _Pair, least: float) -> bool:
    """Tell whether places of at least so much evidence [ln] lead from one paste to the other."""
    rows, shapes, hull = pair.rows, pair.shapes, pair.hull
    window = flat.window(hull.bounds, 0.05)
    lines, columns = beside.neck[window].shape
    if min(lines, columns) < 3:
        return False
    low = flat.low_of(window)

    def mask(*areas: BaseGeometry) -> NDArray[np.uint8]:
        return drawn(areas, low, flat.scale, (columns, lines))

    cores = [mask(_core(row, shape)) > 0 for row, shape in zip(rows, shapes, strict=True)]
    within = mask(hull.buffer(0.03)) > 0
    lands = (mask(rows[0].land) > 0) | (mask(rows[1].land) > 0)
    way = ((beside.neck[window] > least) | lands | cores[0] | cores[1]) & within
    _, labels = cv2.connectedComponents(way.astype(np.uint8), connectivity=4)
    first, second = (set(np.unique(np.asarray(labels)[core & within]).tolist()) - {0} for core in cores)
    return bool(first & second)


def _core(row: InspectedRow, shape: Polygon) -> BaseGeometry:
    """Return the inner part of a row's paste, clear of its blurred rim."""
    return shape.buffer(-CORE * row.deposit.width_mm)

"""Paste where none is planned: bridges between rows, smears and tails beside them.

Beside lands the ground is mask, in light, in shadow, or printed with legend; how shadows look is learnt beside all rows.
Two rows are joined where, straight between them, places that look like paste lead from one's paste to the other's; each
one's own land may be part of the way. What may be legend counts for a bridge, and not for a smear.
"""

from collections.abc import Collection
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from shapely import STRtree
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.dome import FLOOR, codes, density, mask_spread
from pastewright.inspect.fit import FittedBoard, dome_places
from pastewright.inspect.flat import FlatBoard, Floats32, blur_mm
from pastewright.inspect.halo import RINGS_TO, UNTOLD, halo_cells
from pastewright.inspect.picture import BoardPicture, InspectedRow, drawn, may_touch
from pastewright.inspect.ridge import Floats, ridge_between
from pastewright.inspect.rims import AROUND_MM, gap_between, shares

BRIDGE_MM = 1.2  # gaps that paste is known to bridge
MOST_TOLD = 3.0  # ln: what one pixel may say at most
BLUR_PX = 0.9  # of the evidence, before it is followed from pixel to pixel
NECK_BEFORE = 0.3  # the same where a photo of the bare board tells what else may be there
NECK = 1.0  # ln: how much likelier paste than ground a bridge is all along (chosen on rendered photos)
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
READ_OUTWARD_PX = 0.45  # by which outlines are read too far out (see `measure`)
SPILT, CLEAR_OF_PRINT = 1.0, 1.2  # ln: of a smear, over mask, and over legend in the mean
SURELY_PRINT = 1.0  # ln: how much likelier legend than paste a place is that no bridge leads over
CORE = 0.15  # of a width, from the rim inwards: what lies nearer may be blurred over a gap
BESIDE_MM, TOUCH_MM = 0.1, 0.13  # beside an outline: its own blur; what begins within belongs to it
LEAST_MM2, MOST_MM2 = 0.02, 1.0  # of a smear; what is larger is something else
MOST_REACH_MM = 1.3  # as far as a tip drags paste along; what is longer is print or a track


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PasteBeside:
    """How much likelier than ground each pixel off the lands is to be paste [ln], smoothed: against mask and shadows
    (`neck`), and against legend too (`no_print`); the same with lands, against bare metal there (`anywhere`,
    `anywhere_no_print`); `mask_spread` (3) is how much the mask's colours differ by themselves.
    """

    neck: Floats32
    no_print: Floats32
    anywhere: Floats32
    anywhere_no_print: Floats32
    mask_spread: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Spill:
    """Paste beside a row's outline: its area, and how far it reaches."""

    area_mm2: float
    reach_mm: float


def paste_beside(flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture) -> PasteBeside:
    """Return how much more like paste than like what else may be there the ground beside the lands looks."""
    code, on_mask = codes(flat.colour), codes(flat.on_mask)
    # A neck is narrow: its edges, more than half paste, count as paste.
    look = np.log(density(fitted.paste_px) + FLOOR)
    paste = np.maximum(look, fitted.edge.mask_high)[code]
    beside = beside_rows(flat, fitted, picture)
    metal = np.maximum(np.maximum(fitted.ground.land, fitted.edge.land_low)[code], beside)
    # Land that looks like paste says little, as in the fit.
    over_land = fitted.told_on_land * (np.maximum(look, fitted.edge.land_high)[code] - metal)
    ground = np.maximum(fitted.edge.mask_low[code], beside)
    if flat.before is not None:
        ground = np.maximum(ground, flat.before)
    # Where shadows beside paste are known, mask is either lit or shaded as there: on white, any other shade is paste's grey.
    mask = np.where(beside > UNTOLD, fitted.ground.lit_mask[on_mask], fitted.ground.mask[on_mask])
    over_mask = paste - np.maximum(mask, ground)
    over_print = paste - np.maximum(fitted.ground.print_too[on_mask], ground)
    off_land = ~flat.land & flat.inside

    def smooth(evidence: NDArray[np.floating], shown: NDArray[np.bool_] = off_land) -> Floats32:
        kept = np.clip(evidence, -MOST_TOLD, MOST_TOLD).astype(np.float32)
        return np.where(shown, gaussian_filter(kept, BLUR_PX), -MOST_TOLD).astype(np.float32)

    no_print = smooth(over_print)
    neck = np.where(no_print < -SURELY_PRINT, np.float32(-MOST_TOLD), smooth(over_mask))
    # Over mask and land together, so that what crosses a land's edge is smoothed as one.
    plain = np.where(smooth(over_print, flat.inside) < -SURELY_PRINT, -MOST_TOLD, over_mask)
    return PasteBeside(
        neck=neck,
        no_print=no_print,
        anywhere=smooth(np.where(flat.land, over_land, plain), flat.inside),
        anywhere_no_print=smooth(np.where(flat.land, over_land, over_print), flat.inside),
        mask_spread=mask_spread(fitted.ground.mask_px),
    )


def beside_rows(flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture) -> Floats32:
    """Return each pixel's ln density as ground beside any row's paste."""
    found = np.full(flat.land.shape, UNTOLD, np.float32)
    for number, fit in fitted.rows.items():
        row = picture.rows[number]
        half, height = 0.5 * fit.width * row.deposit.width_mm, row.deposit.height_mm
        window = flat.window(row.paste.bounds, float(RINGS_TO[-1]) * height)
        lines, columns = np.mgrid[window]
        places = flat.at_mm(columns.astype(np.float64), lines.astype(np.float64)) - np.array(fit.shift_mm)
        away, theta = dome_places(row, places)
        cell = halo_cells(away - half, theta, height, flat.land[window])
        told = fitted.halo.log_density(flat.colour[window], cell)
        found[window] = np.maximum(found[window], told)
    return found


def joined_rows(
    flat: FlatBoard,
    beside: PasteBeside,
    shapes: dict[int, Polygon],
    picture: BoardPicture,
    sure: Collection[int],
) -> dict[int, set[int]]:
    """Return for each row those that its paste is joined with and must not be.

    `sure` are the rows whose paste surely is there: between them a faint neck counts as well.
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
    near = _Near(lands=STRtree(picture.lands), pastes=tree, blur_px=blur_mm(flat, picture) * flat.scale)
    for (number, other), pair, plain in seeming:
        if not _mask_between(flat, beside, pair, near, plain=plain):
            found.setdefault(number, set()).add(other)
            found.setdefault(other, set()).add(number)
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Near:
    """All lands and all outlines of paste, and the photo's edge [px, one standard deviation]."""

    lands: STRtree
    pastes: STRtree
    blur_px: float


def _mask_between(flat: FlatBoard, beside: PasteBeside, pair: "_Pair", near: _Near, *, plain: bool) -> bool:
    """Tell whether mask shows between two pastes as it does between rims that are not joined.

    A plain neck is doubted only where outlines drawn as far in as they mostly are would leave mask to be seen; a faint one
    must be more than outlines as they were read explain.
    """
    around = pair.hull.buffer(AROUND_MM)
    lands, pastes = (
        tuple(one.geometries[one.query(around, predicate="intersects")]) for one in (near.lands, near.pastes)
    )
    first, second = (_core(row, shape) for row, shape in zip(pair.rows, pair.shapes, strict=True))
    own = (pair.rows[0].land, pair.rows[1].land)
    gap = gap_between(flat, pair.shapes, (first, second), own, lands, pastes)
    told = shares(gap, beside.mask_spread, near.blur_px, READ_OUTWARD_PX if plain else 0.0)
    if told is None:
        return False
    if told.unjoined > MOST_UNJOINED:
        return not plain
    return told.more < LEAST_MORE


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """Two rows and their pastes' outlines."""

    rows: tuple[InspectedRow, InspectedRow]
    shapes: tuple[Polygon, Polygon]

    @property
    def hull(self) -> BaseGeometry:
        """The area within which a way leads straight from one to the other."""
        return self.shapes[0].union(self.shapes[1]).convex_hull


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
    low = flat.at_mm(np.array(float(window[1].start)), np.array(float(window[0].start)))

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


def spills(
    flat: FlatBoard, beside: PasteBeside, shapes: dict[int, Polygon], picture: BoardPicture
) -> dict[int, Spill]:
    """Return for each row the paste that lies beside its outline and begins at it."""
    rows, columns = flat.land.shape
    owner = np.zeros((rows, columns), np.int32)
    numbers = list(shapes)
    for place, number in enumerate(numbers, start=1):
        window = flat.window(shapes[number].bounds, 0.02)
        size = owner[window].shape
        low = flat.at_mm(np.array(float(window[1].start)), np.array(float(window[0].start)))
        own = drawn([shapes[number]], low, flat.scale, (size[1], size[0])) > 0
        owner[window][own] = place
    if not owner.any():
        return {}
    away, near = cv2.distanceTransformWithLabels(
        (owner == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    names = np.zeros(int(near.max()) + 1, np.int32)
    names[near[owner > 0]] = owner[owner > 0]
    away_mm = np.asarray(away) / flat.scale
    spilt = (beside.neck > SPILT) & (beside.no_print > 0) & (away_mm > BESIDE_MM)
    count, labels = cv2.connectedComponents(spilt.astype(np.uint8), connectivity=8)
    found: dict[int, Spill] = {}
    for body in range(1, count):
        lines, cols = np.nonzero(np.asarray(labels) == body)
        area = len(lines) / flat.scale**2
        distance = away_mm[lines, cols]
        if not LEAST_MM2 < area < MOST_MM2 or distance.min() > TOUCH_MM or distance.max() > MOST_REACH_MM:
            continue
        if beside.no_print[lines, cols].mean() < CLEAR_OF_PRINT:
            continue
        number = numbers[int(names[near[lines[distance.argmin()], cols[distance.argmin()]]]) - 1]
        last = found.get(number)
        found[number] = Spill(
            area_mm2=area + (last.area_mm2 if last else 0.0),
            reach_mm=max(float(distance.max()), last.reach_mm if last else 0.0),
        )
    return found

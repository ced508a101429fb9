"""Paste where none is planned: how much places beside the rows look like it, and smears and tails there.

Beside lands the ground is mask, in light, in shadow, or printed with legend; how shadows look is learnt beside all rows.
What may be legend counts for a bridge (see `bridges`), and not for a smear.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from shapely.geometry import Polygon

from pastewright.inspect.dome import FLOOR, codes, density, mask_spread
from pastewright.inspect.fit import FittedBoard, dome_places
from pastewright.inspect.flat import FlatBoard, Floats32
from pastewright.inspect.halo import RINGS_TO, UNTOLD, halo_cells
from pastewright.inspect.picture import BoardPicture, drawn
from pastewright.inspect.printed import as_printed
from pastewright.inspect.ridge import Floats

MOST_TOLD = 3.0  # ln: what one pixel may say at most
BLUR_PX = 0.9  # of the evidence, before it is followed from pixel to pixel
SPILT, CLEAR_OF_PRINT = 1.0, 1.2  # ln: of a smear, over mask, and over legend in the mean
SURELY_PRINT = 1.0  # ln: how much likelier legend than paste a place is that no bridge leads over
BESIDE_MM, TOUCH_MM = 0.1, 0.13  # beside an outline: its own blur; what begins within belongs to it
LEAST_MM2, MOST_MM2 = 0.02, 1.0  # of a smear; what is larger is something else
LEAST_WIDE_MM = 0.12  # of a smear; what is narrower is the blurred edge of a land, where metal and mask mix to paste's grey
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
    off_land = ~flat.land & flat.inside
    spread = mask_spread(fitted.ground.mask_px)
    if not picture.legend.is_empty:
        printed = as_printed(flat, picture.legend, off_land & (beside <= UNTOLD), spread)
        ground = ground if printed is None else np.maximum(ground, printed)
    # Where shadows beside paste are known, mask is either lit or shaded as there: on white, any other shade is paste's grey.
    mask = np.where(beside > UNTOLD, fitted.ground.lit_mask[on_mask], fitted.ground.mask[on_mask])
    over_mask = paste - np.maximum(mask, ground)
    over_print = paste - np.maximum(fitted.ground.print_too[on_mask], ground)

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
        mask_spread=spread,
    )


def beside_rows(flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture) -> Floats32:
    """Return each pixel's ln density as ground beside any row's paste."""
    found = np.full(flat.land.shape, UNTOLD, np.float32)
    for number, fit in fitted.rows.items():
        row = picture.rows[number]
        half, height = 0.5 * fit.width * row.deposit.width_mm, row.deposit.height_mm
        window = flat.window(row.paste.bounds, float(RINGS_TO[-1]) * height)
        places = flat.places(window) - np.array(fit.shift_mm)
        away, theta = dome_places(row, places)
        cell = halo_cells(away - half, theta, height, flat.land[window])
        told = fitted.halo.log_density(flat.colour[window], cell)
        found[window] = np.maximum(found[window], told)
    return found


def spills(flat: FlatBoard, beside: PasteBeside, shapes: dict[int, Polygon]) -> dict[int, Spill]:
    """Return for each row the paste that lies beside its outline and begins at it."""
    rows, columns = flat.land.shape
    owner = np.zeros((rows, columns), np.int32)
    numbers = list(shapes)
    for place, number in enumerate(numbers, start=1):
        window = flat.window(shapes[number].bounds, 0.02)
        size = owner[window].shape
        low = flat.low_of(window)
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
    wide = max(3, round(LEAST_WIDE_MM * flat.scale))
    spilt = cv2.morphologyEx(spilt.astype(np.uint8), cv2.MORPH_OPEN, np.ones((wide, wide), np.uint8)) > 0
    count, labels = cv2.connectedComponents(spilt.astype(np.uint8), connectivity=8)
    # From an outline to what belongs to it nothing looks like mask: legend printed close by stands clear of it.
    leads = ((beside.neck > 0) | flat.land) & (away_mm <= TOUCH_MM)
    _, whole = cv2.connectedComponents((leads | spilt | (owner > 0)).astype(np.uint8), connectivity=8)
    held = np.unique(np.asarray(whole)[owner > 0])
    found: dict[int, Spill] = {}
    for body in range(1, count):
        lines, cols = np.nonzero(np.asarray(labels) == body)
        area = len(lines) / flat.scale**2
        distance = away_mm[lines, cols]
        if not LEAST_MM2 < area < MOST_MM2 or distance.min() > TOUCH_MM or distance.max() > MOST_REACH_MM:
            continue
        if beside.no_print[lines, cols].mean() < CLEAR_OF_PRINT or whole[lines[0], cols[0]] not in held:
            continue
        number = numbers[int(names[near[lines[distance.argmin()], cols[distance.argmin()]]]) - 1]
        last = found.get(number)
        found[number] = Spill(
            area_mm2=area + (last.area_mm2 if last else 0.0),
            reach_mm=max(float(distance.max()), last.reach_mm if last else 0.0),
        )
    return found

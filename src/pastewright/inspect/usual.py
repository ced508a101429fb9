"""What a photo's deposits and bare lands are usually like, for drawing either where it is in doubt (see `bare`)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.dome import ring_and_sector
from pastewright.inspect.fit import FittedBoard, dome_places
from pastewright.inspect.flat import FlatBoard, Floats32
from pastewright.inspect.picture import BoardPicture, InspectedRow
from pastewright.inspect.search import RINGS, SECTORS

Floats = NDArray[np.float64]

WINDOW_MM = 0.4  # around planned paste: domes aside too
WITHIN = 0.85  # of a dome's radius: pixels that show nothing else
LEAST_PX = 30  # of a dome, or of one part of all domes
LEAST_BETWEEN = (0.08, 0.03, 0.03)  # ln: what domes of one photo always differ by, as wholes
LEAST_WITHIN = (0.06, 0.03, 0.03)  # ln: and pixels of one dome from its shading
OF_BETWEEN = 0.3  # of what wholes differ by, that a dome's parts differ by as well
LEAST_ON_LAND = (0.08, 0.03, 0.03)  # ln: of a bare land's pixels from a smooth change
LEAST_LIGHT, LEAST_OTHER = 0.4, 0.06  # ln: least spreads of a bare land's lightness, and hues
LAND_SPREADS = 1.5  # as wide as this many spreads of the photo's bare lands
UNKNOWN_METAL = (1.0, 0.4, 0.4)  # ln: where no bare land is seen elsewhere
SLOPE, BEND = 0.6, 0.4  # of its spread, that a land's lightness may change by over itself
LEAST_SLOPE, LEAST_BEND = (0.3, 0.03, 0.03), (0.2, 0.02, 0.02)  # ln
SMOOTH_PX, MOST_BLUR_PX = 0.8, 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UsualLook:
    """What a photo's deposits and bare lands are like: shift [mm], width; a dome's lightness and hues as a whole (3), their
    spread, and the spread within a dome by ring and sector; that on a bare land; a land's usual colour (3), and spreads of
    what it may be and how it may change (6, 3).
    """

    shift_mm: Floats
    width: float
    whole: Floats
    between: Floats
    within: Floats
    on_land: Floats
    metal: Floats
    metal_sd: Floats
    blur_px: float


def usual_look(flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture) -> UsualLook | None:
    """Return what a photo's deposits and bare lands are like, None where no deposit is seen."""
    if not fitted.rows:
        return None
    likely = 0.5 * float(np.median([fit.mean for fit in fitted.rows.values()]))
    good = {number: fit for number, fit in fitted.rows.items() if fit.mean > likely}
    wholes, scatter, cells = [], [], []
    for number, fit in good.items():
        row = picture.rows[number]
        window = flat.window(row.paste.bounds, WINDOW_MM)
        rho, theta = on_dome(row, flat.places(window), np.array(fit.shift_mm), fit.width)
        on = (rho < WITHIN) & flat.inside[window] & (flat.nearest[window] == number)
        if on.sum() < LEAST_PX:
            continue
        cell = ring_and_sector(rho[on], theta[on])
        off = flat.colour[window][on] - fitted.dome.mean[cell]
        wholes.append(np.median(off, axis=0))
        scatter.append(np.abs(off - wholes[-1]))
        cells.append(cell)
    if not wholes:
        return None
    whole = np.median(wholes, axis=0)
    between = np.maximum(1.4826 * np.median(np.abs(np.array(wholes) - whole), axis=0), LEAST_BETWEEN)
    within = _within(np.concatenate(scatter), np.concatenate(cells), between)
    metal, metal_sd = _metal(fitted)
    return UsualLook(
        shift_mm=np.median([fit.shift_mm for fit in good.values()], axis=0),
        width=float(np.exp(np.median([np.log(fit.width) for fit in good.values()]))),
        whole=whole,
        between=between,
        within=within,
        on_land=np.maximum(np.median(within, axis=0), LEAST_ON_LAND),
        metal=metal,
        metal_sd=metal_sd,
        blur_px=min(max(flat.blur_px, SMOOTH_PX), MOST_BLUR_PX),
    )


def _within(off: Floats32, cells: NDArray[np.int64], between: Floats) -> Floats:
    """Return by which pixels are off their dome's shading, by ring and sector (RINGS·SECTORS, 3): where lights are mirrored,
    or cut off, domes differ more than elsewhere.
    """
    usual = 1.4826 * np.median(off, axis=0)
    found = np.tile(usual, (RINGS * SECTORS, 1))
    order = np.argsort(cells, kind="stable")
    ends = np.searchsorted(cells[order], np.arange(RINGS * SECTORS + 1))
    for k in range(RINGS * SECTORS):
        own = off[order[ends[k] : ends[k + 1]]]
        if len(own) > LEAST_PX:
            found[k] = np.maximum(1.4826 * np.median(own, axis=0), usual)
    return np.hypot(np.maximum(found, LEAST_WITHIN), OF_BETWEEN * between)


def _metal(fitted: FittedBoard) -> tuple[Floats, Floats]:
    """Return a bare land's usual colour (3), and the spreads of its level, two slopes and three bends (6, 3)."""
    ground = fitted.ground
    if ground.land_known:
        metal = np.median(ground.land_px, axis=0).astype(np.float64)
        spread = 1.4826 * np.median(np.abs(ground.land_px - metal), axis=0)
        level = np.maximum(LAND_SPREADS * spread, (LEAST_LIGHT, LEAST_OTHER, LEAST_OTHER))
    else:
        metal, level = fitted.dome.any_mean, np.array(UNKNOWN_METAL)
    slope, bend = np.maximum(SLOPE * level, LEAST_SLOPE), np.maximum(BEND * level, LEAST_BEND)
    return metal, np.stack([level, slope, slope, bend, bend, bend])


def on_dome(row: InspectedRow, at_mm: Floats, shift_mm: Floats, width: float) -> tuple[Floats, Floats]:
    """Return how far out on a dome places lie (1 at the rim), and on which side [rad]."""
    away, theta = dome_places(row, at_mm - shift_mm)
    return away / (0.5 * width * row.deposit.width_mm), theta

"""A board as found, settled into the photo: (FoundBoard, BoardPicture) → FoundBoard that agrees better, or the same.

A board is found by what stands out of the mask, whatever it is. In glare, shade, or where paste is as grey as the mask
little stands out, and a view that rests on one side of the photo runs off on the other: by a quarter of a millimetre, in a
row of like lands half-way to the next. Once the board is nearly found the photo itself tells how its lands and paste look,
and how its mask, and each pixel which of both it shows:

    told(pixel) = ln p(colour | within lands and planned paste) − ln p(colour | mask clear of them)

Each figure is compared with that map around its place. Of like figures in a row any one fits the next one's place: a figure
goes where it and those around it agree best.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.dome import FLOOR, codes, density
from pastewright.inspect.find import FoundBoard
from pastewright.inspect.flat import FlatBoard, laid_flat
from pastewright.inspect.picture import BoardPicture, drawn
from pastewright.photo.fitted import K1_OF_PHONES, fit_view

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

# Rounds: how far figures are looked for, and over which distance they agree (one standard deviation) [mm].
REACH_MM = 0.4
ROUNDS = ((REACH_MM, 3.0), (0.2, 2.0), (0.2, 2.0), (0.12, 1.2), (0.12, 1.2))
WORTH_MM = 0.03  # a view that sees nothing farther off is the same
LEAST_FIGURES = 12
LEAST_PX = 400  # of either, to say how it looks
MOST_TOLD = 3.0  # ln, of one pixel
MARGIN_MM, MOST_FIGURE_MM = 0.3, 6.0  # of ground around a figure; larger ones are compared in their middle
MOST_PX_MM = 20.0
BLUR_PX = 0.8
STEEP = 1.0  # of a change of colour over eight pixels [ln]
LEAST_IN_PHOTO = 0.9  # of a figure's window
SCATTER_MM = 0.05  # by how much figures are off their places when all is well
BETTER = 0.02  # of correlation, on average: less is no reason to believe another view


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Agreement:
    """Figures' middles [mm] (n, 2), and how like the photo each is when moved: (n, shifts, shifts), by `step_mm`."""

    middles: Floats
    like: Floats
    step_mm: float

    @property
    def here(self) -> float:
        """How like the photo figures are where they are, on average."""
        middle = self.like.shape[1] // 2
        return float(self.like[:, middle, middle].mean()) if len(self.like) else 0.0


def settled(found: FoundBoard, picture: BoardPicture) -> FoundBoard:
    """Return the board as found, or its view as the photo's own lands, paste and mask tell it where those agree better."""
    now = _agreement(found, picture)
    if now is None:
        return found
    begun, trial = now.here, found
    best, best_yet = found, now.here
    for reach_mm, within_mm in ROUNDS:
        moved = _moved(trial, now, reach_mm, within_mm)
        if moved is None or _far_mm(trial, moved, now.middles) < WORTH_MM:
            continue
        trial, after = moved, _agreement(moved, picture)
        if after is None:
            break
        now = after
        if now.here > best_yet:
            best, best_yet = trial, now.here
    return best if best_yet > begun + BETTER else found


def _far_mm(found: FoundBoard, other: FoundBoard, places: Floats) -> float:
    """Return how far apart two views see places of the board, at most [mm]."""
    return float(np.linalg.norm(other.view.to_sheet(found.view.to_px(places)) - places, axis=1).max())


def _agreement(found: FoundBoard, picture: BoardPicture) -> _Agreement | None:
    """Return how like the photo each figure is around its place, None where too little tells it."""
    flat = laid_flat(found, picture)
    told = _told(flat)
    if told is None:
        return None
    scale = min(flat.scale, MOST_PX_MM)
    rows, columns = (math.ceil(n * scale / flat.scale) for n in told.shape)
    told = np.asarray(cv2.resize(told, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)
    inside = cv2.resize(flat.inside.astype(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST)
    want = drawn(picture.figures, flat.low_mm, scale, (columns, rows)).astype(np.float32)
    want = np.asarray(cv2.GaussianBlur(want, (0, 0), BLUR_PX), np.float32)
    rims = _steep(np.asarray(want[..., None] / 255, np.float32))
    shrunk = cv2.resize(flat.on_mask, (columns, rows), interpolation=cv2.INTER_AREA)
    steep = _steep(np.asarray(shrunk, np.float32))
    reach = math.ceil(REACH_MM * scale)
    middles, like = [], []
    for figure in picture.figures:
        window = _window(figure, flat.low_mm, scale, reach)
        if window is None or window[0].stop > rows or window[1].stop > columns:
            continue
        inner = tuple(slice(one.start + reach, one.stop - reach) for one in window)
        if inside[window].mean() < LEAST_IN_PHOTO or want[inner].std() < 1:
            continue
        like.append(
            0.5 * cv2.matchTemplate(told[window], want[inner], cv2.TM_CCOEFF_NORMED)
            + 0.5 * cv2.matchTemplate(steep[window], rims[inner], cv2.TM_CCOEFF_NORMED)
        )
        left, bottom, right, top = figure.bounds
        middles.append(((left + right) / 2, (bottom + top) / 2))
    if len(like) < LEAST_FIGURES:
        return None
    return _Agreement(
        middles=np.array(middles), like=np.nan_to_num(np.array(like, np.float64)), step_mm=1 / scale
    )


def _told(flat: FlatBoard) -> Floats32 | None:
    """Return how much likelier each pixel shows land or paste than mask [ln], None where either is hardly in the photo."""
    on = (flat.land | (flat.away_mm == 0)) & flat.inside
    off = flat.mask & flat.inside
    if on.sum() < LEAST_PX or off.sum() < LEAST_PX:
        return None
    code = codes(flat.on_mask)
    log_on, log_off = (np.log(density(flat.on_mask[part]) + FLOOR) for part in (on, off))
    return np.asarray(np.clip((log_on - log_off)[code], -MOST_TOLD, MOST_TOLD), np.float32)


def _steep(colour: Floats32) -> Floats32:
    """Return how steeply colours (rows, columns, …) change, large steps hardly more than middling ones."""
    rise = sum(
        cv2.Sobel(colour[..., k], cv2.CV_32F, 1, 0) ** 2 + cv2.Sobel(colour[..., k], cv2.CV_32F, 0, 1) ** 2
        for k in range(colour.shape[2])
    )
    return np.asarray(np.log1p(np.sqrt(rise) / STEEP), np.float32)


def _window(figure: BaseGeometry, low_mm: Floats, scale: float, reach: int) -> tuple[slice, slice] | None:
    """Return rows and columns around a figure, as far as it may be moved; None where the photo ends before."""
    left, bottom, right, top = figure.bounds
    middle = np.array([left + right, bottom + top]) / 2
    half = np.minimum(np.array([right - left, top - bottom]) / 2, MOST_FIGURE_MM / 2) + MARGIN_MM
    first = np.floor((middle - half - low_mm) * scale).astype(int) - reach
    last = np.ceil((middle + half - low_mm) * scale).astype(int) + reach + 1
    return None if first.min() < 0 else (slice(first[1], last[1]), slice(first[0], last[0]))


def _moved(found: FoundBoard, now: _Agreement, reach_mm: float, within_mm: float) -> FoundBoard | None:
    """Return a found board whose view goes where figures and those around them agree, None where that is no view."""
    apart = np.linalg.norm(now.middles[:, None] - now.middles[None], axis=2)
    weight = np.exp(-0.5 * (apart / within_mm) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    most, reach = now.like.shape[1] // 2, round(reach_mm / now.step_mm)
    near = slice(most - min(reach, most), most + min(reach, most) + 1)
    together = np.einsum("kj,jab->kab", weight, now.like[:, near, near])
    size = together.shape[1]
    best = together.reshape(len(together), -1).argmax(axis=1)
    lines, columns = np.divmod(best, size)
    shifts = (np.stack([columns, lines], axis=-1) - size // 2) * now.step_mm
    view = found.view
    places = view.to_px(now.middles + shifts)
    try:
        view, residual_mm, _ = fit_view(
            now.middles,
            places,
            view.width_px,
            view.height_px,
            scatter_px=SCATTER_MM * found.px_per_mm,
            k1_sd=K1_OF_PHONES,
        )
    except (np.linalg.LinAlgError, ValueError):
        return None
    return replace(found, view=view, residual_mm=residual_mm)

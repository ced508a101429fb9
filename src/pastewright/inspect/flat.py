"""A photo laid flat: its colours over the board's plane, and masks of what is planned there, on one grid of pixels.

Colours are logarithms of linear light, less the mask's: lightness, red over green, blue over green. How light fades
across the picture is told by the deposits, which are alike; for the mask, whose gloss has a light of its own, by the mask
nearby.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.find import FoundBoard
from pastewright.inspect.picture import BoardPicture, InspectedRow, drawn
from pastewright.photo.light import linear_table

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Flags = NDArray[np.bool_]

DARKEST = 0.006  # of white, added to light before its logarithm: below, an 8-bit code is noise
FULL_CODE = 250  # of 255: light that may have been cut off
MOST_PX = 24_000_000  # of the grid
MOST_PX_MM = 48.0
MASK_WITHIN = np.array([0.7, 0.3, 0.3], np.float32)  # ln: what light and shade do to the mask's own colour
AROUND_MM = 0.3  # beside planned paste, where its edge is looked at
CELL_MM = 2.5  # over which the mask's light is followed
LEAST_ROW_PX, LEAST_ROWS = 20, 12  # of a deposit, and deposits, to tell how light fades
CLEAR_MM = 0.3  # from lands and planned paste, beyond which is mask: most shadows end there
# Outlines are read so much too far out all around, in the median of 57 rendered photos: −0.2 to +0.9 px, on white mask up to
# 1.8.
READ_OUTWARD_PX = 0.45


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlatBoard:
    """Pixels of the board's plane: place = low_mm + (column, row)/scale. All arrays are (rows, columns, …).

    `rgb` are the photo's codes; `colour` the three features, `on_mask` those less the mask's nearby; `inside` tells where
    the photo shows the board; `full` where it is cut off. `land` and `mask` tell what is planned; `nearest` is the row whose
    planned paste is nearest, and `away_mm` how far that is (0 within). `before` tells how much each
    looks as before pasting [ln]; `blur_px` is one standard deviation.
    """

    low_mm: Floats
    scale: float
    rgb: NDArray[np.uint8]
    colour: Floats32
    on_mask: Floats32
    inside: Flags
    full: Flags
    land: Flags
    mask: Flags
    nearest: NDArray[np.int64]
    away_mm: Floats32
    rows: tuple[int, ...]
    before: Floats32 | None = None
    blur_px: float = 1.0

    def at_mm(self, columns: Floats, lines: Floats) -> Floats:
        """Places of pixels [mm, board], (..., 2)."""
        return np.asarray(self.low_mm + np.stack([columns, lines], axis=-1) / self.scale, np.float64)

    def window(self, bounds: tuple[float, float, float, float], margin_mm: float) -> tuple[slice, slice]:
        """Return rows and columns of a box [mm] with a margin."""
        left, bottom, right, top = bounds
        c0, r0 = np.floor((np.array([left, bottom]) - margin_mm - self.low_mm) * self.scale).astype(int)
        c1, r1 = np.ceil((np.array([right, top]) + margin_mm - self.low_mm) * self.scale).astype(int) + 1
        rows, columns = self.land.shape
        return slice(max(r0, 0), min(max(r1, 0), rows)), slice(max(c0, 0), min(max(c1, 0), columns))

    def places(self, window: tuple[slice, slice]) -> Floats:
        """Return the places of a window's pixels [mm, board], (rows, columns, 2)."""
        lines, columns = np.mgrid[window]
        return self.at_mm(columns.astype(np.float64), lines.astype(np.float64))

    def low_of(self, window: tuple[slice, slice]) -> Floats:
        """Return the place of a window's first pixel [mm, board]."""
        return self.at_mm(np.array(float(window[1].start)), np.array(float(window[0].start)))


def laid_flat(found: FoundBoard, picture: BoardPicture) -> FlatBoard:
    """Return a found photo over the part of the board that it shows."""
    low, high = _shown(found, picture)
    extent = high - low
    scale = min(found.px_per_mm, MOST_PX_MM, math.sqrt(MOST_PX / max(float(extent.prod()), 1e-6)))
    size = (math.ceil(extent[0] * scale) + 1, math.ceil(extent[1] * scale) + 1)
    rgb, inside = warped(found, low, scale, size)
    land = drawn(picture.lands, low, scale, size) > 0
    hole = drawn(picture.holes, low, scale, size) > 0
    edge = drawn([picture.edge], low, scale, size) > 0
    labels, away, rows = _nearest(picture.rows, low, scale, size)
    used = (land | (away == 0) | hole).astype(np.uint8)
    raw = features(rgb)
    clear = cv2.distanceTransform(1 - used, cv2.DIST_L2, 5) > CLEAR_MM * scale
    clear &= inside & edge
    usual = np.median(raw[clear], axis=0) if clear.any() else np.median(raw.reshape(-1, 3), axis=0)
    return FlatBoard(
        low_mm=low,
        scale=scale,
        rgb=rgb,
        colour=_evened(raw - usual.astype(np.float32), (labels, away, inside & edge), rows),
        on_mask=np.asarray(raw - _ground(raw, clear, scale), np.float32),
        inside=inside & edge,
        full=np.asarray((rgb >= FULL_CODE).all(axis=2), bool),
        land=land & ~hole,
        mask=clear,
        nearest=labels,
        away_mm=(away / scale).astype(np.float32),
        rows=rows,
    )


def warped(
    found: FoundBoard, low: Floats, scale: float, size: tuple[int, int]
) -> tuple[NDArray[np.uint8], Flags]:
    """Return a found photo's codes on a grid of the board's plane (rows, columns, 3), and where the photo reaches."""
    view = found.view
    rgb = np.empty((size[1], size[0], 3), np.uint8)
    inside = np.empty((size[1], size[0]), bool)
    x = low[0] + np.arange(size[0]) / scale
    # cv2.remap takes fewer than 32 768 rows at once, and memory is kept small.
    for start in range(0, size[1], 1000):
        y = low[1] + np.arange(start, min(start + 1000, size[1])) / scale
        px = view.to_px(np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)
        part = slice(start, start + len(y))
        rgb[part] = cv2.remap(found.photo.pixels, px[..., 0], px[..., 1], cv2.INTER_LINEAR)
        inside[part] = (
            (px[..., 0] >= 2)
            & (px[..., 1] >= 2)
            & (px[..., 0] <= view.width_px - 3)
            & (px[..., 1] <= view.height_px - 3)
        )
    return rgb, inside


def blur_mm(flat: FlatBoard, picture: BoardPicture) -> float:
    """Return how blurred the photo is on the board, one standard deviation [mm]; the median over rows.

    An edge of a step h, blurred by σ, rises by h/(σ·√(2π)) at its steepest. A row's step is that between its usual paste
    and what lies around it, in the lightness or colour that differs most from the mask.
    """
    away = np.sqrt((flat.on_mask**2).sum(axis=2))
    rise = np.hypot(cv2.Sobel(away, cv2.CV_32F, 1, 0), cv2.Sobel(away, cv2.CV_32F, 0, 1)) / 8
    found = []
    for row, number in zip((picture.rows[k] for k in flat.rows), flat.rows, strict=True):
        near = flat.window(row.paste.bounds, AROUND_MM)
        part = (flat.nearest[near] == number) & (flat.away_mm[near] < AROUND_MM) & flat.inside[near]
        if part.sum() < 60:
            continue
        low, high = np.percentile(away[near][part], (5, 90))
        steepest = float(np.percentile(rise[near][part], 98))
        if high - low > 0.3:
            found.append(float(high - low) / max(steepest, 1e-6) / 2.507)
    return float(np.median(found)) / flat.scale if found else 0.0


def _shown(found: FoundBoard, picture: BoardPicture) -> tuple[Floats, Floats]:
    """Return the low and the high corner of what the photo shows of the board [mm]."""
    width, height = found.view.width_px, found.view.height_px
    t = np.linspace(0, 1, 9)
    border = np.concatenate(
        [np.stack(p, axis=-1) for p in ((t, 0 * t), (t, 0 * t + 1), (0 * t, t), (0 * t + 1, t))]
    ) * [width - 1, height - 1]
    corners = found.view.to_sheet(border)
    left, bottom, right, top = picture.edge.bounds
    low = np.maximum(corners.min(axis=0), [left - 1, bottom - 1])
    high = np.minimum(corners.max(axis=0), [right + 1, top + 1])
    return low, np.maximum(high, low + 0.1)


def _nearest(
    rows: tuple[InspectedRow, ...], low: Floats, scale: float, size: tuple[int, int]
) -> tuple[NDArray[np.int64], Floats32, tuple[int, ...]]:
    """Return which row's planned paste is nearest to each pixel (−1: none at all), and how far [px]."""
    owner = np.full((size[1], size[0]), -1, np.int64)
    there = []
    for number, row in enumerate(rows):
        left, bottom, right, top = row.paste.bounds
        first = np.maximum(np.floor((np.array([left, bottom]) - low) * scale).astype(int), 0)
        last = np.minimum(np.ceil((np.array([right, top]) - low) * scale).astype(int) + 1, size)
        if (last - first < 1).any():
            continue
        there.append(number)
        wide, high = (last - first).tolist()
        own = drawn([row.paste], low + first / scale, scale, (wide, high)) > 0
        part = owner[first[1] : last[1], first[0] : last[0]]
        part[own & (part < 0)] = number
    if not (owner >= 0).any():
        return owner, np.full(owner.shape, 1e6, np.float32), ()
    away, labels = cv2.distanceTransformWithLabels(
        (owner < 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    names = np.zeros(int(labels.max()) + 1, np.int64)
    names[labels[owner >= 0]] = owner[owner >= 0]
    return names[labels], np.asarray(away, np.float32), tuple(there)


def features(rgb: NDArray[np.uint8]) -> Floats32:
    """Return lightness, red over green and blue over green of a flat picture, logarithms of linear light."""
    table = np.log(linear_table() + DARKEST).astype(np.float32)
    log = cv2.GaussianBlur(table[rgb], (0, 0), 0.7)
    light = 0.3 * log[..., 0] + 0.6 * log[..., 1] + 0.1 * log[..., 2]
    return np.asarray(
        np.stack([light, log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]], axis=-1), np.float32
    )


def _evened(
    colour: Floats32, planned: tuple[NDArray[np.int64], Floats32, Flags], rows: tuple[int, ...]
) -> Floats32:
    """Return colours less how light fades across the picture: a plane through the deposits' usual colours.

    `planned` are the row nearest to each pixel, how far it is, and what the photo shows. Deposits that are missing, or
    mirror a lamp, are let go (Tukey's biweight).
    """
    labels, away, inside = planned
    lines, columns = np.nonzero((away == 0) & inside)
    number = labels[lines, columns]
    order = np.argsort(number, kind="stable")
    starts = np.searchsorted(number[order], rows)
    ends = np.searchsorted(number[order], rows, side="right")
    places, values = [], []
    for start, end in zip(starts, ends, strict=True):
        if end - start < LEAST_ROW_PX:
            continue
        own = order[start:end]
        places.append((columns[own].mean(), lines[own].mean()))
        values.append(np.median(colour[lines[own], columns[own]], axis=0))
    if len(places) < LEAST_ROWS:
        return colour
    size = np.array([colour.shape[1], colour.shape[0]])
    way = np.asarray(places) / size - 0.5
    design = np.column_stack([np.ones(len(way)), way])
    x, y = np.arange(size[0]) / size[0] - 0.5, np.arange(size[1]) / size[1] - 0.5
    out = colour.copy()
    for channel in range(3):
        slope = _plane(design, np.asarray(values, np.float64)[:, channel])
        out[..., channel] -= (slope[1] * x[None, :] + slope[2] * y[:, None]).astype(np.float32)
    return out


def _plane(design: Floats, values: Floats) -> Floats:
    """Return a plane's coefficients, outliers let go; slopes are drawn towards zero where few deposits tell them."""
    weights = np.ones(len(values))
    found = np.array([np.median(values), 0.0, 0.0])
    for _ in range(8):
        left = values - design @ found
        spread = max(1.4826 * float(np.median(np.abs(left - np.median(left)))), 0.02)
        weights = np.clip(1 - (left / (4 * spread)) ** 2, 0, None) ** 2
        normal = design.T @ (weights[:, None] * design) + np.diag([0.0, 0.1, 0.1])
        found = np.asarray(np.linalg.solve(normal, design.T @ (weights * values)), np.float64)
    return found


def _ground(colour: Floats32, mask: Flags, scale: float) -> Floats32:
    """Return the mask's own colour everywhere, from medians of cells, cells without mask filled from their neighbours."""
    rows, columns = mask.shape
    down, across = (max(1, round(n / (CELL_MM * scale))) for n in (rows, columns))
    usual = np.median(colour[mask], axis=0) if mask.any() else np.median(colour.reshape(-1, 3), axis=0)
    # Legend lies on the mask too, and in a crowded corner there may be more of it than of mask.
    mask = mask & (np.abs(colour - usual) < MASK_WITHIN).all(axis=2)
    grid = np.empty((down, across, 3), np.float32)
    told = np.zeros((down, across), np.float32)
    for i in range(down):
        for j in range(across):
            part = np.s_[
                i * rows // down : (i + 1) * rows // down, j * columns // across : (j + 1) * columns // across
            ]
            own = colour[part][mask[part]]
            told[i, j] = len(own) > 0.05 * mask[part].size
            grid[i, j] = np.median(own, axis=0) if told[i, j] else usual
    # Weighted smoothing: told cells count fully, others hardly, so that gaps take their neighbours' colour.
    weight = (told + 0.01)[..., None]
    blurred = cv2.GaussianBlur(grid * weight, (0, 0), 1.2).reshape(down, across, 3)
    spread = cv2.GaussianBlur(weight, (0, 0), 1.2).reshape(down, across, 1)
    smooth = np.asarray(blurred / np.maximum(spread, 1e-6), np.float32)
    return np.asarray(cv2.resize(smooth, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)

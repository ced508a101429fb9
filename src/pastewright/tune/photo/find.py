"""Pixels to places that may be dots: blobs that differ from what surrounds them, in lightness or in colour.

Paste is grey. It is darker than white paper, lighter than a dark mask, and of another hue than copper; which of
these it is, is not asked of the person. So six maps are searched (darker, lighter, and two pairs of hues), each
at several levels; `grid` tells which map holds a lattice.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.photo.light import linear_table

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

WORK_PX = 1300  # longer side of the copy that is searched
COARSE = 8  # the surroundings are taken from a copy smaller by this much
SURROUND = 25  # width of the median that gives the surroundings, in pixels of that copy
LEAST_CONTRAST = 0.05  # natural logarithm of light
DARKEST = 0.01  # of white: light below this says nothing, and noise there must not look like contrast
MOST_CANDIDATES = 700
LEAST_AREA_PX = 12
SOFT_PX = 0.8  # blur of the copy that is searched, against its noise
# Percent of the photo that levels are tried up to: a row's dozen dots cover a thousandth of it, a sheet's fifty times that.
MOST_OF_SHEET, MOST_OF_ROW = 99.8, 99.98


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlobCandidates:
    """Blobs of one map: places [px of the photo], widths [px], and contrast [ln of light], strongest first."""

    kind: str
    places_px: Floats
    widths_px: Floats
    contrast: Floats


def find_candidates(pixels: NDArray[np.uint8], *, soft_px: float = SOFT_PX) -> list[BlobCandidates]:
    """Return the blobs of each map, maps with most promise first; grain finer than `soft_px` of the copy that is searched
    is blurred away.
    """
    small, factors = _smaller(pixels, WORK_PX)
    found = []
    for kind, residual in _maps(small, soft_px):
        for sign, name in ((1, "more"), (-1, "less")):
            blobs = _blobs(residual * sign, MOST_OF_SHEET)
            if blobs is not None:
                found.append(_candidates(f"{name} {kind}", blobs, factors))
    return found


def either_way(found: Sequence[BlobCandidates]) -> BlobCandidates | None:
    """Return the blobs that are lighter and those that are darker than their surroundings together: half of a sheet may lie
    in a lamp's mirror image. Where two lie on one another, the wider one counts.
    """
    ways = [one for one in found if one.kind in ("more light", "less light")]
    if len(ways) < 2:
        return None
    places, widths, contrast = (
        np.concatenate([getattr(one, name) for one in ways])
        for name in ("places_px", "widths_px", "contrast")
    )
    apart = np.linalg.norm(places[:, None] - places[None], axis=-1)
    covered = (apart < widths[None] / 2) & (widths[None] > widths[:, None])
    kept = ~covered.any(axis=1)
    return BlobCandidates(
        kind="either light", places_px=places[kept], widths_px=widths[kept], contrast=contrast[kept]
    )


def find_dark(pixels: NDArray[np.uint8], *, work_px: int) -> BlobCandidates | None:
    """Return what is darker than its surroundings, as paste on a white card is; searched on a copy `work_px` long."""
    small, factors = _smaller(pixels, work_px)
    light = _lightness(_logs(small))
    blobs = _blobs(-np.asarray(light - _surroundings(light), np.float32), MOST_OF_ROW)
    return None if blobs is None else _candidates("less light", blobs, factors)


def _smaller(pixels: NDArray[np.uint8], work_px: int) -> tuple[NDArray[np.uint8], Floats]:
    """Return the copy that is searched, and how many pixels of the photo one of it takes, in x and y."""
    height, width = pixels.shape[:2]
    factor = min(1.0, work_px / max(height, width))
    small = pixels
    if factor < 1:
        size = max(1, round(width * factor)), max(1, round(height * factor))
        small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)  # type: ignore[assignment]
    return small, np.array([width / small.shape[1], height / small.shape[0]])


def _candidates(kind: str, blobs: tuple[Floats, Floats, Floats], factors: Floats) -> BlobCandidates:
    """Return blobs of the copy in pixels of the photo."""
    places, widths, contrast = blobs
    return BlobCandidates(
        kind=kind,
        places_px=(places + 0.5) * factors - 0.5,
        widths_px=widths * float(factors.mean()),
        contrast=contrast,
    )


def _maps(small: NDArray[np.uint8], soft_px: float) -> list[tuple[str, Floats32]]:
    """Return lightness and two hues, each less its surroundings."""
    log = _logs(small, soft_px)
    red, green, blue = log[..., 0], log[..., 1], log[..., 2]
    maps = (
        ("light", _lightness(log)),
        ("red", np.asarray(red - blue, np.float32)),
        ("green", np.asarray(green - (red + blue) / 2, np.float32)),
    )
    return [(name, np.asarray(plane - _surroundings(plane), np.float32)) for name, plane in maps]


def _logs(small: NDArray[np.uint8], soft_px: float = SOFT_PX) -> Floats32:
    """Return the logarithms of a picture's light, (rows, columns, 3), a little blurred."""
    logs = np.log(linear_table() + DARKEST).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(logs[small], (0, 0), soft_px), np.float32)


def _lightness(log: Floats32) -> Floats32:
    return np.asarray((log[..., 0] + log[..., 1] + log[..., 2]) / 3, np.float32)


def _surroundings(plane: Floats32) -> Floats32:
    height, width = plane.shape
    size = max(width // COARSE, 8), max(height // COARSE, 8)
    coarse = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
    low, high = np.percentile(coarse, [0.5, 99.5])
    step = max(float(high - low), 1e-3) / 255
    # The median needs bytes; half a step is well below the least contrast that is looked for.
    codes = np.clip((coarse - low) / step, 0, 255).round().astype(np.uint8)
    middle = cv2.medianBlur(codes, SURROUND).astype(np.float32) * np.float32(step) + np.float32(low)
    smooth = cv2.GaussianBlur(middle, (0, 0), 1.5)
    return np.asarray(cv2.resize(smooth, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def _taken_up(
    spot: int, labels: NDArray[Any], stats: NDArray[Any], residual: Floats32, taken: NDArray[np.uint8]
) -> float:
    """Return the sum of a spot's light, and mark its pixels as taken."""
    left, top, width, height = stats[spot, :4].tolist()
    box = slice(top, top + height), slice(left, left + width)
    own = labels[box] == spot
    taken[box][own] = 1
    return float(residual[box][own].sum(dtype=np.float64))


def _blobs(residual: Floats32, most: float) -> tuple[Floats, Floats, Floats] | None:
    """Return (places, widths, contrast) of round blobs, taken at the lowest level at which they are round.

    Levels go up to what `most` percent of the photo stay below.
    """
    sample = residual[::3, ::3]
    noise = 1.4826 * float(np.median(np.abs(sample - np.median(sample))))
    level = max(4 * noise, LEAST_CONTRAST)
    top = float(np.percentile(sample, most))
    most_area = (min(residual.shape) / 4) ** 2
    places: list[Floats] = []
    widths: list[Floats] = []
    contrasts: list[Floats] = []
    taken = np.zeros(residual.shape, np.uint8)
    while level < max(top, LEAST_CONTRAST * 1.01):
        mask = (residual > level).view(np.uint8)
        if mask.mean() < 0.4:
            count, labels, stats, middles = cv2.connectedComponentsWithStats(mask, connectivity=4)
            area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
            wide = stats[:, cv2.CC_STAT_WIDTH].astype(np.float64)
            high = stats[:, cv2.CC_STAT_HEIGHT].astype(np.float64)
            full = area / (wide * high)
            good = (area >= LEAST_AREA_PX) & (area < most_area) & (full > 0.5) & (full < 0.95)
            good &= (np.maximum(wide, high) <= 2.4 * np.minimum(wide, high)) & (np.arange(count) > 0)
            spots = np.flatnonzero(good)
            at = np.round(middles[spots]).astype(int)
            spots = spots[taken[at[:, 1], at[:, 0]] == 0] if len(spots) else spots
            if len(spots):
                light = np.array([_taken_up(each, labels, stats, residual, taken) for each in spots.tolist()])
                places.append(np.asarray(middles[spots], dtype=np.float64))
                widths.append(np.sqrt(area[spots] * 4 / np.pi))
                contrasts.append(light / area[spots])
        level *= 1.7
    if not places:
        return None
    contrast = np.concatenate(contrasts)
    order = np.argsort(-contrast)[:MOST_CANDIDATES]
    return np.concatenate(places)[order], np.concatenate(widths)[order], contrast[order]

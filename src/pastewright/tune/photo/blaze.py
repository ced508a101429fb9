"""Bright paste on a darker ground blazes over its own edge: rays across the common picture → by how much it looks too wide.

A camera cuts light off at white and bends what is near it, so that halfway between the codes of paste and ground lies
outside of halfway between their light: the farther, the brighter the paste and the softer the picture. Neither the light
that was cut off nor the blur can be read from the picture by itself; what goes with them can:

    burnt      share of the paste's rim that is full in some colour
    foot       from half of the step to a tenth of it, in codes: how softly the edge ends on the ground [radii]
    narrower   by how much hue, and the halfway line, have the paste narrower
    flank      how light the darker side of the paste is against the ground [ln]: bright all round, it is not burnt by a lamp

The share is linear in these; its numbers are least squares over 325 photos rendered for development on which paste is the
lighter, in eight parts by scenes each foretold from the others: errors fell from 2.5 to 2.0 % (rms), and those above 4 %
from 33 to 17.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RADII: Floats = np.linspace(0.5, 1.5, 51)  # of the circle, along which the rays lie
PASTE, GROUND = (0.66, 0.86), (1.22, 1.42)
FLANK = (0.60, 0.85)
EDGE_FROM = 0.70  # radii: farther in, what falls is no edge
BRIGHT = 0.8  # quantile of paste along a ray that is taken for its light, and of steps for a clear one
CLEAR = 0.4  # of a clear step; less is no edge to measure
USUAL_FOOT, MOST_FOOT = 0.05, 0.3  # radii
DARK_FLANK = 0.2  # quantile of the rays
DARKEST = 0.1  # of the ground's light
MOST_NARROWER = 0.1
OFFSET, BY_BURNT, BY_FOOT, BY_HUE, BY_HALFWAY, BY_FLANK = -0.028, 0.060, 0.22, 0.28, 0.10, -0.011
MOST = 0.06  # more than any photo's
# What burnt-out paste blazes over its edge is as many pixels on small dots as on large ones, so that a share told by the
# wider ones is too little for the small ones: pixels of the radius for the share of the rim that is full in some colour.
# Least squares over the widths of 4 600 dots of 144 photos rendered for development, in eight parts by scenes each foretold
# from the others: the errors of dots of 20 to 25 pixels within their photos fall from 4.4 to 4.2 % (95th percentile).
BURNT_PX = 0.8
MOST_BY_SIZE = 0.06  # of a radius


@dataclass(frozen=True, slots=True, kw_only=True)
class Blaze:
    """`share` by which paste looks too wide; `foot` [radii] tells how softly its edge ends."""

    share: float
    foot: float


def blaze_of(rays: Floats, burnt: float, narrower: tuple[float, float]) -> Blaze:
    """Return the blaze; `rays` (rays, RADII) is lightness over the ground's less 1, `narrower` by how much hue and the
    halfway line have the paste narrower, shares (0 where they do not).
    """
    foot = _foot(rays)
    flank = np.quantile(np.median(rays[:, _within(FLANK)], axis=1), DARK_FLANK)
    hue, halfway = (min(max(share, 0.0), MOST_NARROWER) for share in narrower)
    share = (
        OFFSET
        + BY_BURNT * burnt
        + BY_FOOT * foot
        + BY_HUE * hue
        + BY_HALFWAY * halfway
        + BY_FLANK * float(np.log1p(max(flank, DARKEST - 1)))
    )
    return Blaze(share=float(np.clip(share, -MOST, MOST)), foot=foot)


def by_size(radii_px: Floats, usual_px: float, burnt: float) -> Floats:
    """Return what dots look too wide by beyond the usual one, shares of their radii; `usual_px` is the radius of the dots
    that the common picture is made of, `burnt` the share of the paste's rim that is full in some colour.
    """
    beyond = BURNT_PX * burnt * (1 / np.maximum(radii_px, 1.0) - 1 / max(usual_px, 1.0))
    return np.asarray(np.clip(beyond, -MOST_BY_SIZE, MOST_BY_SIZE))


def _foot(rays: Floats) -> float:
    """Return the usual way from half of the step to a tenth of it [radii]."""
    code = _encoded(1 + np.maximum(rays, -1.0))
    paste = np.quantile(code[:, _within(PASTE)], BRIGHT, axis=1)
    ground = np.median(code[:, _within(GROUND)], axis=1)
    step = paste - ground
    clear = step > CLEAR * np.quantile(step, BRIGHT)
    if not clear.any() or not step[clear].min() > 0:
        return USUAL_FOOT
    level = (code[clear] - ground[clear, None]) / step[clear, None]
    ways = _falls(level, 0.1) - _falls(level, 0.5)
    ways = ways[np.isfinite(ways)]
    return float(np.clip(np.median(ways), -MOST_FOOT, MOST_FOOT)) if len(ways) else USUAL_FOOT


def _falls(level: Floats, at: float) -> Floats:
    """Return where each ray first falls through a level, NaN where it does not."""
    first = int(np.searchsorted(RADII, EDGE_FROM))
    high, low = level[:, first:-1], level[:, first + 1 :]
    falls = (high >= at) & (low < at)
    place = np.argmax(falls, axis=1)
    ray = np.arange(len(level))
    before, after = high[ray, place], low[ray, place]
    step = RADII[1] - RADII[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        found = RADII[first + place] + step * (before - at) / (before - after)
    return np.where(falls.any(axis=1), found, np.nan)


def _encoded(light: Floats) -> Floats:
    """Linear light to codes (sRGB, IEC 61966-2-1), the ground's light being 1; beyond 1 the curve goes on."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def _within(ends: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray((ends[0] < RADII) & (ends[1] > RADII))

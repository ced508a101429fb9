"""Light along rays from a dot's middle to its outline: where light is halfway between paste and ground.

All arrays have the shape (dots, rays, steps) or shorter ones of the same order; nothing here knows of photos.
The outline is r(φ) = r0 + cx·cos φ + cy·sin φ + a·cos 2φ + b·sin 2φ: a circle, moved and made elliptic, to first
order in both. Blur moves the halfway line of a disc inward by σ²/2r (the second term of a disc blurred by a
Gaussian): these are places to begin with, and `rim` tells where paste ends.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ELLIPTIC_SD = 0.03  # prior of a/r0 and b/r0: matters only where part of the outline is hidden
EVEN = 0.1  # how far paste may look lighter or darker on one side of a dot
# Of the rise of a Gaussian edge, a quarter to three quarters spans 2·0.6745 σ.
QUARTERS = 1.349


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossings:
    """Per ray: radius of the halfway point [mm], blur σ [mm], NaN where there is none; `rise` is paste less ground."""

    radius: Floats
    blur: Floats
    rise: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlines:
    """Per dot: r0, centre's offset, ellipse terms, scatter of the rays [mm], standard error of r0, share of rays kept."""

    radius: Floats
    offset: Floats
    ellipse: Floats
    scatter: Floats
    error: Floats
    kept: Floats


def crossings(contrast: Floats, radii: Floats, near: Floats, blur: Floats) -> Crossings:
    """Return where each ray crosses half the rise, the crossing nearest to `near`.

    `contrast` (dots, rays, steps) is about 0 on the ground and 1 on paste; `radii` (dots, steps) [mm]; `near`
    (dots, rays) is the radius expected; `blur` (dots) [mm] the blur expected. Paste is taken just inside the edge and
    ground just outside it, so slow shading of either does no harm.
    """
    radius = near[..., None]
    soft = blur[:, None, None]
    r = radii[:, None, :]
    margin = np.maximum(1.8 * soft, 0.08 * radius)
    inner = (r < np.maximum(radius - margin, 0.3 * radius)) & (
        r > np.maximum(radius - margin - 0.35 * radius, 0)
    )
    outer = (r > radius + margin) & (r < radius + margin + np.maximum(0.25 * radius, 1.5 * soft))
    paste = _smooth(median_where(contrast, inner))
    ground = _smooth(median_where(contrast, outer))
    # The lamp's reflection brightens one side of a small dot; paste itself does not vary that much around it.
    usual = np.median(paste, axis=-1, keepdims=True)
    paste = np.clip(paste, usual - EVEN * np.abs(usual), usual + EVEN * np.abs(usual))
    rise = paste - ground
    with np.errstate(invalid="ignore", divide="ignore"):
        level = (contrast - ground[..., None]) / np.where(np.abs(rise) > 1e-6, rise, np.nan)[..., None]
    half = _falls(level, radii, 0.5, near)
    upper = _falls(level, radii, 0.75, half)
    lower = _falls(level, radii, 0.25, half)
    width = (lower - upper) / QUARTERS
    return Crossings(radius=half, blur=np.where(width > 0, width, np.nan), rise=rise)


def _falls(level: Floats, radii: Floats, at: float, near: Floats) -> Floats:
    """Return the radius where the level falls through `at`, nearest to `near`; NaN when nowhere."""
    high, low = level[..., :-1], level[..., 1:]
    falls = (high >= at) & (low < at)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(falls, (high - at) / (high - low), np.nan)
    r = radii[:, None, :]
    cross = r[..., :-1] + share * (r[..., 1:] - r[..., :-1])
    apart = np.where(falls, np.abs(cross - near[..., None]), np.inf)
    best = np.argmin(np.where(np.isnan(apart), np.inf, apart), axis=-1)
    chosen = np.take_along_axis(cross, best[..., None], axis=-1)[..., 0]
    return np.where(falls.any(axis=-1), chosen, np.nan)


def median_where(values: Floats, mask: NDArray[np.bool_]) -> Floats:
    """Return the median along the last axis where the mask holds and values are finite; 0 where there is none."""
    kept = np.where(mask, values, np.inf)
    kept[~np.isfinite(kept)] = np.inf
    count = np.isfinite(kept).sum(axis=-1)
    ordered = np.sort(kept, axis=-1)  # what does not count goes last
    low = np.take_along_axis(ordered, (np.maximum(count - 1, 0) // 2)[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(ordered, (count // 2).clip(max=kept.shape[-1] - 1)[..., None], axis=-1)[..., 0]
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(count > 0, (low + np.where(np.isfinite(high), high, low)) / 2, 0.0))


def _smooth(values: Floats) -> Floats:
    """Return a running median of seven around the dot: one ray through dirt or glare must not count."""
    return np.asarray(
        np.median(np.stack([np.roll(values, shift, axis=-1) for shift in range(-3, 4)]), axis=0)
    )


def outlines(radius: Floats, angles: Floats, seen: NDArray[np.bool_]) -> Outlines:
    """Fit the outline of each dot to its rays; `seen` (dots, rays) tells which rays may count.

    Robust least squares (Tukey's biweight, cut at 4.7 usual residuals) with the prior above on the ellipse.
    """
    dots, rays = radius.shape
    basis = np.stack(
        [np.ones(rays), np.cos(angles), np.sin(angles), np.cos(2 * angles), np.sin(2 * angles)], axis=-1
    )
    usable = seen & np.isfinite(radius)
    values = np.where(usable, radius, 0.0)
    weight = usable.astype(np.float64)
    first = median_where(radius, usable)
    scatter = np.maximum(0.03 * first, 1e-6)
    solution = np.zeros((dots, 5))
    normal = np.tile(np.eye(5), (dots, 1, 1))
    for turn in range(8):
        stiff = np.zeros((dots, 5))
        stiff[:, 3:] = ((scatter / np.maximum(ELLIPTIC_SD * first, 1e-9)) ** 2)[:, None]
        stiff[:, :3] = 1e-9
        normal = np.einsum("dr,rk,rl->dkl", weight, basis, basis) + np.eye(5) * stiff[:, None, :]
        right = np.einsum("dr,rk,dr->dk", weight, basis, values)
        solution = np.linalg.solve(normal, right[..., None])[..., 0]
        left = np.abs(values - solution @ basis.T)
        scatter = np.maximum(1.4826 * median_where(left, usable), 1e-6)
        cut = np.maximum(4.7 * scatter, 0.01 * first) if turn > 0 else np.maximum(4.7 * scatter, 0.1 * first)
        weight = np.where(usable, np.clip(1 - (left / cut[:, None]) ** 2, 0, None) ** 2, 0.0)
    kept = np.where(usable, weight > 0.2, False).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    error = scatter * np.sqrt(np.linalg.inv(normal)[:, 0, 0])
    return Outlines(
        radius=solution[:, 0],
        offset=solution[:, 1:3],
        ellipse=solution[:, 3:5],
        scatter=scatter,
        error=error,
        kept=kept,
    )


def outline_at(outline: Outlines, angles: Floats) -> Floats:
    """Radius of the outlines along rays (dots, rays)."""
    return np.asarray(
        outline.radius[:, None]
        + outline.offset @ np.stack([np.cos(angles), np.sin(angles)])
        + outline.ellipse @ np.stack([np.cos(2 * angles), np.sin(2 * angles)])
    )


def aspect_of(outline: Outlines) -> Floats:
    """Return the longer axis over the shorter one."""
    swing = np.hypot(outline.ellipse[:, 0], outline.ellipse[:, 1])
    radius = np.maximum(outline.radius, 1e-9)
    swing = np.minimum(swing, 0.9 * radius)
    return np.asarray((radius + swing) / (radius - swing))

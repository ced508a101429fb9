"""All dots of a photo along rays, roughly, from blobs: (light, view, blobs) → Pass. It gives the first view."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.light import sampled
from pastewright.photo.view import PhotoView
from pastewright.tune.photo.edge import (
    Crossings,
    Outlines,
    aspect_of,
    crossings,
    median_where,
    outline_at,
    outlines,
)
from pastewright.tune.photo.grid import Match
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.rays import fit_ground, over_ground, ray_places

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Grouped = TypeVar("Grouped", Outlines, Crossings)
FitView = Callable[[Floats, Floats, int, int], tuple[PhotoView, float, float | None]]
"""Places on the plane [mm], in the photo [px], its width and height [px] to the view, rms of what is left [mm], and k1."""

COARSE_RAYS, COARSE_STEPS = 24, 56
REACH = 0.62  # pitch, how far the coarse rays go
STEADY = 0.5  # share of each colour's noise taken to be its own, lest the sum lean on tiny differences
LEAST_KEPT = 0.7  # of the rays
MOST_SCATTER = 0.06  # of the radius
MOST_ASPECT = 1.35
LEAST_RISE_NOISE = 4.0  # contrast over the noise of the ground
LEAST_INSIDE = 0.98  # of the samples
USUAL_BLUR_PX = 1.5  # where no dot tells (from memory of phones' pictures)
BLUR_TOLD_BY = 5  # dots


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pass:
    """All dots: centres and outlines [mm], blur [mm], contrast and its noise."""

    centres: Floats
    outline: Outlines
    blur: Floats
    rise: Floats
    noise: Floats
    inside: Floats  # share of its samples that lie in the photo


def coarse_pass(
    light: NDArray[np.uint16],
    view: PhotoView,
    sheet: LaidDots,
    commanded: Floats,
    matched: NDArray[np.int64],
    blobs: Floats,
    matches: Sequence[Match],
) -> Pass:
    """Follow each dot's outline, beginning with its blob or its commanded place."""
    centres = commanded.copy()
    scale = view.px_per_mm(centres)
    seen = view.to_sheet(blobs)
    off = np.linalg.norm(seen - commanded[matched], axis=1)
    # A blob far off is a part of a dot, or a dot with something beside it: its place and width say little.
    true = off < max(4 * float(np.median(off)), 0.03 * sheet.pitch_mm)
    centres[matched[true]] = seen[true]
    widths = np.array([match.width_px for match in matches])
    guess = np.full(len(centres), float(np.median(widths / 2 / scale[matched])))
    guess[matched[true]] = (widths / 2 / scale[matched])[true]
    reach = REACH * sheet.pitch_mm
    angles = _angles(COARSE_RAYS)
    radii = np.tile(np.linspace(0, reach, COARSE_STEPS), (len(centres), 1))
    places = ray_places(centres, angles, radii)
    values, inside = sampled(light, view, places)
    beyond = radii > np.clip(1.5 * guess, 0.38 * sheet.pitch_mm, 0.52 * sheet.pitch_mm)[:, None]
    ground = fit_ground(values, places, centres, inside & beyond[:, None, :])
    over = over_ground(values, places, centres, ground)
    core = (radii < 0.5 * guess[:, None])[:, None, :] & inside
    axis = _paste_axis(over[matched], core[matched], (inside & beyond[:, None, :])[matched])
    contrast = over @ axis
    blur = np.full(len(centres), 1.5) / scale
    rays_in = np.asarray(inside.all(axis=2))
    profile = np.median(contrast, axis=1)
    starts = (
        guess,
        _first_radius(profile, radii, 0.5 * sheet.pitch_mm, outward=True),
        _first_radius(profile, radii, 0.5 * sheet.pitch_mm, outward=False),
    )
    tries = [_tried(contrast, radii, start, blur, rays_in, sheet.pitch_mm) for start in starts]
    best = np.argmax([score for _, _, score in tries], axis=0)
    outline = _picked([outline for outline, _, _ in tries], best)
    crossed = _picked([crossed for _, crossed, _ in tries], best)
    return Pass(
        centres=centres + outline.offset,
        outline=outline,
        blur=_ray_median(crossed.blur),
        rise=_ray_median(crossed.rise),
        noise=ground.noise * float(np.abs(axis).sum()),
        inside=inside.mean(axis=(1, 2)),
    )


def _tried(
    contrast: Floats, radii: Floats, start: Floats, blur: Floats, rays_in: Flags, pitch_mm: float
) -> tuple[Outlines, Crossings, Floats]:
    """Return the outlines grown from a start, their crossings, and a score of how much like a dot each is.

    A dot is wide, strong, and even all around: the lamp's reflection on it is narrow, the ground's grain uneven.
    """
    angles = _angles(contrast.shape[1])
    near = np.tile(np.clip(start, radii[:, 2], 0.5 * pitch_mm)[:, None], (1, contrast.shape[1]))
    for _ in range(3):
        crossed = crossings(contrast, radii, near, blur)
        outline = outlines(crossed.radius, angles, rays_in)
        near = np.clip(outline_at(outline, angles), radii[:, 1:2], radii[:, -1:])
    radius = np.maximum(outline.radius, 1e-9)
    rise = np.clip(_ray_median(crossed.rise), 0, 1.2)
    score = rise * radius * outline.kept**2 / (0.03 + outline.scatter / radius)
    astray = (np.linalg.norm(outline.offset, axis=1) > 0.3 * pitch_mm) | (outline.radius > 0.5 * pitch_mm)
    return outline, crossed, np.where(astray | ~np.isfinite(score), 0.0, score)


def _picked(tries: Sequence[Grouped], best: NDArray[np.int64]) -> Grouped:
    """Return per dot what the best try has."""
    dots = np.arange(len(best))
    values = {
        item.name: np.stack([getattr(one, item.name) for one in tries])[best, dots]
        for item in fields(tries[0])
    }
    return type(tries[0])(**values)


def _first_radius(profile: Floats, radii: Floats, most_mm: float, *, outward: bool) -> Floats:
    """Return where light falls through half of what paste shows, going outward or coming inward (dots).

    Paste is what lies between half and most of the radius, so it takes a few rounds to know both. The rounds begin
    with the brightest, which may be the lamp's reflection on the dot's top; from there they grow to the whole dot.
    """
    within = radii <= most_mm
    level = 0.5 * np.clip(np.where(within, profile, 0.0)[:, 1:].max(axis=1), 0.05, 1.2)
    radius = radii[:, 1]
    for _ in range(4):
        above = (profile > level[:, None]) & within
        if outward:
            above &= np.logical_and.accumulate(above | (radii <= 0.3 * radius[:, None]), axis=1)
        radius = np.max(np.where(above, radii, radii[:, 1:2]), axis=1)
        body = (radii >= 0.4 * radius[:, None]) & (radii <= np.maximum(0.85 * radius, radii[:, 1])[:, None])
        level = np.maximum(0.5 * median_where(profile, body), 0.02)
    return np.asarray(radius)


def _paste_axis(over: Floats, core: Flags, ground: Flags) -> Floats:
    """Return w, so that w · (light over ground − 1) is 1 on paste, with the least noise.

    w ∝ Σ⁻¹μ, μ being paste's difference from the ground and Σ the covariance of the ground's colours: what the three
    colours of the ground have in common (its grain) cancels. R. A. Fisher, Annals of Eugenics 7 (1936) 179-188.
    """
    middles = np.array([np.median(over[k][core[k]], axis=0) for k in range(len(over)) if core[k].any()])
    paste = np.median(middles, axis=0)
    if len(paste) == 1:
        return np.asarray(1 / np.where(np.abs(paste) > 1e-3, paste, 1e-3))
    colours = over[ground]
    spread = 1.4826 * np.median(np.abs(colours), axis=0) + 1e-4
    tame = np.clip(colours, -3 * spread, 3 * spread)
    covariance = tame.T @ tame / len(tame) + np.diag((STEADY * spread) ** 2)
    weight = np.linalg.solve(covariance, paste)
    return np.asarray(weight / max(float(weight @ paste), 1e-9))


def _angles(rays: int) -> Floats:
    return np.asarray(np.arange(rays) * (2 * np.pi / rays), dtype=np.float64)


def _ray_median(values: Floats) -> Floats:
    """Median over the rays of each dot; 0 for a dot without any."""
    return median_where(values, np.isfinite(values))


def refitted(
    view: PhotoView, commanded: Floats, centres: Floats, good: Flags, fit: FitView
) -> tuple[PhotoView, Floats, Floats]:
    """Return the view through measured centres, the centres in it, and by how much lengths change."""
    px = view.to_px(centres)
    better, _, _ = fit(commanded[good], px[good], view.width_px, view.height_px)
    moved = better.to_sheet(px)
    # A centre that ran away (nothing there) starts anew where it was commanded.
    lost = np.linalg.norm(moved - commanded, axis=1) > 4 * float(
        np.median(np.linalg.norm((moved - commanded)[good], axis=1))
    ) + 0.15 * float(np.min(np.linalg.norm(commanded[1:] - commanded[:1], axis=1)))
    moved = np.where(lost[:, None], commanded, moved)
    return better, moved, view.px_per_mm(centres) / better.px_per_mm(moved)


def plausible_blobs(seen: Pass, commanded: Floats, pitch_mm: float) -> Flags:
    """Tell which dots look like dots, well enough to fit the view to."""
    off = np.linalg.norm(seen.centres - commanded, axis=1)
    return np.asarray(
        (off < 0.15 * pitch_mm)
        & (seen.outline.kept > LEAST_KEPT)
        & (seen.outline.scatter < MOST_SCATTER * seen.outline.radius)
        & (aspect_of(seen.outline) < MOST_ASPECT)
        & (seen.rise > LEAST_RISE_NOISE * seen.noise)
        & (seen.inside > LEAST_INSIDE)
    )


def usual_blur_px(seen: Pass, view: PhotoView, good: Flags) -> float:
    """Return the photo's blur σ [px], the median over dots wide enough to tell."""
    blur_px = seen.blur * view.px_per_mm(seen.centres)
    wide = good & np.isfinite(blur_px) & (seen.outline.radius > 2.5 * seen.blur)
    if wide.sum() < BLUR_TOLD_BY:
        wide = good & np.isfinite(blur_px)
    return float(np.median(blur_px[wide])) if wide.any() else USUAL_BLUR_PX

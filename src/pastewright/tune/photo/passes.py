"""All dots of a photo along rays, twice: first roughly from blobs, then densely from known centres.

(light, view, centres) → Pass: centres, outlines, and what speaks for and against each dot. `measure` decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pastewright.tune.photo.edge import Crossings, Outlines, crossings, median_where, outline_at, outlines
from pastewright.tune.photo.grid import Match
from pastewright.tune.photo.rays import FULL, fit_ground, over_ground, ray_places, sampled
from pastewright.tune.photo.soft_edge import ring_profiles
from pastewright.tune.photo.view import PhotoView
from pastewright.tune.sheet.model import Sheet

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Grouped = TypeVar("Grouped", Outlines, Crossings)

COARSE_RAYS, COARSE_STEPS = 36, 56
FINE_RAYS, FINE_STEPS = 72, 88
REACH = 0.62  # pitch, how far the coarse rays go
# A cap no higher than 0.45 of its width hides its base's far edge where cos ψ < −FAR·cot(tilt): the base's normal
# leans by (d/2 of the ball's centre below the plane) 0.1056 for that height over width.
FAR = 0.1056
STEADY = 0.5  # share of each colour's noise taken to be its own, lest the sum lean on tiny differences
SOILED = 0.2  # light just beyond the edge, against what lies beyond most of it, over the contrast of paste
UNEVEN = 0.5  # light just beyond the edge, against the ground, over the contrast of paste: more than a shadow
FAINTEST = 0.3  # contrast of the faintest dot over that of the plainest
MOST_SOILED = 0.4  # of the rays that can be seen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pass:
    """One pass over all dots: centres and outlines [mm], and what speaks for and against each."""

    centres: Floats
    outline: Outlines
    blur: Floats
    rise: Floats
    noise: Floats
    level: Floats  # light of the ground
    clipped: Floats
    inside: Floats
    uneven: (
        Floats  # share of the rays beyond whose edge there is no ground: another dot, or the rest of this one
    )
    profiles: Floats  # light over ρ = 0.4…1.6, only in the fine pass


def coarse_pass(
    light: NDArray[np.uint16],
    view: PhotoView,
    sheet: Sheet,
    commanded: Floats,
    matched: NDArray[np.int64],
    blobs: Floats,
    matches: tuple[Match, ...],
) -> tuple[Pass, Floats]:
    """First pass, from blobs or commanded places; also the direction in colour in which paste differs from ground."""
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
    noise = ground.noise * float(np.abs(axis).sum())
    return (
        Pass(
            centres=centres + outline.offset,
            outline=outline,
            blur=_ray_median(crossed.blur),
            rise=_ray_median(crossed.rise),
            noise=noise,
            level=ground.value.mean(axis=1),
            clipped=np.zeros(len(centres)),
            inside=inside.mean(axis=(1, 2)),
            uneven=np.zeros(len(centres)),
            profiles=np.empty(0),
        ),
        axis,
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


def fine_pass(
    light: NDArray[np.uint16],
    view: PhotoView,
    centres: Floats,
    near: Floats,
    camera: Floats,
    axis: Floats,
    usual_blur_px: float,
) -> Pass:
    """Measure along dense rays around known centres, leaving out the far side, which a cap hides from the camera."""
    angles = _angles(FINE_RAYS)
    scale = view.px_per_mm(centres)
    blur = usual_blur_px / scale
    near = np.maximum(near, 1.0 / scale)
    reach = 1.45 * near + 3.5 * blur
    radii = np.linspace(0, 1, FINE_STEPS)[None, :] * reach[:, None]
    places = ray_places(centres, angles, radii)
    values, inside = sampled(light, view, places)
    beyond = radii > (1.12 * near + 2.2 * blur)[:, None]
    ground = fit_ground(values, places, centres, inside & beyond[:, None, :])
    contrast = over_ground(values, places, centres, ground) @ axis
    visible = _visible(centres, camera, angles) & inside.all(axis=2)
    rays_near = np.tile(near[:, None], (1, FINE_RAYS))
    outline: Outlines | None = None
    clean = visible
    for _ in range(3):
        crossed = crossings(contrast, radii, rays_near, blur)
        outline = outlines(crossed.radius, angles, clean)
        rays_near = np.clip(outline_at(outline, angles), radii[:, 1:2], reach[:, None])
        beyond_edge = _beyond(contrast, radii, rays_near, blur)
        soiled = _soiled(beyond_edge) & visible
        # A hair or a speck takes a few rays, which can be spared. What lies beside half of the dot is its shadow.
        shadow = soiled.sum(axis=1) > MOST_SOILED * visible.sum(axis=1)
        clean = visible & ~(soiled & ~shadow[:, None])
    assert outline is not None
    full = np.asarray((values > FULL).any(axis=-1) & beyond[:, None, :])
    clipped = full.sum(axis=(1, 2)) / np.maximum((inside & beyond[:, None, :]).sum(axis=(1, 2)), 1)
    rise = _ray_median(crossed.rise)
    plain = np.maximum(rise, FAINTEST * float(np.quantile(rise, 0.9)))
    uneven = visible & (np.abs(beyond_edge) > UNEVEN * plain[:, None])
    return Pass(
        centres=centres + outline.offset,
        outline=outline,
        blur=_ray_median(np.where(visible, crossed.blur, np.nan)),
        rise=rise,
        noise=ground.noise * float(np.abs(axis).sum()),
        level=ground.value.mean(axis=1),
        clipped=clipped,
        uneven=uneven.sum(axis=1) / np.maximum(visible.sum(axis=1), 1),
        inside=inside.mean(axis=(1, 2)),
        profiles=ring_profiles(contrast, radii, rays_near, clean),
    )


def _beyond(contrast: Floats, radii: Floats, edge: Floats, blur: Floats) -> Floats:
    """Return the light just beyond the edge (dots, rays)."""
    r = radii[:, None, :]
    start = edge + (1.8 * blur)[:, None] + 0.03 * edge
    beyond = (r > start[..., None]) & (r < (start + 1.2 * blur[:, None] + 0.12 * edge)[..., None])
    return median_where(contrast, beyond)


def _soiled(level: Floats) -> Flags:
    """Tell from the light just beyond the edge which rays meet a hair or dirt that touches the dot (dots, rays)."""
    level = np.median(
        [np.roll(level, shift, axis=1) for shift in (-1, 0, 1)], axis=0
    )  # not the ground's grain
    usual = np.median(level, axis=1, keepdims=True)
    strange = np.abs(level - usual) > SOILED
    return np.asarray(np.any([np.roll(strange, shift, axis=1) for shift in range(-5, 6)], axis=0))


def _visible(centres: Floats, camera: Floats, angles: Floats) -> Flags:
    """Tell for each ray whether the dot's base can be seen there (dots, rays)."""
    to_camera = camera[:2] - centres
    away = np.linalg.norm(to_camera, axis=1)
    cosine = np.cos(angles[None, :] - np.arctan2(to_camera[:, 1], to_camera[:, 0])[:, None])
    return np.asarray(cosine > -FAR * camera[2] / np.maximum(away, 1e-6)[:, None])


def aspect_of(outline: Outlines) -> Floats:
    """Return the longer axis over the shorter one."""
    swing = np.hypot(outline.ellipse[:, 0], outline.ellipse[:, 1])
    radius = np.maximum(outline.radius, 1e-9)
    swing = np.minimum(swing, 0.9 * radius)
    return np.asarray((radius + swing) / (radius - swing))


def _angles(rays: int) -> Floats:
    return np.asarray(np.arange(rays) * (2 * np.pi / rays), dtype=np.float64)


def _ray_median(values: Floats) -> Floats:
    """Median over the rays of each dot; 0 for a dot without any."""
    return median_where(values, np.isfinite(values))

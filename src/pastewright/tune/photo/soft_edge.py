"""Where a dot's edge is, when paste grows darker towards its rim and throws a shadow: profiles → corrections.

Halfway between paste and ground is the edge only where both are even. A cap's steep rim catches less light than its
top, and a shadow lies beside it; blur mixes both into the edge, and the halfway line moves by some percent. So the
light is taken as a function of ρ = distance over the halfway outline, averaged around the dot, and explained by

    paste  A·(1 + B·s + C·s²)   for s = ρ − 1 − δ below zero
    ground D + A·E·s            above zero,             both blurred by a Gaussian of σ.

B, C and E belong to the light and the paste, hence to the whole photo: they are learnt from its widest dots, where
blur hides least, and then held near those values for all dots.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

RHO: Floats = np.linspace(0.4, 1.6, 61, dtype=np.float64)
DELTA, LN_SIGMA, PASTE, B, C, GROUND, E = range(7)
FREE_SD = np.array([0.10, 0.5, 0.5, 0.6, 1.2, 0.3, 0.6])
LEARNT_SD = np.array([0.10, 0.15, 0.07, 0.08, 0.2, 0.3, 0.08])
OUTSIDE = 0.22  # how far out the ground counts as sloping evenly, in radii, or three blurs
WIDE = 5.0  # radius over blur from which a dot can teach the photo's shading
LEAST_TEACHERS = 5
FIT_NOISE = 0.01
STEPS = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Per dot: the edge's place over the halfway outline's, 1 + δ; blur σ over radius."""

    factor: Floats
    blur: Floats


def ring_profiles(contrast: Floats, radii: Floats, outline: Floats, visible: NDArray[np.bool_]) -> Floats:
    """Return the median over the visible rays of the light at RHO times the outline: (dots, len(RHO)).

    `contrast` (dots, rays, steps) at evenly spaced `radii` (dots, steps) from zero; `outline` (dots, rays).
    Beyond the last step it is NaN.
    """
    step = radii[:, 1]
    last = radii.shape[1] - 1
    at: Floats = outline[..., None] * RHO / step[:, None, None]
    low = np.clip(np.floor(at).astype(np.int64), 0, last - 1)
    share = at - low
    before = np.take_along_axis(contrast, low, axis=2)
    after = np.take_along_axis(contrast, low + 1, axis=2)
    value = np.where(at <= last, before + share * (after - before), np.nan)
    value = np.where(visible[..., None], value, np.nan)
    empty = np.asarray(~np.isfinite(value).any(axis=1))
    value = np.where(empty[:, None, :], 0.0, value)
    return np.where(empty, np.nan, np.nanmedian(value, axis=1))


def find_edges(profiles: Floats, blur: Floats, trusted: NDArray[np.bool_], places: Floats) -> Edges:
    """Return each dot's edge.

    `blur` is σ over radius as first measured, `trusted` the dots that may teach, `places` where dots lie (dots, 2):
    paste looks alike on dots that lie close together.
    """
    dots = len(profiles)
    body = np.flatnonzero((RHO > 0.5) & (RHO < 0.8))
    paste = np.median(np.nan_to_num(profiles[:, body], nan=1.0), axis=1)
    paste = np.where(np.abs(paste) > 0.02, paste, 1.0)
    start = np.zeros((dots, 7))
    start[:, PASTE] = paste
    start[:, LN_SIGMA] = np.log(np.clip(blur, 0.01, 1.0))
    weight = np.isfinite(profiles) & (RHO[None, :] < 1 + np.maximum(OUTSIDE, 3 * blur)[:, None])
    seen = np.where(weight, profiles, 0.0)
    teachers = trusted & (blur < 1 / WIDE)
    if teachers.sum() < LEAST_TEACHERS:
        widest = np.argsort(np.where(trusted, blur, np.inf))[:LEAST_TEACHERS]
        teachers = np.zeros(dots, bool)
        teachers[widest] = trusted[widest]
    prior = start.copy()
    if teachers.any():
        even = np.where(weight[teachers], 1 / FIT_NOISE, 0.0)
        taught = _fitted(seen[teachers], even, start[teachers], start[teachers], FREE_SD)
        prior[:, [B, C, E]] = np.median(taught[:, [B, C, E]], axis=0)
        prior[:, LN_SIGMA] += float(np.median(taught[:, LN_SIGMA] - start[teachers, LN_SIGMA]))
        prior[:, PASTE] = _of_neighbours(taught[:, PASTE], places[teachers], places)
    # The lamp's reflection on top of the dot is smeared over as much of it as the blur is wide.
    spoilt = 0.5 * np.exp(prior[:, LN_SIGMA, None])
    trust = np.where(weight, 1 / (FIT_NOISE + np.where(RHO < 0.85, spoilt, 0.0)), 0.0)
    found = _fitted(seen, trust, prior, prior, LEARNT_SD)
    return Edges(factor=1 + found[:, DELTA], blur=np.exp(found[:, LN_SIGMA]))


def _of_neighbours(values: Floats, at: Floats, places: Floats) -> Floats:
    """Return the median of the values of the seven nearest places."""
    gaps = np.linalg.norm(places[:, None] - at[None], axis=2)
    near = np.argsort(gaps, axis=1)[:, :7]
    return np.asarray(np.median(values[near], axis=1))


def _fitted(seen: Floats, trust: Floats, start: Floats, prior: Floats, sd: Floats) -> Floats:
    """Return the seven numbers per dot: least squares with a prior, by damped Gauss-Newton steps on all dots at once.

    `trust` is one over the noise of each sample; the standard deviations of paste and ground are in units of paste.
    """
    spread = np.tile(sd, (len(seen), 1))
    spread[:, [PASTE, GROUND]] *= np.maximum(np.abs(prior[:, PASTE]), 0.05)[:, None]
    values = start.copy()
    for _ in range(STEPS):
        base = _model(values)
        slopes = np.empty((*base.shape, 7))
        for number in range(7):
            moved = values.copy()
            moved[:, number] += 1e-5
            slopes[..., number] = (_model(moved) - base) / 1e-5
        slopes *= trust[..., None]
        left = (seen - base) * trust
        normal = np.swapaxes(slopes, 1, 2) @ slopes + np.eye(7) / spread[:, None, :] ** 2
        right = np.einsum("dnk,dn->dk", slopes, left) + (prior - values) / spread**2
        move = np.linalg.solve(normal, right[..., None])[..., 0]
        values += np.clip(move, -0.7 * spread, 0.7 * spread)
    return values


def _model(values: Floats) -> Floats:
    """Light along ρ for the seven numbers, blurred in closed form; (dots, len(RHO))."""
    delta, ln_sigma, paste, b, c, ground, e = (values[:, k, None] for k in range(7))
    sigma = np.exp(ln_sigma)
    s = RHO[None, :] - 1 - delta
    z = s / sigma
    within, bell = ndtr(-z), np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    ramp_in = s * within - sigma * bell
    square_in = (s * s + sigma**2) * within - sigma * s * bell
    ramp_out = s * (1 - within) + sigma * bell
    return np.asarray(paste * (within + b * ramp_in + c * square_in + e * ramp_out) + ground * (1 - within))

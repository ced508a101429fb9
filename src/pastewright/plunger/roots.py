"""Roots of many monotone functions at once, one a lane: numpy does all lanes in each call."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MOST_ROUNDS = 100  # halving alone needs 60 for the last bit of a float; own choice above it


def bracketed_roots(
    function: Callable[[Floats], Floats], low: Floats, high: Floats, *, tolerance: ArrayLike
) -> Floats:
    """Return x, same shape as `low`, with |function(x)| ≤ `tolerance` in each lane, or x known to the last bits.

    `function` maps all lanes at once and must change sign between `low` and `high`; a lane where it does not
    gets the end that is nearer to a root. Inverse quadratic steps, bisection where they cannot be trusted
    (T. R. Chandrupatla, Advances in Engineering Software 28 (1997) 145–149).
    """
    b, a = np.array(low, dtype=float), np.array(high, dtype=float)
    fb, fa = function(b), function(a)
    c, fc = a.copy(), fa.copy()
    t = np.full(b.shape, 0.5)
    limit = np.broadcast_to(np.asarray(tolerance, dtype=float), b.shape)
    hopeless = np.sign(fa) * np.sign(fb) > 0
    for _ in range(MOST_ROUNDS):
        best = np.where(np.abs(fa) < np.abs(fb), a, b)
        best_f = np.where(np.abs(fa) < np.abs(fb), fa, fb)
        width = np.abs(b - a)
        grain = 4 * np.finfo(float).eps * np.abs(best)
        done = (np.abs(best_f) <= limit) | (width <= grain) | hopeless
        if done.all():
            break
        t = np.clip(t, 0.5 * np.minimum(grain / np.where(width > 0, width, 1.0), 1.0), None)
        x = np.where(done, best, a + t * (b - a))
        fx = np.where(done, best_f, function(x))
        same = np.sign(fx) == np.sign(fa)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        t = _next_fraction(a, fa, b, fb, c, fc)
    return np.where(np.abs(fa) < np.abs(fb), a, b)


def _next_fraction(a: Floats, fa: Floats, b: Floats, fb: Floats, c: Floats, fc: Floats) -> Floats:
    """Where between a (0) and b (1) to look next: inverse quadratic through three points, or the middle."""
    with np.errstate(divide="ignore", invalid="ignore"):
        xi = (a - b) / (c - b)
        phi = (fa - fb) / (fc - fb)
        trusted = (phi * phi < xi) & ((1 - phi) * (1 - phi) < 1 - xi)
        alpha = (c - a) / (b - a)
        quadratic = fa / (fb - fa) * fc / (fb - fc) + alpha * fa / (fc - fa) * fb / (fc - fb)
    return np.where(trusted & np.isfinite(quadratic), np.clip(quadratic, 0.0, 1.0), 0.5)

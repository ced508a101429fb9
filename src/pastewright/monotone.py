"""Knots to a smooth curve that rises only where they rise: never above or below its neighbours, so order is kept.

A cubic between each two knots; the slope at a knot is the harmonic mean of the slopes beside it, weighed by their
spans, and nothing where the knots turn: F. N. Fritsch and J. Butland, "A method for constructing local monotone
piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5 (1984) 300-304; end slopes by the three-point formula of
C. Moler, Numerical Computing with Matlab (SIAM, 2004), section 3.6. scipy's `PchipInterpolator` is the same curve; the
tests compare the two. It stands here because loading that package costs `plan` more than all the curves of a board
(measured: a fifth of the whole command).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def monotone_curve(at: ArrayLike, knots: Floats, values: Floats) -> Floats:
    """Return the curve through (`knots`, `values`) at the places `at` (any shape), which it is not to leave.

    `knots` (n,) rise strictly, n ≥ 2; `values` (n,). Beyond the last knots the last cubics go on.
    """
    where = np.asarray(at, dtype=np.float64)
    span = np.diff(knots)
    rise = np.diff(values) / span
    slope = _slopes(span, rise)
    piece = np.clip(np.searchsorted(knots, where, side="right") - 1, 0, len(span) - 1)
    width, chord, first, last = span[piece], rise[piece], slope[piece], slope[piece + 1]
    along = where - knots[piece]
    share = along / width
    # Hermite's cubic, in the order that loses nothing where `share` is 0.
    bend = (first + last - 2 * chord) * share + (3 * chord - 2 * first - last)
    found: Floats = values[piece] + along * (first + bend * share)
    return found


def _slopes(span: Floats, rise: Floats) -> Floats:
    """Return the slope at each knot from the `span` of each piece and its mean slope, its `rise`."""
    if len(span) == 1:
        return np.array([rise[0], rise[0]])
    slope = np.zeros(len(span) + 1)
    both = rise[:-1] * rise[1:]
    turns = both <= 0
    weight_left, weight_right = span[:-1] + 2 * span[1:], 2 * span[:-1] + span[1:]
    mean = np.where(turns, 1.0, weight_left * rise[1:] + weight_right * rise[:-1])
    slope[1:-1] = np.where(turns, 0.0, (weight_left + weight_right) * both / mean)
    slope[0] = _end_slope(span[0], span[1], rise[0], rise[1])
    slope[-1] = _end_slope(span[-1], span[-2], rise[-1], rise[-2])
    return slope


def _end_slope(span: float, next_span: float, rise: float, next_rise: float) -> float:
    """Return the slope at an end from the two pieces nearest to it, tamed so that the curve stays monotone."""
    slope = ((2 * span + next_span) * rise - span * next_rise) / (span + next_span)
    if slope * rise <= 0:
        return 0.0
    if rise * next_rise <= 0 and abs(slope) > 3 * abs(rise):
        return 3 * rise
    return float(slope)

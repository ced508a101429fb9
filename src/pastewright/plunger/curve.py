"""Knots to a smooth curve that rises where the knots rise: piecewise cubic, never overshooting.

scipy's `PchipInterpolator` is the same curve (the tests compare); importing it takes a quarter of the time that a
whole small board may take, so these few lines stand here.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def curve_at(x: Floats, knots_x: Floats, knots_y: Floats) -> Floats:
    """Values at `x` of the monotone cubic through the knots; `knots_x` rise, at least three of them.

    Slopes at inner knots are the weighted harmonic means of the chords beside them, zero at a turn
    (F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300); end slopes are three-point
    formulas kept from overshooting. Beyond the ends the last cubic goes on.
    """
    h = np.diff(knots_x)
    chord = np.diff(knots_y) / h
    slope = np.zeros_like(knots_y)
    w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
    rising = chord[:-1] * chord[1:] > 0
    before, after = np.where(rising, chord[:-1], 1.0), np.where(rising, chord[1:], 1.0)
    slope[1:-1] = np.where(rising, (w1 + w2) / (w1 / before + w2 / after), 0.0)
    slope[0] = _end_slope(float(h[0]), float(h[1]), float(chord[0]), float(chord[1]))
    slope[-1] = _end_slope(float(h[-1]), float(h[-2]), float(chord[-1]), float(chord[-2]))
    cell = np.clip(np.searchsorted(knots_x, x, side="right") - 1, 0, h.size - 1)
    t = x - knots_x[cell]
    quadratic = (3 * chord[cell] - 2 * slope[cell] - slope[cell + 1]) / h[cell]
    cubic = (slope[cell] + slope[cell + 1] - 2 * chord[cell]) / h[cell] ** 2
    result: Floats = knots_y[cell] + t * (slope[cell] + t * (quadratic + t * cubic))
    return result


def _end_slope(h0: float, h1: float, chord0: float, chord1: float) -> float:
    slope = ((2 * h0 + h1) * chord0 - h0 * chord1) / (h0 + h1)
    if slope * chord0 <= 0:
        return 0.0
    if chord0 * chord1 <= 0 and abs(slope) > 3 * abs(chord0):
        return 3 * chord0
    return slope

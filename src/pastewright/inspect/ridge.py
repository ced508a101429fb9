"""Whether a narrow ridge of another colour leads across the gap between two pastes: its middle against both of its sides.

A shadow or a mirror image is as wide as the deposit that throws it, and a blot of mask is no line from one paste to the
other. A bridge is narrower than both, with mask on either side:

    side      mask         colour is compared station by station along the gap:
    ──────────────────         the lesser step, from the middle to either side,
     paste ══ neck ══ paste    in spreads of the mask's own colour
    ──────────────────
    side      mask
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, uniform_filter1d
from shapely.geometry import Polygon
from shapely.ops import nearest_points

from pastewright.inspect.flat import FlatBoard

Floats = NDArray[np.float64]

LEAST_GAP_MM = 0.04  # closer outlines leave no gap to look at
MOST_GAP_MM = 0.8  # longer ways are not taken for a straight neck
CLEAR = 0.1  # of the gap, at either end: the pastes' own rims
MIDDLE_MM, BESIDE_MM = (
    0.05,
    (0.2, 0.38),
)  # half the neck's middle, and where its sides lie: necks are 0.1 to 0.3 mm wide
OFFSETS_MM: Floats = np.linspace(-0.15, 0.15, 7)  # by which either end may lie aside of the nearest approach
ACROSS_MM: Floats = np.linspace(-0.55, 0.55, 67)
LEAST_SIDE = 4  # samples of mask, to say how a side looks
WEAKEST = 0.1  # quantile of the stations that counts: one grain of dirt is no gap


def ridge_between(flat: FlatBoard, spread: Floats, shapes: tuple[Polygon, Polygon]) -> float:
    """Return by how many spreads the best straight line across the gap differs from both of its sides, all along."""
    a, b = (np.array(point.coords[0]) for point in nearest_points(*shapes))
    gap_mm = float(np.hypot(*(b - a)))
    if not LEAST_GAP_MM < gap_mm < MOST_GAP_MM:
        return -np.inf
    way = (b - a) / gap_mm
    aside = np.array([-way[1], way[0]])
    along = np.linspace(CLEAR, 1 - CLEAR, max(5, round(gap_mm * flat.scale)))
    places = a + gap_mm * along[:, None, None] * way + ACROSS_MM[None, :, None] * aside
    at = ((places - flat.low_mm) * flat.scale)[..., ::-1]
    where = [at[..., 0], at[..., 1]]
    taken = np.stack(
        [map_coordinates(flat.colour[..., k], where, order=1, mode="nearest") for k in range(3)], axis=-1
    )
    colour = np.asarray(uniform_filter1d(taken, 3, axis=0, mode="nearest") / spread, np.float64)
    on_mask = map_coordinates(flat.land.astype(np.float32), where, order=0) < 0.5
    ends = [(first + (last - first) * along, ACROSS_MM) for first in OFFSETS_MM for last in OFFSETS_MM]
    return max(_step(colour, on_mask, across[None, :] - middle[:, None]) for middle, across in ends)


def _step(colour: Floats, on_mask: NDArray[np.bool_], away: Floats) -> float:
    """Return the weakest step from a line to its sides; `away` (stations, across) is the distance from the line [mm]."""
    middle, here = _mean(colour, on_mask & (np.abs(away) <= MIDDLE_MM))
    sides = [
        _mean(colour, on_mask & (away * sign >= BESIDE_MM[0]) & (away * sign <= BESIDE_MM[1]))
        for sign in (-1, 1)
    ]
    shown = here > 0
    if not shown.any():
        return -np.inf
    steps = [middle - side for side, _ in sides]
    usual = np.median(np.concatenate([step[shown] for step in steps]), axis=0)
    length = float(np.linalg.norm(usual))
    if length < 1e-6:
        return 0.0
    told = [
        np.where(count >= LEAST_SIDE, step @ usual / length, np.inf)
        for step, (_, count) in zip(steps, sides, strict=True)
    ]
    least = np.minimum(*told)[shown]
    return float(np.quantile(least[np.isfinite(least)], WEAKEST)) if np.isfinite(least).any() else -np.inf


def _mean(colour: Floats, counted: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.int64]]:
    """Return the mean colour of each station where `counted`, and of how many samples."""
    count = counted.sum(axis=1)
    return (colour * counted[..., None]).sum(axis=1) / np.maximum(count, 1)[:, None], count

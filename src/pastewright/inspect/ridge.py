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
MOST_GAP_MM = 1.2  # longer ways are not taken for a straight neck
CLEAR = 0.1  # of the gap, at either end: the pastes' own rims
MIDDLE_MM, BESIDE_MM = (
    0.05,
    (0.2, 0.38),
)  # half the neck's middle, and where its sides lie: necks are 0.1 to 0.3 mm wide
OFFSETS_MM: Floats = np.linspace(-0.15, 0.15, 7)  # by which either end may lie aside of the nearest approach
# Outlines that face each other farther than this (beads side by side) are nearest anywhere along it: a neck is looked for
# every so far, straight or leaning, clear of their ends, where one of its sides would lie beyond the gap.
LONG_MM, ALONG_MM, LEANING_MM, CLEAR_OF_ENDS_MM = 0.9, 0.05, (-0.1, 0.0, 0.1), 0.3
ACROSS_MM, ACROSS_STEP_MM = 0.55, 1 / 60  # what lies so far beside a line is compared
LEAST_SIDE = 4  # samples of mask, to say how a side looks
WEAKEST = 0.1  # quantile of the stations that counts: one grain of dirt is no gap


def faced_mm(shapes: tuple[Polygon, Polygon]) -> tuple[float, float]:
    """Return from where to where two outlines face each other, along the gap, from where they are nearest [mm]."""
    a, b = (np.array(point.coords[0]) for point in nearest_points(*shapes))
    gap_mm = float(np.hypot(*(b - a)))
    if gap_mm < LEAST_GAP_MM:
        return 0.0, 0.0
    aside = np.array([a[1] - b[1], b[0] - a[0]]) / gap_mm
    along = [(np.asarray(shape.exterior.coords) - a) @ aside for shape in shapes]
    return max(float(one.min()) for one in along), min(float(one.max()) for one in along)


def ridge_between(flat: FlatBoard, spread: Floats, shapes: tuple[Polygon, Polygon]) -> float:
    """Return by how many spreads the best straight line across the gap differs from both of its sides, all along."""
    a, b = (np.array(point.coords[0]) for point in nearest_points(*shapes))
    gap_mm = float(np.hypot(*(b - a)))
    if not LEAST_GAP_MM < gap_mm < MOST_GAP_MM:
        return -np.inf
    ends = _ends(*faced_mm(shapes))
    way = (b - a) / gap_mm
    aside = np.array([-way[1], way[0]])
    along = np.linspace(CLEAR, 1 - CLEAR, max(5, round(gap_mm * flat.scale)))
    beside = np.arange(ends.min() - ACROSS_MM, ends.max() + ACROSS_MM, ACROSS_STEP_MM)
    places = a + gap_mm * along[:, None, None] * way + beside[None, :, None] * aside
    at = ((places - flat.low_mm) * flat.scale)[..., ::-1]
    where = [at[..., 0], at[..., 1]]
    taken = np.stack(
        [map_coordinates(flat.colour[..., k], where, order=1, mode="nearest") for k in range(3)], axis=-1
    )
    colour = np.asarray(uniform_filter1d(taken, 3, axis=0, mode="nearest") / spread, np.float64)
    on_mask = map_coordinates(flat.land.astype(np.float32), where, order=0) < 0.5
    middles = ends[:, :1] + (ends[:, 1:] - ends[:, :1]) * along
    return _best_step(colour, on_mask, beside - middles[..., None])


def _ends(low_mm: float, high_mm: float) -> Floats:
    """Return where lines begin and end beside the nearest approach [mm], (n, 2), of outlines that face each other so far."""
    if high_mm - low_mm <= LONG_MM:
        return np.stack(np.meshgrid(OFFSETS_MM, OFFSETS_MM), axis=-1).reshape(-1, 2)
    middles = np.arange(low_mm + CLEAR_OF_ENDS_MM, high_mm - CLEAR_OF_ENDS_MM, ALONG_MM)
    return np.array([(at - lean / 2, at + lean / 2) for at in middles for lean in LEANING_MM])


def _best_step(colour: Floats, on_mask: NDArray[np.bool_], away: Floats) -> float:
    """Return the weakest step from a line to its sides, of the line of which that is greatest.

    `colour` (stations, across, 3); `away` (lines, stations, across) is the distance from each line [mm].
    """
    middle, here = _means(colour, on_mask & (np.abs(away) <= MIDDLE_MM))
    sides = [
        _means(colour, on_mask & (away * sign >= BESIDE_MM[0]) & (away * sign <= BESIDE_MM[1]))
        for sign in (-1, 1)
    ]
    shown = (here > 0) & (here > 0).any(axis=1, keepdims=True)
    steps = np.stack([middle - side for side, _ in sides], axis=1)
    counts = np.stack([count for _, count in sides], axis=1)
    lines = shown.any(axis=1)
    if not lines.any():
        return -np.inf
    shown, steps, counts = shown[lines], steps[lines], counts[lines]
    seen = np.where(shown[:, None, :, None], steps, np.nan).reshape(len(shown), -1, 3)
    usual = np.nanmedian(seen, axis=1)
    length = np.linalg.norm(usual, axis=1)
    along = np.einsum("lkse,le->lks", steps, usual) / np.maximum(length, 1e-9)[:, None, None]
    least = np.where(shown, np.where(counts >= LEAST_SIDE, along, np.inf).min(axis=1), np.inf)
    told = np.isfinite(least).any(axis=1)
    if not told.any():
        return -np.inf
    return float(np.where(length[told] < 1e-6, 0.0, _weakest(least[told])).max())


def _weakest(values: Floats) -> Floats:
    """Return the quantile `WEAKEST` of the finite values of each row, which has one at least."""
    ordered = np.sort(values, axis=1)
    place = WEAKEST * (np.isfinite(ordered).sum(axis=1) - 1)
    low = np.floor(place).astype(np.int64)
    rows = np.arange(len(ordered))
    first, last = ordered[rows, low], ordered[rows, np.ceil(place).astype(np.int64)]
    return np.asarray(first + (place - low) * (last - first), np.float64)


def _means(colour: Floats, counted: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.int64]]:
    """Return the mean colour of each line's stations where `counted`, (lines, stations, 3), and of how many samples."""
    count = counted.sum(axis=2)
    sums = np.matmul(counted.transpose(1, 0, 2).astype(np.float64), colour).transpose(1, 0, 2)
    return sums / np.maximum(count, 1)[..., None], count

"""Places in a photo to a lattice: which of them stand in rows and columns, and at which step of them.

A lattice grows from a seed: a place whose neighbours come in opposite pairs. Each new step is foretold from the
steps next to it, so perspective and a bent lens do no harm; a homography through all of them then drops what only
happened to be near.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

SEEDS = 24
NEIGHBOURS = 10
OPPOSITE = 0.2  # how far a pair may be from exactly opposite, in steps
NEAR = 0.25  # how far a place may be from where it is foretold, in steps
LEAST_GROWN = 12
# Where growth looks from a place, nearest first: dots may be missing, so it steps over gaps.
STEPS = (
    *((1, 0), (-1, 0), (0, 1), (0, -1)),
    *((1, 1), (1, -1), (-1, 1), (-1, -1)),
    *((2, 0), (-2, 0), (0, 2), (0, -2)),
)
SETTLINGS = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """`steps[k]` = (i, j) of place `chosen[k]`; `homography` takes steps to pixels. Where steps 0 lie is arbitrary.

    The pair of directions is right-handed as the photo shows them with y downward: i × j is above zero.
    """

    chosen: Whole
    steps: Whole
    homography: Floats


def grow_lattice(places_px: Floats, enough: int) -> Lattice | None:
    """Return the largest lattice found, None when there is none; stops looking at `enough` places."""
    if len(places_px) < LEAST_GROWN:
        return None
    tree = cKDTree(places_px)
    best: Lattice | None = None
    for seed, first, second in _seeds(places_px, tree):
        grown = _grown(places_px, tree, seed, first, second)
        if len(grown) < LEAST_GROWN or (best is not None and len(grown) <= len(best.chosen)):
            continue
        lattice = _settled(places_px, tree, grown)
        if lattice is not None and (best is None or len(lattice.chosen) > len(best.chosen)):
            best = lattice
            if len(best.chosen) >= enough:
                break
    return None if best is None else _reduced(best)


def _reduced(lattice: Lattice) -> Lattice:
    """Return the same lattice in its two shortest steps (Lagrange's reduction); where dots are missing, growth may
    have begun along a long diagonal.
    """
    middle = lattice.steps.mean(axis=0)
    around = _mapped(lattice.homography, middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    basis = np.eye(2, dtype=np.int64)  # rows: the new steps in the old ones
    for _ in range(20):
        lengths = basis @ (around[1:] - around[0])
        if np.linalg.norm(lengths[1]) < np.linalg.norm(lengths[0]):
            basis, lengths = basis[::-1], lengths[::-1]
        share = round(float(lengths[0] @ lengths[1] / (lengths[0] @ lengths[0])))
        if share == 0:
            break
        basis = np.stack([basis[0], basis[1] - share * basis[0]])
    if basis[0, 0] * basis[1, 1] < basis[0, 1] * basis[1, 0]:
        basis = np.stack([basis[0], -basis[1]])
    change = np.eye(3)
    change[:2, :2] = basis.T
    steps = np.round(lattice.steps @ np.linalg.inv(basis)).astype(np.int64)
    return Lattice(chosen=lattice.chosen, steps=steps, homography=lattice.homography @ change)


def _seeds(places: Floats, tree: "cKDTree[None]") -> list[tuple[int, Floats, Floats]]:
    """Return places with two opposite pairs of neighbours, the most regular first: (place, step i, step j)."""
    count = min(NEIGHBOURS + 1, len(places))
    near = np.asarray(tree.query(places, k=count)[1])
    offsets = places[near[:, 1:]] - places[:, None]
    lengths = np.maximum(np.linalg.norm(offsets, axis=2), 1e-9)
    a, b = np.triu_indices(count - 1, 1)
    miss = np.linalg.norm(offsets[:, a] + offsets[:, b], axis=2) / lengths[:, a]
    steps = (offsets[:, a] - offsets[:, b]) / 2
    # Neighbours come nearest first, so pairs come shortest first.
    opposite = miss < OPPOSITE
    seeds = []
    for place in np.flatnonzero(opposite.sum(axis=1) >= 2).tolist():
        pairs = np.flatnonzero(opposite[place])
        first = steps[place, pairs[0]]
        for pair in pairs[1:3]:
            second = steps[place, pair]
            cross = first[0] * second[1] - first[1] * second[0]
            if abs(cross) > 0.4 * np.linalg.norm(first) * np.linalg.norm(second):
                fault = float(miss[place, pairs[0]] + miss[place, pair])
                seeds.append((fault, place, first, second if cross > 0 else -second))
    seeds.sort(key=lambda seed: seed[0])
    # Seeds spread over the photo, lest all of them sit in one regular patch of something else.
    best = seeds[: SEEDS // 2]
    spread = sorted(seeds, key=lambda seed: seed[1] * 7919 % 1009)
    return [(place, first, second) for _, place, first, second in best + spread[: SEEDS - len(best)]]


def _grown(
    places: Floats, tree: "cKDTree[None]", seed: int, first: Floats, second: Floats
) -> dict[tuple[int, int], int]:
    """Return {step: place}, grown outward from the seed one step at a time."""
    grown = {(0, 0): seed}
    used = {seed}
    local = {(0, 0): (first, second)}
    edge = [(0, 0)]
    while edge:
        following = []
        for cell in edge:
            for di, dj in STEPS:
                target = cell[0] + di, cell[1] + dj
                if target in grown:
                    continue
                move_i, move_j = local[cell]
                expected = places[grown[cell]] + di * move_i + dj * move_j
                reach = NEAR * min(float(np.linalg.norm(move_i)), float(np.linalg.norm(move_j)))
                distance, place = tree.query(expected, distance_upper_bound=reach)
                if not np.isfinite(distance) or int(place) in used:
                    continue
                grown[target] = int(place)
                used.add(int(place))
                local[target] = _moves(places, grown, target, (move_i, move_j))
                following.append(target)
        edge = following
    return grown


def _moves(
    places: Floats, grown: dict[tuple[int, int], int], cell: tuple[int, int], before: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Return the steps i and j at a cell: those of its neighbours, drawn to what is seen next to it."""
    moves = []
    here = places[grown[cell]]
    for axis, old in enumerate(before):
        seen = []
        for way in (1, -1):
            beside = (cell[0] + way, cell[1]) if axis == 0 else (cell[0], cell[1] + way)
            if beside in grown:
                seen.append((places[grown[beside]] - here) * way)
        moves.append((old + sum(seen)) / (1 + len(seen)) if seen else old)
    return moves[0], moves[1]


def _settled(places: Floats, tree: "cKDTree[None]", grown: dict[tuple[int, int], int]) -> Lattice | None:
    """Return the lattice through a homography: stragglers dropped, places that growth could not reach taken in."""
    steps = np.array(list(grown.keys()), dtype=np.int64)
    chosen = np.array(list(grown.values()), dtype=np.int64)
    for turn in range(SETTLINGS):
        before = len(chosen)
        pace = _pace(places[chosen], steps)
        matrix, inside = cv2.findHomography(
            steps.astype(np.float64), places[chosen], cv2.RANSAC, 0.15 * pace, maxIters=500
        )
        if matrix is None or inside.sum() < LEAST_GROWN:
            return None
        homography = np.asarray(matrix, dtype=np.float64)
        low, high = steps.min(axis=0) - 2, steps.max(axis=0) + 2
        if np.prod(high - low) > 20_000:
            return None
        cells = np.stack(
            np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1), indexing="ij"), -1
        ).reshape(-1, 2)
        lifted = np.column_stack([cells, np.ones(len(cells))]) @ homography.T
        seen = lifted[:, 2] > 0.05 * np.median(lifted[:, 2])
        cells = cells[seen]
        expected = lifted[seen, :2] / lifted[seen, 2:]
        right = _mapped(homography, cells + np.array([1.0, 0.0])) - expected
        below = _mapped(homography, cells + np.array([0.0, 1.0])) - expected
        reach = 0.2 * np.minimum(np.linalg.norm(right, axis=1), np.linalg.norm(below, axis=1))
        gap, nearest = tree.query(expected)
        distance, place = np.asarray(gap), np.asarray(nearest)
        good = (distance < reach) & np.isfinite(distance)
        cells, place, distance = cells[good], place[good], distance[good]
        # One place serves one step: the nearest.
        order = np.argsort(distance)
        _, once = np.unique(place[order], return_index=True)
        keep = order[once]
        steps, chosen = cells[keep].astype(np.int64), place[keep].astype(np.int64)
        if len(chosen) < LEAST_GROWN:
            return None
        if turn and len(chosen) <= before:
            break
    return Lattice(chosen=chosen, steps=steps, homography=homography)


def _mapped(homography: Floats, points: Floats) -> Floats:
    lifted = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(lifted[:, :2] / lifted[:, 2:], dtype=np.float64)


def _pace(places: Floats, steps: Whole) -> float:
    """Return the usual length of a step [px]."""
    lookup = {tuple(step): place for step, place in zip(steps.tolist(), places, strict=True)}
    lengths = [
        float(np.linalg.norm(lookup[i + 1, j] - place))
        for (i, j), place in lookup.items()
        if (i + 1, j) in lookup
    ] + [
        float(np.linalg.norm(lookup[i, j + 1] - place))
        for (i, j), place in lookup.items()
        if (i, j + 1) in lookup
    ]
    return float(np.median(lengths)) if lengths else 1.0

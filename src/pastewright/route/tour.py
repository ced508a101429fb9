"""Points to a first closed tour, for any cost that grows with distance: always the cheapest edge that still fits.

A tour is a list of node numbers, closed: the last is followed by the first. `mate[v]` is the node that must
stay beside v (the other end of a bead), or -1; those edges are never cut. An open path is a closed tour
whose start and end are mates. What the nodes mean is decided by the caller.

Greedy edges and neighbour lists after J. L. Bentley, "Fast algorithms for geometric traveling salesman problems",
ORSA J. Computing 4 (1992). What makes the tour shorter is in `improve`.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pastewright.near import NearPlaces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
CostOf = Callable[[Floats, Floats], Floats]
"""Cost of hops from their |dx| and |dy|, elementwise; must not fall when the distance grows."""

NEIGHBOURS = 8
"""How many near nodes a move may lead to; more costs time and gains little (Johnson and McGeoch 1997)."""
LOOKED_AT = 3 * NEIGHBOURS
"""Near nodes among which the nearest of each quarter is sought (measured on drilling boards: 48 find no better)."""


def nearest(
    x: Floats, y: Floats, mate: Ints, cost: CostOf, *, norm: float, count: int
) -> tuple[Ints, Floats]:
    """Return for each of the N points its `count` nearest others, nearest first, and what they cost (N×count).

    `norm` is the Minkowski norm by which near is meant (2 Euclid, inf the slower axis). A node's mate is
    left out; places that nobody fills cost inf. Equals are taken in the order of their numbers, so that
    mirrored points have mirrored neighbours.
    """
    n = len(x)
    points = np.column_stack((x, y))
    # More are asked for than wanted, so that ties at the cut are (nearly always) broken here, not in the tree.
    asked = min(n, 2 * count + 2)
    _, found = NearPlaces(points, slower_axis=norm == np.inf).some(points, asked)
    own = np.arange(n)[:, None]
    costs = cost(np.abs(x[found] - x[own]), np.abs(y[found] - y[own]))
    costs = np.where((found == own) | (found == mate[:, None]), np.inf, costs)
    by_cost = np.lexsort((found, costs), axis=1)[:, :count]
    return np.take_along_axis(found, by_cost, axis=1), np.take_along_axis(costs, by_cost, axis=1)


def on_every_side(x: Floats, y: Floats, found: Ints, costs: Floats, *, count: int) -> tuple[Ints, Floats]:
    """Return of near nodes (N×k, nearest first) the nearest in each quarter of the plane, then the nearest others.

    In long rows all the near ones lie in the node's own row, and no move leads out of it: Johnson and McGeoch (1997)
    take neighbours by quarters for that. Measured on the drilling problem d1291: 2.4 % above the optimum, 6.6 % without.
    """
    dx, dy = x[found] - x[:, None], y[found] - y[:, None]
    quarter = np.where(dx > 0, np.where(dy >= 0, 0, 3), np.where(dy > 0, 1, 2))
    first = np.zeros(found.shape, dtype=np.bool_)
    for number in range(4):
        inside = (quarter == number) & np.isfinite(costs)
        first |= inside & (np.cumsum(inside, axis=1) == 1)
    wanted = np.sort(np.argsort(~first, axis=1, kind="stable")[:, :count], axis=1)
    return np.take_along_axis(found, wanted, axis=1), np.take_along_axis(costs, wanted, axis=1)


def greedy_tour(
    x: Floats, y: Floats, mate: Ints, found: Ints, costs: Floats, cost: CostOf, *, norm: float
) -> list[int]:
    """Return a tour made by always taking the cheapest edge that still fits; mates are joined beforehand.

    Edges come from `nearest`; what is then in pieces is joined by the same rule among the loose ends of the
    pieces, in rounds, until one piece is left.
    """
    n = len(x)
    link: list[list[int]] = [[] for _ in range(n)]
    piece = list(range(n))

    def root(v: int) -> int:
        while piece[v] != v:
            piece[v] = piece[piece[v]]
            v = piece[v]
        return v

    def join_cheapest_first(a_ids: Ints, b_ids: Ints, edge_costs: Floats) -> int:
        joined = 0
        by_cost = np.lexsort((b_ids, a_ids, edge_costs))
        for a, b in zip(a_ids[by_cost].tolist(), b_ids[by_cost].tolist(), strict=True):
            if len(link[a]) < 2 and len(link[b]) < 2 and (root_a := root(a)) != (root_b := root(b)):
                piece[root_a] = root_b
                link[a].append(b)
                link[b].append(a)
                joined += 1
        return joined

    mated = np.flatnonzero(mate >= 0)
    pieces = n - join_cheapest_first(mated, mate[mated], np.zeros(len(mated)))
    source, column = np.nonzero(costs < np.inf)
    pieces -= join_cheapest_first(source, found[source, column], costs[source, column])
    asked = found.shape[1]
    while pieces > 1:
        ids = np.array([v for v in range(n) if len(link[v]) < 2])
        k = min(len(ids), asked)
        points = np.column_stack((x[ids], y[ids]))
        _, near = NearPlaces(points, slower_axis=norm == np.inf).some(points, k)
        roots = np.array([root(v) for v in ids.tolist()])
        source, column = np.nonzero(roots[near] != roots[:, None])
        a_ids, b_ids = ids[source], ids[near[source, column]]
        joined = join_cheapest_first(
            a_ids, b_ids, cost(np.abs(x[a_ids] - x[b_ids]), np.abs(y[a_ids] - y[b_ids]))
        )
        pieces -= joined
        if not joined:
            asked *= 4  # the near ends of every piece are its own: look further
    ends = [v for v in range(n) if len(link[v]) < 2]
    if len(ends) == 2:
        link[ends[0]].append(ends[1])
        link[ends[1]].append(ends[0])
    return _walked(link)


def _walked(link: list[list[int]]) -> list[int]:
    tour = [0]
    last, here = -1, 0
    for _ in range(len(link) - 1):
        a, b = link[here]
        last, here = here, (b if a == last else a)
        tour.append(here)
    return tour

"""Points to a short closed tour, for any cost that grows with distance: greedy edges, 2-opt, Or-opt, kicks.

A tour is a list of node numbers, closed: the last is followed by the first. `mate[v]` is the node that must
stay beside v (the other end of a bead), or -1; those edges are never cut. An open path is a closed tour
whose start and end are mates. What the nodes mean is decided by the caller.

The inner loops run on plain lists: reading one number of a list is several times faster than of an array.
Methods: greedy edges and neighbour lists with don't-look bits after J. L. Bentley, "Fast algorithms for
geometric traveling salesman problems", ORSA J. Computing 4 (1992); Or-opt after I. Or (1976); local
double-bridge kicks after D. S. Johnson and L. A. McGeoch, "The traveling salesman problem: a case study in
local optimization" (1997).
"""

from collections import deque
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Distance = Callable[[int, int], float]
CostOf = Callable[[Floats, Floats], Floats]
"""Cost of hops from their |dx| and |dy|, elementwise; must not fall when the distance grows."""
Neighbours = list[list[tuple[int, float]]]

NEIGHBOURS = 8
"""How many near nodes a move may lead to; more costs time and gains little (Johnson and McGeoch 1997)."""

LONGEST_KICK = 30
"""Longest of the two neighbouring stretches that a kick swaps; kicks stay local, so that mending is cheap."""

GAIN = 1e-9
"""Smallest gain that counts, so that rounding can never make moves run in a circle."""


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
    _, tree_found = cKDTree(points, balanced_tree=False).query(points, k=asked, p=norm)
    found = np.asarray(tree_found, dtype=np.int64).reshape(n, asked)
    own = np.arange(n)[:, None]
    costs = cost(np.abs(x[found] - x[own]), np.abs(y[found] - y[own]))
    costs = np.where((found == own) | (found == mate[:, None]), np.inf, costs)
    by_cost = np.lexsort((found, costs), axis=1)[:, :count]
    return np.take_along_axis(found, by_cost, axis=1), np.take_along_axis(costs, by_cost, axis=1)


def neighbour_lists(found: Ints, costs: Floats) -> Neighbours:
    """Return what `nearest` gives as plain lists, one a node, of (node, cost)."""
    return [
        [(c, d) for c, d in zip(cs, ds, strict=True) if d != np.inf]
        for cs, ds in zip(found.tolist(), costs.tolist(), strict=True)
    ]


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
        _, tree_found = cKDTree(points, balanced_tree=False).query(points, k=k, p=norm)
        near = np.asarray(tree_found, dtype=np.int64).reshape(len(ids), k)
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


def improved_tour(
    tour: Sequence[int], mate_of: Ints, near: Neighbours, cost: Distance, *, kicks: int
) -> list[int]:
    """Return a tour no dearer than `tour`: 2-opt and Or-opt until neither helps, then `kicks` local kicks.

    2-opt turns a stretch round; Or-opt moves a stretch of up to three nodes elsewhere, either way round. A
    kick swaps two short neighbouring stretches, mends around the cuts, and is undone if that ends dearer.
    The same arguments always give the same tour.
    """
    n = len(tour)
    if n < 5:
        return list(tour)
    tour = list(tour)
    pos = [0] * n
    for i, v in enumerate(tour):
        pos[v] = i
    mate: list[int] = mate_of.tolist()
    log: list[tuple[int, int]] = []

    def turn(i: int, j: int) -> None:
        """Turn the stretch at places i to j round, or all the rest where that is shorter: same closed tour."""
        size = j - i
        if size < 0:
            size += n
        if 2 * size >= n:
            i, j = (j + 1) % n, (i - 1) % n
        log.append((i, j))
        if i <= j:
            stretch = tour[i : j + 1]
            stretch.reverse()
            tour[i : j + 1] = stretch
            for v in stretch:
                pos[v] = i
                i += 1
        else:
            stretch = tour[i:] + tour[: j + 1]
            stretch.reverse()
            tail = n - i
            tour[i:] = stretch[:tail]
            tour[: j + 1] = stretch[tail:]
            for v in stretch:
                pos[v] = i
                i += 1
                if i == n:
                    i = 0

    def exchange(a: int, b: int, c: int, d: int) -> None:
        """Put edges a-c, b-d in place of a-b, c-d; b follows a as d follows c, or both precede."""
        i = pos[a]
        if tour[i + 1 if i + 1 < n else 0] == b and tour[i - 1] != b:
            turn(pos[b], pos[c])
        else:
            turn(pos[c], pos[b])

    def settle(queue: deque[int], waiting: bytearray) -> float:
        """Improve around the queued nodes until nothing helps; return what was gained."""
        gained = 0.0
        while queue:
            a = queue.popleft()
            waiting[a] = 0
            better = True
            while better:
                better = False
                mate_a = mate[a]
                for forward in (True, False):
                    i = pos[a]
                    if forward:
                        b = tour[i + 1 if i + 1 < n else 0]
                    else:
                        b = tour[i - 1]
                    if b == mate_a:
                        continue
                    d_ab = cost(a, b)
                    # 2-opt: a-b and c-d become a-c and b-d
                    for c, d_ac in near[a]:
                        gain = d_ab - d_ac
                        if gain <= GAIN:
                            break
                        k = pos[c]
                        if forward:
                            d = tour[k + 1 if k + 1 < n else 0]
                        else:
                            d = tour[k - 1]
                        if mate[c] == d or c == b or d == a:
                            continue
                        gain += cost(c, d) - cost(b, d)
                        if gain > GAIN:
                            if forward:
                                turn(pos[b], k)
                            else:
                                turn(k, pos[b])
                            gained += gain
                            better = True
                            for v in (b, c, d):
                                if not waiting[v]:
                                    waiting[v] = 1
                                    queue.append(v)
                            break
                    if better:
                        break
                    # Or-opt: the stretch a..e, cut from b (beside a) and f (beside e), goes between c and d
                    e = a
                    m = i
                    step = -1 if forward else 1
                    size = 0
                    while size < 3:
                        size += 1
                        m += step
                        if m == n:
                            m = 0
                        elif m < 0:
                            m += n
                        f = tour[m]
                        if mate[e] == f:
                            e = f
                            continue
                        if f == b:
                            break
                        loose = d_ab + cost(e, f) - cost(b, f)
                        if loose <= GAIN:
                            e = f
                            continue
                        for c, d_ac in near[a]:
                            if loose - d_ac <= GAIN:
                                break
                            k = pos[c]
                            # c in the stretch?
                            off = (i - k if forward else k - i) % n
                            if off < size:
                                continue
                            for d in (tour[k + 1 if k + 1 < n else 0], tour[k - 1]):
                                if d == mate[c] or d in (a, e) or (c == f and d == b):
                                    continue
                                gain = loose - d_ac + cost(c, d) - cost(e, d)
                                if gain > GAIN:
                                    move(b, a, e, f, c, d)
                                    gained += gain
                                    better = True
                                    for v in (b, c, d, e, f):
                                        if not waiting[v]:
                                            waiting[v] = 1
                                            queue.append(v)
                                    break
                            if better:
                                break
                        if better:
                            break
                        e = f
                    if better:
                        break
        return gained

    def move(b: int, a: int, e: int, f: int, c: int, d: int) -> None:
        """Take the stretch a..e out from between b and f, put it between c and d, a beside c, e beside d.

        Three exchanges at most: read b→a..e→f in the tour's direction or against it, whichever it is.
        """
        k, m = pos[c], pos[d]
        d_follows = m == k + 1 or (k == n - 1 and m == 0)
        i, j = pos[b], pos[a]
        a_follows = j == i + 1 or (i == n - 1 and j == 0)
        # In the direction b, a..e, f: u then v is the place between c and d.
        if d_follows == a_follows:
            u, v, as_is = c, d, True
        else:
            u, v, as_is = d, c, False
        # as_is: result is u-a..e-v; else u-e..a-v
        if v == b:
            b, a, e, f, u, v = f, e, a, b, v, u
        exchange(b, a, u, v)
        if u != f:
            exchange(b, u, f, e)
        if as_is:
            exchange(u, e, a, v)

    waiting = bytearray(b"\x01" * n)
    settle(deque(tour), waiting)
    waiting = bytearray(n)
    if n < 8:
        return tour
    longest = min(LONGEST_KICK, (n - 2) // 3)
    state = 12345
    for _ in range(kicks):
        state = (state * 6364136223846793005 + 1442695040888963407) & 0xFFFFFFFFFFFFFFFF
        r = state >> 20
        first = 1 + r % longest
        r //= longest
        second = 1 + r % longest
        r = state >> 33
        p = r % (n - first - second - 1)
        q = p + first
        s = q + second
        a, b, c, d, e = tour[p], tour[p + 1], tour[q], tour[q + 1], tour[s]
        f = tour[s + 1]
        if mate[a] == b or mate[c] == d or mate[e] == f:
            continue
        change = cost(a, d) + cost(e, b) + cost(c, f) - cost(a, b) - cost(c, d) - cost(e, f)
        swapped = tour[q + 1 : s + 1] + tour[p + 1 : q + 1]
        tour[p + 1 : s + 1] = swapped
        k = p
        for v in swapped:
            k += 1
            pos[v] = k
        log.clear()
        for v in (a, b, c, d, e, f):
            waiting[v] = 1
        change -= settle(deque({a: 0, b: 0, c: 0, d: 0, e: 0, f: 0}), waiting)
        if change > 0:
            undo = log[::-1]
            for i, j in undo:
                turn(i, j)
            swapped = tour[p + 1 + second : s + 1] + tour[p + 1 : p + 1 + second]
            tour[p + 1 : s + 1] = swapped
            k = p
            for v in swapped:
                k += 1
                pos[v] = k
    return tour


def tour_cost(tour: Sequence[int], cost: Distance) -> float:
    """Return the cost of the closed tour, the edge from last to first included."""
    return sum(cost(tour[i - 1], tour[i]) for i in range(len(tour)))

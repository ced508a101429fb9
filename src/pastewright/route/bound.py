"""Points to a cost that no order of them can go below: spanning trees with penalties (Held and Karp).

A path from the start through all nodes is a spanning tree in which every node has two edges (the start and a
given end one). So the cheapest spanning tree is never dearer than the best path. A penalty π on each node
changes the cost of every *path* by the same sum Σ π·degree, but bends the *tree* towards the right degrees;
for any π

    bound(π) = least tree under (cost + π_i + π_j) - Σ π_i · degree_i

holds, and good π bring it within a percent or so of the best path. M. Held and R. M. Karp, "The traveling
salesman problem and minimum spanning trees", Operations Research 18 (1970) and Math. Programming 1 (1971);
step rule after M. Held, P. Wolfe and H. P. Crowder, Math. Programming 6 (1974).

The penalties are found on near neighbours only, which is quick but proves nothing. The proof is one last
tree: over all pairs of nodes where they are few, else with a floor under every pair that was left out.
"""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.compiled import entry
from pastewright.distinct import distinct
from pastewright.route.tour import CostOf, Floats, Ints, nearest

ROUNDS = 100
"""Steps of the penalties for few nodes; twice as many raise the bounds of drilling boards by about 0.1 %."""

FEWEST_ROUNDS = 20
"""Steps for many nodes, where each takes longer; of 20 000 random nodes it costs about 1 % of the bound."""

ALL_PAIRS = 1500
"""Up to this many nodes the last tree is over all pairs; its time grows with the square, to about 0.03 s."""

PRICINGS = 4
"""How often edges of the all-pairs tree that the search did not know are added to it, at most."""

NEAR = 8  # 8 hold nearly every edge of a least tree with penalties (Johnson and McGeoch 1997 use 5 to 10)
NEAR_OF_FLOOR = 16
"""Neighbours a node for the search, and for the floor under all other pairs."""

FLOOR_SHARE = 0.02
"""Share of the nodes whose penalties are raised so that they do not pull the floor down (see there)."""

ENOUGH = 0.002
"""Share of the path's cost that nobody asks for: nearer to it the bound is not raised further."""

ROUNDING = 1e-9
"""Share taken off a bound, far above the rounding of its sums, so that it stays a bound."""


class Task(Struct, frozen=True, kw_only=True):
    """Nodes 0 to N-1 at (`x`, `y`), to be joined by a path from node 0, each beside its `mate` if not -1.

    `end` is the last node of the path, None where it may end anywhere. Mates cost nothing. `cost` must not
    fall when the distance in the Minkowski norm `norm` grows.
    """

    x: Floats
    y: Floats
    mate: Ints
    end: int | None
    cost: CostOf
    norm: float

    def costs(self, a: Ints, b: Ints) -> Floats:
        """Return the cost of each pair of nodes (a, b)."""
        return self.cost(np.abs(self.x[a] - self.x[b]), np.abs(self.y[a] - self.y[b]))

    def value(self, tree: float, penalty: Floats) -> float:
        """Return the bound that the least tree's weight stands for."""
        # Edges that pay penalties: two a node, but for the start and for ends of beads, whose bead pays none.
        degrees = np.where(self.mate >= 0, 1.0, 2.0)
        degrees[0] = 1.0
        if self.end is not None:
            degrees[self.end] -= 1.0
            return tree - float(degrees @ penalty)
        # Without a given end there is one more edge, from the last node, whichever it is, to nowhere.
        return tree + float(penalty[1:].min()) - float(degrees @ penalty)


def path_bound(task: Task, path: Sequence[int], *, path_cost: float) -> float:
    """Return a cost [in the unit of `task.cost`] that no path of the task can go below.

    `path` is any path of the task and `path_cost` what it costs; they only guide the search for penalties.
    """
    n = len(task.x)
    if n < 2:
        return 0.0
    found, costs = nearest(task.x, task.y, task.mate, task.cost, norm=task.norm, count=NEAR)
    source, column = np.nonzero(costs < np.inf)
    mated = np.flatnonzero(task.mate >= 0)
    along = np.asarray(path, dtype=np.int64)
    # The path makes sure that the graph hangs together.
    a = np.concatenate((source, mated, along[:-1]))
    b = np.concatenate((found[source, column], task.mate[mated], along[1:]))
    graph = _graph(task, a, b)
    penalty = np.zeros(n)
    if n > ALL_PAIRS:
        rounds = max(FEWEST_ROUNDS, ROUNDS * ALL_PAIRS // n)
        _, penalty = _penalties(task, graph, penalty, path_cost, rounds)
        best = _floored_value(task, penalty)
    else:
        tree, a, b = _all_pairs_tree(task, penalty)
        best = task.value(tree, penalty)
        for _ in range(PRICINGS):
            graph = _graph(task, np.concatenate((graph.a, a)), np.concatenate((graph.b, b)))
            hoped, penalty = _penalties(task, graph, penalty, path_cost, ROUNDS)
            tree, a, b = _all_pairs_tree(task, penalty)
            proven = task.value(tree, penalty)
            before, best = best, max(best, proven)
            if max(hoped - proven, best - before) < 0.001 * best:
                break  # hardly an edge that the search did not know, and little left to gain
    return max(0.0, best * (1 - ROUNDING))


class _Graph(Struct, frozen=True, kw_only=True):
    """Edges (a, b), a < b, sorted as a sparse array has them; `fixed` are those of mates."""

    n: int
    a: Ints
    b: Ints
    cost: Floats
    fixed: NDArray[np.bool_]


def _graph(task: Task, a: Ints, b: Ints) -> _Graph:
    n = len(task.x)
    pairs = distinct(np.minimum(a, b) * n + np.maximum(a, b))
    a, b = pairs // n, pairs % n
    return _Graph(n=n, a=a, b=b, cost=task.costs(a, b), fixed=task.mate[a] == b)


def _sparse_tree(graph: _Graph, weight: Floats) -> tuple[float, Ints]:
    """Return the least tree's weight, with mates' edges at nothing and always in it, and each node's degree."""
    # The tree stays the same when all weights grow alike; above zero, mates' edges are the cheapest.
    lift = 1.0 - float(weight.min())
    raised = np.where(graph.fixed, 0.5, weight + lift)
    inside = np.zeros(len(raised), dtype=np.bool_)
    # Equals in the order of their numbers: where rows are regular, which of them is taken decides how the search goes on.
    _take_cheapest(np.argsort(raised, kind="stable"), graph.a, graph.b, np.arange(graph.n), inside)
    data = raised[inside]
    fixed = int(np.count_nonzero(data == 0.5))
    total = float(data.sum()) - 0.5 * fixed - lift * (len(data) - fixed)
    ends = np.concatenate((graph.a[inside], graph.b[inside]))
    return total, np.bincount(ends, minlength=graph.n)


@entry
def _take_cheapest(order: Ints, a: Ints, b: Ints, above: Ints, inside: NDArray[np.bool_]) -> None:
    """Mark the edges (a, b) of the least tree, looked at from the cheapest on (J. B. Kruskal, 1956); `above` holds for
    each node one of its piece that is nearer to the piece's head, at first itself.
    """
    for edge in order:
        one, other = a[edge], b[edge]
        while above[one] != one:
            above[one] = above[above[one]]
            one = above[one]
        while above[other] != other:
            above[other] = above[above[other]]
            other = above[other]
        if one != other:
            above[other] = one
            inside[edge] = True


def _penalties(
    task: Task, graph: _Graph, penalty: Floats, path_cost: float, rounds: int
) -> tuple[float, Floats]:
    """Return penalties under which the least tree looks more like a path, and the bound were there no other edges.

    Subgradient steps, of which the best is kept.
    """
    best, best_penalty = -np.inf, penalty
    share = 2.0
    before: Floats = np.zeros(graph.n)
    for _ in range(rounds):
        tree, degree = _sparse_tree(graph, graph.cost + penalty[graph.a] + penalty[graph.b])
        value = task.value(tree, penalty)
        if value > best:
            best, best_penalty = value, penalty
        slope: Floats = np.subtract(degree, 2.0, dtype=np.float64)
        slope[0] += 1
        slope[task.end if task.end is not None else 1 + int(np.argmin(penalty[1:]))] += 1
        size = float(slope @ slope)
        if size == 0 or path_cost - value <= ENOUGH * path_cost:
            break
        step = share * (path_cost - value) / size
        penalty = np.add(penalty, step * (0.7 * slope + 0.3 * before))
        before = slope
        share *= 0.97 if rounds >= ROUNDS else 0.9
    return best, best_penalty


def _all_pairs_tree(task: Task, penalty: Floats) -> tuple[float, Ints, Ints]:
    """Return the least tree over all pairs of nodes: its weight, mates at nothing, and its edges (a, b)."""
    n = len(task.x)
    mate = task.mate.tolist()
    left = np.arange(1, n)  # nodes not in the tree yet,
    x, y, pi = task.x[1:].copy(), task.y[1:].copy(), penalty[1:].copy()  # what is known of them,
    reach = np.full(n - 1, np.inf)  # the cheapest way to each,
    origin = np.zeros(n - 1, dtype=np.int64)  # and where it starts
    place = list(range(-1, n - 1))  # of a node in `left`
    edges: list[tuple[int, int]] = []
    newest, total = 0, 0.0
    for size in range(n - 1, 0, -1):
        weight = task.cost(np.abs(x - task.x[newest]), np.abs(y - task.y[newest])) + pi
        weight += penalty[newest]
        nearer = weight < reach
        reach[nearer] = weight[nearer]
        origin[nearer] = newest
        partner = mate[newest]
        if partner >= 0 and place[partner] >= 0:
            k = place[partner]
        else:
            k = int(np.argmin(reach))
            total += float(reach[k])
            edges.append((int(origin[k]), int(left[k])))
        newest = int(left[k])
        place[newest] = -1
        last = size - 1
        if k < last:
            place[left[last]] = k
            for array in (left, x, y, pi, reach, origin):
                array[k] = array[last]
        left, x, y, pi, reach, origin = (
            left[:last],
            x[:last],
            y[:last],
            pi[:last],
            reach[:last],
            origin[:last],
        )
    a, b = np.array(edges, dtype=np.int64).reshape(-1, 2).T
    return total, a, b


def _floored_value(task: Task, penalty: Floats) -> float:
    """Return the bound of the penalties, slightly changed, from near neighbours alone.

    A pair (i, j) of which neither lists the other is at least as far apart as either's furthest listed
    neighbour, r_i and r_j, so it weighs at least h_i + h_j with h = r/2 + π, hence at least both
    floor_i = h_i + min h and floor_j. Let every node reach a hub for its floor: at any price t, all that
    the left-out pairs could join by then is joined through the hub. So the tree with the hub, less the
    hub's cheapest edge, is not above the least tree over all pairs. The few lowest h would spoil every
    floor; their penalties are raised, as any penalties are valid.
    """
    n = len(task.x)
    found, costs = nearest(task.x, task.y, task.mate, task.cost, norm=task.norm, count=NEAR_OF_FLOOR)
    source, column = np.nonzero(costs < np.inf)
    mated = np.flatnonzero(task.mate >= 0)
    graph = _graph(
        task, np.concatenate((source, mated)), np.concatenate((found[source, column], task.mate[mated]))
    )
    half_reach = costs[:, -1] / 2
    penalty = np.maximum(penalty, np.quantile(half_reach + penalty, FLOOR_SHARE) - half_reach)
    floor = half_reach + penalty + float((half_reach + penalty).min())
    a = np.concatenate((graph.a, np.arange(n)))
    b = np.concatenate((graph.b, np.full(n, n)))
    weight = np.concatenate((graph.cost + penalty[graph.a] + penalty[graph.b], floor))
    fixed = np.concatenate((graph.fixed, np.zeros(n, dtype=np.bool_)))
    by_start = np.lexsort((b, a))
    with_hub = _Graph(n=n + 1, a=a[by_start], b=b[by_start], cost=weight[by_start], fixed=fixed[by_start])
    return task.value(_sparse_tree(with_hub, with_hub.cost)[0] - float(floor.min()), penalty)

"""A closed tour to a shorter one: 2-opt and Or-opt until neither helps, then small kicks, each mended or undone.

    2-opt    a-b … c-d   becomes   a-c … b-d        one stretch is turned round
    Or-opt   b-[a…e]-f, c-d   becomes   b-f, c-[a…e]-d   a stretch of up to three nodes moves, either way round
    kick     a-[b…c]-[d…e]-f   becomes   a-[d…e]-[b…c]-f   two neighbouring stretches change places

The loops are compiled.
Methods: don't-look bits (here: a queue of nodes worth looking at) after J. L. Bentley, "Fast algorithms for
geometric traveling salesman problems", ORSA J. Computing 4 (1992); Or-opt after I. Or (1976); local double-bridge
kicks after D. S. Johnson and L. A. McGeoch, "The traveling salesman problem: a case study in local optimization"
(1997).
"""

from collections.abc import Callable, Sequence
from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Distance = Callable[[int, int], float]

LONGEST_KICK = 30
"""Longest of the two neighbouring stretches that a kick swaps; kicks stay local, so that mending is cheap (Johnson
and McGeoch 1997 keep theirs within about 50 nodes; 30 measured as good on drilling boards and quicker)."""

LONGEST_MOVE = 3
"""Nodes in a stretch that Or-opt moves, as in I. Or's thesis (1976)."""

FEWEST_TO_IMPROVE = 5
FEWEST_TO_KICK = 8
"""With fewer nodes there is no move, or no room for two stretches and their surroundings."""

MOST_TURNS, MOST_AT_ONCE = 4096, 3
"""Turns kept of a kick, so that it can be undone (most kicks bring some dozens), and those of one move."""

GAIN = 1e-9
"""Smallest gain that counts, so that rounding can never make moves run in a circle."""

# The 64-bit linear congruential generator of D. E. Knuth's MMIX (The Art of Computer Programming 2, 3.3.4, table 1,
# from memory). Its low bits are weak: only the high ones are used. Any seed will do; a fixed one makes a plan the
# same wherever it is made.
_MULTIPLIER, _INCREMENT = np.uint64(6364136223846793005), np.uint64(1442695040888963407)
_SEED = np.uint64(12345)


class Hops(NamedTuple):
    """What a hop costs: the trapezoid time [s] of the slower axis, or of the straight way where `straight`.

    `x`, `y` are the places (N) [mm]. All ways to the node `nowhere` cost nothing; -1: there is none. Without a limit of
    acceleration (inf) and at 1 mm/s the cost is the distance itself.
    """

    x: Floats
    y: Floats
    straight: bool
    speed_mm_s: float
    accel_mm_s2: float
    nowhere: int


class _Search(NamedTuple):
    """A tour being improved: the nodes in order, the place of each, its mate, its near ones and what they cost; then
    those still worth looking at, a ring that begins and ends at `ring`, with a mark for each that waits in it; then room
    for a stretch that is moved, and the turns (first and last place) that a kick has brought, `made` so many of them."""

    tour: Ints
    pos: Ints
    mate: Ints
    near: Ints
    near_cost: Floats
    queue: Ints
    ring: Ints
    waiting: NDArray[np.uint8]
    held: Ints
    turns: Ints
    made: Ints


def improved_tour(
    tour: Sequence[int], mate_of: Ints, near: Ints, near_cost: Floats, hops: Hops, *, kicks: int
) -> list[int]:
    """Return a tour no dearer than `tour`: 2-opt and Or-opt until neither helps, then `kicks` local kicks.

    `near` (N×k) are near nodes, nearest first, `near_cost` what they cost, inf where there is none. Edges between mates
    (`mate_of`, -1: none) are never cut. The same arguments always give the same tour.
    """
    n = len(tour)
    if n < FEWEST_TO_IMPROVE:
        return list(tour)
    order = np.array(tour, dtype=np.int64)
    places = np.empty(n, dtype=np.int64)
    places[order] = np.arange(n)
    search = _Search(
        tour=order,
        pos=places,
        mate=np.asarray(mate_of, dtype=np.int64),
        near=np.ascontiguousarray(near, dtype=np.int64),
        near_cost=np.ascontiguousarray(near_cost, dtype=np.float64),
        queue=np.zeros(n + 1, dtype=np.int64),
        ring=np.zeros(2, dtype=np.int64),
        waiting=np.zeros(n, dtype=np.uint8),
        held=np.zeros(LONGEST_KICK, dtype=np.int64),
        turns=np.zeros((MOST_TURNS, 2), dtype=np.int64),
        made=np.zeros(1, dtype=np.int64),
    )
    _improve(search, hops, kicks if n >= FEWEST_TO_KICK else 0)
    found: list[int] = order.tolist()
    return found


def tour_cost(tour: Sequence[int], cost: Distance) -> float:
    """Return the cost of the closed tour, the edge from last to first included."""
    return sum(cost(tour[i - 1], tour[i]) for i in range(len(tour)))


def hops_cost(tour: Sequence[int], hops: Hops) -> float:
    """Return the cost of the closed tour, the edge from last to first included."""
    total = np.zeros(1)
    _total(np.array(tour, dtype=np.int64), hops, total)
    return float(total[0])


@entry
def _total(tour: Ints, hops: Hops, total: Floats) -> None:
    for i in range(tour.size):
        total[0] += _cost(tour[i - 1], tour[i], hops)


@entry
def _improve(search: _Search, hops: Hops, kicks: int) -> None:
    n = search.tour.size
    for k in range(n):
        _wake(search, search.tour[k])
    while search.ring[0] != search.ring[1]:
        search.made[0] = 0
        _settle(search, hops)
    longest = min(LONGEST_KICK, (n - 2) // 3)
    state = _SEED
    for _ in range(kicks):
        # Where the kick begins, and how long its two stretches are.
        state = state * _MULTIPLIER + _INCREMENT
        high = np.int64(state >> np.uint64(20))
        first, second = high % longest + 1, (high // longest) % longest + 1
        room = n - first - second - 1
        place = np.int64(state >> np.uint64(33)) % room
        _kick(search, hops, place, first, second)


@inner
def _cost(a: int, b: int, hops: Hops) -> float:
    if a == hops.nowhere or b == hops.nowhere:
        return 0.0
    dx, dy = abs(hops.x[a] - hops.x[b]), abs(hops.y[a] - hops.y[b])
    way = sqrt(dx * dx + dy * dy) if hops.straight else max(dx, dy)
    speed, accel = hops.speed_mm_s, hops.accel_mm_s2
    if way >= speed * speed / accel:
        return way / speed + speed / accel
    return 2 * sqrt(way / accel)


@inner
def _wake(search: _Search, v: int) -> None:
    if not search.waiting[v]:
        search.waiting[v] = 1
        search.queue[search.ring[1]] = v
        search.ring[1] = (search.ring[1] + 1) % search.queue.size


@inner
def _settle(search: _Search, hops: Hops) -> float:
    """Improve around the nodes that wait, and around all that moves by it, until nothing helps; return the gain.

    Where no more turns can be kept the rest waits for the next time.
    """
    gained = 0.0
    ring = search.ring
    while ring[0] != ring[1] and search.made[0] < MOST_TURNS - MOST_AT_ONCE:
        a = search.queue[ring[0]]
        ring[0] = (ring[0] + 1) % search.queue.size
        search.waiting[a] = 0
        gain = _better(search, hops, a)
        while gain > 0:
            gained += gain
            if search.made[0] >= MOST_TURNS - MOST_AT_ONCE:
                _wake(search, a)
                break
            gain = _better(search, hops, a)
    return gained


@inner
def _swap(search: _Search, p: np.int64, first: np.int64, second: np.int64) -> None:
    """Let the `first` nodes after place p change places with the `second` ones after those."""
    tour, pos, held = search.tour, search.pos, search.held
    for k in range(first):
        held[k] = tour[p + 1 + k]
    place = p + 1
    for k in range(p + 1 + first, p + 1 + first + second):
        tour[place] = tour[k]
        pos[tour[place]] = place
        place += 1
    for k in range(first):
        tour[place] = held[k]
        pos[held[k]] = place
        place += 1


@inner
def _kick(search: _Search, hops: Hops, p: np.int64, first: np.int64, second: np.int64) -> None:
    """Swap the `first` nodes after place p with the `second` ones after those; mend, or undo what ends dearer."""
    tour, mate = search.tour, search.mate
    q = p + first
    s = q + second
    a, b, c, d, e, f = tour[p], tour[p + 1], tour[q], tour[q + 1], tour[s], tour[s + 1]
    if mate[a] == b or mate[c] == d or mate[e] == f:
        return
    change = _cost(a, d, hops) + _cost(e, b, hops) + _cost(c, f, hops)
    change = change - _cost(a, b, hops) - _cost(c, d, hops) - _cost(e, f, hops)
    _swap(search, p, first, second)
    search.made[0] = 0
    for v in (a, b, c, d, e, f):
        _wake(search, v)
    change -= _settle(search, hops)
    if change > 0:
        for k in range(search.made[0] - 1, -1, -1):
            _reverse(search, search.turns[k, 0], search.turns[k, 1])
        _swap(search, p, second, first)


@inner
def _beside(search: _Search, place: int, forward: bool) -> int:
    """The node after a place, or before it."""
    n = search.tour.size
    if forward:
        following: int = search.tour[place + 1 if place + 1 < n else 0]
        return following
    before: int = search.tour[place - 1]
    return before


@inner
def _better(search: _Search, hops: Hops, a: int) -> float:
    """Make the first move around `a` that helps; return its gain, 0 where none does."""
    place, mate = search.pos[a], search.mate[a]
    for forward in (True, False):
        # No move has been made yet, so the places still hold.
        b = _beside(search, place, forward)
        if b != mate:
            d_ab = _cost(a, b, hops)
            gain = _two_opt(search, hops, (a, b, d_ab, forward))
            if gain == 0.0:
                gain = _or_opt(search, hops, (a, b, d_ab, forward))
            if gain > 0.0:
                return gain
    return 0.0


@inner
def _two_opt(search: _Search, hops: Hops, cut: tuple[int, int, float, bool]) -> float:
    """Put a-c and b-d in place of a-b and c-d for the first near c for which that helps."""
    a, b, d_ab, forward = cut
    for k in range(search.near.shape[1]):
        gain: float = d_ab - search.near_cost[a, k]
        if gain <= GAIN:
            break
        c = search.near[a, k]
        d = _beside(search, search.pos[c], forward)
        if search.mate[c] == d or c == b or d == a:
            continue
        gain += _cost(c, d, hops) - _cost(b, d, hops)
        if gain > GAIN:
            if forward:
                _turn(search, search.pos[b], search.pos[c])
            else:
                _turn(search, search.pos[c], search.pos[b])
            for v in (b, c, d):
                _wake(search, v)
            return gain
    return 0.0


@inner
def _or_opt(search: _Search, hops: Hops, cut: tuple[int, int, float, bool]) -> float:
    """Move a stretch that begins at `a` and leads away from `b` to the first place where that helps."""
    a, b, d_ab, forward = cut
    e = a
    for size in range(1, LONGEST_MOVE + 1):
        f = _beside(search, search.pos[e], not forward)
        if search.mate[e] == f:
            e = f
            continue
        if f == b:
            break
        loose = d_ab + _cost(e, f, hops) - _cost(b, f, hops)
        if loose > GAIN:
            gain = _moved(search, hops, (a, e, b, f), loose, size, forward)
            if gain > 0:
                return gain
        e = f
    return 0.0


@inner
def _moved(
    search: _Search,
    hops: Hops,
    stretch: tuple[int, int, int, int],
    loose: float,
    size: int,
    forward: bool,
) -> float:
    """Put the stretch a…e, cut from b and f, between two neighbours c and d where that costs less than `loose`."""
    a, e, b, f = stretch
    n, start = search.tour.size, search.pos[a]
    for k in range(search.near.shape[1]):
        d_ac = search.near_cost[a, k]
        if loose - d_ac <= GAIN:
            break
        c = search.near[a, k]
        place = search.pos[c]
        off = (start - place if forward else place - start) % n
        if off < size:
            continue  # c is in the stretch
        for after in (True, False):
            d = _beside(search, place, after)
            if d in (search.mate[c], a, e) or (c == f and d == b):
                continue
            gain: float = loose - d_ac + _cost(c, d, hops) - _cost(e, d, hops)
            if gain > GAIN:
                _move(search, (b, a, e, f, c, d))
                for v in (b, c, d, e, f):
                    _wake(search, v)
                return gain
    return 0.0


@inner
def _turn(search: _Search, i: int, j: int) -> None:
    """Turn the stretch at places i to j round, or all the rest where that is shorter: same closed tour."""
    n = search.tour.size
    size = j - i
    if size < 0:
        size += n
    if 2 * size >= n:
        i, j = (j + 1) % n, (i - 1) % n
    search.turns[search.made[0], 0], search.turns[search.made[0], 1] = i, j
    search.made[0] += 1
    _reverse(search, i, j)


@inner
def _reverse(search: _Search, i: int, j: int) -> None:
    """Turn the stretch at places i to j round, over the tour's end where j is before i."""
    tour, pos, n = search.tour, search.pos, search.tour.size
    size = j - i
    if size < 0:
        size += n
    for _ in range((size + 1) // 2):
        u, v = tour[i], tour[j]
        tour[i], tour[j] = v, u
        pos[v], pos[u] = i, j
        i = i + 1 if i + 1 < n else 0
        j = j - 1 if j > 0 else n - 1


@inner
def _exchange(search: _Search, a: int, b: int, c: int, d: int) -> None:
    """Put edges a-c, b-d in place of a-b, c-d; b follows a as d follows c, or both precede."""
    i = search.pos[a]
    if _beside(search, i, True) == b and _beside(search, i, False) != b:
        _turn(search, search.pos[b], search.pos[c])
    else:
        _turn(search, search.pos[c], search.pos[b])


@inner
def _move(search: _Search, ends: tuple[int, int, int, int, int, int]) -> None:
    """Take the stretch a…e out from between b and f, put it between c and d, a beside c, e beside d.

    Three exchanges at most: read b→a…e→f in the tour's direction or against it, whichever it is.
    """
    b, a, e, f, c, d = ends
    d_follows = _beside(search, search.pos[c], True) == d
    a_follows = _beside(search, search.pos[b], True) == a
    # In the direction b, a…e, f: u then v is the place between c and d.
    as_is = d_follows == a_follows
    u, v = (c, d) if as_is else (d, c)
    # as_is: result is u-a…e-v; else u-e…a-v
    if v == b:
        b, a, e, f, u, v = f, e, a, b, v, u
    _exchange(search, b, a, u, v)
    if u != f:
        _exchange(search, b, u, f, e)
    if as_is:
        _exchange(search, u, e, a, v)

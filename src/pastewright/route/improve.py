"""A closed tour to a shorter one: 2-opt and Or-opt until neither helps, then small kicks, each mended or undone.

    2-opt    a-b … c-d   becomes   a-c … b-d        one stretch is turned round
    Or-opt   b-[a…e]-f, c-d   becomes   b-f, c-[a…e]-d   a stretch of up to three nodes moves, either way round
    kick     a-[b…c]-[d…e]-f   becomes   a-[d…e]-[b…c]-f   two neighbouring stretches change places

The inner loops run on plain lists: reading one number of a list is several times faster than of an array.
Methods: don't-look bits (here: a queue of nodes worth looking at) after J. L. Bentley, "Fast algorithms for
geometric traveling salesman problems", ORSA J. Computing 4 (1992); Or-opt after I. Or (1976); local double-bridge
kicks after D. S. Johnson and L. A. McGeoch, "The traveling salesman problem: a case study in local optimization"
(1997).
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

Distance = Callable[[int, int], float]
Neighbours = list[list[tuple[int, float]]]
"""For each node its near ones, nearest first, with the cost of the way to them."""

LONGEST_KICK = 30
"""Longest of the two neighbouring stretches that a kick swaps; kicks stay local, so that mending is cheap (Johnson
and McGeoch 1997 keep theirs within about 50 nodes; 30 measured as good on drilling boards and quicker)."""

LONGEST_MOVE = 3
"""Nodes in a stretch that Or-opt moves, as in I. Or's thesis (1976)."""

FEWEST_TO_IMPROVE = 5
FEWEST_TO_KICK = 8
"""With fewer nodes there is no move, or no room for two stretches and their surroundings."""

GAIN = 1e-9
"""Smallest gain that counts, so that rounding can never make moves run in a circle."""

# The 64-bit linear congruential generator of D. E. Knuth's MMIX (The Art of Computer Programming 2, 3.3.4, table 1,
# from memory). Its low bits are weak: only the high ones are used. Any seed will do; a fixed one makes a plan the
# same wherever it is made.
_MULTIPLIER, _INCREMENT, _MASK = 6364136223846793005, 1442695040888963407, (1 << 64) - 1
_SEED = 12345


def improved_tour(
    tour: Sequence[int], mate_of: NDArray[np.int64], near: Neighbours, cost: Distance, *, kicks: int
) -> list[int]:
    """Return a tour no dearer than `tour`: 2-opt and Or-opt until neither helps, then `kicks` local kicks.

    Edges between mates (`mate_of`, -1: none) are never cut. The same arguments always give the same tour.
    """
    n = len(tour)
    if n < FEWEST_TO_IMPROVE:
        return list(tour)
    search = _Search(list(tour), mate_of.tolist(), near, cost)
    search.settle(tour)
    if n >= FEWEST_TO_KICK:
        for p, first, second in _draws(n, kicks):
            search.kick(p, first, second)
    return search.tour


def tour_cost(tour: Sequence[int], cost: Distance) -> float:
    """Return the cost of the closed tour, the edge from last to first included."""
    return sum(cost(tour[i - 1], tour[i]) for i in range(len(tour)))


def _draws(n: int, kicks: int) -> Iterator[tuple[int, int, int]]:
    """Yield where each kick begins in a tour of `n` nodes, and how long its two stretches are."""
    longest = min(LONGEST_KICK, (n - 2) // 3)
    state = _SEED
    for _ in range(kicks):
        state = (state * _MULTIPLIER + _INCREMENT) & _MASK
        rest, first = divmod(state >> 20, longest)
        second = rest % longest
        room = n - (first + 1) - (second + 1) - 1
        yield (state >> 33) % room, first + 1, second + 1


class _Search:
    """A tour being improved: the nodes in order, the place of each, and those still worth looking at."""

    __slots__ = ("_cost", "_mate", "_n", "_near", "_pos", "_queue", "_turns", "_waiting", "tour")

    def __init__(self, tour: list[int], mate: list[int], near: Neighbours, cost: Distance) -> None:
        self.tour = tour
        self._mate = mate
        self._near = near
        self._cost = cost
        self._n = len(tour)
        self._pos = [0] * self._n
        self._seat(0, tour)
        self._queue: deque[int] = deque()
        self._waiting = bytearray(self._n)
        self._turns: list[tuple[int, int]] = []

    def settle(self, nodes: Iterable[int]) -> float:
        """Improve around the nodes, and around all that moves by it, until nothing helps; return what was gained."""
        self._wake(nodes)
        queue, waiting = self._queue, self._waiting
        gained = 0.0
        while queue:
            a = queue.popleft()
            waiting[a] = 0
            while (gain := self._better(a)) > 0:
                gained += gain
        return gained

    def kick(self, p: int, first: int, second: int) -> None:
        """Swap the `first` nodes after place `p` with the `second` ones after those; mend, or undo what ends dearer."""
        tour, mate, cost = self.tour, self._mate, self._cost
        q = p + first
        s = q + second
        a, b, c, d, e, f = tour[p], tour[p + 1], tour[q], tour[q + 1], tour[s], tour[s + 1]
        if mate[a] == b or mate[c] == d or mate[e] == f:
            return
        change = cost(a, d) + cost(e, b) + cost(c, f) - cost(a, b) - cost(c, d) - cost(e, f)
        self._seat(p + 1, tour[q + 1 : s + 1] + tour[p + 1 : q + 1])
        self._turns.clear()
        change -= self.settle(dict.fromkeys((a, b, c, d, e, f)))
        if change > 0:
            for i, j in self._turns[::-1]:
                self._turn(i, j)
            middle = p + 1 + second
            self._seat(p + 1, tour[middle : s + 1] + tour[p + 1 : middle])

    def _wake(self, nodes: Iterable[int]) -> None:
        for v in nodes:
            if not self._waiting[v]:
                self._waiting[v] = 1
                self._queue.append(v)

    def _seat(self, place: int, nodes: Sequence[int]) -> None:
        """Put nodes into the tour from a place on; they do not run over its end."""
        self.tour[place : place + len(nodes)] = nodes
        for v in nodes:
            self._pos[v] = place
            place += 1

    def _beside(self, place: int, forward: bool) -> int:
        """The node after a place, or before it."""
        if forward:
            return self.tour[place + 1 if place + 1 < self._n else 0]
        return self.tour[place - 1]

    def _better(self, a: int) -> float:
        """Make the first move around `a` that helps; return its gain, 0 where none does."""
        tour, place, mate = self.tour, self._pos[a], self._mate[a]
        for forward in (True, False):
            # No move has been made yet, so the places still hold.
            b = tour[place + 1 - self._n] if forward else tour[place - 1]
            if b != mate:
                d_ab = self._cost(a, b)
                gain = self._two_opt(a, b, d_ab, forward) or self._or_opt(a, b, d_ab, forward)
                if gain:
                    return gain
        return 0.0

    def _two_opt(self, a: int, b: int, d_ab: float, forward: bool) -> float:
        """Put a-c and b-d in place of a-b and c-d for the first near c for which that helps."""
        tour, pos, mate, cost, n = self.tour, self._pos, self._mate, self._cost, self._n
        for c, d_ac in self._near[a]:
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
                    self._turn(pos[b], k)
                else:
                    self._turn(k, pos[b])
                self._wake((b, c, d))
                return gain
        return 0.0

    def _or_opt(self, a: int, b: int, d_ab: float, forward: bool) -> float:
        """Move a stretch that begins at `a` and leads away from `b` to the first place where that helps."""
        tour, mate, cost, n = self.tour, self._mate, self._cost, self._n
        e = a
        place = self._pos[a]
        for size in range(1, LONGEST_MOVE + 1):
            if forward:
                place = place - 1 if place > 0 else n - 1
            else:
                place = place + 1 if place + 1 < n else 0
            f = tour[place]
            if mate[e] == f:
                e = f
                continue
            if f == b:
                break
            loose = d_ab + cost(e, f) - cost(b, f)
            if loose > GAIN:
                gain = self._moved(a, e, b, f, loose=loose, size=size, forward=forward)
                if gain > 0:
                    return gain
            e = f
        return 0.0

    def _moved(self, a: int, e: int, b: int, f: int, *, loose: float, size: int, forward: bool) -> float:
        """Put the stretch a…e, cut from b and f, between two neighbours c and d where that costs less than `loose`."""
        tour, pos, mate, cost, n = self.tour, self._pos, self._mate, self._cost, self._n
        start = pos[a]
        for c, d_ac in self._near[a]:
            if loose - d_ac <= GAIN:
                break
            k = pos[c]
            off = (start - k if forward else k - start) % n
            if off < size:
                continue  # c is in the stretch
            for d in (tour[k + 1 if k + 1 < n else 0], tour[k - 1]):
                if d == mate[c] or d in (a, e) or (c == f and d == b):
                    continue
                gain = loose - d_ac + cost(c, d) - cost(e, d)
                if gain > GAIN:
                    self._move(b, a, e, f, c, d)
                    self._wake((b, c, d, e, f))
                    return gain
        return 0.0

    def _turn(self, i: int, j: int) -> None:
        """Turn the stretch at places i to j round, or all the rest where that is shorter: same closed tour."""
        n, tour = self._n, self.tour
        size = j - i
        if size < 0:
            size += n
        if 2 * size >= n:
            i, j = (j + 1) % n, (i - 1) % n
        self._turns.append((i, j))
        if i <= j:
            stretch = tour[i : j + 1]
            stretch.reverse()
            self._seat(i, stretch)
        else:
            stretch = tour[i:] + tour[: j + 1]
            stretch.reverse()
            self._seat(i, stretch[: n - i])
            self._seat(0, stretch[n - i :])

    def _exchange(self, a: int, b: int, c: int, d: int) -> None:
        """Put edges a-c, b-d in place of a-b, c-d; b follows a as d follows c, or both precede."""
        i = self._pos[a]
        if self._beside(i, forward=True) == b and self._beside(i, forward=False) != b:
            self._turn(self._pos[b], self._pos[c])
        else:
            self._turn(self._pos[c], self._pos[b])

    def _move(self, b: int, a: int, e: int, f: int, c: int, d: int) -> None:
        """Take the stretch a…e out from between b and f, put it between c and d, a beside c, e beside d.

        Three exchanges at most: read b→a…e→f in the tour's direction or against it, whichever it is.
        """
        d_follows = self._beside(self._pos[c], forward=True) == d
        a_follows = self._beside(self._pos[b], forward=True) == a
        # In the direction b, a…e, f: u then v is the place between c and d.
        as_is = d_follows == a_follows
        u, v = (c, d) if as_is else (d, c)
        # as_is: result is u-a…e-v; else u-e…a-v
        if v == b:
            b, a, e, f, u, v = f, e, a, b, v, u
        self._exchange(b, a, u, v)
        if u != f:
            self._exchange(b, u, f, e)
        if as_is:
            self._exchange(u, e, a, v)

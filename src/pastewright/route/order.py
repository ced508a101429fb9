"""Deposits to a `Tour`: the order, and the end each bead starts from, that cost the least machine time.

A hop takes the trapezoid time of the slower axis, a growing function of max(|dx|, |dy|), plus a constant for
lift and lower. Beads are edges that are laid anyway, so only the hops count. The path starts at a given
point; its end is given or free. The search for a short tour is in `tour`, the proof of what no tour can
beat in `bound`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf

import numpy as np

from pastewright.board.model import Point
from pastewright.kinematics import move_times_s
from pastewright.profile.model import Machine
from pastewright.route.bound import Task, path_bound
from pastewright.route.improve import Hops, hops_cost, improved_tour
from pastewright.route.model import Stop, Tour, Visit
from pastewright.route.tour import LOOKED_AT, NEIGHBOURS, Floats, Ints, greedy_tour, nearest, on_every_side

KICKS_PER_NODE = 10
MOST_KICKS = 30_000
"""Kicks of the search: ten a node bring drilling boards of 442 to 3 038 holes within 0.9 % of their optima."""
LARGE = 3000
"""With more nodes each kick brings less of the whole and takes longer, so fewer are made: 20 000 deposits take 4 500."""


def order(
    deposits: Sequence[Stop],
    *,
    start_mm: Point,
    end_mm: Point | None = None,
    machine: Machine,
    lift_s: float = 0.0,
    of: int = 0,
) -> Tour:
    """Return a short tour of all deposits from `start_mm`, ending at `end_mm` or, without it, anywhere.

    Totals count every hop from the start to the last deposit, and the one to `end_mm` where that is given.
    `lift_s` is added to the time, and to its bound, once a hop; being the same for every order it does not
    change which is best. Where these are a class `of` more deposits, the search takes its share of the time of all.
    The tour never takes longer than the given order with all beads laid forwards.
    """
    tour, bound_s = ordered(deposits, start_mm=start_mm, end_mm=end_mm, machine=machine, lift_s=lift_s, of=of)
    return replace(tour, bound_s=bound_s())


def ordered(
    deposits: Sequence[Stop],
    *,
    start_mm: Point,
    end_mm: Point | None = None,
    machine: Machine,
    lift_s: float = 0.0,
    of: int = 0,
) -> tuple[Tour, Callable[[], float]]:
    """Return what `order` does without its bound, and what works the bound out [s]: nothing else hangs on it."""
    n = len(deposits)
    nodes = _Nodes(deposits, start_mm, end_mm, machine)
    path = nodes.path_of_least_time(kicks_for(nodes.size, max(of, n)))
    visits: list[Visit] = []
    for before, here in pairwise(path):
        k = nodes.deposit_of[here]
        if k >= 0 and nodes.deposit_of[before] != k:
            visits.append(Visit(deposit=deposits[k].index, backwards=here != nodes.first_of[k]))
    dx, dy = nodes.hops(path)
    hops = n + (end_mm is not None)
    travel_s = float(nodes.times_s(dx, dy).sum())
    travel_mm = float(np.hypot(dx, dy).sum())
    if n == 0 and end_mm is None:
        return Tour(visits=(), travel_mm=0.0, travel_s=0.0, bound_s=0.0), lambda: 0.0
    end = len(path) - 1 if end_mm is not None else None
    x, y, mate = nodes.x[: len(path)], nodes.y[: len(path)], nodes.bead_mate[: len(path)]
    task = Task(x=x, y=y, mate=mate, end=end, cost=nodes.times_s, norm=inf)

    def bound_s() -> float:
        return min(travel_s, path_bound(task, path, path_cost=travel_s)) + hops * lift_s

    tour = Tour(visits=tuple(visits), travel_mm=travel_mm, travel_s=travel_s + hops * lift_s, bound_s=0.0)
    return tour, bound_s


def kicks_for(nodes: int, of: int) -> int:
    """Return how many kicks a class of so many nodes is given where `of` deposits are laid in all."""
    most = MOST_KICKS * min(1.0, LARGE / max(of, 1)) * min(1.0, nodes / max(of, 1))
    return min(KICKS_PER_NODE * nodes, max(round(most), 1))


def _and_nowhere(found: Ints, costs: Floats) -> tuple[Ints, Floats]:
    """Return near nodes with a row for a node that is nowhere, near none."""
    none = np.zeros((1, found.shape[1]))
    return np.vstack((found, none.astype(np.int64))), np.vstack((costs, none + inf))


class _Nodes:
    """The places of the tour: the start, one node a dot, two a bead, and last the end.

    Without a given end, the last node is nowhere: every way to it costs nothing.
    """

    def __init__(
        self, deposits: Sequence[Stop], start_mm: Point, end_mm: Point | None, machine: Machine
    ) -> None:
        places = [start_mm]
        self.deposit_of = [-1]
        self.first_of: list[int] = []
        mates = [-1]
        for k, deposit in enumerate(deposits):
            first, last = deposit.points_mm[0], deposit.points_mm[-1]
            here = len(places)
            self.first_of.append(here)
            places.append(first)
            self.deposit_of.append(k)
            if first == last:
                mates.append(-1)
            else:
                places.append(last)
                self.deposit_of.append(k)
                mates += [here + 1, here]
        self.free = end_mm is None
        self.size = len(places) + 1
        self.deposit_of.append(-1)
        mates.append(-1)
        self.bead_mate: Ints = np.array(mates, dtype=np.int64)
        if end_mm is None:
            # A guess, for the greedy start only: far from the start.
            xs, ys = [p[0] for p in places], [p[1] for p in places]
            end_mm = max(
                ((a, b) for a in (min(xs), max(xs)) for b in (min(ys), max(ys))),
                key=lambda corner: math.dist(corner, start_mm),
            )
        places.append(end_mm)
        points = np.array(places, dtype=np.float64)
        self.x: Floats = points[:, 0].copy()
        self.y: Floats = points[:, 1].copy()
        self.machine = machine

    def times_s(self, dx: Floats, dy: Floats) -> Floats:
        """Return the time of each hop [s] from its |dx| and |dy| [mm]."""
        return move_times_s(np.maximum(dx, dy), self.machine.speed_xy_mm_s, self.machine.accel_xy_mm_s2)

    def hops(self, path: Sequence[int]) -> tuple[Floats, Floats]:
        """Return |dx| and |dy| [mm] of the hops of a path; beads themselves are not among them."""
        here = np.asarray(path, dtype=np.int64)
        a, b = here[:-1], here[1:]
        hop = self.bead_mate[a] != b
        a, b = a[hop], b[hop]
        return np.abs(self.x[a] - self.x[b]), np.abs(self.y[a] - self.y[b])

    def path_of_least_time(self, kicks: int) -> list[int]:
        """Return the nodes in the order of the best tour found, the end without a place left out."""
        last = self.size - 1
        real = last if self.free else self.size  # nodes with a place
        mate = self.bead_mate.copy()
        mate[0], mate[last] = last, 0  # closing the path makes a tour of it
        given = list(range(self.size))
        tour = given
        if self.size > 3:
            hops = self._hops()
            # nearest() leaves mates out, but an end without a place has none there
            near_mate = mate[:real].copy()
            if self.free:
                near_mate[0] = -1
            found, costs = nearest(
                self.x[:real], self.y[:real], near_mate, self.times_s, norm=inf, count=LOOKED_AT
            )
            near, near_costs = on_every_side(self.x[:real], self.y[:real], found, costs, count=NEIGHBOURS)
            found, costs = found[:, :NEIGHBOURS], costs[:, :NEIGHBOURS]
            if self.free:
                found, costs = _and_nowhere(found, costs)
                near, near_costs = _and_nowhere(near, near_costs)
            start = greedy_tour(self.x, self.y, mate, found, costs, self.times_s, norm=inf)
            tour = improved_tour(start, mate, near, near_costs, hops, kicks=kicks)
            if hops_cost(tour, hops) > hops_cost(given, hops):
                tour = improved_tour(given, mate, near, near_costs, hops, kicks=kicks)
        zero = tour.index(0)
        path = tour[zero:] + tour[:zero]
        if path[1] == last:
            path = path[:1] + path[:0:-1]
        return path[:-1] if self.free else path

    def _hops(self) -> Hops:
        """Return what hops between nodes cost [s]: the formula of `kinematics.move_time_s`."""
        return Hops(
            x=self.x,
            y=self.y,
            straight=False,
            speed_mm_s=self.machine.speed_xy_mm_s,
            accel_mm_s2=self.machine.accel_xy_mm_s2,
            nowhere=self.size - 1 if self.free else -1,
        )

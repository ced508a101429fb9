"""Published board-drilling problems, and the way they are solved in tests and benchmarks."""

from collections.abc import Callable
from math import inf, sqrt
from pathlib import Path

import numpy as np

from pastewright.route.improve import Distance, Hops, improved_tour
from pastewright.route.tour import LOOKED_AT, NEIGHBOURS, Floats, Ints, greedy_tour, nearest, on_every_side

TSPLIB = Path(__file__).parents[1] / "data" / "tsplib"
# Published optima: TSPLIB95 (G. Reinelt, ORSA Journal on Computing 3, 1991), see the SOURCE.md there.
OPTIMA = {"pcb442": 50778, "d493": 35002, "pcb1173": 56892, "d1291": 50801, "pcb3038": 137694}


def holes(name: str) -> tuple[Floats, Floats]:
    rows = [line.split() for line in (TSPLIB / f"{name}.tsp").read_text().splitlines()]
    places = [(float(row[1]), float(row[2])) for row in rows if len(row) == 3 and row[0].isdigit()]
    points = np.array(places)
    return points[:, 0].copy(), points[:, 1].copy()


def rounded(dx: Floats, dy: Floats) -> Floats:
    """EUC_2D of TSPLIB95: nint(sqrt(dx² + dy²))."""
    return np.floor(np.hypot(dx, dy) + 0.5)


def scalar(x: Floats, y: Floats, of: Callable[[float, float], float]) -> Distance:
    xs, ys = x.tolist(), y.tolist()
    return lambda a, b: of(xs[a] - xs[b], ys[a] - ys[b])


def euc_2d(dx: float, dy: float) -> float:
    return int(sqrt(dx * dx + dy * dy) + 0.5)


def solved(x: Floats, y: Floats, mate: Ints, kicks: int) -> list[int]:
    """Return a tour that is short by straight distances, not rounded ones."""
    found, costs = nearest(x, y, mate, np.hypot, norm=2, count=LOOKED_AT)
    near, near_costs = on_every_side(x, y, found, costs, count=NEIGHBOURS)
    found, costs = found[:, :NEIGHBOURS], costs[:, :NEIGHBOURS]
    start = greedy_tour(x, y, mate, found, costs, np.hypot, norm=2)
    return improved_tour(start, mate, near, near_costs, straight(x, y), kicks=kicks)


def straight(x: Floats, y: Floats) -> Hops:
    """Return the distance itself as what a hop costs."""
    return Hops(x=x, y=y, straight=True, speed_mm_s=1.0, accel_mm_s2=inf, nowhere=-1)

"""More than one way to explain the sheets: valleys of the cost, with hills between them."""

from collections.abc import Sequence

import numpy as np

from pastewright.tune.fit.constants import Floats
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.losses import SEARCH_LOSS

# Another way to explain the sheet counts when its cost is no more than this above the best one's (half a χ² of 6, the
# 95 % of two parameters), and when it lies farther away than this many standard deviations of the best one.
FAR_OFF = 1.5
MODE_COST = 3.0
MODE_AWAY = 3.0
# Between the two there must be a hill, or they are of one valley; it is looked for at these shares of the way.
BETWEEN = (0.25, 0.5, 0.75)
# Where there is one on the straight way, a way round it is looked for: the lowest place half-way, held to the plane there so
# tightly (in standard deviations of the priors), in so many rounds (own choice).
PLANE_TIGHT = 0.01
PLANE_ROUNDS = 12

# Half the squared residual of a dot that is where it should be is one half on average; a good fit stays below this.
GOOD_COST = 0.65


class HasCompany(Exception):  # noqa: N818  # no error: a search that is not gone on with
    """A search has met another one's valley."""


def apart_from(problem: LeastSquares, scouts: Sequence[tuple[Floats, float]], x: Floats) -> None:
    """Raise `HasCompany` where a search has come into a valley that an earlier one is at home in: it is about as low,
    with no hill between. It would end where that one does.
    """
    homes = [(there, cost) for there, cost in scouts if cost <= GOOD_COST * problem.dots]
    if not homes:
        return
    cost = problem.cost(x, SEARCH_LOSS)
    if any(cost <= FAR_OFF * low and not hill_between(problem, x, there) for there, low in homes):
        raise HasCompany


def other_modes(problem: LeastSquares, found: list[Floats], covariance: Floats) -> list[tuple[Floats, float]]:
    """Return the vectors that are no neighbours of the best or of each other, nor of one valley with these, with their
    likelihood over the best one's.
    """
    inverse = np.linalg.inv(covariance)
    costs = [problem.cost(x, SEARCH_LOSS) for x in found]
    kept: list[tuple[Floats, float]] = [(found[0], 1.0)]
    for x, cost in zip(found[1:], costs[1:], strict=True):
        away = min(float((x - other) @ inverse @ (x - other)) for other, _ in kept)
        if away > MODE_AWAY**2 and all(parted(problem, x, other) for other, _ in kept):
            kept.append((x, float(np.exp(-max(cost - costs[0], 0.0)))))
    return kept[1:]


def hill_between(problem: LeastSquares, x: Floats, other: Floats) -> bool:
    """Tell whether what the data do not allow lies between two vectors: on the way from one to the other the cost is
    somewhere `MODE_COST` above that of the worse one. Without that both are of one valley, which is long and bends a
    little, and whose length the covariance tells.
    """
    shares = np.array([0.0, *BETWEEN, 1.0])
    costs = problem.costs(x + shares[:, None] * (other - x), SEARCH_LOSS)
    return bool(costs[1:-1].max() > max(costs[0], costs[-1]) + MODE_COST)


def parted(problem: LeastSquares, x: Floats, other: Floats) -> bool:
    """Tell whether two vectors are of two valleys: there is a hill on the straight way, and no way round it, as there is
    where one valley bends.
    """
    if not hill_between(problem, x, other):
        return False
    plane = Plane(x, other, problem.sd)
    middle, _ = problem.search(plane.middle, PLANE_ROUNDS, pulled=plane)
    highest = max(problem.cost(one, SEARCH_LOSS) for one in (x, other))
    return problem.cost(middle, SEARCH_LOSS) > highest + MODE_COST


class Plane:
    """One more row of the least squares, which holds a search to the plane half-way between two vectors; it stands upright
    on the way from one to the other as the priors measure.
    """

    def __init__(self, x: Floats, other: Floats, sd: Floats) -> None:
        self.middle: Floats = (x + other) / 2
        way = (other - x) / sd
        self.upright: Floats = way / np.linalg.norm(way) / sd / PLANE_TIGHT

    def row(self, x: Floats) -> float:
        """The residual."""
        return float(self.upright @ (x - self.middle))

    def slope(self, x: Floats) -> Floats:
        """Its derivatives by the unknowns, 1 × unknowns."""
        del x  # a plane is straight
        return self.upright[None, :]

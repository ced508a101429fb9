"""What residuals cost: losses that let go of dots far off, and never of a prior."""

from collections.abc import Callable
from typing import Literal

import numpy as np

from pastewright.tune.fit.constants import Floats

# Losses by the names that scipy.optimize.least_squares gives them: the search begins with one that leads home from far
# away, and ends with one that lets go of dots which nothing explains.
# The number is where a loss begins to let go, in standard errors of a dot.
Loss = tuple[Literal["soft_l1", "cauchy"], float]
SEARCH_LOSS: Loss = ("soft_l1", 2.0)
LAST_LOSS: Loss = ("cauchy", 3.0)


def let_go(loss: Loss, kept: int) -> Callable[[Floats], Floats]:
    """Return ρ, ρ' and ρ'' of squared residuals, 3 × residuals: dots lose weight with their size, the last `kept` rows,
    which are the priors', never do, or a bench that nobody believes in would cost no more than one that is odd.
    """

    def rho(squares: Floats) -> Floats:
        told = squares.size - kept
        found = np.array([squares, np.ones(squares.size), np.zeros(squares.size)])
        one = squares[:told] / loss[1] ** 2
        if loss[0] == "soft_l1":
            root = np.sqrt(1 + one)
            found[:, :told] = 2 * loss[1] ** 2 * (root - 1), 1 / root, -0.5 / loss[1] ** 2 / root**3
        else:
            found[:, :told] = loss[1] ** 2 * np.log1p(one), 1 / (1 + one), -1 / loss[1] ** 2 / (1 + one) ** 2
        return found

    return rho


def cost_of(rows: Floats, loss: Loss) -> Floats:
    """What residuals cost, residuals × lanes: none of them a prior's."""
    cost: Floats = 0.5 * let_go(loss, 0)((rows * rows).ravel())[0].reshape(rows.shape).sum(axis=0)
    return cost

"""How far the data let a bench go from the best: the furthest value of a number, and benches drawn about the modes."""

from collections.abc import Sequence

import numpy as np

from pastewright.tune.fit.constants import Floats
from pastewright.tune.fit.drawn import DRAWN, DRAWN_ASIDE, DrawnBenches, Valley, drawn_in, together
from pastewright.tune.fit.fitted import Quantity
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.losses import LAST_LOSS, cost_of

# How far a number may go is sought so near to the standard deviations asked for, and its value held so tightly [-].
REACH_NEAR = 0.08
REACH_TIGHT = 0.01
REACH_TRIES = 4
REACH_ROUNDS = 6
REACH_STEP = 1e-3  # of a prior's standard deviation, for derivatives


def furthest(
    problem: LeastSquares, found: Sequence[Floats], chi: float, quantity: Quantity, sure: float
) -> float:
    """Return how much larger the logarithm of a number may be than at the best vector, `found[0]` [-]: its highest
    value among vectors whose cost is no more than `sure`²/2 above the best one's (profile likelihood; Cox and
    Hinkley, Theoretical Statistics, 1974, chapter 9, from memory). Valleys that bend are followed. The other modes
    of `found` count with what their own cost leaves.
    """
    x = found[0]
    pull = Pull(problem, quantity, float(quantity(problem.lasting_seen(x[None, :]))[0]))
    slope = pull.slope(x)[0] * REACH_TIGHT
    along = problem.covariance(x, 1.0) @ slope
    sd = float(np.sqrt(max(slope @ along, 1e-18)))
    base = problem.cost(x)
    sure *= max(chi, 1.0)
    goal, far, start = sure * sd, 0.0, x + along / sd * sure
    held, there = (0.0, 0.0), x  # the furthest that is allowed, with its cost's root
    for _ in range(REACH_TRIES):
        pull.goal = goal
        tried, _ = problem.search(start, REACH_ROUNDS, loss=LAST_LOSS, pulled=pull)
        far = pull.beyond(tried)
        away = float(np.sqrt(2 * max(problem.cost(tried) - base, 1e-9)))
        if away > (1 + REACH_NEAR) * sure:
            # Too far, or lost in a bend: half as far again from where it was well.
            goal = (held[0] + goal) / 2
            start = there if held[0] else x + along / sd**2 * goal
            continue
        held, there, start = (far, away), tried, tried
        if away > (1 - REACH_NEAR) * sure:
            break
        goal = far * min(sure / away, 2.0)
    if held[0] > 0:
        far, away = held
    far *= min(sure / away, 1.5)
    for other in found[1:]:
        left = sure**2 - 2 * max(problem.cost(other) - base, 0.0)
        if left > 0:
            far = max(far, pull.beyond(other) + sd * float(np.sqrt(left)))
    return max(far, 0.0)


def drawn(problem: LeastSquares, modes: Sequence[tuple[Floats, float]], chi: float) -> DrawnBenches:
    """Return benches that the data leave possible about the modes (vectors and likelihoods), as boards feel them,
    lanes × constants.
    """
    scale = max(chi, 1.0)
    parts = []
    for number, (x, _) in enumerate(modes):
        valley = Valley(
            centre=x,
            slopes=problem.secants(x)[: -x.size] / scale,
            prior_sd=problem.sd,
            told=lambda lanes: problem.told(lanes) / scale,
            cost=lambda lanes, rows: cost_of(rows * scale, LAST_LOSS) / scale**2 + problem.disbelief(lanes),
            inside=lambda lanes: np.clip(lanes, problem.low + 1e-9, problem.high - 1e-9),
        )
        parts.append(drawn_in(valley, DRAWN_ASIDE if number else DRAWN))
    found = together(parts, [likelihood for _, likelihood in modes])
    return DrawnBenches(problem.lasting_seen(found.vectors), found.weights)


class Pull:
    """One more row of the least squares, which draws a number of the bench to `goal` above its logarithm at the best."""

    def __init__(self, problem: LeastSquares, quantity: Quantity, best: float) -> None:
        self.problem, self.quantity, self.best = problem, quantity, best
        self.goal = 0.0

    def beyond(self, x: Floats) -> float:
        """How far the logarithm is above that of the best."""
        return float(self.quantity(self.problem.lasting_seen(x[None, :]))[0]) - self.best

    def row(self, x: Floats) -> float:
        """The residual."""
        return (self.beyond(x) - self.goal) / REACH_TIGHT

    def slope(self, x: Floats) -> Floats:
        """Its derivatives by the unknowns, 1 × unknowns."""
        steps = REACH_STEP * self.problem.sd
        values = self.quantity(self.problem.lasting_seen(np.vstack([x + np.diag(steps), x])))
        slopes: Floats = (values[:-1] - values[-1]) / steps / REACH_TIGHT
        return slopes[None, :]

"""Two valleys are two benches that explain a sheet, one valley that bends is one: on misfits whose valleys are known."""

from math import log
from typing import cast

import numpy as np
import pytest
from tuning_trials import demo_bench

from pastewright.tune.fit.constants import AT, as_seen, constants_of
from pastewright.tune.fit.evidence import NO_PHOTO_SD, Evidence
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.losses import SEARCH_LOSS
from pastewright.tune.fit.valleys import MODE_COST, hill_between, other_modes

SIGMA = 0.1  # of each made-up dot
STEP = 1e-6


class MadeUp:
    """Evidence whose residuals are told by two constants: u and v are how far stiffness and air are from the profile's, in
    logarithms.
    """

    photo_sd = NO_PHOTO_SD

    def __init__(self, off):
        here = as_seen(constants_of(demo_bench()))
        self.off = lambda lanes: off(
            lanes[:, AT["frame_stiffness_n_mm"]] - here[AT["frame_stiffness_n_mm"]],
            lanes[:, AT["bubble_ul"]] - here[AT["bubble_ul"]],
        )

    def survey(self, lanes):
        return np.stack(self.off(lanes)) / SIGMA

    def residuals(self, seen, keep=None):
        return self.survey(seen[None, :])[:, 0]

    def slopes(self, seen, active, **_):
        lanes = np.repeat(seen[None, :], 1 + len(active), axis=0)
        lanes[np.arange(1, 1 + len(active)), list(active)] += STEP
        rows = self.survey(lanes)
        return rows[:, 0], (rows[:, 1:] - rows[:, :1]) / STEP


def problem_of(off):
    evidence = cast(Evidence, MadeUp(off))
    return LeastSquares([evidence], demo_bench(), shape_stated=False, priors={})


def ended(problem, *, u, v):
    """Where a search from there ends."""
    begin = problem.profiled.copy()
    begin[problem.shared.index(AT["frame_stiffness_n_mm"])] += u
    begin[problem.shared.index(AT["bubble_ul"])] += v
    return problem.search(begin, 25)[0]


def highest_between(problem, x, other):
    """The misfit's highest value on the straight way, walked in small steps, over the higher end's."""
    costs = [problem.cost(x + share * (other - x), SEARCH_LOSS) for share in np.linspace(0, 1, 41)]
    return max(costs) - max(costs[0], costs[-1])


def place(problem, x):
    return [
        float(x[problem.shared.index(AT[name])] - problem.profiled[problem.shared.index(AT[name])])
        for name in ("frame_stiffness_n_mm", "bubble_ul")
    ]


def test_two_valleys_with_a_hill_between_are_two_benches():
    """Off by u² − 1: right at u = ±1, ten standard errors off at the hill between."""
    problem = problem_of(lambda u, v: (u * u - 1, v))
    stiff, soft = ended(problem, u=0.7, v=0.2), ended(problem, u=-0.7, v=0.2)
    assert place(problem, stiff) == pytest.approx([1, 0], abs=0.05)
    assert place(problem, soft) == pytest.approx([-1, 0], abs=0.05)
    assert highest_between(problem, stiff, soft) > 3 * MODE_COST
    ((other, weight),) = other_modes(problem, [stiff, soft], problem.covariance(stiff, 1.0))
    assert place(problem, other)[0] == pytest.approx(-1, abs=0.05)
    # Both are as far from the prior, and so as likely.
    assert log(weight) == pytest.approx(0, abs=0.05)


def test_one_valley_that_bends_is_one_bench():
    """Off by u − 0.8·(1 − v²): right all along a parabola. The straight way between its arms crosses a hill, and the
    valley goes round it.
    """
    problem = problem_of(lambda u, v: (u - 0.8 * (1 - v * v), u - 0.8 * (1 - v * v)))
    # Where searches from both arms end, and two places far out on the arms.
    left, right = (ended(problem, u=-1.0, v=v) for v in (-1.5, 1.5))
    ends = [problem.profiled.copy(), problem.profiled.copy()]
    for end, v in zip(ends, (-1.5, 1.5), strict=True):
        end[problem.shared.index(AT["bubble_ul"])] += v
        end[problem.shared.index(AT["frame_stiffness_n_mm"])] += 0.8 * (1 - v * v)
    assert highest_between(problem, *ends) > 3 * MODE_COST
    assert hill_between(problem, *ends)
    assert other_modes(problem, ends, problem.covariance(ends[0], 1.0)) == []
    assert other_modes(problem, [left, right], problem.covariance(left, 1.0)) == []


def test_a_low_hill_parts_nobody():
    """A tenth of the hill of the first test: the dots allow all of the way."""
    problem = problem_of(lambda u, v: (0.1 * (u * u - 1), v))
    stiff, soft = ended(problem, u=0.7, v=0.2), ended(problem, u=-0.7, v=0.2)
    assert highest_between(problem, stiff, soft) < MODE_COST
    assert other_modes(problem, [stiff, soft], problem.covariance(stiff, 1.0)) == []

"""Where searches begin: benches spread evenly over what a bench may be, and those that sheets were designed for."""

from math import log

import numpy as np

from pastewright.halton import halton
from pastewright.tune.fit.constants import AT, Floats, as_seen, as_they_are
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.losses import SEARCH_LOSS, cost_of

# Where searches may begin: so many benches, spread evenly over what a bench may be, are run side by side, and the
# searches begin with those that explain the sheet best and with the profile. With 256 the best of them led to the true
# bench on all of the benches tried (`tests/helpers/foreign_benches.py`), with five fixed beginnings on half.
SURVEYED = 256
SCOUTS = 4

# The spread of the survey, about the profile's own value: from and to, as the fit sees the constant. Consistency turns
# about a shear rate at which paste in a tip is sheared [1/s, common practice: hundreds].
SURVEY: tuple[tuple[str, float, float], ...] = (
    ("frame_stiffness_n_mm", -1.4, 1.4),
    ("bubble_ul", -1.5, 3.5),
    ("flow_index", -0.35, 0.45),
    ("consistency_kpa_sn", -1.4, 1.4),
    ("seal_friction_n", 0.0, 12.0),
    ("standing", 0.0, 0.4),
    ("backlash_mm", -0.4, 0.4),
)
SURVEY_SHEAR_1_S = 100.0


def surveyed(problem: LeastSquares) -> list[Floats]:
    """Return where to begin: the profile, and the benches of the survey that explain the sheets best."""
    share = halton(SURVEYED + 1, dimensions=len(SURVEY))[1:]
    lanes = np.tile(problem.profiled, (SURVEYED, 1))
    for column, (name, low, high) in enumerate(SURVEY):
        lanes[:, problem.shared.index(AT[name])] += low + (high - low) * share[:, column]
    index = problem.shared.index(AT["flow_index"])
    turned = np.exp(problem.profiled[index]) - np.exp(lanes[:, index])
    lanes[:, problem.shared.index(AT["consistency_kpa_sn"])] += log(SURVEY_SHEAR_1_S) * turned
    lanes = np.clip(lanes, problem.low + 1e-9, problem.high - 1e-9)
    best = np.argsort(cost_of(problem.told(lanes), SEARCH_LOSS))[:SCOUTS].tolist()
    return [*(lanes[at] for at in best), problem.profiled, *designed_for(problem)]


def designed_for(problem: LeastSquares) -> list[Floats]:
    """Return the benches that the sheets were designed for, where these are not the profile's: what an earlier fit
    had found when a second sheet was made. The survey alone missed that mode of 300 dots on one bench of 24.
    """
    found = []
    for one in problem.evidence:
        told = one.sheet.process.get("constants")
        constants = {**as_they_are(problem.profile_seen), **(told if isinstance(told, dict) else {})}
        x = as_seen(constants)[problem.order]
        if np.abs((x - problem.profiled) / problem.sd).max() > 1e-3:
            found.append(x)
    return found

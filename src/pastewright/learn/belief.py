"""What is believed of a bench: its constants with their whole covariance, and how both grow old.

    P(t) = P(last) + Q          Q = (per board)²·boards + (per √hour)²·hours + (at an event)²

Only few constants drift: consistency (warmth, drying, work), trapped air (each refill brings its own), the gain (what a
seal leaks, hardly). Stiffness, backlash, index and shapes of dots stay what a whole sheet found.
"""

from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import CONSTANTS, LEAST_BUBBLE_UL, Group, constants_of

Floats = NDArray[np.float64]

LASTING = tuple(constant for constant in CONSTANTS if constant.group not in (Group.SHEET, Group.STRUCTURE))
NAMES = tuple(constant.name for constant in LASTING)
AT = {name: place for place, name in enumerate(NAMES)}
_LOGARITHMIC = np.array([constant.logarithmic for constant in LASTING])

PER_BOARD = {"consistency_kpa_sn": 0.012, "bubble_ul": 0.05, "gain": 0.001}
"""Standard deviations a board, as the fit sees a constant. Paste that loses 15 % of its consistency in 30 boards loses
0.5 % a board, always the same way; a walk of 1.2 % a board follows that with a lag of one to two boards' loss (own
choice, tried by `tests/learn/learning_trial.py`)."""
PER_ROOT_HOUR = {"consistency_kpa_sn": 0.06, "bubble_ul": 0.1}
"""The same per √hour: a night of 16 hours may change the consistency by a quarter (from memory: pastes are to be
brought to the room's temperature before use, a few per cent a degree)."""
AT_REFILL = {"consistency_kpa_sn": 0.05, "bubble_ul": 1.2}
"""The same at a refill or with another barrel: air from a third of a usual bubble to three times it (as the prior of a
barrel that was never looked at, `tune.fit.constants`), and the paste of another portion."""
USUAL_BUBBLE_UL = 1.0
"""Air in a barrel that was filled with care (from memory). A refill makes no less of it than this to begin with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """Constants as the fit sees them (logarithms where `logarithmic`), in the order of `NAMES`, and their covariance."""

    seen: Floats
    covariance: Floats

    @property
    def constants(self) -> dict[str, float]:
        """The constants as they are."""
        return {
            name: exp(x) if logarithmic else max(x, 0.0)  # only the seal's friction, which is none or more
            for name, x, logarithmic in zip(NAMES, self.seen.tolist(), _LOGARITHMIC, strict=True)
        }

    def sd(self, name: str) -> float:
        """Return the standard deviation of a constant, as the fit sees it."""
        return float(self.covariance[AT[name], AT[name]] ** 0.5)


def seen_of(profile: Profile) -> Floats:
    """Return a profile's constants as the fit sees them, in the order of `NAMES`."""
    own = constants_of(profile)
    return np.array([log(own[c.name]) if c.logarithmic else own[c.name] for c in LASTING])


def untold(profile: Profile) -> Belief:
    """Return what is believed of a bench that was never tuned: its profile, as wide as the priors of a fit."""
    return Belief(seen=seen_of(profile), covariance=np.diag([c.sd**2 for c in LASTING]))


def aged(belief: Belief, *, boards: float = 0.0, hours: float = 0.0, refilled: bool = False) -> Belief:
    """Return the belief so many boards and hours later, or after paste was filled in."""
    grown = belief.covariance.copy()
    for table, amount in ((PER_BOARD, boards), (PER_ROOT_HOUR, hours), (AT_REFILL, float(refilled))):
        for name, sd in table.items():
            grown[AT[name], AT[name]] += sd * sd * amount
    seen = belief.seen.copy()
    if refilled:
        seen[AT["bubble_ul"]] = max(seen[AT["bubble_ul"]], log(max(USUAL_BUBBLE_UL, LEAST_BUBBLE_UL)))
    return replace(belief, seen=seen, covariance=grown)

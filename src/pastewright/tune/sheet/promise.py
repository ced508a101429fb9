"""A fit to what boards may expect of it: the error of a dot by its volume, and how high pressures may really go.

The profile with the fitted constants plans a board of dots of all sizes, as boards are planned (`foreseen`); the model
lays them on benches that the fit leaves possible: one standard deviation away each way along every axis of the
covariance, and on every other mode. Half the differences, squared and added up, are the variance of ln V and of ln P.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp

import numpy as np

from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import AT, CONSTANTS, Z95, Floats, Group, as_seen
from pastewright.tune.fit.fit import Fitted
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import turns_of
from pastewright.tune.sheet.design import sheet_at_random
from pastewright.tune.sheet.foreseen import after_sheet, board_in_mind, expected_error, information
from pastewright.tune.sheet.recipe import LEVELS, recipe_of

# Pressures are kept to their limits with so many standard deviations: stiffness and consistency grow together along a
# curved valley, whose far end lies beyond what its middle's slope says (measured: 1.5 times where 1.96 gave 1.33).
SURE_OF_PRESSURE = 3.0

# A board's 95th percentile beyond this asks for a second sheet before a board is laid (the project's own goal).
SECOND_SHEET = 0.10

# Limits are not lowered by more than this, or nothing could be laid at all: then the stiffness is to be measured.
MOST_DOUBT = 3.0

HIGH_SHARE = 0.6  # of the highest planned pressure
MOST_NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """Standard deviations of ln V by dose [µL to -]; `pressure_doubt` is how many times what is planned the pressure
    of a possible bench may be (three standard deviations); `second` is what a second sheet would leave of the errors.
    """

    doses_ul: tuple[float, ...]
    errors: tuple[float, ...]
    pressure_doubt: float
    second: float = 1.0

    @property
    def error(self) -> float:
        """The 95th percentile of a board's errors that is to be expected [-], its doses spread over all of these."""
        return Z95 * float(np.sqrt(np.mean(np.square(self.errors))))


def promise_of(fitted: Fitted, profile: Profile) -> Promise:
    """Return what a board may expect that is planned with `profile`, which holds the fitted constants."""
    board = board_in_mind(profile, recipe_of(profile).doses_ul)
    here, there, weights = _possible(fitted)
    flowed = board.forward.run(np.vstack([here[None, :], there]))
    out, peak = flowed.out_ul, flowed.peak_kpa
    by_volume = np.log(np.maximum(out[1:], board.least_ul) / np.maximum(out[1:, :1], board.least_ul))[:, 1:]
    # Limits are met by the largest dots; what a small one finds left in the barrel is no pressure of its own.
    high = peak[:, 0] >= HIGH_SHARE * peak[:, 0].max()
    by_pressure = np.log(peak[high] / peak[high, :1])[:, 1:]
    variance = (by_volume**2) @ weights
    errors = [float(np.sqrt(np.mean(variance[board.size == size]))) for size in range(LEVELS)]
    highest = float(np.sqrt(((by_pressure**2) @ weights).max()))
    return Promise(
        doses_ul=board.doses_ul,
        errors=tuple(errors),
        pressure_doubt=min(exp(SURE_OF_PRESSURE * highest), MOST_DOUBT),
        second=_second(fitted, profile, board.stakes(here), here),
    )


def _second(fitted: Fitted, profile: Profile, stakes: Floats, here: Floats) -> float:
    """What a further sheet leaves of the expected error [-]; its order is drawn, the real one is chosen and does better."""
    _, motions, _ = sheet_at_random(profile, seed=1)
    forward = Forward(score_of(turns_of(motions, profile)), setting_of(profile))
    told, _ = information(forward, here, profile)
    before = expected_error(stakes, fitted.covariance)
    after = expected_error(stakes, after_sheet(fitted.covariance, told))
    return min(after / before, 1.0) if before > 0 else 1.0


def _possible(fitted: Fitted) -> tuple[Floats, Floats, Floats]:
    """Return the fitted vector, vectors that the fit leaves possible, and the weight of each one's square."""
    here = as_seen({**fitted.lasting, **{c.name: c.usual for c in CONSTANTS if c.group is Group.SHEET}})
    shared = [at for at, c in enumerate(CONSTANTS) if c.group is not Group.SHEET]
    _, covariance = fitted.lasting_covariance
    # What the paste lost through the sheet goes on or comes back: a board's time lies within a sheet's of the sheet's
    # own, evenly.
    thick = shared.index(AT["consistency_kpa_sn"])
    covariance = covariance.copy()
    covariance[thick, thick] += fitted.constants["thinning"] ** 2 / 3
    values, axes = np.linalg.eigh(covariance)
    lanes, weights = [], []
    for value, axis in zip(values, axes.T, strict=True):
        for way in (1.0, -1.0):
            lane = here.copy()
            lane[shared] += way * float(np.sqrt(max(value, 0.0))) * axis
            lanes.append(lane)
            weights.append(0.5)
    for mode in fitted.modes:
        lane = as_seen({**mode.constants, **{c.name: c.usual for c in CONSTANTS if c.group is Group.SHEET}})
        lanes.append(lane)
        weights.append(mode.weight)
    found = np.array(lanes)
    for at, constant in enumerate(CONSTANTS):
        if not constant.logarithmic and constant.group is not Group.SHEET:
            found[:, at] = np.maximum(found[:, at], constant.low)
    return here, found, np.array(weights)


def error_of(promise: Promise, dose_ul: float) -> float:
    """Return the error to be expected of a deposit of this size, at 95 % [-]; beyond the ends, that of the ends."""
    known = np.log(np.maximum(promise.errors, 1e-4))
    return Z95 * float(np.exp(np.interp(np.log(dose_ul), np.log(promise.doses_ul), known)))


def words_of(promise: Promise) -> str:
    """Return the promise in a sentence: the smallest, the middle and the largest dots."""
    told = ", ".join(
        f"{promise.doses_ul[at]:.3g} µL within ±{Z95 * promise.errors[at]:.0%}"
        for at in (0, LEVELS // 2, LEVELS - 1)
    )
    return f"dots of a board after this fit: {told} (95 %, without the scatter of single dots)"


def words_of_pads(promise: Promise, pads: Mapping[str, float]) -> str:
    """Return the promise of a board in a sentence: how many of its pads are within the limit, and which are not.

    `pads` have the size of their smallest deposit [µL].
    """
    errors = {name: error_of(promise, dose_ul) for name, dose_ul in pads.items()}
    beyond = sorted((name for name in errors if errors[name] > SECOND_SHEET), key=lambda name: -errors[name])
    within = len(errors) - len(beyond)
    words = f"{within} of the board's {len(errors)} pads within ±{SECOND_SHEET:.0%}"
    if not beyond:
        return f"{words}, the worst within ±{max(errors.values(), default=0.0):.0%}"
    named = ", ".join(f"{name} ±{errors[name]:.0%}" for name in beyond[:MOST_NAMED])
    more = f" and {len(beyond) - MOST_NAMED} more" if len(beyond) > MOST_NAMED else ""
    return f"{words}; not so {named}{more}"


def planned_with(profile: Profile, promise: Promise) -> Profile:
    """Return the profile whose plans keep their limits on every bench that the fit leaves possible."""
    return replace(profile, tuning=replace(profile.tuning, pressure_doubt=promise.pressure_doubt))

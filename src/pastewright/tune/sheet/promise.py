"""A fit to what boards may expect of it: the error of a dot by its volume, and how high pressures may really go.

The profile with the fitted constants plans a board of dots of all sizes, as boards are planned (`foreseen`); the model
lays them on benches that the fit leaves possible (`tune.fit.drawn`), each of which counts by its likelihood.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, hypot

import numpy as np

from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import (
    AT,
    CONSTANTS,
    SHARED,
    Z95,
    Floats,
    Group,
    as_seen,
    lasting_seen,
)
from pastewright.tune.fit.drawn import DRAWN, DrawnBenches, drawn_straight, quantile_of, together
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import turns_of
from pastewright.tune.sheet.design import sheet_at_random
from pastewright.tune.sheet.foreseen import (
    BoardInMind,
    after_sheet,
    board_in_mind,
    expected_error,
    information,
)
from pastewright.tune.sheet.recipe import LEVELS, Recipe, recipe_of

# Pressures are kept to their limits on every bench within so many standard deviations (own choice: 1 in 700 is beyond).
# Stiffness and consistency grow together along a curved valley, whose far end the fit walks to.
SURE_OF_PRESSURE = 3.0

# A board's 95th percentile beyond this asks for a second sheet before a board is laid (the project's own goal).
SECOND_SHEET = 0.10

# … and so does a chance of 1 in 100 that it is beyond this: half as much again, which the project takes for the most that
# a board may be off without having been told. A chance of 1 in 20 let one bench of 24 be 16 % off that had been told
# 14 %. Of errors that are about normal the one of 100 is so many times the one of 20.
SECOND_SHEET_WORST = 0.15
ONE_OF_100 = 2.575829 / Z95
ALMOST_ALL = 0.95

# Most of a board's deposits are small ones (common practice), which suffer most: its large ones would flatter it. Of the
# sizes from the smallest to the largest so many count for the worst case.
MOSTLY_SMALL = 6

# Limits are not lowered by more than this, or nothing could be laid at all: then the stiffness is to be measured.
MOST_DOUBT = 3.0

STIFFNESS_ASKED = (
    "dots cannot tell how high the pressure is: measure the stiffness once (a known weight on the plunger's nut, a dial"
    " gauge under it) and fit again with --stiffness"
)

# What the model itself misses of a board's volumes, known constants or not [-, one standard deviation]: measured,
# boards planned with the true constants of benches that another program simulates (`tests/helpers/foreign_benches.py`).
MODEL_MISSES = 0.012

HIGH_SHARE = 0.6  # of the highest planned pressure
MOST_NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """Standard deviations of ln V by dose [µL to -]; `pressure_doubt` is how many times what is planned the pressure
    of a possible bench may be (three standard deviations); `second` is what a second sheet would leave of the errors.
    `worst` is what a board's 95th percentile stays below on 19 of 20 benches that the fit leaves possible [-].
    """

    doses_ul: tuple[float, ...]
    errors: tuple[float, ...]
    pressure_doubt: float
    second: float = 1.0
    worst: float = 0.0

    @property
    def asks_for_second(self) -> bool:
        """Whether another sheet is wanted before a board is laid."""
        return self.error > SECOND_SHEET or ONE_OF_100 * self.worst > SECOND_SHEET_WORST

    @property
    def error(self) -> float:
        """The 95th percentile of a board's errors that is to be expected [-], its doses spread over all of these."""
        return Z95 * float(np.sqrt(np.mean(np.square(self.errors))))


def promise_of(fitted: Fitted, profile: Profile) -> Promise:
    """Return what a board may expect that is planned with `profile`, which holds the fitted constants."""
    recipe = recipe_of(profile)
    board = board_in_mind(profile, recipe.doses_ul)
    here = lasting_seen(as_seen(fitted.constants))
    there = _possible(fitted, here)
    flowed = board.forward.run(np.vstack([here[None, :], there.vectors]))
    laid = np.maximum(flowed.out_ul[1:], board.least_ul)
    off = laid[:, 1:] / laid[:, :1]
    variance = (np.log(off) ** 2) @ there.weights + MODEL_MISSES**2
    errors = [float(np.sqrt(np.mean(variance[board.size == size]))) for size in range(LEVELS)]
    # A board shares most of what is not known, so that on one bench it is all well and on another all off: the mean over
    # benches tells only half.
    on_each = np.quantile(np.abs(off - 1)[board.size < MOSTLY_SMALL], 0.95, axis=0)
    return Promise(
        doses_ul=board.doses_ul,
        errors=tuple(errors),
        pressure_doubt=min(exp(_higher(fitted, board, flowed.peak_kpa, there.weights)), MOST_DOUBT),
        second=_second(fitted, profile, recipe, board.stakes(here)),
        worst=hypot(quantile_of(on_each, there.weights, ALMOST_ALL), Z95 * MODEL_MISSES),
    )


def _higher(fitted: Fitted, board: BoardInMind, peak: Floats, weights: Floats) -> float:
    """How much higher the logarithm of the highest pressure may be than planned.

    `peak` is that of each turn on the fitted bench and those that the fit leaves possible, turns × benches.
    """
    # Limits are met by the largest dots; what a small one finds left in the barrel is no pressure of its own.
    high = peak[:, 0] >= HIGH_SHARE * peak[:, 0].max()
    by_pressure = np.log(peak[high] / peak[high, :1])[:, 1:]
    of_drawn = SURE_OF_PRESSURE * float(np.sqrt(((by_pressure**2) @ weights).max()))
    if fitted.furthest is None:
        return of_drawn

    def highest(lanes: Floats) -> Floats:
        found: Floats = np.log(board.forward.run(lanes).peak_kpa[high].max(axis=0))
        return found

    # What the paste lost through the sheet may come back, and pressure goes with the consistency at most. The drawn benches
    # stand by, should a walk be lost in the bend of a valley.
    walked = fitted.furthest(highest, SURE_OF_PRESSURE) + abs(fitted.constants["thinning"])
    return max(walked, of_drawn)


def _second(fitted: Fitted, profile: Profile, recipe: Recipe, stakes: Floats) -> float:
    """What a further sheet leaves of the expected error [-]; its order is drawn, the real one is chosen and does better."""
    here = lasting_seen(as_seen(fitted.constants))
    _, motions, _ = sheet_at_random(profile, seed=1, recipe=recipe)
    forward = Forward(score_of(turns_of(motions, profile)), setting_of(profile))
    told, _ = information(forward, here, profile)
    before = expected_error(stakes, fitted.covariance)
    after = expected_error(stakes, after_sheet(fitted.covariance, told))
    return min(after / before, 1.0) if before > 0 else 1.0


def _possible(fitted: Fitted, here: Floats) -> DrawnBenches:
    """Return benches that the fit leaves possible, as a board feels them.

    What the paste lost through the sheet goes on or comes back: a board's time lies within a sheet's of the sheet's own,
    evenly.
    """
    if fitted.drawn is not None:
        drawn = fitted.drawn()
    else:
        drawn = _straight(fitted, here)
    lanes = drawn.vectors.copy()
    when = np.random.default_rng(2).uniform(-1.0, 1.0, len(lanes))
    lanes[:, AT["consistency_kpa_sn"]] += fitted.constants["thinning"] * when
    return DrawnBenches(_inside(lanes), drawn.weights)


def _straight(fitted: Fitted, here: Floats) -> DrawnBenches:
    """Benches drawn from a covariance of which no sheets are at hand."""
    shared = list(SHARED)
    centres = [here, *(lasting_seen(as_seen(mode.constants)) for mode in fitted.modes)]
    drawn = together(
        [drawn_straight(centre[shared], fitted.covariance_alone[1], DRAWN) for centre in centres],
        [1.0, *(mode.weight for mode in fitted.modes)],
    )
    lanes = np.tile(here, (len(drawn.weights), 1))
    lanes[:, shared] = drawn.vectors
    return DrawnBenches(lanes, drawn.weights)


def _inside(lanes: Floats) -> Floats:
    """The same vectors, none beyond where a constant begins."""
    found = lanes.copy()
    for at, constant in enumerate(CONSTANTS):
        if not constant.logarithmic and constant.group is not Group.SHEET:
            found[:, at] = np.maximum(found[:, at], constant.low)
    return found


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
    return (
        f"dots of a board after this fit: {told} (95 %, without the scatter of single dots); 95 of 100 deposits within"
        f" ±{promise.error:.0%} on a usual bench of those that this one may be, within ±{promise.worst:.0%} on 19 of 20"
    )


def second_sheet_of(promise: Promise) -> str:
    """Return the sentence that asks for another sheet before a board is laid, with what it would bring."""
    return (
        f"a board is expected within ±{promise.error:.0%}, and one bench of 20 would be beyond ±{promise.worst:.0%}: lay a"
        f" second sheet before it (pastewright tune sheet), which would bring ±{promise.second * promise.error:.0%} and"
        f" ±{promise.second * promise.worst:.0%}, and weigh its block"
    )


def pressure_words(promise: Promise) -> str:
    """Return how high pressures may be, in a sentence."""
    return f"pressures may be {promise.pressure_doubt:.2f} times what is planned; plans keep their limits with that"


def told_of(promise: Promise) -> list[tuple[str, bool]]:
    """Return what a fit's promise says where there is no terminal: sentences, and whether each asks for something."""
    asked = [(second_sheet_of(promise), True)] if promise.asks_for_second else []
    if promise.pressure_doubt >= MOST_DOUBT:
        asked.append((STIFFNESS_ASKED, True))
    return [*asked, (words_of(promise), False), (pressure_words(promise), False)]


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

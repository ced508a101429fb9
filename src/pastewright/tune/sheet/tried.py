"""Orders of a sheet weighed: the error to expect of a board after it, over the benches that this one may be."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from pastewright.deposit.model import Deposit
from pastewright.deposit.shape import dot_width_mm
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import (
    AT,
    CONSTANTS,
    SHARED,
    Floats,
    as_seen,
    as_they_are,
    constants_of,
    with_constants,
)
from pastewright.tune.fit.model import Forward
from pastewright.tune.sheet.foreseen import (
    Known,
    Rival,
    after_sheet,
    apart,
    board_in_mind,
    expected_error,
    information,
    known_before,
    mistaken,
    planned_stakes,
    where_it_matters,
)
from pastewright.tune.sheet.recipe import Item, Recipe, altered, possible_benches
from pastewright.tune.sheet.things import pitch_mm

# A rival bench that lays boards alike still holds pressures down and asks for a further sheet: as if it cost so much of
# every volume (own choice, half of what a board may be off).
LEAST_LOSS = 0.05


@dataclass(frozen=True, slots=True)
class Try:
    """An order that was tried: the error to expect of a board after it [-], the widest dot that any of the benches
    would lay, what is known of the bench after it, were it as profiled, and how far it sets rivals apart.
    """

    items: tuple[Item, ...]
    error: float
    largest_mm: float
    covariance: Floats
    apart: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class BenchStakes:
    """A bench that may be, and what a board planned for it makes of what is not known."""

    bench: Floats
    stakes: Floats


def stakes_on(profile: Profile, bench: Floats, recipe: Recipe, laid: Sequence[Deposit]) -> BenchStakes:
    """A bench that may be, with the board that is to be laid on it."""
    there = with_constants(profile, as_they_are(bench))
    return BenchStakes(bench, _stakes(there, recipe, laid, bench))


def _stakes(profile: Profile, recipe: Recipe, laid: Sequence[Deposit], bench: Floats) -> Floats:
    """How a board answers to the constants: the one that the sheet is for, or one of all sizes."""
    return planned_stakes(profile, laid) if laid else board_in_mind(profile, recipe.doses_ul).stakes(bench)


def benches_in_doubt(profile: Profile, recipe: Recipe, laid: Sequence[Deposit]) -> list[Floats]:
    """The benches that this one may be, as vectors of the fit, that of the profile first.

    Where a trial has left a covariance, other ways to explain it included, the others lie along what a board would
    suffer from most: there a second sheet has to tell.
    """
    here = _moved(profile, {})
    before = known_before(profile)[np.ix_(SHARED, SHARED)]
    if not profile.tuning.dated or not profile.history:
        return [_moved(profile, factors) for factors in possible_benches(profile, recipe.doubt)]
    stakes = _stakes(profile, recipe, laid, here)
    limits = [(log(c.low), log(c.high)) if c.logarithmic else (c.low, c.high) for c in CONSTANTS]
    low, high = (
        np.array([x + end if c.logarithmic else end for c, x, end in zip(CONSTANTS, here, ends, strict=True)])
        for ends in zip(*limits, strict=True)
    )
    steps = where_it_matters(stakes, before, 2)
    return [here, *(np.clip(here + way * step, low, high) for step in steps for way in (1.0, -1.0))]


def _moved(profile: Profile, factors: Mapping[str, float]) -> Floats:
    own = constants_of(profile)
    seen = as_seen(own)
    for name, factor in factors.items():
        seen[AT[name]] += log(factor)
    return seen


def rivals_of(known: Known, board: BenchStakes) -> tuple[Rival, ...]:
    """The other benches that explain the last trial as well, with what a board would lose that is planned for the wrong
    one; the share of each in its own direction is all that straight lines tell of it.
    """
    here = board.bench
    return tuple(
        Rival(seen, likelihood, float(np.sqrt(np.mean(np.square(board.stakes @ (seen - here))))))
        for seen, likelihood in known.rivals
    )


def weighed(
    items: tuple[Item, ...],
    forward: Forward,
    boards: Sequence[BenchStakes],
    rivals: Sequence[Rival],
    before: Floats,
    profile: Profile,
) -> Try:
    """Return what an order is worth: `before` is the covariance of what is known of the bench before it."""
    told = [information(forward, board.bench, profile) for board in boards]
    after = [after_sheet(before, matrix) for matrix, _ in told]
    errors = [
        expected_error(board.stakes, covariance) for board, covariance in zip(boards, after, strict=True)
    ]
    far = tuple(apart(forward, boards[0].bench, rival.seen, before, profile) for rival in rivals)
    # What a rival costs that stays: a board may be planned for the wrong one, and pressures keep their distance for both.
    stays = [
        rival.likelihood * mistaken(sigmas) * max(rival.loss, LEAST_LOSS) ** 2
        for rival, sigmas in zip(rivals, far, strict=True)
    ]
    # Squares are added, so that the worst of the benches count most.
    error = float(np.sqrt(np.mean(np.square(errors)) + sum(stays)))
    most_ul = max(most for _, most in told)
    return Try(items, error, dot_width_mm(most_ul, profile.tuning.dot_shape_ratio), after[0], far)


def improved(
    drawn: Sequence[tuple[Item, ...]],
    tries: int,
    tried: Callable[[tuple[Item, ...]], Try],
    *,
    profile: Profile,
    room_mm: float,
    seed: int,
) -> Try:
    """Return the best of so many orders: those that were drawn, and then changes of the best one."""
    rng = np.random.default_rng([seed, 1])
    best = tried(drawn[0])
    for number in range(1, tries):
        one = tried(drawn[number] if number < len(drawn) else altered(best.items, rng))
        if one.error < best.error and pitch_mm(profile, one.largest_mm) <= room_mm:
            best = one
    return best

"""Sheets and their measurements to fitted constants with their uncertainty: least squares with priors.

    minimise  ½ Σ ρ(rᵢ²) + ½ Σ ((xⱼ − priorⱼ)/sdⱼ)²        r from `evidence`, ρ soft-l1 so that a few bad dots pull little

Several sheets of one bench are fitted together: they share all constants but those of group SHEET. The scale of all
volumes has three sources: the gain (the plunger's travel and conservation of volume), the dots' shape ratio, and a
weighing; priors and data weigh them against each other, so that without a weighing or a stated shape ratio the gain
hardly moves and the shape ratio is fitted.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from math import log

import numpy as np

from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import CONSTANTS, Floats, Group, as_seen, as_they_are
from pastewright.tune.fit.evidence import NO_PHOTO_SD, Evidence
from pastewright.tune.fit.fitted import DotResidual, Estimate, Fitted, Mode
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.left_out import rows_left_out
from pastewright.tune.fit.losses import LAST_LOSS
from pastewright.tune.fit.reach import drawn, furthest
from pastewright.tune.fit.survey import surveyed
from pastewright.tune.fit.valleys import (
    FAR_OFF,
    GOOD_COST,
    MODE_COST,
    HasCompany,
    apart_from,
    hill_between,
    other_modes,
)
from pastewright.tune.fit.weighing import WeighedBlock

# Rounds of a search that finds out whether its beginning is worth more, and of one that ends.
SCOUT_ROUNDS = 9
ROUNDS = 25

# Of a stiffness that was measured with a known weight and a dial gauge (from memory: a tenth is easily reached).
MEASURED_STIFFNESS_SD = 0.10

ONE_SIGMA = 0.6827  # of a normal distribution within one standard deviation


def fit_sheets(
    evidence: Sequence[Evidence],
    profile: Profile,
    *,
    shape_stated: bool = False,
    priors: dict[str, tuple[float, float]] | None = None,
    leave_rows_out: bool = True,
    begin: Sequence[Mapping[str, float]] = (),
    blocks: Sequence[WeighedBlock] = (),
) -> Fitted:
    """Return the constants that explain the sheets, the profile's being where the search begins.

    `priors` replace (centre, sd as the fit sees it) of single constants. `shape_stated`: the profile's shape ratio
    of dots was measured, so that it gives the scale. `begin` are constants to begin at, in place of a survey of what
    the bench may be: those of an earlier fit and its modes. `blocks` were weighed, and tell the gain.
    """
    problem = LeastSquares(evidence, profile, shape_stated=shape_stated, priors=priors or {}, blocks=blocks)
    begun = [as_seen(constants)[problem.order] for constants in begin]
    found = solved(problem, begun or surveyed(problem))
    answer = fitted(problem, found)
    if not leave_rows_out:
        return answer
    return replace(answer, left_out=rows_left_out(problem, found[0]))


def solved(problem: LeastSquares, begun: Sequence[Floats]) -> list[Floats]:
    """Return the vector that explains the sheets best, and then every other that the data allow as well."""
    scouts: list[tuple[Floats, float]] = []
    for x in begun:
        with suppress(HasCompany):
            scouts.append(problem.search(x, SCOUT_ROUNDS, on_step=partial(apart_from, problem, scouts)))
    scouts.sort(key=lambda item: item[1])
    ended: list[tuple[Floats, float]] = []
    for x, cost in scouts:
        least = min((one for _, one in ended), default=np.inf)
        # One that is still far off after its first rounds is left where it is once another one is home.
        if least <= GOOD_COST * problem.dots and cost > FAR_OFF * least:
            break
        # Of one valley with another that is home it would end there too.
        if any(not hill_between(problem, x, home) for home, _ in ended):
            continue
        with suppress(HasCompany):
            ended.append(problem.search(x, ROUNDS, on_step=partial(apart_from, problem, ended)))
    ended.sort(key=lambda item: item[1])
    least = ended[0][1]
    allowed = [x for x, cost in ended if cost <= least + MODE_COST]
    best = problem.search(allowed[0], ROUNDS, loss=LAST_LOSS)[0]
    problem.weigh_by_scatter(best)
    best = problem.search(best, ROUNDS, loss=LAST_LOSS)[0]
    return [best, *(x for x in allowed[1:])]


def fitted(problem: LeastSquares, found: list[Floats]) -> Fitted:
    """Return what the vectors say: the best one first, then those that may be other modes."""
    x = found[0]
    dots = problem.compared(x)
    pulls = np.array([dot.pull for dot in dots])
    free = max(len(pulls) - len(problem.shared), 1)
    chi = float(np.sqrt(np.sum(np.minimum(pulls**2, 9.0)) / free))
    covariance = alone = problem.covariance(x, chi)
    others = other_modes(problem, found, covariance)
    for other, weight in others:
        covariance = covariance + weight * np.outer(other - x, other - x)
    before = problem.profiled.copy()
    before[: len(problem.shared)] = problem.profile_seen[problem.shared]
    return Fitted(
        estimates=estimates(problem, x, np.sqrt(np.diag(covariance))),
        constants=as_they_are(problem.seen_of(x, len(problem.evidence) - 1)),
        covariance=covariance[: len(problem.shared), : len(problem.shared)],
        whole=covariance[np.ix_(problem.columns[-1], problem.columns[-1])],
        alone=alone[np.ix_(problem.columns[-1], problem.columns[-1])],
        furthest=partial(furthest, problem, [x, *(other for other, _ in others)], chi),
        drawn=partial(drawn, problem, [(x, 1.0), *others], chi),
        dots=dots,
        measured=problem.dots,
        missing=int(sum(one.reading.missing.sum() for one in problem.evidence)),
        spread=_spread(dots),
        before=_spread(problem.compared(before)),
        chi=chi,
        middle_s=problem.evidence[-1].seconds / 2,
        weighed=bool(problem.blocks) or any(one.weighed is not None for one in problem.evidence),
        modes=tuple(
            Mode(constants=as_they_are(problem.seen_of(other, len(problem.evidence) - 1)), weight=weight)
            for other, weight in others
        ),
    )


def estimates(problem: LeastSquares, x: Floats, sds: Floats) -> tuple[Estimate, ...]:
    """Return the constants of a vector, those of a sheet without a photo left out."""
    estimates = []
    for place, constant_at in enumerate(problem.order):
        constant = CONSTANTS[constant_at]
        value, prior = (
            float(np.exp(v[place])) if constant.logarithmic else float(v[place])
            for v in (x, problem.profiled)
        )
        sheet = None
        if constant.name == "photo_width" and problem.sd[place] <= NO_PHOTO_SD:
            continue
        if constant.group is Group.SHEET:
            sheet = (place - len(problem.shared)) // len(problem.own)
        estimates.append(
            Estimate(
                constant=constant,
                value=value,
                prior=prior,
                sd=float(sds[place]),
                prior_sd=float(problem.sd[place]),
                sheet=sheet,
            )
        )
    return tuple(estimates)


def _spread(dots: Sequence[DotResidual]) -> float:
    off = np.abs([log(dot.measured_ul / dot.model_ul) for dot in dots])
    return float(np.quantile(off, ONE_SIGMA)) if off.size else 0.0

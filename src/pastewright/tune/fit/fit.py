"""Sheets and their measurements to fitted constants with their uncertainty: least squares with priors.

    minimise  ½ Σ ρ(rᵢ²) + ½ Σ ((xⱼ − priorⱼ)/sdⱼ)²        r from `evidence`, ρ soft-l1 so that a few bad dots pull little

Several sheets of one bench are fitted together: they share all constants but those of group SHEET. The scale of all
volumes has three sources: the gain (the plunger's travel and conservation of volume), the dots' shape ratio, and a
weighing; priors and data weigh them against each other, so that without a weighing or a stated shape ratio the gain
hardly moves and the shape ratio is fitted.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import (
    AT,
    CONSTANTS,
    NAMES,
    Constant,
    Floats,
    Group,
    as_seen,
    as_they_are,
    constants_of,
)
from pastewright.tune.fit.evidence import Evidence

# Where the search begins, as factors on stiffness, air and consistency: the prior, and benches well off it each way.
_BEGINNINGS = ((1.0, 1.0), (2.5, 1.0), (0.4, 1.0), (1.0, 1.6), (1.0, 0.6))
SCOUT_ROUNDS = 7
ROUNDS = 40

# Losses of scipy.optimize.least_squares: the search begins with one that leads home from far away, and ends with one
# that lets go of dots which nothing explains.
# The number is where a loss begins to let go, in standard errors of a dot.
Loss = tuple[Literal["soft_l1", "cauchy"], float]
SEARCH_LOSS: Loss = ("soft_l1", 2.0)
LAST_LOSS: Loss = ("cauchy", 3.0)

# Half the squared residual of a dot that is where it should be is one half on average; a good fit stays below this.
GOOD_COST = 0.65

# A datum that leaves more of the prior's spread than this has told nothing about the constant.
HELD_SHARE = 0.7

# Prior of the dots' shape ratio where somebody has measured it.
STATED_SHAPE_SD = 0.02

ONE_SIGMA = 0.6827  # of a normal distribution within one standard deviation
Z95 = 1.959964  # two-sided 95 % of the normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One fitted constant. `sd` is as the fit sees it (of the logarithm where `constant.logarithmic`).

    `held` says that the data could not tell it, and the value is mostly the prior's.
    """

    constant: Constant
    value: float
    prior: float
    sd: float
    prior_sd: float
    sheet: int | None = None

    @property
    def held(self) -> bool:
        """Whether the value is mostly the prior's."""
        return self.sd > HELD_SHARE * self.prior_sd

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self._end(-Z95)

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self._end(Z95)

    def _end(self, z: float) -> float:
        if self.constant.logarithmic:
            return float(self.value * np.exp(z * self.sd))
        return self.value + z * self.sd


@dataclass(frozen=True, slots=True, kw_only=True)
class DotResidual:
    """One dot that counted: model and measurement [µL, by the fitted shape], and how far apart [in its sd]."""

    sheet: int
    index: int
    row: int
    model_ul: float
    measured_ul: float
    pull: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RowLeftOut:
    """A row that was left out of the fit and predicted: rms and mean of ln(measured/model) [-]."""

    sheet: int
    row: int
    dots: int
    rms: float
    bias: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The answer. `covariance` is of the shared constants, in the order of `NAMES`.

    `spread` is that of measured about model [-, of ln V]: two thirds of the dots lie within it, as one standard
    deviation would have it; `before` is that of the profile as it was;
    `chi` the rms of residuals over their stated errors.
    """

    estimates: tuple[Estimate, ...]
    constants: dict[str, float]
    covariance: Floats
    dots: tuple[DotResidual, ...]
    measured: int
    missing: int
    spread: float
    before: float
    chi: float
    weighed: bool
    left_out: tuple[RowLeftOut, ...] = ()

    def estimate(self, name: str, sheet: int | None = None) -> Estimate:
        """Return the estimate of a constant; those of one sheet need its number."""
        return next(e for e in self.estimates if e.constant.name == name and e.sheet in (None, sheet))


def fit_sheets(
    evidence: Sequence[Evidence],
    profile: Profile,
    *,
    shape_stated: bool = False,
    priors: dict[str, tuple[float, float]] | None = None,
    leave_rows_out: bool = True,
) -> Fitted:
    """Return the constants that explain the sheets, the profile's being where the search begins.

    `priors` replace (centre, sd as the fit sees it) of single constants. `shape_stated`: the profile's shape ratio
    of dots was measured, so that it gives the scale.
    """
    problem = _Problem(evidence, profile, shape_stated=shape_stated, priors=priors or {})
    found = problem.solved()
    fitted = problem.fitted(found)
    if not leave_rows_out:
        return fitted
    return replace(fitted, left_out=problem.rows_left_out(found))


class _Problem:
    """The stacked least squares of several sheets: shared constants first, then each sheet's own."""

    def __init__(
        self,
        evidence: Sequence[Evidence],
        profile: Profile,
        *,
        shape_stated: bool,
        priors: dict[str, tuple[float, float]],
    ) -> None:
        self.evidence = tuple(evidence)
        own = constants_of(profile)
        centre = {**own, **{name: mean for name, (mean, _) in priors.items()}}
        sds = {c.name: c.sd for c in CONSTANTS} | {name: sd for name, (_, sd) in priors.items()}
        if shape_stated:
            sds["dot_shape_ratio"] = STATED_SHAPE_SD
        self.profile_seen = as_seen(own)
        seen = as_seen(centre)
        spread = np.array([sds[c.name] for c in CONSTANTS])
        low = np.array(
            [log(c.low) if c.logarithmic else c.low - x for c, x in zip(CONSTANTS, seen, strict=True)]
        )
        high = np.array(
            [log(c.high) if c.logarithmic else c.high - x for c, x in zip(CONSTANTS, seen, strict=True)]
        )
        self.shared = [i for i, c in enumerate(CONSTANTS) if c.group is not Group.SHEET]
        self.own = [i for i, c in enumerate(CONSTANTS) if c.group is Group.SHEET]
        order = self.shared + self.own * len(self.evidence)
        self.order = order
        self.centre, self.sd = seen[order], spread[order]
        self.low, self.high = (seen + low)[order], (seen + high)[order]
        # A spreadsheet of which unknown is which constant of which sheet.
        first = len(self.shared)
        self.columns = [
            self.shared_columns + list(range(first + k * len(self.own), first + (k + 1) * len(self.own)))
            for k in range(len(self.evidence))
        ]

    @property
    def shared_columns(self) -> list[int]:
        return list(range(len(self.shared)))

    def seen_of(self, x: Floats, sheet: int) -> Floats:
        seen = np.empty(len(CONSTANTS))
        seen[self.shared + self.own] = x[self.columns[sheet]]
        return seen

    def residuals(self, x: Floats, keep: "Keep | None" = None) -> Floats:
        parts = [
            one.residuals(self.seen_of(x, k), keep=None if keep is None else keep[k])
            for k, one in enumerate(self.evidence)
        ]
        return np.concatenate([*parts, (x - self.centre) / self.sd])

    def slopes(self, x: Floats, keep: "Keep | None" = None) -> Floats:
        parts = []
        active = self.shared + self.own
        for k, one in enumerate(self.evidence):
            _, rows = one.slopes(self.seen_of(x, k), active, keep=None if keep is None else keep[k])
            whole = np.zeros((rows.shape[0], x.size))
            whole[:, self.columns[k]] = rows
            parts.append(whole)
        return np.concatenate([*parts, np.diag(1 / self.sd)])

    def search(
        self, x: Floats, rounds: int, keep: "Keep | None" = None, *, loss: Loss = SEARCH_LOSS
    ) -> tuple[Floats, float]:
        inside = np.clip(x, self.low + 1e-9, self.high - 1e-9)

        def residuals(y: Floats) -> Floats:
            return self.residuals(y, keep)

        def slopes(y: Floats) -> Floats:
            return self.slopes(y, keep)

        found = least_squares(
            residuals,
            inside,
            jac=slopes,
            bounds=(self.low, self.high),
            x_scale=self.sd,
            loss=loss[0],
            f_scale=loss[1],
            max_nfev=rounds,
            xtol=1e-4,
            ftol=1e-5,
        )
        best: Floats = found.x
        return best, float(found.cost)

    def solved(self) -> Floats:
        begun = []
        for stiff, thick in _BEGINNINGS:
            x = self.centre.copy()
            x[self.shared.index(AT["frame_stiffness_n_mm"])] += log(stiff)
            x[self.shared.index(AT["bubble_ul"])] -= log(stiff)
            x[self.shared.index(AT["consistency_kpa_sn"])] += log(thick)
            begun.append(self.search(x, SCOUT_ROUNDS))
        begun.sort(key=lambda item: item[1])
        ended = [self.search(begun[0][0], ROUNDS)]
        for x, _ in begun[1:]:
            # A search that has come to the scatter of dots is right; one that has not may have lost its way.
            if ended[-1][1] <= GOOD_COST * self.dots:
                break
            ended.append(self.search(x, ROUNDS))
        best = min(ended, key=lambda item: item[1])[0]
        return self.search(best, ROUNDS, loss=LAST_LOSS)[0]

    @property
    def dots(self) -> int:
        """How many dots were measured."""
        return int(sum(one.reading.measured.sum() for one in self.evidence))

    def fitted(self, x: Floats) -> Fitted:
        jac = self.slopes(x)
        rows = self.residuals(x)
        dots = self._dots(x)
        pulls = np.array([dot.pull for dot in dots])
        free = max(len(pulls) - len(self.shared), 1)
        chi = float(np.sqrt(np.sum(np.minimum(pulls**2, 9.0)) / free))
        # Errors are not smaller than stated, but larger where the dots scatter more.
        scale = np.ones(rows.size)
        scale[: rows.size - x.size] = max(chi, 1.0)
        weighted = jac / scale[:, None]
        covariance: Floats = np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=float)
        sds = np.sqrt(np.diag(covariance))
        estimates = []
        for place, constant_at in enumerate(self.order):
            constant = CONSTANTS[constant_at]
            value, prior = (
                float(np.exp(v[place])) if constant.logarithmic else float(v[place]) for v in (x, self.centre)
            )
            sheet = None
            if constant.group is Group.SHEET:
                sheet = (place - len(self.shared)) // len(self.own)
            estimates.append(
                Estimate(
                    constant=constant,
                    value=value,
                    prior=prior,
                    sd=float(sds[place]),
                    prior_sd=float(self.sd[place]),
                    sheet=sheet,
                )
            )
        before = self.centre.copy()
        before[: len(self.shared)] = self.profile_seen[self.shared]
        return Fitted(
            estimates=tuple(estimates),
            constants=as_they_are(self.seen_of(x, len(self.evidence) - 1)),
            covariance=covariance[: len(self.shared), : len(self.shared)],
            dots=dots,
            measured=self.dots,
            missing=int(sum(one.reading.missing.sum() for one in self.evidence)),
            spread=_spread(dots),
            before=_spread(self._dots(before)),
            chi=chi,
            weighed=any(one.weighed is not None for one in self.evidence),
        )

    def _dots(self, x: Floats) -> tuple[DotResidual, ...]:
        dots = []
        for k, one in enumerate(self.evidence):
            dots.extend(one.compared(self.seen_of(x, k), sheet=k))
        return tuple(DotResidual(**dot) for dot in dots)

    def rows_left_out(self, x: Floats) -> tuple[RowLeftOut, ...]:
        found = []
        for k, one in enumerate(self.evidence):
            rows = one.rows
            for row in sorted(set(rows[one.reading.measured].tolist()) - {-1}):
                out = rows == row
                keep = [np.ones(len(e.reading.index), dtype=bool) for e in self.evidence]
                keep[k] = ~out
                there, _ = self.search(x, 4, keep, loss=LAST_LOSS)
                off = np.array(
                    [
                        log(dot["measured_ul"] / dot["model_ul"])
                        for dot in one.compared(self.seen_of(there, k), sheet=k)
                        if dot["row"] == row
                    ]
                )
                found.append(
                    RowLeftOut(
                        sheet=k,
                        row=row,
                        dots=off.size,
                        rms=float(np.sqrt(np.mean(off**2))),
                        bias=float(np.median(off)),
                    )
                )
        return tuple(found)


Keep = list[NDArray[np.bool_]]


def _spread(dots: Sequence[DotResidual]) -> float:
    off = np.abs([log(dot.measured_ul / dot.model_ul) for dot in dots])
    return float(np.quantile(off, ONE_SIGMA)) if off.size else 0.0


__all__ = ["NAMES", "DotResidual", "Estimate", "Fitted", "RowLeftOut", "fit_sheets"]

"""Sheets and their measurements to fitted constants with their uncertainty: least squares with priors.

    minimise  ½ Σ ρ(rᵢ²) + ½ Σ ((xⱼ − priorⱼ)/sdⱼ)²        r from `evidence`, ρ soft-l1 so that a few bad dots pull little

Several sheets of one bench are fitted together: they share all constants but those of group SHEET. The scale of all
volumes has three sources: the gain (the plunger's travel and conservation of volume), the dots' shape ratio, and a
weighing; priors and data weigh them against each other, so that without a weighing or a stated shape ratio the gain
hardly moves and the shape ratio is fitted.

Longer than 400 lines because the residuals, the steps and what ends them are one calculation.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from math import log
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from pastewright.halton import halton
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import (
    AT,
    CONSTANTS,
    NAMES,
    OWN,
    SHARED,
    Z95,
    Constant,
    Floats,
    Group,
    as_seen,
    as_they_are,
    constants_of,
    lasting_seen,
    stated_priors,
)
from pastewright.tune.fit.drawn import DRAWN, DRAWN_ASIDE, DrawnBenches, Valley, drawn_in, together
from pastewright.tune.fit.evidence import NO_PHOTO_SD, Evidence
from pastewright.tune.fit.scatter import scatter_of
from pastewright.tune.fit.weighing import WeighedBlock

# Where searches may begin: so many benches, spread evenly over what a bench may be, are run side by side, and the
# searches begin with those that explain the sheet best and with the profile. With 256 the best of them led to the true
# bench on all of the benches tried (`tests/helpers/foreign_benches.py`), with five fixed beginnings on half.
SURVEYED = 256
SCOUTS = 4
SCOUT_ROUNDS = 9
ROUNDS = 25

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

# Another way to explain the sheet counts when its cost is no more than this above the best one's (half a χ² of 6, the
# 95 % of two parameters), and when it lies farther away than this many standard deviations of the best one.
FAR_OFF = 1.5
MODE_COST = 3.0
MODE_AWAY = 3.0
# Between the two there must be a hill, or they are of one valley; it is looked for at these shares of the way.
BETWEEN = (0.25, 0.5, 0.75)
# Where there is one on the straight way, a way round it is looked for: the lowest place half-way, held to the plane there so
# tightly (in standard deviations of the priors), in so many rounds (own choice).
PLANE_TIGHT = 0.01
PLANE_ROUNDS = 12

# Where the model has no answer, the residual [in standard errors] (own choice: no bench is so far off).
FAR_AWAY = 1e3

# Losses by the names that scipy.optimize.least_squares gives them: the search begins with one that leads home from far
# away, and ends with one that lets go of dots which nothing explains.
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

# Where a straight step says that a row is predicted so many times worse than it is fitted, it is searched for instead.
CROOKED = 2.5

# Of a stiffness that was measured with a known weight and a dial gauge (from memory: a tenth is easily reached).
MEASURED_STIFFNESS_SD = 0.10

# How far a number may go is sought so near to the standard deviations asked for, and its value held so tightly [-].
REACH_NEAR = 0.08
REACH_TIGHT = 0.01
REACH_TRIES = 4
REACH_ROUNDS = 6
REACH_STEP = 1e-3  # of a prior's standard deviation, for derivatives

ONE_SIGMA = 0.6827  # of a normal distribution within one standard deviation


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
class Mode:
    """Another set of constants that explains the sheets as well; `weight` is its likelihood over that of the best."""

    constants: dict[str, float]
    weight: float


# A number of a bench, as vectors of the fit tell it: its logarithm by lane.
Quantity = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The answer. `covariance` is of the shared constants, in the order of `NAMES`; other modes widen it.
    `whole` is that of the shared and the last sheet's own constants, `alone` the same without other modes.
    `furthest` tells how much larger a number of the bench may be, see `_Problem.furthest`; `drawn` gives benches that the
    fit leaves possible, as boards feel them, lanes × constants.
    `middle_s` is the middle of the last sheet's time, which the consistency that lasts is of.

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
    modes: tuple["Mode", ...] = ()
    middle_s: float = 0.0
    whole: Floats | None = None
    alone: Floats | None = None
    furthest: Callable[[Quantity, float], float] | None = None
    drawn: Callable[[], DrawnBenches] | None = None

    @property
    def lasting(self) -> dict[str, float]:
        """The constants that hold beyond the sheets; the consistency is that of the middle of the last sheet's time,
        where what thinning took from it is as much as it will take from a board of like length.
        """
        own = {CONSTANTS[at].name for at in OWN}
        kept = {name: value for name, value in self.constants.items() if name not in own}
        kept["consistency_kpa_sn"] *= float(np.exp(-self.constants.get("thinning", 0.0) / 2))
        return kept

    @property
    def lasting_covariance(self) -> tuple[tuple[str, ...], Floats]:
        """Names and covariance of the constants that `lasting` holds, as the fit sees them."""
        return self._lasting(self.whole)

    @property
    def modes_away(self) -> tuple[Floats, ...]:
        """How far each other mode lies from `lasting`, as the fit sees it, by the constants of `lasting_covariance`."""
        return tuple(
            (lasting_seen(as_seen(mode.constants)) - lasting_seen(as_seen(self.constants)))[list(SHARED)]
            for mode in self.modes
        )

    @property
    def covariance_alone(self) -> tuple[tuple[str, ...], Floats]:
        """The same about the best constants alone, no other mode counted."""
        return self._lasting(self.whole if self.alone is None else self.alone)

    def _lasting(self, whole: Floats | None) -> tuple[tuple[str, ...], Floats]:
        shared = [CONSTANTS[at].name for at in SHARED]
        if whole is None:
            return tuple(shared), self.covariance
        names = [c.name for c in (*_of(Group.SHEET, among=False), *_of(Group.SHEET, among=True))]
        turn = np.zeros((len(shared), len(names)))
        for row, name in enumerate(shared):
            turn[row, names.index(name)] = 1.0
        # ln K of the sheet's middle is ln K − thinning/2.
        turn[shared.index("consistency_kpa_sn"), names.index("thinning")] = -0.5
        return tuple(shared), turn @ whole @ turn.T

    def estimate(self, name: str, sheet: int | None = None) -> Estimate:
        """Return the estimate of a constant; those of one sheet need its number."""
        return next(e for e in self.estimates if e.constant.name == name and e.sheet in (None, sheet))


def _of(group: Group, *, among: bool) -> list[Constant]:
    """The constants that are of the group, or those that are not."""
    return [c for c in CONSTANTS if (c.group is group) is among]


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
    problem = _Problem(evidence, profile, shape_stated=shape_stated, priors=priors or {})
    problem.blocks = tuple(blocks)
    problem.begun = [as_seen(constants)[problem.order] for constants in begin]
    found = problem.solved()
    fitted = problem.fitted(found)
    if not leave_rows_out:
        return fitted
    return replace(fitted, left_out=problem.rows_left_out(found[0]))


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
        self.kept_secants: dict[bytes, Floats] = {}
        self.begun: list[Floats] = []
        self.blocks: tuple[WeighedBlock, ...] = ()
        own = constants_of(profile)
        profiled = {**own, **{name: mean for name, (mean, _) in priors.items()}}
        priors = {**stated_priors(profile), **priors}
        centre = {**profiled, **{name: mean for name, (mean, _) in priors.items()}}
        sds = {c.name: c.sd for c in CONSTANTS} | {name: sd for name, (_, sd) in priors.items()}
        if shape_stated:
            sds["dot_shape_ratio"] = STATED_SHAPE_SD
        self.profile_seen = as_seen(own)
        seen = as_seen(profiled)
        spread = np.array([sds[c.name] for c in CONSTANTS])
        low = np.array(
            [log(c.low) if c.logarithmic else c.low - x for c, x in zip(CONSTANTS, seen, strict=True)]
        )
        high = np.array(
            [log(c.high) if c.logarithmic else c.high - x for c, x in zip(CONSTANTS, seen, strict=True)]
        )
        self.shared, self.own = list(SHARED), list(OWN)
        order = self.shared + self.own * len(self.evidence)
        self.order = order
        # Where searches begin and what they are told beside, and where the priors pull.
        self.profiled, self.centre, self.sd = seen[order], as_seen(centre)[order], spread[order]
        place = self.own.index(AT["photo_width"])
        for k, one in enumerate(self.evidence):
            self.sd[len(self.shared) + k * len(self.own) + place] = one.photo_sd
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
        """What a sheet feels of vectors, any × unknowns: any × constants."""
        seen = np.empty((*x.shape[:-1], len(CONSTANTS)))
        seen[..., self.shared + self.own] = x[..., self.columns[sheet]]
        return seen

    def residuals(self, x: Floats, keep: "Keep | None" = None) -> Floats:
        parts = [
            one.residuals(self.seen_of(x, k), keep=None if keep is None else keep[k])
            for k, one in enumerate(self.evidence)
        ]
        last = self.seen_of(x, len(self.evidence) - 1)
        parts += [block.residuals(last) for block in self.blocks]
        return np.concatenate([*parts, (x - self.centre) / self.sd])

    def slopes(
        self,
        x: Floats,
        keep: "Keep | None" = None,
        *,
        one_sided: bool = False,
        nudges: Floats | None = None,
    ) -> Floats:
        parts = []
        active = self.shared + self.own
        for k, one in enumerate(self.evidence):
            kept = None if keep is None else keep[k]
            wide = None if nudges is None else self.seen_of(nudges, k)
            _, rows = one.slopes(self.seen_of(x, k), active, keep=kept, one_sided=one_sided, nudges=wide)
            whole = np.zeros((rows.shape[0], x.size))
            whole[:, self.columns[k]] = rows
            parts.append(whole)
        last = self.seen_of(x, len(self.evidence) - 1)
        for block in self.blocks:
            whole = np.zeros((1, x.size))
            whole[:, self.columns[-1]] = block.slopes(last, active)
            parts.append(whole)
        return np.concatenate([*parts, np.diag(1 / self.sd)])

    def search(
        self,
        x: Floats,
        rounds: int,
        keep: "Keep | None" = None,
        *,
        loss: Loss = SEARCH_LOSS,
        pulled: "Pull | Plane | None" = None,
        on_step: Callable[[Floats], None] = lambda y: None,
    ) -> tuple[Floats, float]:
        inside = np.clip(x, self.low + 1e-9, self.high - 1e-9)

        def residuals(y: Floats) -> Floats:
            rows = self.residuals(y, keep)
            return rows if pulled is None else np.append(rows, pulled.row(y))

        def slopes(y: Floats) -> Floats:
            on_step(y)
            rows = self.slopes(y, keep, one_sided=True)
            return rows if pulled is None else np.vstack([rows, pulled.slope(y)])

        found = least_squares(
            residuals,
            inside,
            jac=slopes,
            bounds=(self.low, self.high),
            x_scale=self.sd,
            loss=_let_go(loss, x.size + (pulled is not None)),  # type: ignore[arg-type]  # scipy-stubs want a protocol
            max_nfev=rounds,
            xtol=1e-4,
            ftol=1e-5,
        )
        best: Floats = found.x
        return best, float(found.cost)

    def lasting_seen(self, x: Floats) -> Floats:
        """Return what a board feels of vectors, lanes × unknowns, after the last sheet: lanes × constants."""
        return lasting_seen(self.seen_of(x, -1))

    def furthest(self, found: Sequence[Floats], chi: float, quantity: Quantity, sure: float) -> float:
        """Return how much larger the logarithm of a number may be than at the best vector, `found[0]` [-]: its highest
        value among vectors whose cost is no more than `sure`²/2 above the best one's (profile likelihood; Cox and
        Hinkley, Theoretical Statistics, 1974, chapter 9, from memory). Valleys that bend are followed. The other modes
        of `found` count with what their own cost leaves.
        """
        x = found[0]
        pull = Pull(self, quantity, float(quantity(self.lasting_seen(x[None, :]))[0]))
        slope = pull.slope(x)[0] * REACH_TIGHT
        along = self.covariance(x, 1.0) @ slope
        sd = float(np.sqrt(max(slope @ along, 1e-18)))
        base = self.cost(x)
        sure *= max(chi, 1.0)
        goal, far, start = sure * sd, 0.0, x + along / sd * sure
        held, there = (0.0, 0.0), x  # the furthest that is allowed, with its cost's root
        for _ in range(REACH_TRIES):
            pull.goal = goal
            tried, _ = self.search(start, REACH_ROUNDS, loss=LAST_LOSS, pulled=pull)
            far = pull.beyond(tried)
            away = float(np.sqrt(2 * max(self.cost(tried) - base, 1e-9)))
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
            left = sure**2 - 2 * max(self.cost(other) - base, 0.0)
            if left > 0:
                far = max(far, pull.beyond(other) + sd * float(np.sqrt(left)))
        return max(far, 0.0)

    def drawn(self, modes: Sequence[tuple[Floats, float]], chi: float) -> DrawnBenches:
        """Return benches that the data leave possible about the modes (vectors and likelihoods), as boards feel them,
        lanes × constants.
        """
        scale = max(chi, 1.0)
        parts = []
        for number, (x, _) in enumerate(modes):
            valley = Valley(
                centre=x,
                slopes=self.secants(x)[: -x.size] / scale,
                prior_sd=self.sd,
                told=lambda lanes: self.told(lanes) / scale,
                cost=lambda lanes, rows: _cost_of(rows * scale, LAST_LOSS) / scale**2 + self.disbelief(lanes),
                inside=lambda lanes: np.clip(lanes, self.low + 1e-9, self.high - 1e-9),
            )
            parts.append(drawn_in(valley, DRAWN_ASIDE if number else DRAWN))
        found = together(parts, [likelihood for _, likelihood in modes])
        return DrawnBenches(self.lasting_seen(found.vectors), found.weights)

    def disbelief(self, lanes: Floats) -> Floats:
        """What the priors cost of vectors, lanes × unknowns."""
        cost: Floats = 0.5 * np.square((lanes - self.centre) / self.sd).sum(axis=1)
        return cost

    def cost(self, x: Floats, loss: Loss = LAST_LOSS) -> float:
        """The cost of a vector as a search sees it."""
        rows = self.residuals(x)
        return 0.5 * float(_let_go(loss, x.size)(rows * rows)[0].sum())

    def told(self, lanes: Floats) -> Floats:
        """The residuals of many vectors, lanes × unknowns, without the priors: residuals × lanes."""
        parts = [
            np.nan_to_num(one.survey(self.seen_of(lanes, k)), nan=FAR_AWAY)
            for k, one in enumerate(self.evidence)
        ]
        parts += [block.survey(self.seen_of(lanes, -1)) for block in self.blocks]
        return np.concatenate(parts)

    def costs(self, lanes: Floats, loss: Loss) -> Floats:
        """The costs of many vectors, lanes × unknowns, at once."""
        cost: Floats = _cost_of(self.told(lanes), loss) + self.disbelief(lanes)
        return cost

    def surveyed(self) -> list[Floats]:
        """Return where to begin: the profile, and the benches of the survey that explain the sheets best."""
        share = halton(SURVEYED + 1, dimensions=len(SURVEY))[1:]
        lanes = np.tile(self.profiled, (SURVEYED, 1))
        for column, (name, low, high) in enumerate(SURVEY):
            lanes[:, self.shared.index(AT[name])] += low + (high - low) * share[:, column]
        index = self.shared.index(AT["flow_index"])
        turned = np.exp(self.profiled[index]) - np.exp(lanes[:, index])
        lanes[:, self.shared.index(AT["consistency_kpa_sn"])] += log(SURVEY_SHEAR_1_S) * turned
        lanes = np.clip(lanes, self.low + 1e-9, self.high - 1e-9)
        best = np.argsort(_cost_of(self.told(lanes), SEARCH_LOSS))[:SCOUTS].tolist()
        return [*(lanes[at] for at in best), self.profiled, *self.designed_for()]

    def designed_for(self) -> list[Floats]:
        """Return the benches that the sheets were designed for, where these are not the profile's: what an earlier fit
        had found when a second sheet was made. The survey alone missed that mode of 300 dots on one bench of 24.
        """
        found = []
        for one in self.evidence:
            told = one.sheet.process.get("constants")
            constants = {**as_they_are(self.profile_seen), **(told if isinstance(told, dict) else {})}
            x = as_seen(constants)[self.order]
            if np.abs((x - self.profiled) / self.sd).max() > 1e-3:
                found.append(x)
        return found

    def solved(self) -> list[Floats]:
        """Return the vector that explains the sheets best, and then every other that the data allow as well."""
        begun = self.begun or self.surveyed()
        scouts: list[tuple[Floats, float]] = []
        for x in begun:
            with suppress(_HasCompany):
                scouts.append(self.search(x, SCOUT_ROUNDS, on_step=partial(self.alone, scouts)))
        scouts.sort(key=lambda item: item[1])
        ended: list[tuple[Floats, float]] = []
        for x, cost in scouts:
            least = min((one for _, one in ended), default=np.inf)
            # One that is still far off after its first rounds is left where it is once another one is home.
            if least <= GOOD_COST * self.dots and cost > FAR_OFF * least:
                break
            # Of one valley with another that is home it would end there too.
            if any(not self.hill_between(x, home) for home, _ in ended):
                continue
            with suppress(_HasCompany):
                ended.append(self.search(x, ROUNDS, on_step=partial(self.alone, ended)))
        ended.sort(key=lambda item: item[1])
        least = ended[0][1]
        allowed = [x for x, cost in ended if cost <= least + MODE_COST]
        best = self.search(allowed[0], ROUNDS, loss=LAST_LOSS)[0]
        self.weigh_by_scatter(best)
        best = self.search(best, ROUNDS, loss=LAST_LOSS)[0]
        return [best, *(x for x in allowed[1:])]

    def alone(self, scouts: Sequence[tuple[Floats, float]], x: Floats) -> None:
        """Raise `_HasCompany` where a search has come into a valley that an earlier one is at home in: it is about as low,
        with no hill between. It would end where that one does.
        """
        homes = [(there, cost) for there, cost in scouts if cost <= GOOD_COST * self.dots]
        if not homes:
            return
        cost = self.cost(x, SEARCH_LOSS)
        if any(cost <= FAR_OFF * low and not self.hill_between(x, there) for there, low in homes):
            raise _HasCompany

    def weigh_by_scatter(self, x: Floats) -> None:
        """Let each dot count by how much dots scatter on this bench, as the best vector shows it."""
        off, read = [], []
        for k, one in enumerate(self.evidence):
            dots = one.compared(self.seen_of(x, k), sheet=k)
            off += [log(dot["measured_ul"] / dot["model_ul"]) for dot in dots]
            read.append(one.reading.read_spread[one.reading.measured])
        jac = self.slopes(x)[: -x.size]
        # How many constants the dots tell, and not the priors: the trace of the share that is theirs.
        told = jac.T @ jac
        free = float(np.trace(np.linalg.solve(told + np.diag(self.sd**-2), told)))
        scatter = scatter_of(np.array(off), np.concatenate(read), free=free)
        self.evidence = tuple(one.with_scatter(scatter) for one in self.evidence)
        self.kept_secants.clear()

    @property
    def dots(self) -> int:
        """How many dots were measured."""
        return int(sum(one.reading.measured.sum() for one in self.evidence))

    def fitted(self, found: list[Floats]) -> Fitted:
        x = found[0]
        dots = self._dots(x)
        pulls = np.array([dot.pull for dot in dots])
        free = max(len(pulls) - len(self.shared), 1)
        chi = float(np.sqrt(np.sum(np.minimum(pulls**2, 9.0)) / free))
        covariance = alone = self.covariance(x, chi)
        others = self.modes(found, covariance)
        for other, weight in others:
            covariance = covariance + weight * np.outer(other - x, other - x)
        before = self.profiled.copy()
        before[: len(self.shared)] = self.profile_seen[self.shared]
        return Fitted(
            estimates=self.estimates(x, np.sqrt(np.diag(covariance))),
            constants=as_they_are(self.seen_of(x, len(self.evidence) - 1)),
            covariance=covariance[: len(self.shared), : len(self.shared)],
            whole=covariance[np.ix_(self.columns[-1], self.columns[-1])],
            alone=alone[np.ix_(self.columns[-1], self.columns[-1])],
            furthest=partial(self.furthest, [x, *(other for other, _ in others)], chi),
            drawn=partial(self.drawn, [(x, 1.0), *others], chi),
            dots=dots,
            measured=self.dots,
            missing=int(sum(one.reading.missing.sum() for one in self.evidence)),
            spread=_spread(dots),
            before=_spread(self._dots(before)),
            chi=chi,
            middle_s=self.evidence[-1].seconds / 2,
            weighed=bool(self.blocks) or any(one.weighed is not None for one in self.evidence),
            modes=tuple(
                Mode(constants=as_they_are(self.seen_of(other, len(self.evidence) - 1)), weight=weight)
                for other, weight in others
            ),
        )

    def secants(self, x: Floats) -> Floats:
        """The slopes over what the data leave to each constant by itself: backlash that is just taken up and a seal that
        just slides make kinks, and the slope at a kink tells nothing of either side.
        """
        key = x.tobytes()
        if key not in self.kept_secants:
            alone = 1 / np.sqrt(np.square(self.slopes(x)).sum(axis=0))
            self.kept_secants[key] = self.slopes(x, nudges=alone)
        return self.kept_secants[key]

    def covariance(self, x: Floats, chi: float) -> Floats:
        """Covariance of the unknowns; errors are not smaller than stated, but larger where the dots scatter more."""
        jac = self.secants(x)
        scale = np.ones(jac.shape[0])
        scale[: jac.shape[0] - x.size] = max(chi, 1.0)
        weighted = jac / scale[:, None]
        return np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=float)

    def modes(self, found: list[Floats], covariance: Floats) -> list[tuple[Floats, float]]:
        """Return the vectors that are no neighbours of the best or of each other, nor of one valley with these, with their
        likelihood over the best one's.
        """
        inverse = np.linalg.inv(covariance)
        costs = [self.cost(x, SEARCH_LOSS) for x in found]
        kept: list[tuple[Floats, float]] = [(found[0], 1.0)]
        for x, cost in zip(found[1:], costs[1:], strict=True):
            away = min(float((x - other) @ inverse @ (x - other)) for other, _ in kept)
            if away > MODE_AWAY**2 and all(self.parted(x, other) for other, _ in kept):
                kept.append((x, float(np.exp(-max(cost - costs[0], 0.0)))))
        return kept[1:]

    def hill_between(self, x: Floats, other: Floats) -> bool:
        """Tell whether what the data do not allow lies between two vectors: on the way from one to the other the cost is
        somewhere `MODE_COST` above that of the worse one. Without that both are of one valley, which is long and bends a
        little, and whose length the covariance tells.
        """
        shares = np.array([0.0, *BETWEEN, 1.0])
        costs = self.costs(x + shares[:, None] * (other - x), SEARCH_LOSS)
        return bool(costs[1:-1].max() > max(costs[0], costs[-1]) + MODE_COST)

    def parted(self, x: Floats, other: Floats) -> bool:
        """Tell whether two vectors are of two valleys: there is a hill on the straight way, and no way round it, as there is
        where one valley bends.
        """
        if not self.hill_between(x, other):
            return False
        plane = Plane(x, other, self.sd)
        middle, _ = self.search(plane.middle, PLANE_ROUNDS, pulled=plane)
        highest = max(self.cost(one, SEARCH_LOSS) for one in (x, other))
        return self.cost(middle, SEARCH_LOSS) > highest + MODE_COST

    def estimates(self, x: Floats, sds: Floats) -> tuple[Estimate, ...]:
        estimates = []
        for place, constant_at in enumerate(self.order):
            constant = CONSTANTS[constant_at]
            value, prior = (
                float(np.exp(v[place])) if constant.logarithmic else float(v[place])
                for v in (x, self.profiled)
            )
            sheet = None
            if constant.name == "photo_width" and self.sd[place] <= NO_PHOTO_SD:
                continue
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
        return tuple(estimates)

    def _dots(self, x: Floats) -> tuple[DotResidual, ...]:
        dots = []
        for k, one in enumerate(self.evidence):
            dots.extend(one.compared(self.seen_of(x, k), sheet=k))
        return tuple(DotResidual(**dot) for dot in dots)

    def predicted(self, x: Floats, sheet: int, row: int) -> Floats:
        """Return ln(measured/model) of a row's dots after a search without them."""
        one = self.evidence[sheet]
        keep = [np.ones(len(e.reading.index), dtype=bool) for e in self.evidence]
        keep[sheet] = one.rows != row
        there, _ = self.search(x, 4, keep, loss=LAST_LOSS)
        dots = one.compared(self.seen_of(there, sheet), sheet=sheet)
        return np.array([log(dot["measured_ul"] / dot["model_ul"]) for dot in dots if dot["row"] == row])

    def rows_left_out(self, x: Floats) -> tuple[RowLeftOut, ...]:
        """Predict each row from the others: one step of Gauss and Newton away from its own dots' pull."""
        jac, rows = self.slopes(x), self.residuals(x)
        # As the last search saw them: dots far off hardly count.
        weight = 1 / (1 + (rows / LAST_LOSS[1]) ** 2)
        weight[-x.size :] = 1.0
        whole = (jac * weight[:, None]).T @ jac
        found = []
        first = 0
        for k, one in enumerate(self.evidence):
            where = np.flatnonzero(one.reading.measured)
            row_of = one.rows[where]
            spread = one.reading.spread[where]
            for row in sorted(set(row_of.tolist()) - {-1}):
                at = first + np.flatnonzero(row_of == row)
                mine = jac[at]
                rest = whole - (mine * weight[at, None]).T @ mine
                step = np.linalg.solve(rest, (mine * weight[at, None]).T @ rows[at])
                off = -(rows[at] + mine @ step) * spread[row_of == row]
                if np.sqrt(np.mean(off**2)) > CROOKED * np.sqrt(
                    np.mean((rows[at] * spread[row_of == row]) ** 2)
                ):
                    off = self.predicted(x, k, row)
                found.append(
                    RowLeftOut(
                        sheet=k,
                        row=row,
                        dots=off.size,
                        rms=float(np.sqrt(np.mean(off**2))),
                        bias=float(np.median(off)),
                    )
                )
            first += one.count
        return tuple(found)


class _HasCompany(Exception):  # noqa: N818  # no error: a search that is not gone on with
    """A search has met another one's valley."""


class Pull:
    """One more row of the least squares, which draws a number of the bench to `goal` above its logarithm at the best."""

    def __init__(self, problem: _Problem, quantity: Quantity, best: float) -> None:
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


class Plane:
    """One more row of the least squares, which holds a search to the plane half-way between two vectors; it stands upright
    on the way from one to the other as the priors measure.
    """

    def __init__(self, x: Floats, other: Floats, sd: Floats) -> None:
        self.middle: Floats = (x + other) / 2
        way = (other - x) / sd
        self.upright: Floats = way / np.linalg.norm(way) / sd / PLANE_TIGHT

    def row(self, x: Floats) -> float:
        """The residual."""
        return float(self.upright @ (x - self.middle))

    def slope(self, x: Floats) -> Floats:
        """Its derivatives by the unknowns, 1 × unknowns."""
        del x  # a plane is straight
        return self.upright[None, :]


def _let_go(loss: Loss, kept: int) -> Callable[[Floats], Floats]:
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


def _cost_of(rows: Floats, loss: Loss) -> Floats:
    """What residuals cost, residuals × lanes: none of them a prior's."""
    cost: Floats = 0.5 * _let_go(loss, 0)((rows * rows).ravel())[0].reshape(rows.shape).sum(axis=0)
    return cost


Keep = list[NDArray[np.bool_]]


def _spread(dots: Sequence[DotResidual]) -> float:
    off = np.abs([log(dot.measured_ul / dot.model_ul) for dot in dots])
    return float(np.quantile(off, ONE_SIGMA)) if off.size else 0.0


__all__ = ["NAMES", "DotResidual", "Estimate", "Fitted", "RowLeftOut", "fit_sheets"]

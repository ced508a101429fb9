"""A witness row and what was measured of it to a small change of the constants: the most probable ones, once more.

    minimise   Σ ρ(rᵢ²) + (x − x₀)ᵀ P⁻¹ (x − x₀) + (b/σ_b)²        rᵢ = (ln Vᵢ(x) − ln cap(s)·dᵢ³ − b) / σᵢ

x₀, P: what was believed, grown older; V: the plunger's model of the row's strokes (`tune.fit.model`); b: what all dots of
one photo share. This is a Kalman step on a curved model (iterated: Bell and Cathey, The iterated Kalman filter update as a
Gauss-Newton method, IEEE Trans. Automatic Control 38 (1993) 294-297), solved in the coordinates in which P is the
identity. A dot far off pulls little (ρ of Cauchy) and is set aside.

Three checks guard it. The innovation: χ² of all dots, and what each direction that the row tells brings by itself. How
many dots had to be set aside. And whatever passes changes a board by no more than a stated share: the step is taken as
far as that allows, and what is left of it stays in the covariance, for the next row to take up.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from pastewright.learn.belief import LASTING, Belief, Floats
from pastewright.materials.cap import dot_volume_ul
from pastewright.tune.fit.constants import AT, CONSTANTS
from pastewright.tune.fit.evidence import DIAMETER_SPREAD, DOT_SPREAD, MODEL_SPREAD, NOTHING_SHARE, landed_ul
from pastewright.tune.fit.model import Forward, KnownBench, score_of
from pastewright.tune.fit.strokes import Turn
from pastewright.tune.record.measurements import DotReading, DotState

Bools = NDArray[np.bool_]

SHARED_SPREAD = 0.01
"""What all diameters of one photo are off by at least [-, of ln d]: the rim on its ground (docs/tuning.md, photos). A photo
says more of itself where it knows less (`DotReading.shared_sd`)."""
START_SPREAD = 0.3
"""Of the pressure before the strip, in yield pressures, as for a sheet; the strip forgets it."""
LETTING_GO = 3.0
"""Where a dot begins to pull less [its standard errors]."""
ASIDE = 4.0
"""A dot farther off than this is set aside [its standard errors]: 1 in 16 000 of good ones."""
LEAST_DOTS = 8
"""Of a dozen: what is left then still has every size twice (own choice)."""
LEAST_CHANCE = 1e-3
"""An innovation less likely than this is refused: one good row in a thousand (own choice)."""
TOLD = 0.3
"""A direction is told by the row where its prior spread is this share of the row's error or more."""
FAR = 3.5
"""Along one such direction, in standard deviations of the innovation: 1 in 2000."""
MOST_CHANGE = 0.03
"""Share of a deposit (95th percentile of a board) that one row may change: a false reading that passes everything
else does no more harm than that."""
ROUNDS = 12
LONGEST_STEP = 3.0  # prior standard deviations; a longer one leaves where the straight lines hold
CLOSE = 1e-3  # of a prior standard deviation: further rounds change no volume

_START = AT["start"]
_ACTIVE = [AT[c.name] for c in LASTING] + [_START]


class RowAnswer(StrEnum):
    """What a row says of the bench: as believed, a little changed, or not to be believed."""

    GO = "go"
    CORRECT = "correct"
    STOP = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class RowOfDots:
    """What the plunger did for a row, and the bench where that is known: `turns` begins with the settling strip,
    `standing`, `building_s` and `breaking_strain` are how it thickens when it stands (`tune.fit.constants`).
    """

    turns: tuple[Turn, ...]
    setting: KnownBench
    least_dose_ul: float
    standing: float = 0.0
    building_s: float = 30.0
    breaking_strain: float = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DotSeen:
    """One dot: diameter [mm], measured over believed volume [-], distance from the new belief [its sd], set aside."""

    index: int
    diameter_mm: float
    over: float
    pull: float
    aside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What a row taught. `belief` is what is believed from now on (the old one where `answer` is STOP).

    `whole` is the step that the row asks for, `share` how much of it was taken; `change` is what was taken as a share of
    a board's deposits (95th percentile), `off` what the whole step would be. `chance` is that of an innovation as large
    or larger, `farthest` its largest part along a direction that the row tells [sd].
    """

    answer: RowAnswer
    belief: Belief
    before: Belief
    whole: Floats
    share: float
    change: float
    off: float
    chance: float
    farthest: float
    dots: tuple[DotSeen, ...]
    words: str


ChangeOf = Callable[[Mapping[str, float]], float]
"""Constants to how far a board's deposits, planned with the old ones, are off with these [-, 95th percentile]."""


def learned(
    belief: Belief,
    row: RowOfDots,
    readings: Sequence[DotReading],
    change_of: ChangeOf,
    *,
    worth: float,
    most: float = MOST_CHANGE,
) -> Learned:
    """Return what a row of dots teaches about a bench. `worth`: a smaller change of a board is none."""
    problem = _Row(belief, row, readings)
    u, kept = problem.solved()
    whole = problem.step(u)
    chance, farthest = problem.innovation(u, kept)
    dots = problem.seen(u, kept)
    words = _implausible(chance, farthest, kept)

    def told(
        answer: RowAnswer, after: Belief, *, share: float, change: float, off: float, why: str
    ) -> Learned:
        return Learned(
            answer=answer,
            belief=after,
            before=belief,
            whole=whole,
            share=share,
            change=change,
            off=off,
            chance=chance,
            farthest=farthest,
            dots=dots,
            words=why,
        )

    off = change_of(Belief(seen=belief.seen + whole, covariance=belief.covariance).constants)
    if words:
        return told(RowAnswer.STOP, belief, share=0.0, change=0.0, off=off, why=words)
    share, change = _allowed(belief, whole, off, change_of, most)
    after = problem.posterior(u, kept, share)
    if change < worth:
        return told(RowAnswer.GO, after, share=share, change=change, off=off, why="as believed")
    why = f"deposits drifted by {off:.1%}"
    if share < 1:
        why += f"; corrected by {change:.1%} now, one row changes a board by no more"
    return told(RowAnswer.CORRECT, after, share=share, change=change, off=off, why=why)


def promised(belief: Belief, row: RowOfDots, readings: Sequence[DotReading]) -> Belief:
    """Return the belief after a row that reads as believed: as narrow as these dots can make it."""
    problem = _Row(belief, row, readings)
    return problem.posterior(
        np.zeros(len(LASTING) + 2), np.ones(int(problem.measured.sum()), dtype=bool), 1.0
    )


def _implausible(chance: float, farthest: float, kept: Bools) -> str:
    """Return why a row is not to be believed, "" where it is."""
    if int(kept.sum()) < LEAST_DOTS:
        return f"only {int(kept.sum())} dots agree with each other; {LEAST_DOTS} are needed"
    if farthest > FAR:
        return f"all dots together are off as a bench like this hardly ever is ({farthest:.1f} standard deviations)"
    if chance < LEAST_CHANCE:
        return f"the dots do not fit the bench, whatever drifted (a chance of {chance:.1g})"
    return ""


def _allowed(
    belief: Belief, whole: Floats, off: float, change_of: ChangeOf, most: float
) -> tuple[float, float]:
    """Return the share of a step that changes a board by no more than allowed, and the change."""
    share, change = 1.0, off
    for _ in range(8):
        if change <= most:
            break
        share *= 0.98 * most / change
        change = change_of(Belief(seen=belief.seen + share * whole, covariance=belief.covariance).constants)
    return share, change


class _Row:
    """The least squares of one row, in coordinates in which what was believed has unit spread."""

    def __init__(self, belief: Belief, row: RowOfDots, readings: Sequence[DotReading]) -> None:
        self.belief = belief
        self.forward = Forward(score_of(row.turns), row.setting)
        self.nothing_ul = NOTHING_SHARE * row.least_dose_ul
        by_index = {one.index: one for one in readings}
        self.order = [turn.index for turn in row.turns[1:]]
        got = [by_index.get(index) for index in self.order]
        self.missing = np.array([one is not None and one.state is DotState.MISSING for one in got])
        self.measured = np.array([one is not None and one.diameter_mm is not None for one in got])
        self.diameter = np.array([(one.diameter_mm if one else None) or 1.0 for one in got])
        share = np.array([(one.sigma_mm if one else None) or 0.0 for one in got]) / self.diameter
        share[share == 0] = DIAMETER_SPREAD
        in_common = _in_common(got, share, self.measured)
        self.shared = max(
            SHARED_SPREAD, float(np.median(in_common[self.measured])) if in_common.any() else 0.0
        )
        own = np.sqrt(np.maximum(share**2 - in_common**2, 0.0))
        self.spread = np.sqrt(DOT_SPREAD**2 + MODEL_SPREAD**2 + (3 * own) ** 2)
        count = len(LASTING)
        scale = np.zeros((count + 1, count + 1))
        scale[:count, :count] = np.linalg.cholesky(belief.covariance + 1e-12 * np.eye(count))
        scale[count, count] = START_SPREAD
        self.scale = scale
        self.low = np.array([np.log(c.low) if c.logarithmic else -np.inf for c in LASTING])
        self.structure = {
            AT["standing"]: row.standing,
            AT["building_s"]: float(np.log(row.building_s)),
            AT["breaking_strain"]: float(np.log(row.breaking_strain)),
        }
        self.known: dict[bytes, tuple[Floats, Floats]] = {}

    def step(self, u: Floats) -> Floats:
        """Return the change of the lasting constants, as the fit sees them."""
        moved: Floats = self.scale[:-1, :-1] @ u[: len(LASTING)]
        return moved

    def _seen(self, u: Floats) -> Floats:
        seen = np.array([constant.usual for constant in CONSTANTS], dtype=float)
        lasting = self.belief.seen + self.step(u)
        for constant, value in zip(LASTING, lasting.tolist(), strict=True):
            seen[AT[constant.name]] = value if constant.logarithmic else max(value, 0.0)
        for at, value in self.structure.items():
            seen[at] = value
        seen[_START] += self.scale[-1, -1] * u[len(LASTING)]
        return seen

    def _log_over(self, out: Floats, back: Floats, shape: Floats) -> Floats:
        """ln of modelled over measured volume of each dot, dots × lanes."""
        drops = landed_ul(out, back, self.missing)
        positive = (drops + np.sqrt(drops * drops + 4 * self.nothing_ul**2)) / 2 + 1e-12
        cap = np.log(dot_volume_ul(np.ones_like(shape), np.exp(shape)))
        over: Floats = np.log(positive) - cap - 3 * np.log(self.diameter)[:, None]
        return over

    def linear(self, u: Floats) -> tuple[Floats, Floats]:
        """Return the residuals of the measured dots in their sd, and their derivatives by u."""
        key = u.tobytes()
        if key not in self.known:
            self.known[key] = self._linear(u)
        return self.known[key]

    def _linear(self, u: Floats) -> tuple[Floats, Floats]:
        seen = self._seen(u)
        flowed, by_out, by_back = self.forward.slopes(seen, _ACTIVE)
        nudge = 1e-5
        out = np.concatenate([flowed.out_ul, flowed.out_ul + nudge * by_out], axis=1)
        back = np.concatenate([flowed.back_ul, flowed.back_ul + nudge * by_back], axis=1)
        shape = np.full(out.shape[1], seen[AT["dot_shape_ratio"]])
        shape[1 + [c.name for c in LASTING].index("dot_shape_ratio")] += nudge
        over = self._log_over(out, back, shape)[self.measured]
        spread = self.spread[self.measured][:, None]
        by_seen = (over[:, 1:] - over[:, :1]) / nudge
        slopes = np.concatenate([by_seen @ self.scale, -np.full((len(over), 1), 3 * self.shared)], axis=1)
        residuals = over[:, 0] - 3 * self.shared * u[-1]
        return residuals / spread[:, 0], slopes / spread

    def solved(self) -> tuple[Floats, Bools]:
        """Return the most probable change, and which of the measured dots count."""
        u = np.zeros(len(LASTING) + 2)
        kept = np.ones(int(self.measured.sum()), dtype=bool)
        for _ in range(3):
            u = self._settled(u, kept)
            rows, _ = self.linear(u)
            far = np.abs(rows) > ASIDE
            if not np.any(far & kept):
                break
            kept = ~far
        return u, kept

    def _settled(self, u: Floats, kept: Bools) -> Floats:
        rows, slopes = self.linear(u)
        for _ in range(ROUNDS):
            weight = kept / (1 + (rows / LETTING_GO) ** 2)
            whole = (slopes * weight[:, None]).T @ slopes + np.eye(u.size)
            step = np.linalg.solve(whole, -(slopes * weight[:, None]).T @ rows - u)
            length = float(np.linalg.norm(step))
            step *= min(1.0, LONGEST_STEP / max(length, 1e-12))
            was = _cost(rows, kept, u)
            for _ in range(6):
                rows, slopes = self.linear(u + step)
                if _cost(rows, kept, u + step) <= was + 1e-9:
                    break
                step = step / 2
            u = u + step
            if float(np.linalg.norm(step)) < CLOSE:
                break
        return u

    def innovation(self, u: Floats, kept: Bools) -> tuple[float, float]:
        """Return the chance of dots as far off as these, and the farthest of the directions that the row tells [sd].

        At the most probable change the cost of dots and change together is the χ² of the innovation, exactly so on a
        straight model.
        """
        rows, slopes = self.linear(u)
        rows, slopes = rows[kept], slopes[kept]
        chance = float(chdtrc(rows.size, float(rows @ rows + u @ u)))
        before = rows - slopes @ u  # what the straight model says of the innovation
        left, told, _ = np.linalg.svd(slopes, full_matrices=False)
        along = np.abs(left.T @ before) / np.sqrt(1 + told * told)
        return chance, float(np.max(along[told >= TOLD], initial=0.0))

    def posterior(self, u: Floats, kept: Bools, share: float) -> Belief:
        """Return the belief after a share of the step; what was not taken of it stays as doubt."""
        rows, slopes = self.linear(u)
        weight = kept / (1 + (rows / LETTING_GO) ** 2)
        whole = (slopes * weight[:, None]).T @ slopes + np.eye(u.size)
        count = len(LASTING)
        scale = self.scale[:count, :count]
        covariance = scale @ np.linalg.inv(whole)[:count, :count] @ scale.T
        step = self.step(u)
        left = (1 - share) * step
        return Belief(
            seen=self.belief.seen + share * step,
            covariance=(covariance + covariance.T) / 2 + np.outer(left, left),
        )

    def seen(self, u: Floats, kept: Bools) -> tuple[DotSeen, ...]:
        """Return the dots that were measured."""
        before, _ = self.linear(np.zeros_like(u))
        after, _ = self.linear(u)
        places = np.flatnonzero(self.measured)
        return tuple(
            DotSeen(
                index=self.order[place],
                diameter_mm=float(self.diameter[place]),
                over=float(np.exp(-before[at] * self.spread[place])),
                pull=float(-after[at]),
                aside=not bool(kept[at]),
            )
            for at, place in enumerate(places.tolist())
        )


def _in_common(got: Sequence[DotReading | None], share: Floats, measured: Bools) -> Floats:
    """Return what each dot has in common with all of its photo [-, of ln d]. Older tables do not tell it: there it is taken
    for what no dot is told better than by, beyond what any photo's dots have in common.
    """
    told = np.array([(one.shared_sd if one else None) or 0.0 for one in got])
    by_photo = measured & np.array([one is not None and one.photos > 0 for one in got])
    if told.any() or not by_photo.any():
        return told
    least = float(np.min(share[by_photo]))
    return np.where(by_photo, np.sqrt(max(least**2 - SHARED_SPREAD**2, 0.0)), 0.0)


def _cost(rows: Floats, kept: Bools, u: Floats) -> float:
    soft = LETTING_GO**2 * np.log1p((rows[kept] / LETTING_GO) ** 2)
    return float(soft.sum() + u @ u)

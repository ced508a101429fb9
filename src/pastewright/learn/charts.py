"""Values in the order of their boards to control charts and intervals: numbers in, numbers out.

Formulas of the NIST/SEMATECH e-Handbook of Statistical Methods (public domain):

    individuals  (6.3.2.2)   x̄ ± 3·MR̄/1.128, MR̄ the mean of |xᵢ − xᵢ₋₁|
    spreads      (6.3.2.1)   s̄ ± 3·s̄·√(1 − c₄²)/c₄, c₄ = √(2/(n−1))·Γ(n/2)/Γ((n−1)/2)
    EWMA         (6.3.2.4)   zᵢ = λ·xᵢ + (1−λ)·zᵢ₋₁, z₀ ± 3·s·√(λ/(2−λ))
    alarm rules  (6.3.2)     those of Western Electric, and six in a row that rise or fall
    proportions  (7.2.4.1)   exact limits by the binomial distribution (Clopper and Pearson, Biometrika 26 (1934) 404)
    Cp           (6.1.6)     Ĉp·√(χ²/(n−1))
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import exp, lgamma, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, chdtri

Floats = NDArray[np.float64]

D2_OF_TWO = 1.128
"""Mean range of two values of a normal process over its σ; e-Handbook 6.3.2.2."""
EWMA_SHARE = 0.3
"""λ of the handbook's worked example; 0.2 to 0.3 is what it calls usual (6.3.2.4)."""
EWMA_NAME = "EWMA"
SIGMAS = 3.0
LEAST_POINTS = 5
"""Fewer boards draw no limits worth looking at (own choice; the handbook wants 20 and more for firm ones)."""
RISING = 6
ONE_SIDE = 8


class AlarmRule(StrEnum):
    """Why a point of a chart is an alarm."""

    BEYOND = "beyond three sigma"
    TWO_OF_THREE = "two of three beyond two sigma on one side"
    FOUR_OF_FIVE = "four of five beyond one sigma on one side"
    SIDE = "eight in a row on one side"
    TREND = "six in a row that rise or fall"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """A point (its place in the chart's values) and the rule that it ends."""

    at: int
    rule: AlarmRule


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlChart:
    """Values in order with centre and limits; limits may differ from point to point. `points` are their names, if any."""

    name: str
    values: tuple[float, ...]
    centre: float
    low: tuple[float, ...]
    high: tuple[float, ...]
    alarms: tuple[Alarm, ...]
    points: tuple[str, ...] = ()

    def named(self, at: int) -> str:
        """Return what a value is called: by its name, or by its number from 1 on."""
        return self.points[at] if self.points else f"board {at + 1}"


def individuals(values: Sequence[float], *, name: str = "means") -> ControlChart:
    """Return the chart of single values, limits from their moving ranges; e-Handbook 6.3.2.2."""
    data = np.asarray(values, dtype=float)
    sigma = float(np.abs(np.diff(data)).mean()) / D2_OF_TWO if data.size > 1 else 0.0
    centre = float(data.mean())
    return _chart(name, data, centre, np.full(data.size, sigma), western_electric(data, centre, sigma))


def spreads(sds: Sequence[float], counts: Sequence[int], *, name: str = "spreads") -> ControlChart:
    """Return the chart of standard deviations of `counts` > 1 values each; e-Handbook 6.3.2.1.

    The centre is pooled, s̄ = √(Σ(n−1)s²/Σ(n−1)), since boards may have different numbers of deposits; σ of a point is
    s̄·√(1 − c₄²).
    """
    data, n = np.asarray(sds, dtype=float), np.asarray(counts, dtype=float)
    pooled = sqrt(float(np.sum((n - 1) * data**2) / np.sum(n - 1)))
    c4 = np.array([c4_of(int(count)) for count in n])
    sigma = pooled * np.sqrt(1 - c4**2)
    centre = pooled * float(c4.mean())
    beyond = [
        Alarm(at=int(at), rule=AlarmRule.BEYOND)
        for at in np.flatnonzero(np.abs(data - centre) > SIGMAS * sigma)
    ]
    return _chart(name, data, centre, sigma, beyond)


def ewma(
    values: Sequence[float], *, start: float, sigma: float, share: float = EWMA_SHARE, name: str = EWMA_NAME
) -> ControlChart:
    """Return the chart of exponentially weighted means, limits as they are after many points; e-Handbook 6.3.2.4."""
    smoothed = []
    last = start
    for value in values:
        last = share * value + (1 - share) * last
        smoothed.append(last)
    data = np.array(smoothed)
    width = sigma * sqrt(share / (2 - share))
    beyond = [
        Alarm(at=int(at), rule=AlarmRule.BEYOND)
        for at in np.flatnonzero(np.abs(data - start) > SIGMAS * width)
    ]
    return _chart(name, data, start, np.full(data.size, width), beyond)


def moving_range_sigma(values: Sequence[float]) -> float:
    """Return σ of single values from their moving ranges, MR̄/1.128; e-Handbook 6.3.2.2."""
    data = np.asarray(values, dtype=float)
    return float(np.abs(np.diff(data)).mean()) / D2_OF_TWO


def c4_of(count: int) -> float:
    """Return c₄, the mean of the standard deviation of `count` > 1 normal values over σ; e-Handbook 6.3.2.1."""
    return sqrt(2 / (count - 1)) * exp(lgamma(count / 2) - lgamma((count - 1) / 2))


def western_electric(values: Floats, centre: float, sigma: float) -> list[Alarm]:
    """Return the alarms of the rules of Western Electric and of six in a row; e-Handbook 6.3.2."""
    if sigma <= 0:
        return []
    z = (values - centre) / sigma
    found: list[Alarm] = []
    for at in range(z.size):
        rule = _rule_at(z[: at + 1])
        if rule is not None:
            found.append(Alarm(at=at, rule=rule))
    return found


def _rule_at(z: Floats) -> AlarmRule | None:
    """The first rule that the last of these points ends."""
    if abs(z[-1]) > SIGMAS:
        return AlarmRule.BEYOND
    side = np.sign(z[-1])
    along = z * side
    if along[-1] > 2 and int(np.sum(along[-3:] > 2)) >= 2:
        return AlarmRule.TWO_OF_THREE
    if along[-1] > 1 and int(np.sum(along[-5:] > 1)) >= 4:
        return AlarmRule.FOUR_OF_FIVE
    if z.size >= ONE_SIDE and bool(np.all(along[-ONE_SIDE:] > 0)):
        return AlarmRule.SIDE
    if z.size >= RISING:
        steps = np.diff(z[-RISING:])
        if bool(np.all(steps > 0)) or bool(np.all(steps < 0)):
            return AlarmRule.TREND
    return None


def _chart(name: str, data: Floats, centre: float, sigma: Floats, alarms: Sequence[Alarm]) -> ControlChart:
    return ControlChart(
        name=name,
        values=tuple(data.tolist()),
        centre=centre,
        low=tuple((centre - SIGMAS * sigma).tolist()),
        high=tuple((centre + SIGMAS * sigma).tolist()),
        alarms=tuple(alarms),
    )


def proportion_interval(found: int, of: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided interval of a proportion; Clopper and Pearson (1934), e-Handbook 7.2.4.1."""
    if not 0 <= found <= of or of < 1:
        raise ValueError(f"{found} of {of}")
    tail = (1 - confidence) / 2
    low = 0.0 if found == 0 else float(betaincinv(found, of - found + 1, tail))
    high = 1.0 if found == of else float(betaincinv(found + 1, of - found, 1 - tail))
    return low, high


def cp_interval(value: float, count: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the interval of a Cp from `count` values, Ĉp·√(χ²/(n−1)) at both tails; e-Handbook 6.1.6."""
    tail = (1 - confidence) / 2
    # `chdtri` takes the probability above.
    low, high = (float(chdtri(count - 1, above)) for above in (1 - tail, tail))
    return value * sqrt(low / (count - 1)), value * sqrt(high / (count - 1))

"""Volumes of dots that were to be alike to the capability of the process: mean, spread, Cp and Cpk.

    Cp = (USL − LSL)/6s      Cpk = min(USL − m, m − LSL)/3s       with m ± t·s/√n and Cpk ± z·√(1/(9n) + Cpk²/(2(n−1)))

NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.1.6 (capability), 1.3.5.2 (interval of a mean). The
indices hold for a process that is stable and close to normal; a sheet tells the short term only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import ndtri, stdtrit

# Limits where none are given: half to one and a half of the dose, as prints are commonly judged (common practice).
USUAL_LOW, USUAL_HIGH = 0.5, 1.5

# Below this many values no spread is worth telling.
LEAST_VALUES = 5


def cp(*, lower: float, upper: float, sigma: float) -> float:
    """Potential capability [-], (USL − LSL)/6s; e-Handbook 6.1.6."""
    return (upper - lower) / (6 * sigma)


def cpk(*, lower: float, upper: float, mean: float, sigma: float) -> float:
    """Capability with the process where it is [-], min(USL − m, m − LSL)/3s; e-Handbook 6.1.6."""
    return min(cpu(upper=upper, mean=mean, sigma=sigma), cpl(lower=lower, mean=mean, sigma=sigma))


def cpu(*, upper: float, mean: float, sigma: float) -> float:
    """Capability towards the upper limit [-], (USL − m)/3s; e-Handbook 6.1.6."""
    return (upper - mean) / (3 * sigma)


def cpl(*, lower: float, mean: float, sigma: float) -> float:
    """Capability towards the lower limit [-], (m − LSL)/3s; e-Handbook 6.1.6."""
    return (mean - lower) / (3 * sigma)


def cpk_half_width(value: float, count: int, *, confidence: float = 0.95) -> float:
    """Half width of the interval of a Cpk from `count` values [-], z·√(1/(9n) + Cpk²/(2(n−1))); e-Handbook 6.1.6."""
    z = float(ndtri(0.5 + confidence / 2))
    return z * sqrt(1 / (9 * count) + value**2 / (2 * (count - 1)))


def mean_interval(mean: float, sigma: float, count: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of a mean, m ± t·s/√n with Student's t of n − 1 degrees; e-Handbook 1.3.5.2."""
    half = float(stdtrit(count - 1, 0.5 + confidence / 2)) * sigma / sqrt(count)
    return mean - half, mean + half


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """What a process is able to do; values are shares of the dose [-] unless the caller gave something else."""

    count: int
    mean: float
    mean_low: float
    mean_high: float
    sigma: float
    lower: float
    upper: float
    cp: float
    cpk: float
    cpk_low: float
    cpk_high: float


def capability(values: Sequence[float], *, lower: float = USUAL_LOW, upper: float = USUAL_HIGH) -> Capability:
    """Return the capability of at least five values against two limits; the spread is the sample's, with n − 1."""
    data = np.asarray(values, dtype=float)
    if data.size < LEAST_VALUES:
        raise ValueError(f"{data.size} values; a capability needs {LEAST_VALUES}")
    if not lower < upper:
        raise ValueError(f"limits {lower} and {upper}; the lower must be below the upper")
    mean, sigma = float(data.mean()), max(float(data.std(ddof=1)), 1e-12)
    low, high = mean_interval(mean, sigma, data.size)
    index = cpk(lower=lower, upper=upper, mean=mean, sigma=sigma)
    half = cpk_half_width(index, data.size)
    return Capability(
        count=data.size,
        mean=mean,
        mean_low=low,
        mean_high=high,
        sigma=sigma,
        lower=lower,
        upper=upper,
        cp=cp(lower=lower, upper=upper, sigma=sigma),
        cpk=index,
        cpk_low=index - half,
        cpk_high=index + half,
    )

"""Benches that a fit leaves possible: drawn from its covariance, led back into the valley, weighed by their likelihood.

    x = x₀ + L·g          straight: what the slopes at the best vector x₀ leave open
    min ‖r(x') − (r₀ + J·(x − x₀))‖² + ‖(x' − x)/sd‖²        … and where it lies when the dots bend
    w ∝ (L(x')·prior(x') / q(x))^γ                            0 < γ ≤ 1

A covariance is straight, what the data allow is not: stiffness and consistency grow together along a valley that bends,
and a straight draw leaves it for benches that the dots contradict. Each draw is moved until its dots are off as much as
the straight one's were to be (randomize, then optimize; Bardsley and others, SIAM J. Sci. Comput. 36 (2014), from memory),
with steps of Gauss and Newton by the slopes at x₀. What is not told, as the gain, keeps all of its spread; weights alone
would take it away with the draws that leave the valley for other reasons. What is still too unlikely then counts less
(importance weights; γ is the highest power that lets four fifths of the draws count: too wide rather than too narrow).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pastewright.tune.fit.constants import Floats

# So many are drawn about the best vector, and about each other mode.
DRAWN, DRAWN_ASIDE = 160, 48

# Steps back into the valley; of each, the whole or where that does not help a third (own choice: after three of them the
# share of draws that count changed no more on the benches tried).
STEPS = 3
SHORTER = 1 / 3

# So much of them has to count: the effective number over the number, (Σw)²/Σw²/n. With a half the spread of the gain, which
# no dot tells, came out a seventh too small on one bench of three tried; with nine tenths, draws that are far from any
# valley count again (12 % for 7 on the demo's bench).
COUNTING = 0.8

HALVINGS = 30  # of the power; 1e-9 is as good as nothing


@dataclass(frozen=True, slots=True)
class DrawnBenches:
    """Vectors of the fit, lanes × constants or unknowns, and how likely each is; the weights' sum is one."""

    vectors: Floats
    weights: Floats


@dataclass(frozen=True, slots=True)
class Valley:
    """What the data tell about a vector: residuals `told` of vectors (lanes × unknowns to residuals × lanes, in standard
    errors), their slopes at the centre, the priors' standard deviations, and where vectors may be.

    `cost` is −ln of likelihood and prior of vectors with their residuals.
    """

    centre: Floats
    slopes: Floats
    prior_sd: Floats
    told: Callable[[Floats], Floats]
    cost: Callable[[Floats, Floats], Floats]
    inside: Callable[[Floats], Floats]


def tempered(logs: Floats, counting: float = COUNTING) -> Floats:
    """Return the weights whose logarithms are `logs` times the highest power, one at most, at which the share `counting`
    of them counts; their sum is one.
    """
    logs = logs - logs.max()

    def weights(power: float) -> Floats:
        raised: Floats = np.exp(power * logs)
        return raised

    def too_few(power: float) -> bool:
        raised = weights(power)
        return bool(raised.sum() ** 2 < counting * logs.size * (raised @ raised))

    low, high = 0.0, 1.0
    if not too_few(high):
        low = high
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if too_few(middle) else (middle, high)
    found = weights(low)
    shares: Floats = found / found.sum()
    return shares


def normal_draws(count: int, unknowns: int) -> Floats:
    """Return standard normal draws, count × unknowns, the same each time; each has its mirror image."""
    half = np.random.default_rng(1).standard_normal((count // 2, unknowns))
    return np.concatenate([half, -half])


def drawn_in(valley: Valley, count: int) -> DrawnBenches:
    """Return benches that the data leave possible about the valley's centre."""
    inverse = valley.slopes.T @ valley.slopes + np.diag(valley.prior_sd**-2)
    covariance = np.linalg.inv(inverse)
    draws = normal_draws(count, valley.centre.size)
    straight = valley.inside(valley.centre + draws @ np.linalg.cholesky(covariance).T)
    away = straight - valley.centre
    wanted = valley.told(valley.centre[None, :]) + valley.slopes @ away.T

    def off(lanes: Floats, told: Floats) -> Floats:
        found: Floats = np.square(told - wanted).sum(axis=0)
        found += np.square((lanes - straight) / valley.prior_sd).sum(axis=1)
        return found

    there, told = straight, valley.told(straight)
    lengths = np.ones(count)
    for _ in range(STEPS):
        uphill = (told - wanted).T @ valley.slopes + (there - straight) / valley.prior_sd**2
        tried = valley.inside(there - lengths[:, None] * (uphill @ covariance))
        then = valley.told(tried)
        nearer = off(tried, then) < off(there, told)
        there, told = np.where(nearer[:, None], tried, there), np.where(nearer, then, told)
        lengths = np.where(nearer, 1.0, SHORTER * lengths)
    density = 0.5 * np.einsum("ij,jk,ik->i", away, inverse, away)
    return DrawnBenches(there, tempered(density - valley.cost(there, told)))


def drawn_straight(centre: Floats, covariance: Floats, count: int) -> DrawnBenches:
    """Return benches about a vector of which nothing but a covariance is known; they count alike."""
    lengths, axes = np.linalg.eigh(covariance)
    draws = normal_draws(count, centre.size)
    return DrawnBenches(
        centre + draws @ (axes * np.sqrt(np.maximum(lengths, 0.0))).T, np.full(count, 1 / count)
    )


def together(parts: Sequence[DrawnBenches], likelihoods: Sequence[float]) -> DrawnBenches:
    """Return the benches about several modes, all of one mode counting as its likelihood."""
    weights = np.concatenate([one.weights * by for one, by in zip(parts, likelihoods, strict=True)])
    return DrawnBenches(np.concatenate([one.vectors for one in parts]), weights / weights.sum())


def quantile_of(values: Floats, weights: Floats, share: float) -> float:
    """Return what the share of the weights stays at or below."""
    order = np.argsort(values)
    at = int(np.searchsorted(np.cumsum(weights[order]), share * weights.sum()))
    return float(values[order[min(at, values.size - 1)]])

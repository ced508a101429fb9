"""In which order groups of like deposits are laid, so that a bench that is a little off shows least.

What one deposit lacks comes out with later ones, and how much of it the next passes on is its own: a bead passes on little,
a small dot nearly all. So the order decides how far steps of the push reach; a bead in a step ends it. Each order is
judged by the chain's derivatives (`chain`):

    error of the group's i-th = |laid + laid_by_start·sᵢ|/V      sᵢ₊₁ = left + left_by_start·sᵢ

on a bench that is off as in `choice.AFTERNOON`. Groups are taken out and put in elsewhere as long as that brings
something. The first stays first: the largest deposits forget most of how the barrel was begun with, so that the strip before
them is short.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Of a long group the first ones tell, of all groups so many together; the last that is told stands for the rest.
TOLD = 400

# Judged by the mean of the worst tenth: what 95 of 100 are within lies in its midst, and an order that is good for
# these at the cost of the last five is none.
WORST = 0.1

# A move that brings less than this share of the error is not worth another way over the board; own choice.
WORTH = 0.005

# Every group is tried everywhere, at most so often; more groups would take longer than they bring (32 take 0.2 s).
ROUNDS = 5
MOST_GROUPS = 32


@dataclass(frozen=True, slots=True)
class Groups:
    """Groups of like deposits, g of them: errors of the volume by each of c constants as far as they may be off, as shares
    of it (`laid`, g × c), what is then left [µL] (`left`, g × c), the error by what is stored at the start [1/µL]
    (`by_start`), the part of that which is passed on (`passed`), and how many there are (`count`).
    """

    laid: Floats
    left: Floats
    by_start: Floats
    passed: Floats
    count: Ints


def arranged(groups: Groups, start_ul: Floats) -> list[int]:
    """Return the groups in the order they are best laid, from one in which they are given; `start_ul`, c, is what is
    stored before the first.
    """
    order = np.arange(groups.count.size, dtype=np.int64)
    if 2 < order.size <= MOST_GROUPS:
        _improve(order, _tables(groups), np.ascontiguousarray(start_ul, dtype=np.float64))
    found: list[int] = order.tolist()
    return found


def error_of(groups: Groups, order: list[int], start_ul: Floats) -> float:
    """Return about what 95 of 100 deposits are within, laid in an order [-]: the mean of the worst tenth."""
    squares, weights = errors_of(groups, order, start_ul)
    return worst_of(squares.sum(axis=1), weights)


def errors_of(groups: Groups, order: list[int], start_ul: Floats) -> tuple[Floats, Floats]:
    """Return the squares of errors by each constant [-], n × c, of the deposits that are told in an order, and for how many
    each of these stands.
    """
    at = np.array(order, dtype=np.int64)
    return _told(at, _tables(groups), np.ascontiguousarray(start_ul, dtype=np.float64))


def told_of(groups: Groups, order: list[int]) -> Ints:
    """Return how many deposits of each group are told, in an order."""
    found: Ints = np.minimum(groups.count[order], max(TOLD // len(order), 4))
    return found


def worst_of(squares: Floats, weights: Floats) -> float:
    """Return the mean of the worst tenth of errors [-], from their squares and for how many each stands."""
    return float(_worst_told(np.ascontiguousarray(squares), weights))


_Tables = tuple[Floats, Floats, Floats, Floats, Ints]


def _tables(groups: Groups) -> _Tables:
    laid, left, by_start, passed = (
        np.ascontiguousarray(part, dtype=np.float64)
        for part in (groups.laid, groups.left, groups.by_start, groups.passed)
    )
    return laid, left, by_start, passed, np.ascontiguousarray(groups.count, dtype=np.int64)


@entry
def _worst_told(squares: Floats, weights: Floats) -> float:
    return _worst(squares, weights)


@entry
def _improve(order: Ints, tables: _Tables, start_ul: Floats) -> None:
    """Take groups out and put them in elsewhere, each where it brings most; the first stays."""
    best = _within(order, tables, start_ul)
    trial, kept = order.copy(), order.copy()
    for _ in range(ROUNDS):
        begun = best
        for group in range(order.size):
            least = best * (1.0 - WORTH)
            take = int(np.argmax(order == group))
            for put in range(1, order.size):
                if put == take or take == 0:
                    continue
                _moved(order, trial, take, put)
                here = _within(trial, tables, start_ul)
                if here < least:
                    least = here
                    kept[:] = trial
            if least < best * (1.0 - WORTH):
                order[:] = kept
                best = least
        if best >= begun:
            return


@inner
def _moved(order: Ints, trial: Ints, take: int, put: int) -> None:
    """Write into `trial` the order with the group at one place taken out and put in at another."""
    at = 0
    for place in range(order.size):
        if place == put:
            trial[place] = order[take]
            continue
        if at == take:
            at += 1
        trial[place] = order[at]
        at += 1


@entry
def _told(order: Ints, tables: _Tables, start_ul: Floats) -> tuple[Floats, Floats]:
    return _errors(order, tables, start_ul)


@inner
def _errors(order: Ints, tables: _Tables, start_ul: Floats) -> tuple[Floats, Floats]:
    """Squares of the errors by each constant [-], n × c, of those deposits that are told; and for how many each stands."""
    laid, left, by_start, passed, count = tables
    told = 0
    most_told = max(TOLD // order.size, 4)
    for group in order:
        told += min(count[group], most_told)
    squares, weights = np.empty((told, start_ul.size)), np.ones(told)
    stored = start_ul.copy()
    at = 0
    for group in order:
        most = min(count[group], most_told)
        for k in range(most):
            for c in range(stored.size):
                error = laid[group, c] + by_start[group] * stored[c]
                squares[at, c] = error * error
                stored[c] = left[group, c] + passed[group] * stored[c]
            if k == most - 1:
                weights[at] += count[group] - most
            at += 1
    return squares, weights


@inner
def _within(order: Ints, tables: _Tables, start_ul: Floats) -> float:
    """Mean of the worst tenth [-]."""
    squares, weights = _errors(order, tables, start_ul)
    return _worst(squares.sum(axis=1), weights)


@inner
def _worst(squares: Floats, weights: Floats) -> float:
    """Mean of the worst tenth of errors [-], from their squares."""
    whole = weights.sum()
    left_over, worst = WORST * whole, 0.0
    for place in np.argsort(squares)[::-1]:
        taken = min(weights[place], left_over)
        worst += taken * np.sqrt(squares[place])
        left_over -= taken
        if left_over <= 0.0:
            break
    return float(worst / (WORST * whole))

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
from math import sqrt
from typing import NamedTuple

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
        _improve(order, (order.copy(), order.copy()), _tables(groups), _Room.of(groups, start_ul))
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
    room = _Room.of(groups, start_ul)
    _told(np.array(order, dtype=np.int64), _tables(groups), room)
    return room.squares, room.weights


def told_of(groups: Groups, order: list[int]) -> Ints:
    """Return how many deposits of each group are told, in an order."""
    found: Ints = np.minimum(groups.count[order], max(TOLD // len(order), 4))
    return found


def worst_of(squares: Floats, weights: Floats) -> float:
    """Return the mean of the worst tenth of errors [-], from their squares and for how many each stands."""
    worst = np.zeros(1)
    sums = np.ascontiguousarray(squares, dtype=np.float64)
    _worst_told(
        sums, np.ascontiguousarray(weights, dtype=np.float64), np.empty(sums.size, dtype=np.int64), worst
    )
    return float(worst[0])


_Tables = tuple[Floats, Floats, Floats, Floats, Ints]


def _tables(groups: Groups) -> _Tables:
    laid, left, by_start, passed = (
        np.ascontiguousarray(part, dtype=np.float64)
        for part in (groups.laid, groups.left, groups.by_start, groups.passed)
    )
    return laid, left, by_start, passed, np.ascontiguousarray(groups.count, dtype=np.int64)


class _Room(NamedTuple):
    """Room for an order's errors: what is stored before the first and on the way (c) [µL], squares (told × c), for how many
    each told one stands, their sums, and their places.
    """

    start_ul: Floats
    stored_ul: Floats
    squares: Floats
    weights: Floats
    sums: Floats
    places: Ints

    @classmethod
    def of(cls, groups: Groups, start_ul: Floats) -> "_Room":
        """Return the room that groups take, in whatever order."""
        start = np.ascontiguousarray(start_ul, dtype=np.float64)
        told = int(np.minimum(groups.count, max(TOLD // groups.count.size, 4)).sum())
        return cls(
            start_ul=start,
            stored_ul=np.empty(start.size),
            squares=np.empty((told, start.size)),
            weights=np.empty(told),
            sums=np.empty(told),
            places=np.empty(told, dtype=np.int64),
        )


@entry
def _worst_told(sums: Floats, weights: Floats, places: Ints, worst: Floats) -> None:
    worst[0] = _worst(sums, weights, places)


@entry
def _improve(order: Ints, others: tuple[Ints, Ints], tables: _Tables, room: _Room) -> None:
    """Take groups out and put them in elsewhere, each where it brings most; the first stays."""
    trial, kept = others
    best = _within(order, tables, room)
    for _ in range(ROUNDS):
        begun = best
        for group in range(order.size):
            least = best * (1.0 - WORTH)
            take = 0
            while order[take] != group:
                take += 1
            for put in range(1, order.size):
                if put == take or take == 0:
                    continue
                _moved(order, trial, take, put)
                here = _within(trial, tables, room)
                if here < least:
                    least = here
                    for place in range(trial.size):
                        kept[place] = trial[place]
            if least < best * (1.0 - WORTH):
                for place in range(kept.size):
                    order[place] = kept[place]
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
def _told(order: Ints, tables: _Tables, room: _Room) -> None:
    _errors(order, tables, room)


@inner
def _errors(order: Ints, tables: _Tables, room: _Room) -> None:
    """Write down the squares of errors by each constant [-] of the deposits that are told; and for how many each stands."""
    laid, left, by_start, passed, count = tables
    stored, squares, weights = room.stored_ul, room.squares, room.weights
    for c in range(stored.size):
        stored[c] = room.start_ul[c]
    most_told = max(TOLD // order.size, 4)
    at = 0
    for turn in range(order.size):
        group = order[turn]
        most = min(count[group], most_told)
        for k in range(most):
            for c in range(stored.size):
                error = laid[group, c] + by_start[group] * stored[c]
                squares[at, c] = error * error
                stored[c] = left[group, c] + passed[group] * stored[c]
            weights[at] = 1.0 + (count[group] - most) if k == most - 1 else 1.0
            at += 1


@inner
def _within(order: Ints, tables: _Tables, room: _Room) -> float:
    """Mean of the worst tenth [-]."""
    _errors(order, tables, room)
    for at in range(room.sums.size):
        room.sums[at] = 0.0
        for c in range(room.squares.shape[1]):
            room.sums[at] += room.squares[at, c]
    return _worst(room.sums, room.weights, room.places)


@inner
def _worst(sums: Floats, weights: Floats, places: Ints) -> float:
    """Mean of the worst tenth of errors [-], from their squares; `places` is room for their order.

    Only the worst are put in order: they are taken one by one from the top of a heap.
    """
    size = sums.size
    whole = 0.0
    for at in range(size):
        whole += weights[at]
        places[at] = at
    for at in range(size // 2 - 1, -1, -1):
        _sink(sums, places, at, size)
    left_over, worst = WORST * whole, 0.0
    while size > 0:
        place = places[0]
        taken = min(weights[place], left_over)
        worst += taken * sqrt(sums[place])
        left_over -= taken
        if left_over <= 0.0:
            break
        size -= 1
        places[0] = places[size]
        _sink(sums, places, 0, size)
    return worst / (WORST * whole)


@inner
def _sink(sums: Floats, places: Ints, at: int, size: int) -> None:
    """Let a place of the heap sink to below all that is worse."""
    while 2 * at + 1 < size:
        below = 2 * at + 1
        if below + 1 < size and sums[places[below + 1]] > sums[places[below]]:
            below += 1
        if sums[places[below]] <= sums[places[at]]:
            return
        places[at], places[below] = places[below], places[at]
        at = below

"""Where a board's sizes change, and its bench off would show: how many of the new size are thrown away before it.

What deposits of one size leave in the barrel is not what those of the next leave before each other; where the bench is off,
the first ones of a size show the difference. Thrown away on the card, they do no harm. A trip takes seconds, so each has to
bring its worth:

    worth = BOARD_IS_WORTH · board's time · mean of (min(max(error / asked, 1), 2)² − 1)

with the error of each deposit on benches off as a quiet afternoon leaves them (`ways`), played over the whole board
(`played`), since straight lines do not tell what more air does. The board is played with none, one, two, three thrown away
at every change of size at once, and put together from these piece by piece, as what is thrown away before a size hardly
reaches the size after it: those trips first that bring most for their time, until the tolerance is held. What was put
together is played as it is, and taken where it is better indeed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log1p
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.answer import turns_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.chain import NAMES
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.played import played
from pastewright.plunger.ways import AIR, HOP_IDLE_S, OF_ONE, afternoon, asked_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# So many of a size are thrown away at most; on the example benches more brought nothing (`docs/plunger.md`).
MOST_THROWN = 3

# So many times a board's time it is worth that no deposit is beyond what is asked for; one that is off by twice that, or by
# more, counts three times. Own choice: with 2, 5 and 10 boards from elsewhere on the 1 mL bench came from 15.2 % with 2 µL
# more air to 9.1, 7.4 and 7.4, one on the 2.5 mL bench from 14.4 to 12.2, 12.1 and 10.9 in 4, 8 and 14 % more time.
BOARD_IS_WORTH = 5.0
MOST_BEYOND = 2.0

# Trips take no more than this share of the board's own time. Own choice.
MOST_OF_TIME = 0.25

# Of the tolerance what is sought, where trips are made at all: rounding and what is not played need the rest. Own choice.
OF_TOLERANCE = 0.95

# Larger boards are left as they are: each deposit takes 50 µs to be played on all benches, and they are played four times.
MOST_DEPOSITS = 1500


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeChange:
    """A change of size: the visit that begins the new one, and what a trip to the card and back takes besides what is laid
    there [s].
    """

    visit: int
    trip_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """How many like the next are thrown away before visits, by their numbers, and what 95 of 100 deposits are then within on
    an afternoon's bench [-].
    """

    thrown: Mapping[int, int]
    error: float


def board_error(
    head: Sequence[DotCycle | BeadCycle], visits: Sequence[DotCycle | BeadCycle], bench: PlungerBench
) -> float:
    """Return about what 95 of 100 deposits of a board are within on an afternoon's bench [-]; 0 of boards too large to be
    played. `head` is what goes before the visits: the strip, and what is thrown away at its end.
    """
    if not visits or len(visits) > MOST_DEPOSITS:
        return 0.0
    return _error(_Game(head, visits, (), bench).squares(np.zeros(0, dtype=np.int64)))


def thrown_between(
    head: Sequence[DotCycle | BeadCycle],
    visits: Sequence[DotCycle | BeadCycle],
    changes: Sequence[SizeChange],
    bench: PlungerBench,
    *,
    tolerance: float,
    board_s: float,
    most: int,
) -> Between:
    """Return what is thrown away at changes of size so that the tolerance [-] is held or comes nearer, in `most` trips, of a
    board that takes `board_s` without them; nothing where that is not worth its time. `head` as in `board_error`.
    """
    game = _Game(head, visits, tuple(changes), bench)
    none = np.zeros(len(changes), dtype=np.int64)
    asked = OF_TOLERANCE * tolerance
    tried = [game.squares(none + count) for count in range(MOST_THROWN + 1)]
    taken = none
    for trip in _worth_most_first(game, tried, asked=asked, board_s=board_s):
        if _error(tried[0]) <= asked or (taken > 0).sum() >= most:
            break
        trial = taken.copy()
        trial[trip.change] = trip.many
        if game.seconds(trial) > MOST_OF_TIME * board_s:
            continue
        taken = trial
        piece = game.piece_of == trip.change + 1
        tried[0] = np.where(piece[:, None], tried[trip.many], tried[0])
    before, after = game.squares(none), game.squares(taken)
    if _beyond(before, asked).sum() <= _beyond(after, asked).sum():
        return Between(thrown={}, error=_error(before))
    found = {changes[at].visit: int(taken[at]) for at in np.flatnonzero(taken).tolist()}
    return Between(thrown=found, error=_error(after))


def _error(squares: Floats) -> float:
    return asked_of(squares, np.ones(len(squares)))


def _beyond(squares: Floats, asked: float) -> Floats:
    """How far each deposit is beyond what is asked for, with all constants together or one alone over `OF_ONE`."""
    error = np.sqrt(np.maximum(squares.sum(axis=1), squares.max(axis=1) / OF_ONE**2))
    found: Floats = np.square(np.clip(error / asked, 1.0, MOST_BEYOND)) - 1
    return found


class _Trip(NamedTuple):
    """So many thrown away at a change, what that is worth [s] for each second that it takes."""

    worth: float
    change: int
    many: int


def _worth_most_first(game: "_Game", tried: Sequence[Floats], *, asked: float, board_s: float) -> list[_Trip]:
    """Return for each change how many are best thrown away, where that is worth its time."""
    each = [_beyond(squares, asked) for squares in tried]
    found = []
    for change in range(len(game.changes)):
        piece = game.piece_of == change + 1
        options = []
        for count in range(1, len(tried)):
            gain_s = BOARD_IS_WORTH * board_s * float((each[0] - each[count])[piece].sum()) / game.count
            seconds = float(game.trips_s[change] + count * game.each_s[change])
            options.append((gain_s - seconds, gain_s / seconds, count))
        net, worth, count = max(options)
        if net > 0:
            found.append(_Trip(worth, change, count))
    return sorted(found, reverse=True)


class _Game:
    """A board's turns, to be played with some thrown away at each change of size."""

    def __init__(
        self,
        head: Sequence[DotCycle | BeadCycle],
        visits: Sequence[DotCycle | BeadCycle],
        changes: tuple[SizeChange, ...],
        bench: PlungerBench,
    ) -> None:
        self.changes, self.bench = changes, bench
        self.heads, self.count = len(head), len(visits)
        self.chain = turns_of([*head, *visits], bench)
        self.starts = np.array([change.visit for change in changes], dtype=np.int64)
        # Which piece of the board each visit is of: 0 before the first change.
        self.piece_of = np.searchsorted(self.starts, np.arange(self.count), side="right")
        self.each_s = self.chain.seconds.sum(axis=1)[self.heads + self.starts]
        self.trips_s = np.array([change.trip_s for change in changes])
        told, off = afternoon(bench)
        self.shifts = np.zeros((off.size, len(NAMES)))
        self.shifts[np.arange(off.size), told] = off
        self.shifts[AIR, told[AIR]] = log1p(off[AIR])

    def seconds(self, thrown: Ints) -> float:
        """Return what trips take in all [s]."""
        return float((np.where(thrown > 0, self.trips_s, 0.0) + thrown * self.each_s).sum())

    def squares(self, thrown: Ints) -> Floats:
        """Return the squares of errors of the visits by each constant [-], n × c."""
        heads = self.heads
        at, own, idle = [np.arange(heads)], [np.zeros(heads, dtype=bool)], [np.full(heads, HOP_IDLE_S)]
        bounds = [0, *self.starts.tolist(), self.count]
        for piece, (first, end) in enumerate(pairwise(bounds)):
            away = int(thrown[piece - 1]) if piece else 0
            at += [np.full(away, heads + first), np.arange(heads + first, heads + end)]
            own += [np.zeros(away, dtype=bool), np.ones(end - first, dtype=bool)]
            wait = np.full(away + end - first, HOP_IDLE_S)
            if away:
                # Half of a trip's ways lies before what is thrown away, half behind; on the card the tip stays down.
                wait[:away] = 0.0
                wait[[0, away]] = self.trips_s[piece - 1] / 2
            idle.append(wait)
        turns = self.chain.taken(np.concatenate(at))
        none = np.zeros(turns.volume_ul.size)
        off = played(turns, self.bench, self.shifts, none, idle_s=np.concatenate(idle))
        found: Floats = np.ascontiguousarray(np.square(np.expm1(off)).T[np.concatenate(own)])
        return found

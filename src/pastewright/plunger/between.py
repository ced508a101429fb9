"""Where a board's sizes change, and its bench off would show: how many of the new size are thrown away before it.

What deposits of one size leave in the barrel is not what those of the next leave before each other; where the bench is off,
the first ones of a size show the difference. Thrown away on the card, they do no harm. A trip takes seconds, so each has to
bring its worth:

    worth = BOARD_IS_WORTH · board's time · mean of (min(max(error / asked, 1), MOST_BEYOND) − 1)

with the error of each deposit on benches off as a quiet afternoon leaves them (`ways`), played over the whole board
(`played`), since straight lines do not tell what more air does. The board is played with one, two, three of the new size
thrown away at every change of size at once, or paste at its steady flow for some time, and put together from these piece by
piece, as what is thrown away before a size hardly reaches the size after it: those trips first that bring most for their
time, until the tolerance is held. What was put together is played as it is, and taken where it is better indeed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log1p
from typing import NamedTuple

import numpy as np
from msgspec import Struct, structs
from numpy.typing import NDArray

from pastewright.plunger.answer import turns_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.chain import NAMES
from pastewright.plunger.flow import driving_pressure_kpa, flow_ul_s
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.played import played
from pastewright.plunger.pressure import time_constant_s
from pastewright.plunger.settle import laid_strip
from pastewright.plunger.storage import pressure_of_stored_kpa
from pastewright.plunger.walk import Walk
from pastewright.plunger.ways import AIR, HOP_IDLE_S, OF_ONE, afternoon, asked_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# So many of a size are thrown away at most; on the example benches more brought nothing (`docs/plunger.md`).
MOST_THROWN = 3

# Or paste at a steady flow, for these shares of the time that it takes to forget all but a third; shorter, it is no more
# than a few of the size. Own choice.
STEADY_FOR = (0.3, 0.6, 1.0, 1.5)
LEAST_STEADY_S = 2.0
LEAST_FLOW_UL_S = 1e-6
ANY_ACCEL_MM_S2 = 1e9  # the tip stands: there is no ramp

NOTHING = -1

# So many times a board's time it is worth that no deposit is beyond what is asked for; further off than so many times that,
# a deposit counts no more. Own choice: where five of a hundred are off by twice what is asked, getting them right may take
# a third longer.
BOARD_IS_WORTH = 6.0
MOST_BEYOND = 6.0

# Trips take no more than this share of the board's own time; the choice of its push may cost more (`choice.MOST_SLOWER`).
# Own choice.
MOST_OF_TIME = 0.5

# Of the tolerance what is sought, where trips are made at all: rounding and what is not played need the rest. Own choice.
OF_TOLERANCE = 0.95

# Larger boards are left as they are: each deposit takes 50 µs to be played on all benches, and they are played four times.
MOST_DEPOSITS = 1500


class Option(Struct, frozen=True, kw_only=True):
    """What may be thrown away before a size: so many of it, or paste at its steady flow for so long [s]."""

    count: int = 1
    steady_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeChange:
    """A change of size: the visit that begins the new one, what a trip to the card and back takes besides what is laid there
    [s], and what may be thrown away.
    """

    visit: int
    trip_s: float
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """What is thrown away before visits, by their numbers, and what 95 of 100 deposits are then within on an afternoon's
    bench [-].
    """

    thrown: Mapping[int, Option]
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


def steady_like(cycle: DotCycle | BeadCycle, seconds: float, bench: PlungerBench) -> BeadCycle:
    """Return paste laid standing at the flow at which as much is stored as a deposit pushes, for so long [s]."""
    still = bench.held_still()
    walk = Walk(legs_mm=(1.0,), speed_mm_s=1.0 / seconds, accel_mm_s2=ANY_ACCEL_MM_S2)
    return laid_strip(_steady(cycle, bench)[0], walk, still, starts_kpa=(bench.rest_kpa,)).cycle


def _steady(cycle: DotCycle | BeadCycle, bench: PlungerBench) -> tuple[float, float]:
    """The flow at which as much is stored as a deposit pushes [µL/s], and how quickly it forgets: its time constant [s]."""
    push_ul = cycle.push_ul if isinstance(cycle, DotCycle) else cycle.prime_ul
    kpa = pressure_of_stored_kpa(np.array([bench.rest_ul + push_ul]), bench.store)
    flow = max(float(flow_ul_s(float(kpa[0]), bench.tip)), LEAST_FLOW_UL_S)
    return flow, float(time_constant_s(driving_pressure_kpa(np.array([flow]), bench.tip), bench)[0])


def options_for(cycle: DotCycle | BeadCycle, bench: PlungerBench, *, most_ul: float) -> list[Option]:
    """Return what may be thrown away before a size: one to three of it, or paste at a steady flow for some of the time that
    it takes to forget, within `most_ul`. Small deposits of a large soft barrel forget next to nothing by themselves.
    """
    flow, forgets_s = _steady(cycle, bench)
    longer = [Option(steady_s=round(share * forgets_s, 1)) for share in STEADY_FOR]
    few = [Option(count=count) for count in range(1, MOST_THROWN + 1)]
    return [
        *(one for one in few if one.count * cycle.volume_ul <= most_ul),
        *(one for one in longer if one.steady_s >= LEAST_STEADY_S and flow * one.steady_s <= most_ul),
    ]


def cycles_thrown(
    cycle: DotCycle | BeadCycle, option: Option, bench: PlungerBench
) -> list[DotCycle | BeadCycle]:
    """Return what is laid, one after the other at one place: nothing is pressed or drawn but on the way down and up."""
    if option.steady_s > 0:
        return [steady_like(cycle, option.steady_s, bench)]
    return [
        structs.replace(
            cycle,
            press_ul=cycle.press_ul if number == 0 else 0.0,
            draw_ul=cycle.draw_ul if number == option.count - 1 else 0.0,
        )
        for number in range(option.count)
    ]


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
    none = np.full(len(changes), NOTHING, dtype=np.int64)
    asked = OF_TOLERANCE * tolerance
    plain = game.squares(none)
    each = max((len(change.options) for change in changes), default=0)
    tried = [game.squares(np.minimum(option, game.last)) for option in range(each)]
    taken, squares = none, plain
    for trip in _worth_most_first(game, plain, tried, asked=asked, board_s=board_s):
        if _error(squares) <= asked or (taken != NOTHING).sum() >= most:
            break
        trial = taken.copy()
        trial[trip.change] = trip.option
        if game.seconds(trial) > MOST_OF_TIME * board_s:
            continue
        taken = trial
        piece = game.piece_of == trip.change + 1
        squares = np.where(piece[:, None], tried[trip.option], squares)
    after = game.squares(taken)
    if _beyond(plain, asked).sum() <= _beyond(after, asked).sum():
        return Between(thrown={}, error=_error(plain))
    found = {
        changes[at].visit: changes[at].options[taken[at]] for at in np.flatnonzero(taken != NOTHING).tolist()
    }
    return Between(thrown=found, error=_error(after))


def _error(squares: Floats) -> float:
    return asked_of(squares, np.ones(len(squares)))


def _beyond(squares: Floats, asked: float) -> Floats:
    """How far each deposit is beyond what is asked for, with all constants together or one alone over `OF_ONE`."""
    error = np.sqrt(np.maximum(squares.sum(axis=1), squares.max(axis=1) / OF_ONE**2))
    found: Floats = np.clip(error / asked, 1.0, MOST_BEYOND) - 1
    return found


class _Trip(NamedTuple):
    """Which option is taken at a change, and what that is worth [s] for each second that it takes."""

    worth: float
    change: int
    option: int


def _worth_most_first(
    game: "_Game", plain: Floats, tried: Sequence[Floats], *, asked: float, board_s: float
) -> list[_Trip]:
    """Return for each change what is best thrown away, where that is worth its time."""
    before, each = _beyond(plain, asked), [_beyond(squares, asked) for squares in tried]
    found = []
    for change in range(len(game.changes)):
        piece, options = game.piece_of == change + 1, []
        for option in range(int(game.last[change]) + 1):
            gain_s = BOARD_IS_WORTH * board_s * float((before - each[option])[piece].sum()) / game.count
            seconds = game.option_s(change, option)
            if seconds <= MOST_OF_TIME * board_s:
                options.append((gain_s - seconds, gain_s / seconds, option))
        net, worth, option = max(options, default=(0.0, 0.0, 0))
        if net > 0:
            found.append(_Trip(worth, change, option))
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
        own = [
            [cycles_thrown(visits[change.visit], option, bench) for option in change.options]
            for change in changes
        ]
        away = [cycle for options in own for cycles in options for cycle in cycles]
        self.chain = turns_of([*head, *visits, *away], bench)
        # Where the turns of each change's options are in the chain.
        self.rows: list[list[Ints]] = []
        at = self.heads + self.count
        for options in own:
            self.rows.append([])
            for cycles in options:
                self.rows[-1].append(np.arange(at, at + len(cycles)))
                at += len(cycles)
        self.last = np.array([len(change.options) - 1 for change in changes], dtype=np.int64)
        self.starts = np.array([change.visit for change in changes], dtype=np.int64)
        # Which piece of the board each visit is of: 0 before the first change.
        self.piece_of = np.searchsorted(self.starts, np.arange(self.count), side="right")
        self.turns_s = self.chain.seconds.sum(axis=1)
        told, off = afternoon(bench)
        self.shifts = np.zeros((off.size, len(NAMES)))
        self.shifts[np.arange(off.size), told] = off
        self.shifts[AIR, told[AIR]] = log1p(off[AIR])

    def option_s(self, change: int, option: int) -> float:
        """Return what a trip takes [s]."""
        return self.changes[change].trip_s + float(self.turns_s[self.rows[change][option]].sum())

    def seconds(self, taken: Ints) -> float:
        """Return what trips take in all [s]."""
        return sum(self.option_s(at, int(taken[at])) for at in range(taken.size) if taken[at] != NOTHING)

    def squares(self, taken: Ints) -> Floats:
        """Return the squares of errors of the visits by each constant [-], n × c; `taken` has the option of each change."""
        heads = self.heads
        at, own, idle = [np.arange(heads)], [np.zeros(heads, dtype=bool)], [np.full(heads, HOP_IDLE_S)]
        bounds = [0, *self.starts.tolist(), self.count]
        for piece, (first, end) in enumerate(pairwise(bounds)):
            nothing = not piece or taken[piece - 1] == NOTHING
            rows = np.arange(0) if nothing else self.rows[piece - 1][int(taken[piece - 1])]
            at += [rows, np.arange(heads + first, heads + end)]
            own += [np.zeros(rows.size, dtype=bool), np.ones(end - first, dtype=bool)]
            wait = np.full(rows.size + end - first, HOP_IDLE_S)
            if rows.size:
                # Half of a trip's ways lies before what is thrown away, half behind; on the card the tip stays down.
                wait[: rows.size] = 0.0
                wait[[0, rows.size]] = self.changes[piece - 1].trip_s / 2
            idle.append(wait)
        turns = self.chain.taken(np.concatenate(at))
        none = np.zeros(turns.volume_ul.size)
        off = played(turns, self.bench, self.shifts, none, idle_s=np.concatenate(idle))
        found: Floats = np.ascontiguousarray(np.square(np.expm1(off)).T[np.concatenate(own)])
        return found

"""How many dots like the first are thrown away behind the settling strip, so that the board's first follow their like.

A strip ends right for the bench as profiled. Where the bench is off, it leaves about what a steady flow leaves, which is
not what dots leave before each other: on the cnc example's bottom 2 µL more air take 14 % off the first dot and 9 off the
second. The chain is played from no pressure (`played`) behind none, two, four or eight, and the fewest that do are taken.
"""

from collections.abc import Callable, Sequence
from math import log1p

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.answer import turns_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.chain import NAMES
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.played import played
from pastewright.plunger.settle import Settling
from pastewright.plunger.ways import AIR, HOP_IDLE_S, OF_ONE, afternoon

Floats = NDArray[np.float64]

# More bring little: they fade as the first deposits do.
THROWN = (2, 4, 8)

# Deposits looked at: behind so many the state is that of the deposits themselves.
FIRST = 12

# Of all deposits so many may be further off than asked for because they come first; 95 of 100 are to be within, and steps
# of size need their part of the five. Own choice.
MAY_BE_OFF = 0.025


def thrown_away(
    visits: Sequence[DotCycle | BeadCycle],
    strip: Settling,
    strip_before: Callable[[int], Settling],
    bench: PlungerBench,
    *,
    within: float,
    most: int,
) -> tuple[Settling, int]:
    """Return the strip, and how many dots like the first are thrown away behind it: the fewest that do, of `most`.

    `strip` is the one before none, `strip_before` finds one before so many, which may be shorter. `within` is what each
    constant of an afternoon may do to a deposit [-], all together or one alone over `ways.OF_ONE`. None are thrown where
    that mends nothing.
    """
    may_be_off = int(MAY_BE_OFF * len(visits))
    best, least = (strip, 0), _beyond(visits, strip, 0, bench, within)
    for thrown in THROWN:
        if least <= may_be_off or thrown > most:
            break
        shorter = strip_before(thrown)
        for one in (shorter, strip) if shorter.cycle.travel_s < strip.cycle.travel_s else (shorter,):
            beyond = _beyond(visits, one, thrown, bench, within)
            if beyond < least:
                best, least = (one, thrown), beyond
            if least <= may_be_off:
                break
    return best


def _beyond(
    visits: Sequence[DotCycle | BeadCycle], strip: Settling, thrown: int, bench: PlungerBench, within: float
) -> int:
    """How many of the first deposits are further off than `within`."""
    chain = [strip.cycle, *([visits[0]] * thrown), *visits[:FIRST]]
    return int((_errors(chain, bench)[1 + thrown :] > within).sum())


def _errors(cycles: Sequence[DotCycle | BeadCycle], bench: PlungerBench) -> Floats:
    """What each of a chain is off [-], all constants of an afternoon together, or one alone over `OF_ONE`."""
    turns = turns_of(cycles, bench)
    told, off = afternoon(bench)
    shifts = np.zeros((off.size, len(NAMES)))
    shifts[np.arange(off.size), told] = off
    shifts[AIR, told[AIR]] = log1p(off[AIR])
    none = np.zeros(turns.volume_ul.size)
    squares = np.square(np.expm1(played(turns, bench, shifts, none, idle_s=HOP_IDLE_S)))
    found: Floats = np.sqrt(np.maximum(squares.sum(axis=0), squares.max(axis=0) / OF_ONE**2))
    return found

"""How long a sheet for a board has to be: dots and minutes against what the board's deposits are then within.

What dots tell adds up, and no dot knows of those after it; so one order of all rows tells what its first rows would.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pastewright.motion.model import Motions
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import SHARED, Floats
from pastewright.tune.fit.model import Forward
from pastewright.tune.sheet.foreseen import after_sheet, known_before, told_rows, within_95

# Of the tolerance that the profile asks for, what a sheet may leave to its fit: scatter and drift want the rest. Own choice.
OF_TOLERANCE = 0.5

# A longer sheet is worth its dots where it takes this share off what a shorter one leaves. Own choice.
WORTH = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSize:
    """A sheet of so many rows: its dots, the time it takes [s], and what 95 of 100 deposits of the board are within once it
    is read [-], the scatter of single dots not counted. No rows: no sheet at all.
    """

    rows: int
    dots: int
    seconds: float
    within: float


def sizes_of(
    forward: Forward,
    motions: Motions,
    turns_by_rows: Sequence[tuple[int, int, int]],
    *,
    bench: Floats,
    stakes: Floats,
    profile: Profile,
) -> tuple[SheetSize, ...]:
    """Return what sheets of the first rows would bring, none first; `turns_by_rows` are rows, dots, and turns so far."""
    before = known_before(profile)[np.ix_(SHARED, SHARED)]
    ends = np.zeros(max(turn for _, _, turn in turns_by_rows))
    clock = 0.0
    for move in motions.moves:
        clock += move.duration_s
        if move.deposit is not None and move.deposit < ends.size:
            ends[move.deposit] = clock
    rest_s = clock - float(ends[-1])  # the odd dots and the way home
    each, turn, _ = told_rows(forward, bench, profile)
    found = [SheetSize(rows=0, dots=0, seconds=0.0, within=within_95(stakes, before))]
    for rows, dots, turns in turns_by_rows:
        first = each[turn < turns]
        found.append(
            SheetSize(
                rows=rows,
                dots=dots,
                seconds=float(ends[turns - 1]) + rest_s,
                within=within_95(stakes, after_sheet(before, first.T @ first)),
            )
        )
    return tuple(found)


def chosen_size(sizes: Sequence[SheetSize], tolerance: float) -> SheetSize:
    """Return the shortest sheet that leaves half of the tolerance for all else, or from which longer ones bring little."""
    sheets = [size for size in sizes if size.rows]
    enough = max(OF_TOLERANCE * tolerance, (1 + WORTH) * sheets[-1].within)
    return next(size for size in sheets if size.within <= enough)

"""A way to lay a board in mind: groups of like deposits, and what 95 of 100 deposits are then within.

    error = √(stiffness² + consistency² + index² + air²)        of each deposit, on benches off as in `AFTERNOON`

The first three are straight lines (`answer`, `arrange`). Air is played (`played`): 2 µL more in a stiff barrel that has one
store twice as much, so that the barrel stands above yield between deposits, and oozes. On the cnc example's bottom the
straight lines tell 4 % where 14 % come.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.plunger.answer import CONSTANTS, LEAST_BUBBLE_UL, Answers, Turns, answers_of, strokes_of
from pastewright.plunger.arrange import Groups, arranged, errors_of, told_of, worst_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.chain import NAMES
from pastewright.plunger.played import played

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# What a quiet afternoon leaves of a bench that was right in the morning, at 95 %: pastes thin by some per cent a degree,
# bubbles come (from memory). Where more is known to be in doubt, plans are made for that.
AFTERNOON: Mapping[str, float] = {
    "frame_stiffness_n_mm": 0.10,
    "consistency_kpa_sn": 0.10,
    "flow_index": 0.02,  # of n itself, not of its logarithm
    "bubble_ul": 2.0,  # µL
}
AIR = list(AFTERNOON).index("bubble_ul")

# What an index that is off does counts for less: it does twice as much as the others in any order (0.14 for 0.06 on the demo
# board before there were shared pushes), and plans that are chosen for it take time that the others do not ask for. Own
# choice, after what is asked of plans: 10 % where 6 % is asked of the others.
MATTERS: Mapping[str, float] = {"flow_index": 0.6}

# What one constant alone does counts for so much more: where it does all, it may do three quarters. Own choice, so that the
# 8 % that are asked for in mind leave 6 % for each.
OF_ONE = 0.75

# The first deposits follow their like (`thrown`), so that a chain in mind is played behind so many of them.
LIKE_FIRST = 24

# Beads end what a step of the push leaves, so that those of a class may be laid at two different times; in more parts they
# would cost way and bring nothing (own choice).
BEAD_PARTS = 2

# How long the plunger stands between deposits [s], and before the first of a group: a hop without what it presses and draws
# on the way down and up (medians of the example benches: 0.1 to 0.2, and 0.3 to 0.5).
HOP_IDLE_S = 0.12
GROUP_IDLE_S = 0.4


def afternoon(bench: PlungerBench) -> tuple[list[int], Floats]:
    """Return which constants plans are made for, by their places in `CONSTANTS`, and how far off they may be at 95 %."""
    scale = {
        "flow_index": bench.tip.flow_index,
        "bubble_ul": max(bench.store.bubble_ul, LEAST_BUBBLE_UL),
    }
    reach = [MATTERS.get(name, 1.0) * off / scale.get(name, 1.0) for name, off in AFTERNOON.items()]
    return [CONSTANTS.index(name) for name in AFTERNOON], np.array(reach)


@dataclass(frozen=True, slots=True)
class LikeDeposits:
    """So many deposits of a size, one after the other: strokes [µL], what lies between them [s], and how long each
    takes.
    """

    push_ul: float
    fed_ul: float
    volume_ul: float
    middle_s: float
    seconds: float
    count: int


class WayInMind(Struct, frozen=True, kw_only=True):
    """A way to lay a board: its groups of like deposits in the order they are given, a turn of each, and what is stored
    before the first by each constant as far as it may be off [µL], where it follows its like.
    """

    groups: Groups
    turns: Turns
    start_ul: Floats


def ways_of(each: Sequence[Sequence[LikeDeposits]], bench: PlungerBench) -> list[WayInMind]:
    """Return a way for each list of rows, which are laid in that order."""
    if not each:
        return []
    turns = turns_of_rows([row for rows in each for row in rows], bench)
    answers = answers_of(turns, bench)
    found, at = [], 0
    for rows in each:
        own = np.arange(at, at + len(rows))
        at += len(rows)
        kinds = [(row.count, row.fed_ul > 0) for row in rows]
        groups, row_of = _groups(answers.taken(own), turns.volume_ul[own], kinds, bench)
        found.append(WayInMind(groups=groups, turns=turns.taken(own[row_of]), start_ul=kept_ul(groups)))
    return found


def turns_of_rows(rows: Sequence[LikeDeposits], bench: PlungerBench) -> Turns:
    """Return a turn of each row; beads are laid standing."""
    table = np.array(
        [
            (row.push_ul, row.fed_ul, row.volume_ul - row.push_ul - row.fed_ul, row.middle_s, row.volume_ul)
            for row in rows
        ]
    )
    return _turns(table, bench)


def error_in_mind(way: WayInMind, bench: PlungerBench) -> float:
    """Return about what 95 of 100 deposits are within [-], in the order that they are best laid in.

    The mean of the worst tenth, or what one constant alone does over `OF_ONE`.
    """
    order = arranged(way.groups, way.start_ul)
    squares, weights = errors_of(way.groups, order, way.start_ul)
    many = told_of(way.groups, order)
    at = np.repeat(np.array(order, dtype=np.int64), many)
    chain = way.turns.taken(np.concatenate([np.full(LIKE_FIRST, order[0]), at]))
    idle = np.full(chain.volume_ul.size, HOP_IDLE_S)
    idle[LIKE_FIRST + np.cumsum(many) - many] = GROUP_IDLE_S
    squares[:, AIR] = np.square(more_air(chain, idle, bench)[LIKE_FIRST:])
    return asked_of(squares, weights)


def asked_of(squares: Floats, weights: Floats) -> float:
    """Return what is compared with the tolerance [-], from squares of errors by each constant, n × c: the mean of the worst
    tenth of all together, or of one constant alone over `OF_ONE`.
    """
    alone = max(worst_of(column, weights) for column in squares.T)
    return max(worst_of(squares.sum(axis=1), weights), alone / OF_ONE)


def more_air(chain: Turns, idle_s: Floats, bench: PlungerBench) -> Floats:
    """Return what turns are off with an afternoon's air more [-], begun without pressure; `idle_s` as in `played`."""
    bubble = max(bench.store.bubble_ul, LEAST_BUBBLE_UL)
    shift = np.zeros((1, len(NAMES)))
    shift[0, NAMES.index("bubble_ul")] = log((bubble + AFTERNOON["bubble_ul"]) / bubble)
    found: Floats = np.expm1(played(chain, bench, shift, np.zeros(chain.volume_ul.size), idle_s=idle_s)[0])
    return found


def kept_ul(groups: Groups) -> Floats:
    """Return what deposits like those of the first group leave before each other, by each constant [µL]."""
    found: Floats = groups.left[0] / (1 - min(float(groups.passed[0]), 0.999))
    return found


def _groups(
    answers: Answers, volume_ul: Floats, kinds: Sequence[tuple[int, bool]], bench: PlungerBench
) -> tuple[Groups, Ints]:
    """Return kinds of deposits as groups, and the kind of each: how many there are of it, and whether they are beads, which
    come in parts.
    """
    told, off = afternoon(bench)
    parts = [min(count, BEAD_PARTS) if bead else 1 for count, bead in kinds]
    at = np.repeat(np.arange(len(parts)), parts)
    shares = [
        count * (part + 1) // whole - count * part // whole
        for (count, _), whole in zip(kinds, parts, strict=True)
        for part in range(whole)
    ]
    volume = volume_ul[at]
    groups = Groups(
        laid=answers.laid[at][:, told] * off / volume[:, None],
        left=answers.left[at][:, told] * off,
        by_start=answers.laid_by_start[at] / volume,
        passed=answers.left_by_start[at],
        count=np.array(shares, dtype=np.int64),
    )
    return groups, at


def groups_of(rows: Floats, count: Sequence[int], bench: PlungerBench) -> Groups:
    """Return groups of like deposits as they answer on a bench that is off as in `AFTERNOON`; `rows` as in `_turns`."""
    answers = answers_of(_turns(rows, bench), bench)
    return _groups(answers, rows[:, 4], [(many, False) for many in count], bench)[0]


def _turns(rows: Floats, bench: PlungerBench) -> Turns:
    """Deposits as turns: what each pushes, feeds and draws back [µL], its dwell or walk [s], its volume [µL], n × 5."""
    dot = rows[:, 1] == 0  # beads are laid standing
    return strokes_of(
        rows[:, :3],
        np.full((len(rows), 2), bench.push_ul_s),
        rows[:, 3],
        rows[:, 4],
        bench,
        press_ul=np.where(dot, bench.press_ul, 0.0),
        draw_ul=np.where(dot, bench.draw_ul, 0.0),
    )

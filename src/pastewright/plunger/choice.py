"""Of many pushes the one that a board's deposits share: least machine time within the tolerance asked for.

Each candidate is laid in mind: sizes by falling push and volume after a settling strip that stores as much as the first
push, then in the order that is best (`arrange`), with the derivatives of the whole chain by the bench's constants (`answer`,
`chain`). What 95 of 100 deposits are within, on benches that are off as a quiet afternoon leaves them, is compared with
what the profile asks for.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.answer import CONSTANTS, LEAST_BUBBLE_UL, Answers, Turns, answers_of, strokes_of
from pastewright.plunger.arrange import Groups, arranged, error_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.common import KNOTS, LEAST_DWELL_S, MOST_DWELL_S, decays, retractions_read
from pastewright.plunger.cycle import (
    dots_begun,
    most_flow_ul_s,
    primes_ul,
    retractions_ul,
    solved_dots,
)
from pastewright.plunger.flow import driving_pressure_kpa, flow_ul_s
from pastewright.plunger.pressure import time_constant_s
from pastewright.plunger.settle import LONGEST_S
from pastewright.plunger.storage import stored_ul

Floats = NDArray[np.float64]

# Candidates for the push, and how far above the least they go: a board's sizes seldom span more than 1 : 1000, which
# is 1 : 8 in pushes.
CANDIDATES = 32
CANDIDATE_SPAN = 8.0

# What a quiet afternoon leaves of a bench that was right in the morning, at 95 %: pastes thin by some per cent a degree,
# bubbles come (from memory). Where more is known to be in doubt, plans are made for that.
AFTERNOON: Mapping[str, float] = {
    "frame_stiffness_n_mm": 0.10,
    "consistency_kpa_sn": 0.10,
    "flow_index": 0.02,  # of n itself, not of its logarithm
    "bubble_ul": 2.0,  # µL
}

# What an index that is off does counts for less: it does twice as much as the others in any order (0.14 for 0.06 on the demo
# board before there were shared pushes), and plans that are chosen for it take time that the others do not ask for. Own
# choice, after what is asked of plans: 10 % where 6 % is asked of the others.
MATTERS: Mapping[str, float] = {"flow_index": 0.6}

# Ways to lay a board that are put in order before one is chosen: more bring nothing, and take 20 ms each.
PUT_IN_ORDER = 6

# Beads end what a step of the push leaves, so that those of a class may be laid at two different times; in more parts they
# would cost way and bring nothing (own choice).
BEAD_PARTS = 2

# Deposits of sizes within this share are one class when a push is chosen.
SAME_SIZE = 0.05

# Within a class the order is free, and sizes are taken together: what is predicted here is a tenth to a fifth low.
OF_TOLERANCE = 0.8

# So much slower than the quickest way a board may be laid for the sake of its tolerance: a third more is worth a board that
# holds it (1.12 left 12.5 % on 2 µL of air where 1.4 leaves 6.6, on the cnc example's bottom; own choice). What it takes to
# lift, travel and lower for a deposit is guessed [s] (a short hop; measured on the demo board: 0.7).
MOST_SLOWER = 1.4
HOP_S = 0.75

# Dots that may be thrown away where the strip ends, so that the first on the board follow their like. More bring little:
# they fade as the first deposits do.
THROWN = (0, 2, 4, 8)

# Strips in mind: flows up to the most, from slow to fast, and how long they are laid, in time constants of each (measured
# on the example benches: 1.2 to 2.5); none takes longer than strips do.
SLOWEST_SHARE = 0.004
STRIP_FLOWS = 24
STRIP_TAUS = 2.0

# Ways whose errors agree within this are as good as each other.
SAME_ERROR = 0.02

# Where none holds the tolerance, a push is good that is within this of the best: the last tenth would cost much time.
NEARLY_BEST = 1.05

# The pressure that is planned with keeps this far below the limit, for what the ladder leaves.
OF_LIMIT = 0.999

# Of a bead's volume what is fed along its walk; the rest leaks while it primes and retracts. Measured on the demo board:
# 0.7 to 0.8 of its beads; the choice does not change for 0.6 or 1.
FED = 0.8


def afternoon(bench: PlungerBench) -> tuple[list[int], Floats]:
    """Return which constants plans are made for, by their places in `CONSTANTS`, and how far off they may be at 95 %."""
    scale = {
        "flow_index": bench.tip.flow_index,
        "bubble_ul": max(bench.store.bubble_ul, LEAST_BUBBLE_UL),
    }
    reach = [MATTERS.get(name, 1.0) * off / scale.get(name, 1.0) for name, off in AFTERNOON.items()]
    return [CONSTANTS.index(name) for name in AFTERNOON], np.array(reach)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenPush:
    """The push [µL] that deposits share, and how many dots like the first are thrown away at the strip's end."""

    push_ul: float
    thrown: int


def chosen_push(
    dots_ul: Sequence[float],
    beads: Sequence[tuple[float, float]],
    bench: PlungerBench,
    *,
    tolerance: float,
) -> ChosenPush:
    """Return the push that takes least time among those that hold the tolerance, or hold about as much as any
    that is not much slower than the quickest.

    `dots_ul` are volumes [µL]; `beads` volumes [µL] and the least time of their walks [s]. `tolerance` is the share that
    95 of 100 deposits may be off at 95 %.
    """
    candidates = _candidates(dots_ul, bench)
    surface = _Surface(candidates, bench)
    sizes = (_classes((volume, 1.0) for volume in dots_ul), _classes(beads))
    each = [surface.rows(index, *sizes) for index in range(candidates.size)]
    ways = _ways(each, bench)
    seconds = [sum(row.count * row.seconds for row in rows) for rows in each]
    besides_s = HOP_S * (len(dots_ul) + len(beads))
    for way in ways:
        way.seconds = besides_s + seconds[way.index] + way.thrown * each[way.index][0].seconds
    # None much slower than the quickest.
    quickest_s = min(way.seconds for way in ways)
    found = _put_in_order([way for way in ways if way.seconds <= MOST_SLOWER * quickest_s])
    allowed = max(OF_TOLERANCE * tolerance, NEARLY_BEST * min(way.error for way in found))
    best = min((way for way in found if way.error <= allowed), key=lambda way: way.seconds)
    return ChosenPush(push_ul=float(candidates[best.index]), thrown=best.thrown)


@dataclass(slots=True, kw_only=True)
class _Way:
    """A way to lay a board: a candidate, and so many like the first thrown away; its groups of like deposits, and what is
    stored before the first. Its time and what 95 of 100 deposits are within are found later.
    """

    index: int
    thrown: int
    groups: Groups
    start_ul: Floats
    seconds: float = 0.0
    error: float = 0.0


def _put_in_order(ways: Sequence[_Way]) -> list[_Way]:
    """Return some of the ways, from the quickest to the one that errs least, each in the order that it is best laid in."""
    for way in ways:
        way.error = error_of(way.groups, list(range(way.groups.count.size)), way.start_ul)
    # Of ways as quick as each other the one that errs least stands for all; slower ones must err less than quicker ones.
    found: list[_Way] = []
    for way in sorted(ways, key=lambda way: (way.seconds, way.error)):
        if not found or way.error < found[-1].error * (1 - SAME_ERROR):
            found.append(way)
    at = np.unique(np.linspace(0, len(found) - 1, PUT_IN_ORDER).round().astype(int))
    found = [found[k] for k in at.tolist()]
    for way in found:
        way.error = error_of(way.groups, arranged(way.groups, way.start_ul), way.start_ul)
    return found


def _candidates(dots_ul: Sequence[float], bench: PlungerBench) -> Floats:
    """Rising pushes [µL] below the pressure limit, from what the smallest dot needs at the longest dwell."""
    smallest = min(dots_ul, default=bench.rest_ul)
    low = float(solved_dots([smallest], replace(bench, dwell_s=MOST_DWELL_S)).push_ul[0])
    ladder = np.geomspace(low, low * CANDIDATE_SPAN, CANDIDATES)
    peaks = dots_begun(ladder, bench)[1]
    below = ladder[peaks <= OF_LIMIT * bench.limit_kpa]
    return below if below.size else ladder[:1]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """So many deposits of a size, one after the other: strokes [µL], what lies between them [s], and how long each
    takes.
    """

    push_ul: float
    fed_ul: float
    volume_ul: float
    middle_s: float
    seconds: float
    count: int


class _Surface:
    """Volumes over push and dwell, for choosing."""

    def __init__(self, pushes: Floats, bench: PlungerBench) -> None:
        self.pushes, self.bench = pushes, bench
        self.times, pressures, _ = decays(pushes, bench, KNOTS)
        self.full_kpa = pressures[0]
        self.laid = pushes - retractions_read(pressures, bench)

    def rows(self, index: int, dots: Sequence["_Size"], beads: Sequence["_Size"]) -> list[_Row]:
        """Return what a candidate makes of the sizes, in the order they are laid."""
        rate = self.bench.push_ul_s
        rows = []
        for size in dots:
            push, dwell_s = self._dot(index, size.volume_ul)
            rows.append(
                _Row(
                    push_ul=push,
                    fed_ul=0.0,
                    volume_ul=size.volume_ul,
                    middle_s=dwell_s,
                    seconds=dwell_s + 2 * push / rate,
                    count=size.count,
                )
            )
        if beads:
            rows += self._beads(index, beads)
        return sorted(rows, key=lambda row: (-row.push_ul, -row.volume_ul))

    def _beads(self, index: int, beads: Sequence["_Size"]) -> list[_Row]:
        bench = self.bench
        flow = max(float(flow_ul_s(self.full_kpa[index], bench.tip)), 1e-9)
        volumes = np.array([size.volume_ul for size in beads])
        walked_s = np.maximum([size.seconds for size in beads], volumes / flow)
        stored = stored_ul(driving_pressure_kpa(volumes / walked_s, bench.tip), bench.store) - bench.rest_ul
        return [
            _Row(
                push_ul=push,
                fed_ul=FED * size.volume_ul,
                volume_ul=size.volume_ul,
                middle_s=walk_s,
                seconds=walk_s + 2 * push / bench.push_ul_s,
                count=size.count,
            )
            for size, walk_s, push in zip(beads, walked_s.tolist(), stored.tolist(), strict=True)
        ]

    def _dot(self, index: int, volume: float) -> tuple[float, float]:
        """Push [µL] and dwell [s] of a dot with the candidate, or with the nearest push that lays it."""
        laid = self.laid[:, index]
        if laid[0] <= volume <= laid[-1]:
            return float(self.pushes[index]), float(np.interp(volume, laid, self.times))
        edge = 0 if volume < laid[0] else -1
        along = np.maximum.accumulate(self.laid[edge])
        push = float(np.interp(log(volume), np.log(along), self.pushes))
        return push, LEAST_DWELL_S if edge == 0 else MOST_DWELL_S


@dataclass(frozen=True, slots=True, kw_only=True)
class _Size:
    """So many deposits of about this volume and least time of walking."""

    volume_ul: float
    seconds: float
    count: int


def _classes(deposits: Iterable[tuple[float, float]]) -> list[_Size]:
    """Return sizes of deposits with these volumes [µL] and times [s], alike within `SAME_SIZE`."""
    found: dict[tuple[int, int], list[float]] = {}
    for volume, seconds in deposits:
        key = (round(log(volume) / SAME_SIZE), round(log(max(seconds, 1e-6)) / SAME_SIZE))
        sums = found.setdefault(key, [0.0, 0.0, 0])
        sums[0], sums[1], sums[2] = sums[0] + volume, sums[1] + seconds, sums[2] + 1
    return [
        _Size(volume_ul=volume / count, seconds=seconds / count, count=int(count))
        for volume, seconds, count in found.values()
    ]


def _ways(each: Sequence[Sequence[_Row]], bench: PlungerBench) -> list[_Way]:
    """Return each of several ways to lay the deposits, with none or some like the first thrown away before."""
    flat = [row for rows in each for row in rows]
    table = np.array(
        [
            (row.push_ul, row.fed_ul, row.volume_ul - row.push_ul - row.fed_ul, row.middle_s, row.volume_ul)
            for row in flat
        ]
    )
    answers = answers_of(_turns(table, bench), bench)
    begun = _strips_leave(np.array([rows[0].push_ul for rows in each]), bench)
    told, off = afternoon(bench)
    found, at = [], 0
    for index, rows in enumerate(each):
        own = answers.taken(np.arange(at, at + len(rows)))
        at += len(rows)
        kinds = [(row.count, row.fed_ul > 0) for row in rows]
        groups = _groups(own, np.array([row.volume_ul for row in rows]), kinds, bench)
        found += [
            _Way(
                index=index,
                thrown=thrown,
                groups=groups,
                start_ul=_after(begun[index], own, thrown)[told] * off,
            )
            for thrown in (THROWN if rows[0].fed_ul == 0 else THROWN[:1])
        ]
    return found


def _groups(
    answers: Answers, volume_ul: Floats, kinds: Sequence[tuple[int, bool]], bench: PlungerBench
) -> Groups:
    """Return kinds of deposits as groups: how many there are of each, and whether they are beads, which come in parts."""
    told, off = afternoon(bench)
    parts = [min(count, BEAD_PARTS) if bead else 1 for count, bead in kinds]
    at = np.repeat(np.arange(len(parts)), parts)
    shares = [
        count * (part + 1) // whole - count * part // whole
        for (count, _), whole in zip(kinds, parts, strict=True)
        for part in range(whole)
    ]
    volume = volume_ul[at]
    return Groups(
        laid=answers.laid[at][:, told] * off / volume[:, None],
        left=answers.left[at][:, told] * off,
        by_start=answers.laid_by_start[at] / volume,
        passed=answers.left_by_start[at],
        count=np.array(shares, dtype=np.int64),
    )


def _after(begun: Floats, answers: Answers, thrown: int) -> Floats:
    """How the start answers after so many deposits like the first."""
    passed = min(float(answers.left_by_start[0]), 0.999)
    kept = answers.left[0] / (1 - passed)
    found: Floats = kept + passed**thrown * (begun - kept)
    return found


def groups_of(
    rows: Floats, count: Sequence[int], bench: PlungerBench, *, thrown: int = 0
) -> tuple[Groups, Floats]:
    """Return groups of like deposits as they answer on a bench that is off as in `AFTERNOON`, and what its strip and so many
    like the first leave [µL]; `rows` as in `_turns`.
    """
    answers = answers_of(_turns(rows, bench), bench)
    told, off = afternoon(bench)
    groups = _groups(answers, rows[:, 4], [(many, False) for many in count], bench)
    return groups, _after(_strips_leave(rows[:1, 0], bench)[0], answers, thrown)[told] * off


def strips_left(flow_ul_s: Floats, seconds: Floats, bench: PlungerBench) -> Floats:
    """Return how what strips leave answers to the constants, n × 8 [µL]: strips of so much flow, laid for so long on a bench
    that is `held_still`.
    """
    steady = driving_pressure_kpa(flow_ul_s, bench.tip)
    prime, back, feed = primes_ul(steady, bench)[0], retractions_ul(steady, bench), flow_ul_s * seconds
    rates = np.full((feed.size, 2), bench.push_ul_s)
    turns = strokes_of(np.column_stack([prime, feed, -back]), rates, seconds, prime + feed - back, bench)
    return answers_of(turns, bench).left


def _strips_leave(push_ul: Floats, bench: PlungerBench) -> Floats:
    """The same of strips that store what pushes do, as `strip` seeks them; no slower than is done in its longest time."""
    still = bench.held_still()
    flows = np.geomspace(SLOWEST_SHARE, 1.0, STRIP_FLOWS) * most_flow_ul_s(still)
    pressures = driving_pressure_kpa(flows, bench.tip)
    seconds = STRIP_TAUS * time_constant_s(pressures, still)
    slowest = int(np.argmax(seconds <= LONGEST_S)) if (seconds <= LONGEST_S).any() else -1
    stores = stored_ul(pressures, bench.store) - bench.rest_ul
    at = np.maximum(np.abs(stores[None, :] - push_ul[:, None]).argmin(axis=1), slowest)
    kinds, which = np.unique(at, return_inverse=True)
    return strips_left(flows[kinds], seconds[kinds], still)[which]


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

"""Of many pushes the one that a board's deposits share: least machine time within the tolerance asked for.

Each candidate is laid in mind: sizes by falling push and volume, then in the order that is best (`arrange`), and played with
more air (`ways`). What 95 of 100 deposits are within, on benches that are off as a quiet afternoon leaves them, is compared
with what the profile asks for.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import log

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.distinct import distinct
from pastewright.plunger.arrange import error_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.common import KNOTS, LEAST_DWELL_S, MOST_DWELL_S, decays, retractions_read
from pastewright.plunger.cycle import dots_begun, solved_dots
from pastewright.plunger.flow import driving_pressure_kpa, flow_ul_s
from pastewright.plunger.storage import stored_ul
from pastewright.plunger.ways import LikeDeposits, WayInMind, error_in_mind, ways_of

Floats = NDArray[np.float64]

# Candidates for the push, and how far above the least they go: a board's sizes seldom span more than 1 : 1000, which
# is 1 : 8 in pushes.
CANDIDATES = 32
CANDIDATE_SPAN = 8.0

# Ways to lay a board that are put in order and played before one is chosen: more bring nothing, and take 10 ms each.
PUT_IN_ORDER = 12

# Deposits of sizes within this share are one class when a push is chosen.
SAME_SIZE = 0.05

# Within a class the order is free, and sizes are taken together: what is predicted here is a tenth to a quarter low.
OF_TOLERANCE = 0.73

# So much slower than the quickest way a board may be laid for the sake of its tolerance: the 10 mL bench's bottom asks for
# 2.4 times as much (11.9 % with 1.6, 3.4 with 2.4, consistency 10 % off). Own choice.
MOST_SLOWER = 2.5

# Where none holds the tolerance, a per cent beyond it is worth six per cent of time: nearly all that brings something. Where
# all are beyond by more than half, it is worth one. Own choice; the 10 mL bench holds it by that, on both sides.
BEYOND = 6
HOPELESS = 1.5

# Errors that agree within this are told no better.
SAME_ERROR = 1.02

# Ways whose times agree within this are as quick as each other.
SAME_TIME = 0.003

# The pressure that is planned with keeps this far below the limit, for what the ladder leaves.
OF_LIMIT = 0.999

# Of a bead's volume what is fed along its walk; the rest leaks while it primes and retracts. Measured on the demo board:
# 0.7 to 0.8 of its beads; the choice does not change for 0.6 or 1.
FED = 0.8


class Chosen(Struct, frozen=True, kw_only=True):
    """A push [µL], what deposits are off with it in mind [-], and how long the board takes [s]."""

    push_ul: float
    error: float
    seconds: float


def chosen_push(
    dots_ul: Sequence[float],
    beads: Sequence[tuple[float, float]],
    bench: PlungerBench,
    *,
    tolerance: float,
    hop_s: float,
) -> Chosen:
    """Return the push [µL] that takes least time among those that hold the tolerance and are not much slower than the
    quickest. Where none does, what it is beyond decides more than time (`BEYOND`).

    `dots_ul` are volumes [µL]; `beads` volumes [µL] and the least time of their walks [s]. `tolerance` is the share that
    95 of 100 deposits may be off at 95 %; `hop_s` is what a deposit takes besides its strokes [s].
    """
    candidates = candidates_ul(dots_ul, bench)
    surface = LaidByPush(candidates, bench)
    sizes = (sizes_of((volume, 1.0) for volume in dots_ul), sizes_of(beads))
    each = [surface.rows(index, *sizes) for index in range(candidates.size)]
    besides_s = hop_s * (len(dots_ul) + len(beads))
    tries = [
        _Try(index=index, way=way, seconds=besides_s + sum(row.count * row.seconds for row in rows))
        for index, (way, rows) in enumerate(zip(ways_of(each, bench), each, strict=True))
    ]
    # None much slower than the quickest.
    most_s = MOST_SLOWER * min(one.seconds for one in tries)
    found = _worth_a_look([one for one in tries if one.seconds <= most_s])
    errors = [error_in_mind(one.way, bench) for one in found]
    at = found.index(_worth_most(found, errors, OF_TOLERANCE * tolerance))
    return Chosen(push_ul=float(candidates[found[at].index]), error=errors[at], seconds=found[at].seconds)


class _Try(Struct, frozen=True, kw_only=True):
    """A candidate, laid so, and how long it takes [s]."""

    index: int
    way: WayInMind
    seconds: float


def _worth_most(tries: Sequence["_Try"], errors: Sequence[float], asked: float) -> "_Try":
    """Return the quickest of those that hold what is asked for [-]; where none does, the one whose time is worth most."""
    power = BEYOND if min(errors) <= HOPELESS * asked else 1
    costs = [cost_of(one.seconds, error / asked, power) for one, error in zip(tries, errors, strict=True)]
    least = errors[int(np.argmin(costs))]
    alike = [one for one, error in zip(tries, errors, strict=True) if error <= max(SAME_ERROR * least, asked)]
    return min(alike, key=lambda one: one.seconds)


def cost_of(seconds: float, error: float, power: int = BEYOND) -> float:
    """Return what a way costs that takes so long [s], its error told in shares of what is asked for [-]."""
    return seconds * max(error, 1.0) ** power


def _worth_a_look(tries: Sequence[_Try]) -> list[_Try]:
    """Return some, from the quickest to the slowest."""
    # Of those as quick as each other the one that errs least by straight lines stands for all.
    found: dict[int, tuple[float, _Try]] = {}
    for one in tries:
        given = list(range(one.way.groups.count.size))
        error = error_of(one.way.groups, given, one.way.start_ul)
        rung = round(log(one.seconds) / SAME_TIME)
        if rung not in found or error < found[rung][0]:
            found[rung] = error, one
    each = [one for _, (_, one) in sorted(found.items(), key=lambda item: item[0])]
    at = distinct(np.linspace(0, len(each) - 1, PUT_IN_ORDER).round().astype(int))
    return [each[k] for k in at.tolist()]


def candidates_ul(dots_ul: Sequence[float], bench: PlungerBench) -> Floats:
    """Rising pushes [µL] below the pressure limit, from what the smallest dot needs at the longest dwell."""
    smallest = min(dots_ul, default=bench.rest_ul)
    low = float(solved_dots([smallest], replace(bench, dwell_s=MOST_DWELL_S)).push_ul[0])
    ladder = np.geomspace(low, low * CANDIDATE_SPAN, CANDIDATES)
    peaks = dots_begun(ladder, bench)[1]
    below = ladder[peaks <= OF_LIMIT * bench.limit_kpa]
    return below if below.size else ladder[:1]


class LaidByPush:
    """Volumes over push and dwell, for choosing."""

    def __init__(self, pushes: Floats, bench: PlungerBench) -> None:
        self.pushes, self.bench = pushes, bench
        self.times, pressures, _ = decays(pushes, bench, KNOTS)
        self.full_kpa = pressures[0]
        self.laid = pushes - retractions_read(pressures, bench)

    def rows(
        self, index: int, dots: Sequence["SizeInMind"], beads: Sequence["SizeInMind"]
    ) -> list[LikeDeposits]:
        """Return what a candidate makes of the sizes, in the order they are laid."""
        rate = self.bench.push_ul_s
        rows = []
        for size in dots:
            push, dwell_s = self._dot(index, size.volume_ul)
            rows.append(
                LikeDeposits(
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

    def _beads(self, index: int, beads: Sequence["SizeInMind"]) -> list[LikeDeposits]:
        bench = self.bench
        flow = max(float(flow_ul_s(self.full_kpa[index], bench.tip)), 1e-9)
        volumes = np.array([size.volume_ul for size in beads])
        walked_s = np.maximum([size.seconds for size in beads], volumes / flow)
        stored = stored_ul(driving_pressure_kpa(volumes / walked_s, bench.tip), bench.store) - bench.rest_ul
        return [
            LikeDeposits(
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


class SizeInMind(Struct, frozen=True, kw_only=True):
    """So many deposits of about this volume and least time of walking."""

    volume_ul: float
    seconds: float
    count: int


def sizes_of(deposits: Iterable[tuple[float, float]]) -> list[SizeInMind]:
    """Return sizes of deposits with these volumes [µL] and times [s], alike within `SAME_SIZE`."""
    found: dict[tuple[int, int], list[float]] = {}
    for volume, seconds in deposits:
        key = (round(log(volume) / SAME_SIZE), round(log(max(seconds, 1e-6)) / SAME_SIZE))
        sums = found.setdefault(key, [0.0, 0.0, 0])
        sums[0], sums[1], sums[2] = sums[0] + volume, sums[1] + seconds, sums[2] + 1
    return [
        SizeInMind(volume_ul=volume / count, seconds=seconds / count, count=int(count))
        for volume, seconds, count in found.values()
    ]

"""Of many pushes the one that a board's deposits share: least machine time within the tolerance asked for.

Each candidate is laid in mind: sizes by falling push and volume after the settling strip, with the derivatives of the
whole chain by the bench's constants (`answer`, `chain`). What 95 of 100 deposits are within, on benches that are off as
a quiet afternoon leaves them, is compared with what the profile asks for.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.answer import CONSTANTS, LEAST_BUBBLE_UL, Answers, Turns, answers_of, strokes_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.common import KNOTS, LEAST_DWELL_S, MOST_DWELL_S, decays, retractions_read
from pastewright.plunger.cycle import dots_begun, solved_dots
from pastewright.plunger.flow import driving_pressure_kpa, flow_ul_s
from pastewright.plunger.model import BeadCycle
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

# Deposits of sizes within this share are one class when a push is chosen; of a long class the first ones tell.
SAME_SIZE = 0.05
MOST_IN_CLASS = 400

# Within a class the order is free, and sizes are taken together: what is predicted here is about a tenth low.
OF_TOLERANCE = 0.85

# So much slower than the quickest way a board may be laid for the sake of its tolerance; what it takes to lift, travel and
# lower for a deposit is guessed [s] (a short hop; measured on the demo board: 0.7).
MOST_SLOWER = 1.12
HOP_S = 0.75

# Dots that may be thrown away where the strip ends, so that the first on the board follow their like. More bring little:
# they fade as the first deposits do.
THROWN = (0, 2, 4, 8)

# Where none holds the tolerance, a push is good that is within this of the best: the last tenth would cost much time.
NEARLY_BEST = 1.05

# The pressure that is planned with keeps this far below the limit, for what the ladder leaves.
OF_LIMIT = 0.999

# Of a bead's volume what is fed along its walk; the rest leaks while it primes and retracts. Measured on the demo board:
# 0.7 to 0.8 of its beads; the choice does not change for 0.6 or 1.
FED = 0.8


def afternoon(bench: PlungerBench) -> Floats:
    """Return the covariance of the constants `CONSTANTS` that plans are made for, 8 × 8."""
    scale = {
        "flow_index": bench.tip.flow_index,
        "bubble_ul": max(bench.store.bubble_ul, LEAST_BUBBLE_UL),
    }
    sds = [AFTERNOON.get(name, 0.0) / scale.get(name, 1.0) / 1.96 for name in CONSTANTS]
    return np.diag(np.square(sds))


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
    strip: BeadCycle | None = None,
) -> ChosenPush:
    """Return the push that takes least time among those that hold the tolerance, or hold about as much as any
    that is not much slower than the quickest.

    `dots_ul` are volumes [µL]; `beads` volumes [µL] and the least time of their walks [s]; `strip` comes before them
    (None: many like the first). `tolerance` is the share that 95 % of the deposits may be off at 95 %.
    """
    candidates = _candidates(dots_ul, bench)
    surface = _Surface(candidates, bench)
    sizes = (_classes((volume, 1.0) for volume in dots_ul), _classes(beads))
    each = [surface.rows(index, *sizes) for index in range(candidates.size)]
    errors = _errors_95(each, bench, strip)
    seconds = [sum(row.count * row.seconds for row in rows) for rows in each]
    settled_s = 0.0 if strip is None else strip.travel_s
    besides_s = settled_s + HOP_S * (len(dots_ul) + len(beads))
    # Ways to lay the board: a candidate, and so many thrown away; none much slower than the quickest.
    taken = {
        (index, thrown): besides_s + seconds[index] + thrown * each[index][0].seconds
        for index, own in enumerate(errors)
        for thrown in own
    }
    quick = [way for way in taken if taken[way] <= MOST_SLOWER * min(taken.values())]
    best = min(errors[index][thrown] for index, thrown in quick)
    allowed = max(OF_TOLERANCE * tolerance, NEARLY_BEST * best)
    index, thrown = min((way for way in quick if errors[way[0]][way[1]] <= allowed), key=taken.__getitem__)
    return ChosenPush(push_ul=float(candidates[index]), thrown=thrown)


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


def _errors_95(
    each: Sequence[Sequence[_Row]], bench: PlungerBench, strip: BeadCycle | None
) -> list[dict[int, float]]:
    """What 95 % of the deposits are within, at 95 %, for each of several ways to lay them, by how many like the first
    were thrown away before.
    """
    flat = [row for rows in each for row in rows]
    table = np.array(
        [
            (row.push_ul, row.fed_ul, row.volume_ul - row.push_ul - row.fed_ul, row.middle_s, row.volume_ul)
            for row in flat
        ]
    )
    rates = np.full((len(flat), 2), bench.push_ul_s)
    turns = strokes_of(table[:, :3], rates, table[:, 3], table[:, 4], bench)
    answers = answers_of(turns, bench)
    start = None if strip is None else answers_of(_strip(strip, bench), bench).left[0]
    covariance = afternoon(bench)
    found, at = [], 0
    for rows in each:
        own = answers.taken(np.arange(at, at + len(rows)))
        at += len(rows)
        tried = THROWN if rows[0].fed_ul == 0 and start is not None else (0,)
        found.append(
            {thrown: _error_95(rows, own, _after(start, own, thrown), covariance) for thrown in tried}
        )
    return found


def _after(begun: Floats | None, answers: Answers, thrown: int) -> Floats | None:
    """How the start answers after so many deposits like the first."""
    if begun is None or not thrown:
        return begun
    passed = min(float(answers.left_by_start[0]), 0.999)
    kept = answers.left[0] / (1 - passed)
    found: Floats = kept + passed**thrown * (begun - kept)
    return found


def _strip(strip: BeadCycle, bench: PlungerBench) -> Turns:
    sweeps = np.array([[strip.prime_ul, strip.feed_ul, -strip.retract_ul]])
    rates = np.array([[strip.prime_ul_s, strip.retract_ul_s]])
    return strokes_of(sweeps, rates, np.array([strip.travel_s]), np.array([strip.volume_ul]), bench)


def _error_95(rows: Sequence[_Row], answers: Answers, begun: Floats | None, covariance: Floats) -> float:
    """What 95 % of the deposits are within, laid in this order after a start that answers as `begun` (None: as after
    many of the first).

    A straight line each: such deposits keep d = left/(1 − λ), and one that begins at s ends at d + λ·(s − d).
    """
    errors: list[Floats] = []
    for at, row in enumerate(rows):
        passed = min(float(answers.left_by_start[at]), 0.999)
        kept = answers.left[at] / (1 - passed)
        fade = passed ** np.arange(min(row.count, MOST_IN_CLASS))
        if begun is None:
            begun = kept
        starts = kept + fade[:, None] * (begun - kept)
        slopes = (answers.laid[at] + answers.laid_by_start[at] * starts) / row.volume_ul
        share = np.zeros(row.count)
        share[: fade.size] = 1.96 * np.sqrt(np.einsum("ij,jk,ik->i", slopes, covariance, slopes))
        errors.append(share)
        begun = kept + passed**row.count * (begun - kept)
    return float(np.percentile(np.concatenate(errors), 95)) if errors else 0.0

"""One push for deposits of many sizes: the dwell decides what a dot lays, the speed what a bead does.

    dot:   push a, dwell t(V), retract a − V          a the same for all, t found
    bead:  walked so that its pressure stores what the push a does

Why. What a bench is off from its profile (stiffness, consistency, index) asks for another push, by about the same share
ε of each push: a board's deposits would start from rest + ε·a instead of from rest. Where all pushes are alike all of
them start alike, every dot still lays exactly a − (a − V), and nothing is seen of the mistake. Where the push changes
from a to a', the difference ε·(a − a') comes out with the dots that follow:

    error of the first ≈ ε·(1/n + 1)·(a − a')/a', fading by the share (1/n + 1)·V/a a dot

With dwells all alike pushes differ by two and more on any board; with one push, dwells differ instead, and the few
deposits that are too large or too small for it are laid first and last. The push is chosen by what it costs in time
and what it leaves of such steps (`chosen_push`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.monotone import monotone_curve
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.cycle import Dots, dots_begun, most_flow_ul_s, retractions_ul, solved_dots
from pastewright.plunger.flow import driving_pressure_kpa, flow_ul_s
from pastewright.plunger.pressure import after_legs, still
from pastewright.plunger.storage import pressure_of_stored_kpa, stored_ul
from pastewright.plunger.table import dot_table

Floats = NDArray[np.float64]

# Dwells that are planned with. Controllers keep a dwell to a millisecond or two (measured on the virtual controllers);
# beyond the longest a further size of push costs less time than the wait (measured on the demo board: 0.6 s leaves
# steps of 30 %, 3 s takes 6 % more machine time).
LEAST_DWELL_S = 0.02
MOST_DWELL_S = 1.5

# Knots of one push's dwells; volumes read between them are within 1e-4 of solved ones (tests).
KNOTS = 40

# Candidates for the push, and how far above the least they go: a board's sizes seldom span more than 1 : 1000, which
# is 1 : 8 in pushes.
CANDIDATES = 32
CANDIDATE_SPAN = 8.0

# How wrong stiffness or consistency is taken to be when a push is chosen: a quiet afternoon (common practice: pastes
# thin by some per cent a degree).
DRIFT = 0.10

# Deposits of sizes within this share are one class when a push is chosen.
SAME_SIZE = 0.05
MOST_IN_CLASS = 400

# Where none holds the tolerance, a push is good that is within this of the best: the last tenth would cost much time.
NEARLY_BEST = 1.1

# The pressure that is planned with keeps this far below the limit, for what the ladder leaves.
OF_LIMIT = 0.999


@dataclass(frozen=True, slots=True)
class CommonPush:
    """One push [µL] and the dots it lays: `dwell_at_s` for each of the rising volumes `laid_ul` [µL]."""

    push_ul: float
    peak_kpa: float
    laid_ul: Floats
    dwell_at_s: Floats

    def lays(self, volumes_ul: Floats) -> NDArray[np.bool_]:
        """Tell which volumes this push lays within the dwells that are planned with."""
        inside: NDArray[np.bool_] = (volumes_ul >= self.laid_ul[0]) & (volumes_ul <= self.laid_ul[-1])
        return inside

    def dwells_s(self, volumes_ul: Floats) -> Floats:
        """Return the dwell [s] of each volume that it lays."""
        inside = np.clip(volumes_ul, self.laid_ul[0], self.laid_ul[-1])
        return monotone_curve(np.log(inside), np.log(self.laid_ul), self.dwell_at_s)


@lru_cache(maxsize=8)
def common_push(push_ul: float, bench: PlungerBench) -> CommonPush:
    """Return what one push lays, by dwell. The push must stay below the pressure limit at the tuned rate."""
    times, pressures, peaks = _decays(np.array([push_ul]), bench, KNOTS)
    laid = push_ul - retractions_ul(pressures[:, 0], bench)
    return CommonPush(push_ul, float(peaks[0]), laid, times)


def dots_of(volumes_ul: ArrayLike, push_ul: float, bench: PlungerBench) -> Dots:
    """Return dots of volumes > 0 [µL]: with the common push where it lays them, else with the nearest that does."""
    volumes = np.atleast_1d(np.asarray(volumes_ul, dtype=float))
    common = common_push(push_ul, bench)
    found = Dots(
        volumes,
        np.full_like(volumes, push_ul),
        np.full_like(volumes, bench.push_ul_s),
        np.full_like(volumes, common.peak_kpa),
        common.dwells_s(volumes),
    )
    for dwell, these in (
        (LEAST_DWELL_S, volumes < common.laid_ul[0]),
        (MOST_DWELL_S, volumes > common.laid_ul[-1]),
    ):
        if these.any():
            found = found.where(~these, _all_at(volumes, these, replace(bench, dwell_s=dwell)))
    return found


def _all_at(volumes: Floats, these: NDArray[np.bool_], bench: PlungerBench) -> Dots:
    """Dots of those volumes at the bench's dwell; the others stand in for the nearest of them."""
    low, high = float(volumes[these].min()), float(volumes[these].max())
    wanted = np.clip(volumes, low, high)
    if np.unique(volumes[these]).size <= 2:
        ends = solved_dots([low, high], bench)
        return ends.taken(np.where(wanted == low, 0, 1))
    return dot_table(low, high, bench).dots(wanted)


def bead_flow_ul_s(push_ul: float, bench: PlungerBench) -> float:
    """Flow [µL/s] of a bead whose pressure stores what the common push does."""
    _, pressures, _ = _decays(np.array([push_ul]), bench, 2)
    return min(float(flow_ul_s(pressures[0, 0], bench.tip)), most_flow_ul_s(bench))


def chosen_push(
    dots_ul: Sequence[float], beads: Sequence[tuple[float, float]], bench: PlungerBench, *, tolerance: float
) -> float:
    """Return the push [µL] that takes least time among those that hold the tolerance, or hold about as much as any.

    `dots_ul` are volumes [µL]; `beads` volumes [µL] and the least time of their walks [s]. `tolerance` is the share
    that 95 % of the deposits may be off when stiffness or consistency are `DRIFT` off, deposits laid by falling push.
    """
    candidates = _candidates(dots_ul, bench)
    surface = _Surface(candidates, bench)
    sizes = (_classes((volume, 1.0) for volume in dots_ul), _classes(beads))
    costs = [surface.cost(index, *sizes) for index in range(candidates.size)]
    allowed = max(tolerance, NEARLY_BEST * min(error for _, error in costs))
    good = [index for index, (_, error) in enumerate(costs) if error <= allowed]
    return float(candidates[min(good, key=lambda index: costs[index][0])])


def _candidates(dots_ul: Sequence[float], bench: PlungerBench) -> Floats:
    """Rising pushes [µL] below the pressure limit, from what the smallest dot needs at the longest dwell."""
    smallest = min(dots_ul, default=bench.rest_ul)
    low = float(solved_dots([smallest], replace(bench, dwell_s=MOST_DWELL_S)).push_ul[0])
    ladder = np.geomspace(low, low * CANDIDATE_SPAN, CANDIDATES)
    peaks = dots_begun(ladder, bench)[1]
    below = ladder[peaks <= OF_LIMIT * bench.limit_kpa]
    return below if below.size else ladder[:1]


def _decays(
    pushes: Floats, bench: PlungerBench, knots: int, above_rest_ul: float = 0.0
) -> tuple[Floats, Floats, Floats]:
    """Dwells [s], the pressure after each [kPa] dwells × pushes, and the peaks [kPa], after pushes from rest."""
    start = pressure_of_stored_kpa(np.array([bench.rest_ul + above_rest_ul]), bench.store)
    pressure, peaks = dots_begun(pushes, bench, start)
    times = np.geomspace(LEAST_DWELL_S, MOST_DWELL_S, knots)
    found = []
    for step in np.diff(times, prepend=0.0):
        pressure, _ = after_legs(pressure, [still(np.full_like(pressure, step))], bench, least_steps=4)
        found.append(pressure)
    return times, np.array(found), peaks


def _retractions_read(pressures: Floats, bench: PlungerBench) -> Floats:
    """Retraction from each pressure to rest [µL]; what flows meanwhile is read from a ladder."""
    low, high = float(pressures.min()), float(pressures.max())
    ladder = np.geomspace(max(low, 1.001 * bench.rest_kpa), high * 1.0001, KNOTS)
    leaks = stored_ul(ladder, bench.store) - bench.rest_ul - retractions_ul(ladder, bench)
    leak = monotone_curve(np.log(np.maximum(pressures, ladder[0])), np.log(ladder), leaks)
    spare: Floats = stored_ul(pressures, bench.store) - bench.rest_ul
    return spare - leak


class _Surface:
    """Volumes over push and dwell, for choosing; what is `passed_on` of a disturbance from one such dot to the next,
    and what is `kept` [µL] above rest where such dots follow each other and the paste is `DRIFT` thicker than planned.
    """

    def __init__(self, pushes: Floats, bench: PlungerBench) -> None:
        self.pushes, self.bench = pushes, bench
        self.times, pressures, _ = _decays(pushes, bench, KNOTS)
        self.full_kpa = pressures[0]
        nudge = 0.01 * float(pushes[0])
        _, nudged, _ = _decays(pushes, bench, KNOTS, above_rest_ul=nudge)
        back = _retractions_read(np.stack([pressures, nudged]), bench)
        self.laid = pushes - back[0]
        # What is left of the nudge after the same retraction; below yield nothing flows any more.
        self.passed_on = np.clip((back[1] - back[0]) / nudge, 0.0, 0.999)
        thick = replace(
            bench, tip=replace(bench.tip, consistency_kpa_sn=(1 + DRIFT) * bench.tip.consistency_kpa_sn)
        )
        _, drifted, _ = _decays(pushes, thick, KNOTS)
        left = _retractions_read(drifted, thick) - back[0]
        self.kept = left / (1 - self.passed_on)

    def cost(self, index: int, dots: Sequence["_Size"], beads: Sequence["_Size"]) -> tuple[float, float]:
        """Time of pushing, dwelling and walking [s], and the share that 95 % of the deposits are within."""
        rate = self.bench.push_ul_s
        rows, seconds = [], 0.0
        for size in dots:
            row, dwell_s = self._dot(index, size.volume_ul, size.count)
            rows.append(row)
            seconds += size.count * (dwell_s + 2 * row.push_ul / rate)
        flow = float(flow_ul_s(self.full_kpa[index], self.bench.tip))
        walked_s = np.array([max(size.seconds, size.volume_ul / max(flow, 1e-9)) for size in beads])
        flows = np.array([size.volume_ul for size in beads]) / walked_s
        stored = (
            stored_ul(driving_pressure_kpa(flows, self.bench.tip), self.bench.store) - self.bench.rest_ul
            if beads
            else flows
        )
        for size, walk_s, push in zip(beads, walked_s.tolist(), stored.tolist(), strict=True):
            seconds += size.count * (walk_s + 2 * push / rate)
            # A bead answers to what it begins with much as a dot of its volume and push does.
            like, _ = self._dot(index, size.volume_ul, size.count)
            rows.append(replace(like, push_ul=push, kept_ul=like.kept_ul * push / like.push_ul))
        return seconds, _error_95(sorted(rows, key=lambda row: (-row.push_ul, -row.volume_ul)))

    def _dot(self, index: int, volume: float, count: int) -> tuple["_Row", float]:
        """Dots of a size with the candidate, or the nearest push that lays it, and their dwell [s]."""
        laid = self.laid[:, index]
        if laid[0] <= volume <= laid[-1]:
            knots = np.arange(laid.size)
            at = float(np.interp(volume, laid, knots))
            push = float(self.pushes[index])
            passed_on, kept = (
                float(np.interp(at, knots, table[:, index])) for table in (self.passed_on, self.kept)
            )
            dwell_s = float(np.interp(at, knots, self.times))
        else:
            edge = 0 if volume < laid[0] else -1
            lanes = np.arange(self.pushes.size)
            along = np.maximum.accumulate(self.laid[edge])
            lane = float(np.interp(np.log(volume), np.log(along), lanes))
            push, passed_on, kept = (
                float(np.interp(lane, lanes, table))
                for table in (self.pushes, self.passed_on[edge], self.kept[edge])
            )
            dwell_s = float(self.times[edge])
        row = _Row(push_ul=push, volume_ul=volume, count=count, passed_on=passed_on, kept_ul=kept)
        return row, dwell_s


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """So many deposits of a size, one after the other."""

    push_ul: float
    volume_ul: float
    count: int
    passed_on: float
    kept_ul: float


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


def _error_95(rows: Sequence[_Row]) -> float:
    """Share that 95 % of the deposits are within, laid in this order by a bench that is `DRIFT` off.

    A chain of straight lines: each deposit begins at x, such deposits keep d, and it ends at d + λ·(x − d).
    """
    errors: list[Floats] = []
    begun = rows[0].kept_ul if rows else 0.0
    for row in rows:
        away = begun - row.kept_ul
        fade = row.passed_on ** np.arange(min(row.count, MOST_IN_CLASS))
        share = np.zeros(row.count)
        share[: fade.size] = np.abs((1 - row.passed_on) * away * fade / row.volume_ul)
        errors.append(share)
        begun = row.kept_ul + away * row.passed_on**row.count
    return float(np.percentile(np.concatenate(errors), 95)) if errors else 0.0

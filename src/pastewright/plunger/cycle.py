"""Volumes to cycles, from rest to rest, by solving the state equation: exact, for a handful at a time.

    dot:   push a, dwell, retract b = a − V          find a so that the cycle ends where it began, at P_rest
    bead:  prime p to P_ss(Q), walk T while feeding Q·T, retract r = p + Q·T − V    find Q so that it does

What ends at P_rest has delivered exactly V, since nothing is stored. Boards of many doses go through `table`,
which asks here for a few dozen and interpolates.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.flow import driving_pressure_kpa, flow_ul_s, steady_pressure_kpa
from pastewright.plunger.model import DotCycle
from pastewright.plunger.pressure import LEAST_STEPS, after_legs, pushed, retracted, still
from pastewright.plunger.ramp import Leg, ramp
from pastewright.plunger.roots import bracketed_roots
from pastewright.plunger.storage import pressure_of_stored_kpa, stored_ul

Floats = NDArray[np.float64]

# Roots are found to this share of the dose, well below what the integration itself leaves.
ROOT_SHARE = 2e-5

# How many pushes that just reach the pressure limit are tried, and how far above the flow at the limit the slowest of
# them is. Doses that need still more are pushed at that rate too: were it to go on for ever, the pressure would pass the
# limit by less than this share.
LIMITED_LANES = 40
SLOWEST_ABOVE = 0.005

# A push must outrun the flow it leads up to, by this share; the pressure of that flow stays this far below the limit,
# for the small overshoot on the way; and it keeps clear of the most that a push can leave behind at its end.
FLOW_OF_PUSH = 0.8
STEADY_OF_LIMIT = 0.95
STEADY_OF_REACH = 0.95


@dataclass(frozen=True, slots=True)
class Dots:
    """Solved dots, one a lane: volumes in µL, the push's rate in µL/s, the highest pressure in kPa, the dwell in s."""

    volume_ul: Floats
    push_ul: Floats
    push_ul_s: Floats
    peak_kpa: Floats
    dwell_s: Floats

    @property
    def retract_ul(self) -> Floats:
        """What is drawn back [µL], b = a − V."""
        return self.push_ul - self.volume_ul

    def where(self, these: NDArray[np.bool_], other: "Dots") -> "Dots":
        """Return these dots where `these` is true, the other's elsewhere; volumes stay."""
        return Dots(
            self.volume_ul,
            np.where(these, self.push_ul, other.push_ul),
            np.where(these, self.push_ul_s, other.push_ul_s),
            np.where(these, self.peak_kpa, other.peak_kpa),
            np.where(these, self.dwell_s, other.dwell_s),
        )

    def taken(self, lanes: NDArray[np.int64]) -> "Dots":
        """Return the dots of these lanes."""
        return Dots(
            self.volume_ul[lanes],
            self.push_ul[lanes],
            self.push_ul_s[lanes],
            self.peak_kpa[lanes],
            self.dwell_s[lanes],
        )


def dot_cycle(volume_ul: float, bench: PlungerBench) -> DotCycle:
    """Return the cycle that lays one dot of `volume_ul` > 0."""
    dots = solved_dots([volume_ul], bench)
    return DotCycle(
        volume_ul=volume_ul,
        push_ul=float(dots.push_ul[0]),
        push_ul_s=float(dots.push_ul_s[0]),
        dwell_s=bench.dwell_s,
        retract_ul=float(dots.retract_ul[0]),
        retract_ul_s=bench.push_ul_s,
        peak_kpa=float(dots.peak_kpa[0]),
    )


def solved_dots(volumes_ul: ArrayLike, bench: PlungerBench) -> Dots:
    """Return the dots of the given volumes > 0 [µL].

    Where the push as tuned would pass the pressure limit, the push is slowed until its peak is the limit.
    """
    volumes = np.atleast_1d(np.asarray(volumes_ul, dtype=float))
    if volumes.size and not float(volumes.min()) > 0:
        raise ValueError(f"a dot of {volumes.min()} µL; volumes must be above zero")
    dots = _pushed_at(volumes, np.full_like(volumes, bench.push_ul_s), bench)
    over = dots.peak_kpa > bench.limit_kpa * (1 + 1e-6)
    if not over.any() or not limited_fan(bench)[0].size:
        return dots
    return _pushed_at(volumes, _rates(volumes, bench), bench)


def limited_dots(volumes_ul: Floats, bench: PlungerBench) -> Dots:
    """Return the same as `solved_dots` where it is known that the largest of the volumes is held by the limit."""
    return _pushed_at(volumes_ul, _rates(volumes_ul, bench), bench)


def dots_pushed_at(volumes_ul: ArrayLike, rates_ul_s: ArrayLike, bench: PlungerBench) -> Dots:
    """Return the dots of volumes > 0 [µL], each pushed at its own rate [µL/s] whatever the pressure; drawn back as ever."""
    volumes = np.atleast_1d(np.asarray(volumes_ul, dtype=float))
    return _pushed_at(volumes, np.broadcast_to(np.asarray(rates_ul_s, dtype=float), volumes.shape), bench)


def _pushed_at(volumes: Floats, rates: Floats, bench: PlungerBench) -> Dots:
    pushes = _pushes(volumes, rates, bench)
    peaks = _pushed(pushes, rates, bench)[1]
    return Dots(volumes, pushes, rates, peaks, np.full_like(volumes, bench.dwell_s))


def dots_begun(
    pushes_ul: Floats, bench: PlungerBench, start_kpa: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return pressure after each push at the tuned rate and the highest on the way [kPa], from rest or `start_kpa`."""
    start = np.full_like(pushes_ul, bench.rest_kpa) if start_kpa is None else start_kpa + 0 * pushes_ul
    return _pushed(pushes_ul, bench.push_ul_s, bench, start)


def dot_end_kpa(
    pressure_kpa: ArrayLike,
    *,
    push_ul: ArrayLike,
    push_ul_s: ArrayLike,
    retract_ul: ArrayLike,
    bench: PlungerBench,
    least_steps: int = LEAST_STEPS,
) -> Floats:
    """Pressure after a dot's push, dwell and retraction, from any pressure before it [kPa]."""
    start = np.atleast_1d(np.asarray(pressure_kpa, dtype=float))
    pressure, _ = _pushed(np.asarray(push_ul, dtype=float), push_ul_s, bench, start)
    dwell = still(bench.dwell_s + np.zeros_like(pressure))
    pressure, _ = after_legs(pressure, [dwell], bench, least_steps=least_steps)
    return retracted(pressure, retract_ul, bench)


def _pushed(
    pushes: Floats, rates: ArrayLike, bench: PlungerBench, start_kpa: Floats | None = None
) -> tuple[Floats, Floats]:
    """Pressure after pushes and the highest on the way [kPa], from rest or `start_kpa`.

    What is pressed while the tip comes down has taken up the backlash, and lets nothing out.
    """
    start = np.full_like(pushes, bench.rest_kpa) if start_kpa is None else start_kpa
    pressed = np.minimum(bench.press_ul, pushes)
    if bench.press_ul > 0:
        start = pressure_of_stored_kpa(stored_ul(start, bench.store) + pressed, bench.store)
    backlash_ul = 0.0 if bench.press_ul > 0 else bench.backlash_ul
    way = ramp(pushes - pressed, rate_ul_s=rates, accel_ul_s2=bench.accel_ul_s2, backlash_ul=backlash_ul)
    return pushed(start, way, bench)


def _pushes(volumes: Floats, rates: Floats, bench: PlungerBench) -> Floats:
    """Push a [µL] for each volume at its rate: the root of (stored at the end) − (stored at rest)."""

    def surplus(push: Floats) -> Floats:
        end = dot_end_kpa(
            np.full_like(push, bench.rest_kpa),
            push_ul=push,
            push_ul_s=rates,
            retract_ul=np.maximum(push - volumes, 0.0),
            bench=bench,
        )
        return stored_ul(end, bench.store) - bench.rest_ul

    # With nothing drawn back some of the dose stays behind; from there on a larger push lets out more.
    low = volumes * (1 + 1e-9)
    # The dose flowing steadily through the dwell needs about this pressure; a guess to start from.
    rough = np.minimum(volumes / max(bench.dwell_s, 0.05), rates)
    high = low + stored_ul(driving_pressure_kpa(rough, bench.tip), bench.store) - bench.rest_ul
    for _ in range(60):
        short = surplus(high) > 0
        if not short.any():
            break
        low = np.where(short, high, low)
        high = np.where(short, volumes + 1.6 * (high - volumes), high)
    return bracketed_roots(surplus, low, high, tolerance=ROOT_SHARE * volumes)


def _rates(volumes: Floats, bench: PlungerBench) -> Floats:
    """Push rate [µL/s] for each volume: as tuned, or such that the push peaks at the pressure limit."""
    rates, laid = limited_fan(bench)
    found: Floats = np.exp(np.interp(np.log(volumes), np.log(laid), np.log(rates)))
    return np.where(volumes <= laid[0], bench.push_ul_s, found)


@lru_cache(maxsize=8)
def limited_fan(bench: PlungerBench) -> tuple[Floats, Floats]:
    """Return falling push rates [µL/s] and the rising volumes [µL] of the dots whose push just peaks at the limit.

    The first is the rate as tuned: up to its volume nothing needs slowing. Slower pushes reach the limit later and
    let out more on the way. Empty where no push can reach the limit.
    """
    floor = float(flow_ul_s(bench.limit_kpa, bench.tip))
    if floor >= bench.push_ul_s or floor <= 0:
        return np.empty(0), np.empty(0)
    # Above the flow at the limit by steps that close in on it, since the time to get there grows without end.
    fastest = bench.push_ul_s / floor - 1
    above = np.geomspace(fastest, min(SLOWEST_ABOVE, fastest / 2), LIMITED_LANES)
    rates = floor * (1 + above)
    span = float(stored_ul(bench.limit_kpa, bench.store)) - bench.rest_ul
    low, high = np.full_like(rates, 0.0), np.full_like(rates, span)

    def shortfall(push: Floats) -> Floats:
        return bench.limit_kpa - _pushed(push, rates, bench)[1]

    for _ in range(60):
        short = shortfall(high) > 0
        if not short.any():
            break
        high = np.where(short, 1.6 * high, high)
    pushes = bracketed_roots(shortfall, low, high, tolerance=1e-5 * bench.limit_kpa)
    pressure = _pushed(pushes, rates, bench)[0]
    pressure, _ = after_legs(pressure, [still(bench.dwell_s + np.zeros_like(pressure))], bench)
    return rates, pushes - retractions_ul(pressure, bench)


def retractions_ul(pressures_kpa: Floats, bench: PlungerBench) -> Floats:
    """Retraction [µL] that leads from each pressure ≥ P_rest to P_rest, with the flow meanwhile."""
    start = np.atleast_1d(np.asarray(pressures_kpa, dtype=float))
    spare = stored_ul(start, bench.store) - bench.rest_ul

    def surplus(back: Floats) -> Floats:
        end = retracted(start, back, bench)
        return stored_ul(end, bench.store) - bench.rest_ul

    return bracketed_roots(surplus, np.zeros_like(spare), spare, tolerance=ROOT_SHARE * spare * 1e-2)


@lru_cache(maxsize=64)
def most_flow_ul_s(bench: PlungerBench) -> float:
    """Largest steady flow planned with [µL/s]: by force, by the push's rate, and by how the push ends.

    While the plunger brakes, a stiff barrel loses pressure as fast as the plunger slows; no push, however long,
    leaves it higher than braking from its steady state at full rate does.
    """
    rate = bench.push_ul_s
    brake = Leg(np.array([rate / bench.accel_ul_s2]), np.array([rate]), np.array([0.0]))
    reach, _ = after_legs(np.array([steady_pressure_kpa(rate, bench.tip)]), [brake], bench)
    steady = min(STEADY_OF_LIMIT * bench.limit_kpa, STEADY_OF_REACH * float(reach[0]))
    return min(float(flow_ul_s(steady, bench.tip)), FLOW_OF_PUSH * rate)


def primes_ul(pressures_kpa: Floats, bench: PlungerBench) -> tuple[Floats, Floats]:
    """Push [µL] that leads from P_rest to each pressure ≥ P_rest, and the peak on the way [kPa]."""
    goal = np.atleast_1d(np.asarray(pressures_kpa, dtype=float))
    spare = stored_ul(goal, bench.store) - bench.rest_ul

    def surplus(push: Floats) -> Floats:
        end, _ = _pushed(push, bench.push_ul_s, bench)
        return stored_ul(end, bench.store) - stored_ul(goal, bench.store)

    high = spare * 1.05
    for _ in range(60):
        short = surplus(high) < 0
        if not short.any():
            break
        high = np.where(short, 1.6 * high, high)
    push = bracketed_roots(surplus, spare, high, tolerance=ROOT_SHARE * spare * 1e-2)
    return push, _pushed(push, bench.push_ul_s, bench)[1]

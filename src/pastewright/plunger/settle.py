"""A bench in an unknown state to one at rest: how long a strip must be laid before the first pad.

Nobody knows what pressure the last job, a new barrel or a thumb on the plunger has left, nor which side of the
backlash the drive stands on. A steady feed forgets it: pressure goes to P_ss(Q) from wherever it was, with the
time constant C·dP/dQ. Then the retraction from P_ss to P_rest, as after a bead, gives the known state.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.cycle import most_flow_ul_s, primes_ul, retractions_ul
from pastewright.plunger.flow import driving_pressure_kpa, steady_pressure_kpa
from pastewright.plunger.model import BeadCycle
from pastewright.plunger.pressure import after_fed, after_legs, pushed, time_constant_s
from pastewright.plunger.ramp import Leg, Ramp, ramp
from pastewright.plunger.storage import pressure_of_stored_kpa, stored_ul
from pastewright.plunger.walk import Walk, walk_lasting, walked_shares
from pastewright.profile.model import Profile

Floats = NDArray[np.float64]

# Settled means within this share of the steady pressure, whatever the pressure before was, from none to twice the
# steady one. A dot's volume goes with a power of about 1/n + 1 of what is stored, so 0.2 % here is near 1 % there.
SETTLED = 0.002
WORST_START = 2.0

# Least paste is spent at the slowest feed; this bounds the wait.
LONGEST_S = 30.0
FLOWS = 12  # feeds tried, from slow to fast; the least paste is flat about its best, own choice
MOST_OF_BARREL = 0.5  # a strip that takes more leaves nothing for a board, and is laid by nobody
CHUNKS = 240  # parts that the longest wait is looked at in: an eighth of a second each


class Settling(Struct, frozen=True, kw_only=True):
    """The strip: a bead's cycle along `walk`, laid at `flow_ul_s`. `cycle.volume_ul` leaves the tip if the bench
    starts at rest; up to `most_ul` if it starts at the worst.
    """

    cycle: BeadCycle
    walk: Walk
    flow_ul_s: float
    steady_kpa: float
    most_ul: float


def strip_of(profile: Profile) -> Settling:
    """Return the settling strip of a bench."""
    return settling(
        bench_of(profile),
        length_mm=profile.bed.strip_length_mm,
        speed_mm_s=min(profile.tuning.bead_mm_s, profile.machine.speed_xy_mm_s),
        accel_mm_s2=profile.machine.accel_xy_mm_s2,
    )


@lru_cache(maxsize=8)  # a plan asks for the same strip where it is put, and where it is laid
def settling(bench: PlungerBench, *, length_mm: float, speed_mm_s: float, accel_mm_s2: float) -> Settling:
    """Return the strip that settles the bench, `length_mm` long and walked no faster than `speed_mm_s`.

    It begins with the tip down: nobody knows what pressing on the way would do. Of a ladder of flows it takes the one
    that spends least paste within 30 s, or the quickest if none is that quick.
    """
    bench = bench.held_still()
    quickest = Walk(legs_mm=(length_mm,), speed_mm_s=speed_mm_s, accel_mm_s2=accel_mm_s2)
    flows = np.geomspace(0.003, 1.0, FLOWS) * most_flow_ul_s(bench)
    waits, peaks = _waits_s(flows, bench)
    waits = np.maximum(waits, quickest.time_s)
    allowed = (waits <= LONGEST_S) & (peaks <= bench.limit_kpa)
    if not allowed.any():
        allowed = waits <= max(LONGEST_S, float(waits.min()))
    spent = np.where(allowed, flows * waits, np.inf)
    best = int(np.argmin(spent))
    return laid_strip(float(flows[best]), walk_lasting(quickest, float(waits[best])), bench)


def laid_strip(flow: float, walk: Walk, bench: PlungerBench, *, starts_kpa: Sequence[float] = ()) -> Settling:
    """Return the strip of a flow [µL/s] along a walk. It ends right for a barrel that was at rest, or in the middle of
    what it does for each of the `starts_kpa`.
    """
    steady = steady_pressure_kpa(flow, bench.tip)
    primes, prime_peak = primes_ul(np.array([steady]), bench)
    prime, feed = float(primes[0]), flow * walk.time_s
    begun = np.array(starts_kpa or [bench.rest_kpa])
    primed, _ = pushed(begun, _prime(np.full_like(begun, prime), bench), bench)
    ends, highest = after_fed(
        stored_ul(primed, bench.store),
        np.full_like(begun, walk.time_s),
        lambda steps: feed * walked_shares([walk] * begun.size, steps),
        bench,
        least_steps=64,
    )
    ended = pressure_of_stored_kpa(stored_ul(ends, bench.store).mean(keepdims=True), bench.store)
    # The strip itself has made the barrel stiffer: on a large barrel that is worth several dots.
    gone = prime + feed - float(stored_ul(steady, bench.store)) + bench.rest_ul
    if gone < MOST_OF_BARREL * bench.store.paste_ul:
        bench_then = replace(bench, store=replace(bench.store, paste_ul=bench.store.paste_ul - gone))
    else:
        bench_then = bench
    back = float(retractions_ul(ended, bench_then)[0])
    worst = float(stored_ul(WORST_START * steady, bench.store)) - bench.rest_ul
    cycle = BeadCycle(
        volume_ul=prime + feed - back,
        prime_ul=prime,
        prime_ul_s=bench.push_ul_s,
        feed_ul=feed,
        travel_s=walk.time_s,
        retract_ul=back,
        retract_ul_s=bench.push_ul_s,
        peak_kpa=max(float(prime_peak[0]), float(highest.max())),
    )
    return Settling(
        cycle=cycle,
        walk=walk,
        flow_ul_s=flow,
        steady_kpa=steady,
        most_ul=cycle.volume_ul + worst + bench.backlash_ul,
    )


def _waits_s(flows: Floats, bench: PlungerBench) -> tuple[Floats, Floats]:
    """Time of feeding [s] after which both extreme starts are settled, and the highest pressure met [kPa]."""
    steady = driving_pressure_kpa(flows, bench.tip)
    prime, _ = primes_ul(steady, bench)
    # Low: no pressure, and the backlash swallows its part of the push as planned. High: twice the steady pressure,
    # and no backlash was left to swallow, so that its travel pushes paste too.
    low, _ = pushed(np.zeros_like(flows), _prime(prime, bench), bench)
    start = WORST_START * steady
    surplus = stored_ul(start, bench.store) + bench.backlash_ul
    high, peak = pushed(pressure_of_stored_kpa(surplus, bench.store), _prime(prime, bench), bench)
    pressure = np.concatenate([low, high])
    goal = np.concatenate([steady, steady])
    rate = np.concatenate([flows, flows])
    chunk = 0.125 * time_constant_s(goal, bench)
    waits = np.full_like(pressure, np.inf)
    for count in range(CHUNKS):
        fine = np.abs(pressure - goal) <= SETTLED * goal
        waits = np.where(fine & np.isinf(waits), count * chunk, waits)
        if np.isfinite(waits).all():
            break
        pressure, _ = after_legs(pressure, [Leg(chunk, rate, rate)], bench, least_steps=2)
    both = np.maximum(waits[: flows.size], waits[flows.size :])
    return np.where(np.isfinite(both), both, CHUNKS * chunk[: flows.size]), peak


def _prime(prime: Floats, bench: PlungerBench) -> Ramp:
    return ramp(
        prime, rate_ul_s=bench.push_ul_s, accel_ul_s2=bench.accel_ul_s2, backlash_ul=bench.backlash_ul
    )

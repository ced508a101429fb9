"""The settling strip before deposits that are known: as long as the first of them need it, and no longer.

A barrel at rest has been left somewhere between no pressure and a little above yield, and where nobody knows, on either
side of its backlash: so much is unknown of what is stored, D₀. A steady flow Q forgets, D = D₀·exp(−t/τ(Q)), at the
cost of Q·τ of paste for each factor e. What is left of D comes out with the first deposits; one that pushes much and
lays much hardly shows it. So the strip goes on until what is left moves none of them by more than a share of the
tolerance.

`settle` makes strips for what nobody knows: trials, and barrels in any state.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.cycle import dots_begun, most_flow_ul_s, primes_ul
from pastewright.plunger.flow import driving_pressure_kpa
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.pressure import after_legs, pushed, retracted, still, time_constant_s
from pastewright.plunger.ramp import Leg, ramp
from pastewright.plunger.settle import LONGEST_S, Settling, laid_strip
from pastewright.plunger.storage import pressure_of_stored_kpa, stored_ul
from pastewright.plunger.walk import Walk, walk_lasting
from pastewright.profile.model import Profile

Floats = NDArray[np.float64]

# How a barrel may have been left: from no pressure, with the backlash to be crossed, to one and a half times yield with
# none. Above that it oozes visibly while a program is begun (1e-4 µL/s on the demo's bench, calculated).
LEFT_YIELDS = 1.5

# Share of the tolerance that a first deposit may be moved by what the strip has left; the rest is for all else.
OF_TOLERANCE = 0.7

FIRST = 6  # deposits looked at: after so many the state is that of the deposits themselves
NUDGE = 0.02  # of what is stored at the first push's end; small enough that answers are in proportion

FLOWS = 32  # from slow to fast, 20 % apart
SLOWEST_SHARE = 0.004  # of the most flow
STEP_OF_TAU = 0.125  # times looked at, in time constants of the steady flow
CHUNKS = 160

# A µL of paste is worth so many seconds of machine time, where both may be chosen; own choice.
UL_IS_WORTH_S = 0.5

# A strip shorter than this cannot be laid straight; and the tip is not to outrun the paste.
LEAST_LENGTH_MM = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StripWish:
    """Where and how a strip may be laid: its length [mm], the tip's speed and acceleration, and the paste it may take.

    `drawn_back`: the backlash is to be crossed, for sure.
    """

    length_mm: float
    speed_mm_s: float
    accel_mm_s2: float
    most_ul: float
    drawn_back: bool


def strip_wish(profile: Profile) -> StripWish:
    """Return what a profile says of the strip."""
    return StripWish(
        length_mm=profile.bed.strip_length_mm,
        speed_mm_s=min(profile.tuning.bead_mm_s, profile.machine.speed_xy_mm_s),
        accel_mm_s2=profile.machine.accel_xy_mm_s2,
        most_ul=profile.bed.strip_most_ul,
        drawn_back=profile.plunger.drawn_back,
    )


def short_strip(
    firsts: Sequence[DotCycle | BeadCycle], bench: PlungerBench, wish: StripWish, *, tolerance: float
) -> Settling:
    """Return a quick and sparing strip after which the first deposits are right, within `most_ul` of paste.

    Where none is that sparing and done in half a minute, the one that takes least paste in this time.
    """
    allowed = left_over_ul(firsts, bench, tolerance=tolerance)
    bench = bench.held_still()
    flows = np.geomspace(SLOWEST_SHARE, 1.0, FLOWS) * most_flow_ul_s(bench)
    times, peaks = _times_s(flows, allowed, bench, drawn_back=wish.drawn_back)
    fits = (times <= LONGEST_S) & (peaks <= bench.limit_kpa)
    if not fits.any():
        fits = times <= times.min()
    # Quick and sparing at once; what leaks while pressure rises and falls shows when a strip is worked out.
    costs = np.where(fits & (flows * times <= wish.most_ul), times + UL_IS_WORTH_S * flows * times, np.inf)
    for at in np.argsort(costs)[: int(np.isfinite(costs).sum())].tolist():
        strip = _laid(float(flows[at]), float(times[at]), bench, wish)
        if strip.cycle.volume_ul <= wish.most_ul:
            return strip
    least = int(np.argmin(np.where(fits, flows * times, np.inf)))
    return _laid(float(flows[least]), float(times[least]), bench, wish)


def _laid(flow_ul_s: float, seconds: float, bench: PlungerBench, wish: StripWish) -> Settling:
    length = min(wish.length_mm, max(LEAST_LENGTH_MM, 0.9 * wish.speed_mm_s * seconds))
    walk = Walk(legs_mm=(length,), speed_mm_s=wish.speed_mm_s, accel_mm_s2=wish.accel_mm_s2)
    return laid_strip(flow_ul_s, walk_lasting(walk, seconds), bench)


def left_over_ul(firsts: Sequence[DotCycle | BeadCycle], bench: PlungerBench, *, tolerance: float) -> float:
    """Return how far from rest the barrel may be when the first deposit begins [µL]."""
    if not firsts:
        return tolerance * bench.rest_ul
    nudge = NUDGE * max(firsts[0].push_ul if isinstance(firsts[0], DotCycle) else firsts[0].prime_ul, 1e-6)
    start = np.array([0.0, nudge])
    worst = 0.0
    for cycle in firsts[:FIRST]:
        end = _after(cycle, start, bench)
        moved = abs((start[1] - start[0]) - (end[1] - end[0]))
        worst = max(worst, moved / nudge / cycle.volume_ul)
        start = end - end[0]  # the planned one ends at rest; what it is off by is the solver's
    return OF_TOLERANCE * tolerance / max(worst, 1e-9)


def _after(cycle: DotCycle | BeadCycle, above_rest_ul: Floats, bench: PlungerBench) -> Floats:
    """What is stored beyond rest after a cycle that began with `above_rest_ul` [µL, one a lane]."""
    pressure = pressure_of_stored_kpa(bench.rest_ul + above_rest_ul, bench.store)
    dot = isinstance(cycle, DotCycle)
    push = np.full_like(pressure, cycle.push_ul if isinstance(cycle, DotCycle) else cycle.prime_ul)
    pressure, _ = dots_begun(push, bench, pressure)
    if isinstance(cycle, DotCycle):
        way = still(np.full_like(pressure, cycle.dwell_s))
    else:
        rate = np.full_like(pressure, cycle.feed_ul / cycle.travel_s)
        way = Leg(np.full_like(pressure, cycle.travel_s), rate, rate)
    pressure, _ = after_legs(pressure, [way], bench, least_steps=8 if dot else 16)
    end = retracted(pressure, np.full_like(pressure, cycle.retract_ul), bench)
    after: Floats = stored_ul(end, bench.store) - bench.rest_ul
    return after


def _times_s(
    flows: Floats, allowed_ul: float, bench: PlungerBench, *, drawn_back: bool
) -> tuple[Floats, Floats]:
    """Time of feeding [s] until each end of what the barrel may have been is near enough to rest, and the peak [kPa]."""
    steady = driving_pressure_kpa(flows, bench.tip)
    prime, _ = primes_ul(steady, bench)
    goal = stored_ul(steady, bench.store)
    way = ramp(prime, rate_ul_s=bench.push_ul_s, accel_ul_s2=bench.accel_ul_s2, backlash_ul=bench.backlash_ul)
    high_ul = float(stored_ul(LEFT_YIELDS * bench.yield_kpa, bench.store))
    high_ul += 0.0 if drawn_back else bench.backlash_ul
    low, _ = pushed(np.zeros_like(flows), way, bench)
    high, peak = pushed(pressure_of_stored_kpa(np.full_like(flows, high_ul), bench.store), way, bench)
    pressure = np.concatenate([low, high])
    both, rate = np.concatenate([goal, goal]), np.concatenate([flows, flows])
    chunk = STEP_OF_TAU * time_constant_s(np.concatenate([steady, steady]), bench)
    times = np.full_like(pressure, np.inf)
    for count in range(1, CHUNKS):
        pressure, _ = after_legs(pressure, [Leg(chunk, rate, rate)], bench, least_steps=2)
        near = np.abs(stored_ul(pressure, bench.store) - both) <= allowed_ul
        times = np.where(near & np.isinf(times), count * chunk, times)
        if np.isfinite(times).all():
            break
    longest = np.maximum(times[: flows.size], times[flows.size :])
    return np.where(np.isfinite(longest), longest, CHUNKS * chunk[: flows.size]), peak

"""The settling strip before deposits that are known: as long as the first of them need it, and no longer.

How a barrel was left is not known for sure. What is ended here draws back: a program to rest, a stop, a purge or a
loading by more than a rest stores, so that no pressure is left. A hand, or a wait, may leave it otherwise: up to yield,
and where nobody knows, a little above and on the other side of its backlash. So much is unknown of what is stored, D₀. A
steady flow Q forgets, D = D₀·exp(−t/τ(Q)), at the cost of Q·τ of paste for each factor e. What is left of D comes out with
the first deposits; one that pushes much and lays much hardly shows it.

    none |-----------| rest |-----------| yield        the strip ends right for the middle of the first two,
          known here                                    so that each is off by half of what lies between them

The strip goes on until either of these moves no first deposit by more than `OF_KNOWN`, and the other ends none by more than
a share of the tolerance.

`settle` makes strips for what nobody knows: trials, and barrels in any state.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.answer import LEAST_BUBBLE_UL, Turns, answers_of, strokes_of, turns_of
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.chain import NAMES
from pastewright.plunger.cycle import dot_end_kpa, dots_begun, most_flow_ul_s, primes_ul, retractions_ul
from pastewright.plunger.flow import driving_pressure_kpa
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.played import played
from pastewright.plunger.pressure import after_legs, pushed, retracted, time_constant_s
from pastewright.plunger.ramp import Leg, ramp
from pastewright.plunger.settle import Settling, laid_strip
from pastewright.plunger.storage import pressure_of_stored_kpa, stored_ul
from pastewright.plunger.walk import Walk, walk_lasting
from pastewright.plunger.ways import AFTERNOON, HOP_IDLE_S, OF_ONE, afternoon
from pastewright.profile.model import Profile

Floats = NDArray[np.float64]

# How a barrel may have been left: from no pressure to yield, where it ends once it has oozed; where the plunger is moved by
# hand, to one and a half times yield, with no backlash to be crossed. Above that it oozes visibly while a program is begun
# (1e-4 µL/s on the demo's bench, calculated).
LEFT_YIELDS = 1.0
LEFT_BY_HAND_YIELDS = 1.5

# What a first deposit may be moved by a barrel that was left as all is ended here [-]: with what places are rounded to and
# tables leave, it stays within 1 %. Own choice.
OF_KNOWN = 0.0095

# Share of the tolerance that a first deposit may be moved by a barrel left otherwise; the rest is for all else.
OF_TOLERANCE = 0.7

# Where more air lets the first deposits be further off than asked, so many of the flows are laid in mind, for as long as
# they need and longer.
EVERY_FLOW = 3
AS_LONG = (1.0, 2.0, 4.0)

FIRST = 6  # deposits looked at: after so many the state is that of the deposits themselves
NUDGE = 0.02  # of what is stored at the first push's end; small enough that answers are in proportion

SLOWEST_SHARE = 0.004  # of the most that flows: the slowest strip
FLOWS = 64  # from slow to fast, 9 % apart: with 20 % between them up to 2 s were lost on the example benches
STEP_OF_TAU = 0.125  # times looked at, in time constants of the steady flow
CHUNKS = 160

# No strip takes longer. On a large barrel what a quick one leaves moves the first deposits most: on the 10 mL bench's top
# 30 s leave 6.9 % and take 17 µL, 50 s 5.5 % and 13 µL, 70 s 5.4 % and 11 µL (95 of 100 deposits, consistency 10 % off).
LONGEST_S = 50.0

# … but where the first deposits would be further off than asked even so, and what they are off lasts: a slower strip then
# takes less paste as well. In 5 mL behind a frame of 150 N/mm 49 s take 36 µL and leave a whole board 11 to 30 % off
# (an index 0.02 off), 85 s take 21 and leave 5. Own choice.
LONGEST_WHERE_IT_LASTS_S = 300.0

# A µL of paste is worth so many seconds of machine time, where both may be chosen; own choice.
UL_IS_WORTH_S = 0.5

# What the first deposits may be off on an afternoon's bench, of the tolerance asked for; and what a per cent beyond is
# worth in machine time. Own choice: of the demo board's 120 s and 8 % a per cent is some 0.4 %.
OF_AFTERNOON = 0.8
PERCENT_IS_WORTH_S = 0.5

# A strip shorter than this cannot be laid straight; and the tip is not to outrun the paste.
LEAST_LENGTH_MM = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StripWish:
    """Where and how a strip may be laid: its length [mm], the tip's speed and acceleration, and the paste it may take.

    `drawn_back`: the backlash is to be crossed, for sure. `within` is what the first deposits may be off on a bench that is
    off by an afternoon (`choice`) [-].
    """

    length_mm: float
    speed_mm_s: float
    accel_mm_s2: float
    most_ul: float
    drawn_back: bool
    within: float


def strip_wish(profile: Profile) -> StripWish:
    """Return what a profile says of the strip."""
    return StripWish(
        length_mm=profile.bed.strip_length_mm,
        speed_mm_s=min(profile.tuning.bead_mm_s, profile.machine.speed_xy_mm_s),
        accel_mm_s2=profile.machine.accel_xy_mm_s2,
        most_ul=profile.bed.strip_most_ul,
        drawn_back=profile.plunger.drawn_back,
        within=OF_AFTERNOON * profile.verify.tolerance,
    )


def short_strip(
    firsts: Sequence[DotCycle | BeadCycle],
    bench: PlungerBench,
    wish: StripWish,
    *,
    tolerance: float,
    thrown: int = 0,
) -> Settling:
    """Return a quick and sparing strip after which the first deposits are right, within `most_ul` of paste; so many of them
    are `thrown` away, and may be as they are.

    Where none is that sparing and done within `LONGEST_S`, one that takes little paste in this time. Strips that store about
    as much as the first push are sought: where a bench is off, what they leave is then off as what its like would leave.
    """
    moved_by_ul, laid_on = moved_by(firsts, bench, thrown=thrown), bench
    allowed = OF_KNOWN / moved_by_ul, OF_TOLERANCE * tolerance / moved_by_ul
    bench = bench.held_still()
    flows = np.geomspace(SLOWEST_SHARE, 1.0, FLOWS) * most_flow_ul_s(bench)
    times, peaks = _times_s(flows, allowed, bench, drawn_back=wish.drawn_back)
    fits = (times <= LONGEST_S) & (peaks <= bench.limit_kpa)
    if not fits.any():
        fits = times <= times.min()
    # What first deposits may be off beyond what is asked for, in per cent.
    beyond = 100 * np.maximum(first_errors(firsts, flows, times, laid_on, thrown=thrown) - wish.within, 0.0)
    # Quick and sparing at once; what leaks while pressure rises and falls shows when a strip is worked out.
    costs = times + UL_IS_WORTH_S * flows * times + PERCENT_IS_WORTH_S * beyond
    costs = np.where(fits & (flows * times <= wish.most_ul), costs, np.inf)
    for at in np.argsort(costs)[: int(np.isfinite(costs).sum())].tolist():
        strip = _laid(float(flows[at]), float(times[at]), bench, wish)
        if strip.cycle.volume_ul <= wish.most_ul:
            return _for_more_air(strip, firsts, (flows[fits], times[fits]), laid_on, wish, thrown=thrown)
    costs = flows * times + PERCENT_IS_WORTH_S * beyond
    least = int(np.argmin(np.where(fits, costs, np.inf)))
    # What the first deposits are off fades over so many, and on a large soft barrel is the whole board's.
    fades_over = 1 / (moved_by_ul * firsts[thrown].volume_ul) if len(firsts) > thrown else 0.0
    if beyond[least] > 0 and fades_over > FIRST:
        costs = times + UL_IS_WORTH_S * flows * times + PERCENT_IS_WORTH_S * fades_over / FIRST * beyond
        fits |= (times <= LONGEST_WHERE_IT_LASTS_S) & (peaks <= bench.limit_kpa)
        least = int(np.argmin(np.where(fits, costs, np.inf)))
    return _laid(float(flows[least]), float(times[least]), bench, wish)


def _for_more_air(
    strip: Settling,
    firsts: Sequence[DotCycle | BeadCycle],
    flows_and_times: tuple[Floats, Floats],
    bench: PlungerBench,
    wish: StripWish,
    *,
    thrown: int,
) -> Settling:
    """Return the strip, or another that goes before the first deposits better when there is more air: what a steady flow
    stores in a bubble is not what deposits leave, and a stiff barrel with a bubble forgets several times as slowly.
    """
    first, may_be = firsts[: thrown + FIRST], OF_ONE * wish.within

    def beyond(strips: Turns) -> Floats:
        off = with_more_air(strips, first, bench, thrown=thrown)
        found: Floats = 100 * np.maximum(off - may_be, 0.0).sum(axis=1)
        return found

    alone = float(beyond(turns_of([strip.cycle], bench))[0])
    if alone == 0:
        return strip
    flows = np.tile(flows_and_times[0][::EVERY_FLOW], len(AS_LONG))
    times = np.concatenate([flows_and_times[1][::EVERY_FLOW] * longer for longer in AS_LONG])
    some = (times <= LONGEST_S) & (flows * times <= wish.most_ul)
    flows, times = flows[some], times[some]
    strips = _strip_turns(flows, times, bench.held_still())
    costs = times + UL_IS_WORTH_S * flows * times + PERCENT_IS_WORTH_S * beyond(strips)
    least = strip.cycle.travel_s + UL_IS_WORTH_S * strip.cycle.volume_ul + PERCENT_IS_WORTH_S * alone
    for at in np.argsort(costs).tolist():
        if costs[at] >= least:
            break
        other = _laid(float(flows[at]), float(times[at]), bench.held_still(), wish)
        if other.cycle.volume_ul <= wish.most_ul:
            return other
    return strip


def with_more_air(
    strips: Turns, first: Sequence[DotCycle | BeadCycle], bench: PlungerBench, *, thrown: int
) -> Floats:
    """Return what the first deposits are off behind each of the strips with an afternoon's more air [-], strips × deposits:
    the more of what comes where the barrel was left without pressure and where it was left at rest.
    """
    airy = replace(bench.store, bubble_ul=bench.store.bubble_ul + AFTERNOON["bubble_ul"])
    rest_ul = float(stored_ul(bench.rest_kpa, airy))
    shifts = np.zeros((2, len(NAMES)))
    shifts[:, NAMES.index("bubble_ul")] = log(airy.bubble_ul / max(bench.store.bubble_ul, LEAST_BUBBLE_UL))
    chain = strips.before(turns_of(first, bench))
    own = np.arange(strips.volume_ul.size, chain.volume_ul.size)
    none, starts = np.zeros(own.size + 1), np.array([bench.rest_ul / 2, 0.0, rest_ul])
    found = np.empty((strips.volume_ul.size, len(first) - thrown))
    for at in range(len(found)):
        turns = chain.taken(np.concatenate([[at], own]))
        off = np.expm1(played(turns, bench, shifts, none, idle_s=HOP_IDLE_S, start_ul=starts))
        found[at] = np.abs(off[:, 1 + thrown :]).max(axis=0)
    return found


def _laid(flow_ul_s: float, seconds: float, bench: PlungerBench, wish: StripWish) -> Settling:
    length = min(wish.length_mm, max(LEAST_LENGTH_MM, 0.9 * wish.speed_mm_s * seconds))
    # Tip and plunger ramp together, as the slower of them can: a quick strip on a small barrel waits for the plunger, and
    # what is stored falls meanwhile.
    lasts_s = max(seconds, length / wish.speed_mm_s)
    accel_mm_s2 = min(wish.accel_mm_s2, bench.accel_ul_s2 * length / (flow_ul_s * lasts_s))
    walk = Walk(legs_mm=(length,), speed_mm_s=wish.speed_mm_s, accel_mm_s2=accel_mm_s2)
    return laid_strip(flow_ul_s, walk_lasting(walk, seconds), bench, starts_kpa=(0.0, bench.rest_kpa))


def first_errors(
    firsts: Sequence[DotCycle | BeadCycle],
    flows: Floats,
    times: Floats,
    bench: PlungerBench,
    *,
    thrown: int = 0,
) -> Floats:
    """Return what the worst of the first deposits may be off on an afternoon's bench [-] after strips of `flows` [µL/s],
    each laid for one of `times` [s].
    """
    if not firsts:
        return np.zeros_like(flows)
    told, off = afternoon(bench)
    still_bench = bench.held_still()
    begun = answers_of(_strip_turns(flows, times, still_bench), still_bench).left[:, told] * off
    first = firsts[: thrown + FIRST]
    answers, worst = answers_of(turns_of(first, bench), bench), np.zeros_like(flows)
    for at, cycle in enumerate(first):
        error = (answers.laid[at, told] * off + answers.laid_by_start[at] * begun) / cycle.volume_ul
        if at >= thrown:
            worst = np.maximum(worst, np.sqrt(np.square(error).sum(axis=1)))
        begun = answers.left[at, told] * off + answers.left_by_start[at] * begun
    return worst


def _strip_turns(flow_ul_s: Floats, seconds: Floats, bench: PlungerBench) -> Turns:
    """Strips of so much flow, laid for so long on a bench that is `held_still`."""
    steady = driving_pressure_kpa(flow_ul_s, bench.tip)
    prime, back, feed = primes_ul(steady, bench)[0], retractions_ul(steady, bench), flow_ul_s * seconds
    rates = np.full((feed.size, 2), bench.push_ul_s)
    return strokes_of(np.column_stack([prime, feed, -back]), rates, seconds, prime + feed - back, bench)


def moved_by(firsts: Sequence[DotCycle | BeadCycle], bench: PlungerBench, *, thrown: int = 0) -> float:
    """Return by how much of its volume the most touchy of the first deposits is moved for each µL that the barrel is from
    rest when the first begins [1/µL].
    """
    if not firsts:
        return 1 / max(bench.rest_ul, 1e-9)
    nudge = NUDGE * max(firsts[0].push_ul if isinstance(firsts[0], DotCycle) else firsts[0].prime_ul, 1e-6)
    start = np.array([0.0, nudge])
    worst = 0.0
    for at, cycle in enumerate(firsts[: thrown + FIRST]):
        end = _above_rest_ul(cycle, start, bench)
        moved = abs((start[1] - start[0]) - (end[1] - end[0]))
        worst = max(worst, moved / nudge / cycle.volume_ul) if at >= thrown else worst
        start = end - end[0]  # the planned one ends at rest; what it is off by is the solver's
    return max(worst, 1e-9)


def _above_rest_ul(cycle: DotCycle | BeadCycle, above_rest_ul: Floats, bench: PlungerBench) -> Floats:
    """What is stored beyond rest after a cycle that began with `above_rest_ul` [µL, one a lane]."""
    pressure = pressure_of_stored_kpa(bench.rest_ul + above_rest_ul, bench.store)
    if isinstance(cycle, DotCycle):
        end = dot_end_kpa(
            pressure,
            push_ul=np.full_like(pressure, cycle.push_ul),
            push_ul_s=bench.push_ul_s,
            retract_ul=np.full_like(pressure, cycle.retract_ul),
            bench=replace(bench, dwell_s=cycle.dwell_s),
            least_steps=8,
        )
    else:
        rate = np.full_like(pressure, cycle.feed_ul / cycle.travel_s)
        feed = Leg(np.full_like(pressure, cycle.travel_s), rate, rate)
        pressure, _ = dots_begun(np.full_like(pressure, cycle.prime_ul), bench, pressure)
        pressure, _ = after_legs(pressure, [feed], bench)
        end = retracted(pressure, np.full_like(pressure, cycle.retract_ul), bench)
    after: Floats = stored_ul(end, bench.store) - bench.rest_ul
    return after


def _times_s(
    flows: Floats, allowed_ul: tuple[float, float], bench: PlungerBench, *, drawn_back: bool
) -> tuple[Floats, Floats]:
    """Time of feeding [s] until each end of what the barrel may have been is near enough to the middle of the known ones,
    and the peak [kPa]; `allowed_ul` are for the known ends and for the other.
    """
    steady = driving_pressure_kpa(flows, bench.tip)
    prime, _ = primes_ul(steady, bench)
    way = ramp(
        np.tile(prime, 3),
        rate_ul_s=bench.push_ul_s,
        accel_ul_s2=bench.accel_ul_s2,
        backlash_ul=bench.backlash_ul,
    )
    yields = LEFT_YIELDS if drawn_back else LEFT_BY_HAND_YIELDS
    high_ul = float(stored_ul(yields * bench.yield_kpa, bench.store))
    high_ul += 0.0 if drawn_back else bench.backlash_ul
    lanes = np.repeat([0.0, bench.rest_ul, high_ul], flows.size)
    pressure, peaks = pushed(pressure_of_stored_kpa(lanes, bench.store), way, bench)
    rate, chunk = np.tile(flows, 3), np.tile(STEP_OF_TAU * time_constant_s(steady, bench), 3)
    times, before = np.full_like(flows, np.inf), np.full_like(flows, np.inf)
    for count in range(CHUNKS):
        none, rest, high = stored_ul(pressure, bench.store).reshape(3, -1)
        middle = (none + rest) / 2
        # So many times as far off as allowed, as a logarithm: it falls in a straight line, so that the last chunk is
        # seldom needed whole.
        far = np.maximum((rest - middle) / allowed_ul[0], np.abs(high - middle) / allowed_ul[1])
        over = np.log(np.maximum(far, 1e-12))
        reached = (over <= 0) & np.isinf(times)
        spared = np.where(np.isfinite(before), over / np.minimum(over - before, -1e-12), 0.0)
        times = np.where(reached, (count - spared) * chunk[: flows.size], times)
        if np.isfinite(times).all():
            break
        before = over
        pressure, _ = after_legs(pressure, [Leg(chunk, rate, rate)], bench, least_steps=2)
    return np.where(np.isfinite(times), times, CHUNKS * chunk[: flows.size]), peaks[-flows.size :]

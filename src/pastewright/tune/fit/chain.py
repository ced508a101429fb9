"""One set of constants through all strokes of a sheet, step by step: the loop of the forward model, compiled.

    dS/dt = q(t) − Q(P(S))       S(P) = c·P + V_air·P/(P0 + P)      c = A²/k + V_paste/K_bulk

as in `plunger`, with two things that planned cycles never meet but badly known benches do: below −P_y paste is drawn
back through the tip, and the bubble follows Boyle down to vacuum. The seal grips the plunger; what the frame's spring
takes up against it is held apart.

    stored = c·P + air(P), the plunger's own sweep y and the motor's U:  U = y + (A²/k)·P + held,  |held| ≤ A·F/k

Paste is the thicker the more structure it has, ln K = ln K₀ + s·λ; standing builds structure up, shear in the tip breaks
it down (Moore, Trans. Br. Ceram. Soc. 58 (1959), from memory; Mewis and Wagner, Adv. Colloid Interface Sci. 147 (2009)):

    dλ/dt = (1 − λ)/T − λ·|Q|/V_b        V_b the volume whose shear at the wall, 4V/πR³, is the breaking strain

The plunger slides with all of its grip against it, or it stands; then only paste and air give way, and the frame's spring
takes up the motor's way until the grip is spent.

Steps are exponential Rosenbrock of third order (Hochbruck and Ostermann, Exponential integrators, Acta Numerica 19
(2010), scheme exprb32), which stay stable on benches far stiffer than anyone expects; fits wander.
"""

from itertools import pairwise
from math import copysign, exp, expm1, sqrt
from os import cpu_count
from threading import Thread

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Standard atmosphere (ISO 2533:1975), as in `plunger.storage`; compiled code wants its constants at home.
P0_KPA = 101.325

# A wait begins with the shortest time constants and ends with the longest: each step is so many times the one before.
WAIT_GROWTH = 1.7

# Columns of a lane: a bench as the loop wants it.
(
    PER_MM,  # what a millimetre sweeps [µL]
    BACKLASH,  # [mm]
    BUBBLE,  # [µL]
    SPRING,  # A²/k [µL/kPa]
    GRIP,  # A·F/k [µL]
    YIELD,  # τ_y [kPa]
    TO_WALL,  # wall stress per pressure, R/2L
    START,  # pressure before the first turn [kPa]
    THICKENS,  # s/n
    BUILDS,  # T [s]
    BREAKS,  # V_b [µL]
    POWER,  # 1/n
    WHOLE,  # πR³ [mm³]
    OF_SQUARE,  # of the flow's three terms, with πR³·n: 1/(3n + 1)
    OF_FIRST,  # 2τ_y/(2n + 1) [kPa]
    OF_NONE,  # τ_y²/(n + 1) [kPa²]
) = range(16)
LANE = 16

# Benches do not know of each other: they run on so many cores at most, where each has so many to run (a thread costs
# a tenth of a millisecond, a bench one or two; own choice).
MOST_THREADS = 4
LEAST_LANES = 3

# The state: stored, held, net out since the turn began, the most of that, the most that was stored, structure.
STATE = 6


@inner
def pressure_kpa(stored_ul: float, linear: float, bubble: float) -> float:
    """Pressure of what is stored [kPa], the root of S(P) = S."""
    cubed = linear * P0_KPA
    b = cubed + bubble - stored_ul
    return (sqrt(b * b + 4.0 * cubed * stored_ul) - b) * (0.5 / linear)


@inner
def capacity_ul_kpa(pressure: float, linear: float, bubble: float) -> float:
    """Stored volume per pressure [µL/kPa]."""
    absolute = max(P0_KPA + pressure, 1e-3)
    return linear + bubble * P0_KPA / (absolute * absolute)


@inner
def flow_and_slope(pressure: float, lane: Floats, fluidity: float) -> tuple[float, float]:
    """Flow [µL/s] and its slope by pressure [µL/s/kPa]; see `plunger.flow` for the equations. Odd in the pressure.

    `fluidity` is K^(−1/n).
    """
    wall = abs(pressure) * lane[TO_WALL]
    excess = wall - lane[YIELD]
    if excess <= 0.0:
        return 0.0, 0.0
    flooded = lane[WHOLE] * fluidity * excess ** lane[POWER]
    shape = lane[OF_NONE] + excess * (lane[OF_FIRST] + excess * lane[OF_SQUARE])
    per_wall = 1.0 / wall
    flow = flooded * excess * shape * (per_wall * per_wall * per_wall)
    slope = max(flooded - 3.0 * flow, 0.0) * per_wall * lane[TO_WALL]
    return copysign(flow, pressure), slope


@inner
def stepped(
    state: tuple[float, float, float, float],
    swept: float,
    h: float,
    linear: float,
    lane: Floats,
    fluidity: float,
) -> float:
    """What is stored after one step of exprb32 [µL], with the sweep spread evenly over it.

    `state`: what is stored, its pressure, the flow and the flow's slope by pressure.
    """
    stored, pressure, flow, by_pressure = state
    slope = by_pressure / capacity_ul_kpa(pressure, linear, lane[BUBBLE])
    z = -slope * h
    if z > -1e-2:
        phi1 = 1.0 + z * (0.5 + z / 6.0)
        phi3 = 1.0 / 6.0 + z / 24.0
    else:
        per_z = 1.0 / z
        phi1 = expm1(z) * per_z
        phi3 = ((phi1 - 1.0) * per_z - 0.5) * per_z
    guess = stored + phi1 * (swept - h * flow)
    there, _ = flow_and_slope(pressure_kpa(guess, linear, lane[BUBBLE]), lane, fluidity)
    return guess + 2.0 * h * phi3 * (flow - there + slope * (guess - stored))


@inner
def gripped(
    stored: float, held: float, swept: float, h: float, paste: float, lane: Floats, fluidity: float
) -> tuple[float, float, float]:
    """One step with a seal that grips: what is stored and held after it, and what came out [µL]."""
    spring, grip, bubble = lane[SPRING], lane[GRIP], lane[BUBBLE]
    whole = paste + spring
    pressure = pressure_kpa(stored, whole, bubble)
    flow, by_pressure = flow_and_slope(pressure, lane, fluidity)
    if grip <= 0.0:
        after = stepped((stored, pressure, flow, by_pressure), swept, h, whole, lane, fluidity)
        return after, 0.0, swept - (after - stored)
    spent = grip * (1.0 - 1e-9)
    slides = False
    if held >= spent or held <= -spent:
        # How far the plunger itself would go in this step, were it to slide.
        soft = capacity_ul_kpa(pressure, paste, bubble) / capacity_ul_kpa(pressure, whole, bubble)
        way = flow * h + soft * (swept - flow * h)
        slides = way > 0.0 if held > 0.0 else way < 0.0
    if slides:
        after = stepped((stored, pressure, flow, by_pressure), swept, h, whole, lane, fluidity)
        out = swept - (after - stored)
        held_after = held
    else:
        own = stored - spring * pressure
        after = stepped((own, pressure, flow, by_pressure), 0.0, h, paste, lane, fluidity)
        out = own - after
        in_all = after + spring * pressure_kpa(after, paste, bubble)
        held_after = held + (swept - out) - (in_all - stored)
    held_after = min(max(held_after, -grip), grip)
    return stored + held + swept - out - held_after, held_after, out


@inner
def walked(at_s: float, seconds: float, rise_s: float, rates: tuple[float, float]) -> float:
    """Share of the way done at a time [-], for a trapezoid of `seconds` with ramps of `rise_s`; `rates` are those of
    `rates_of`.
    """
    up = min(at_s, rise_s)
    down = max(at_s - (seconds - rise_s), 0.0)
    return rates[0] * ((at_s - up) + (up * up - down * down) * rates[1])


@inner
def rates_of(seconds: float, rise_s: float) -> tuple[float, float]:
    """Share of a trapezoid's way done by second between its ramps, and one over twice its ramp [1/s]."""
    return 1.0 / max(seconds - rise_s, 1e-12), 0.5 / max(rise_s, 1e-12)


@inner
def through_stroke(
    state: Floats,
    stroke: tuple[float, float, float, float],
    steps: int,
    paste: float,
    lane: Floats,
    fluidity: float,
) -> None:
    """Take the state through one stroke or wait.

    `state` (see `STATE`) is changed. A step's structure is that of its middle, guessed from the step before.
    `stroke`: the motor's way [mm], forward positive, its time [s], its ramps [s], and how much of the way is slack [mm].
    """
    delta, seconds, rise, dead = stroke
    share, growth = 1.0 / steps, 1.0
    if delta == 0.0:
        pressure = pressure_kpa(state[0], paste + lane[SPRING], lane[BUBBLE])
        if abs(pressure) * lane[TO_WALL] <= lane[YIELD]:
            state[5] = 1.0 - (1.0 - state[5]) * exp(-seconds / lane[BUILDS])
            return
        share, growth = (WAIT_GROWTH - 1.0) / (WAIT_GROWTH**steps - 1.0), WAIT_GROWTH
    rates = rates_of(seconds, rise)
    sign = copysign(lane[PER_MM], delta)
    before_mm, passed, kept = 0.0, 0.0, 1.0
    h = seconds * share
    unbuilt = exp(-h / lane[BUILDS])
    for step in range(steps):
        swept = 0.0
        passed += h
        if delta != 0.0:
            end = seconds if step == steps - 1 else passed
            way_mm = max(abs(delta) * walked(end, seconds, rise, rates) - dead, 0.0)
            swept = sign * (way_mm - before_mm)
            before_mm = way_mm
        elif step > 0:
            unbuilt = exp(-h / lane[BUILDS])
        thinned = fluidity
        if lane[THICKENS] != 0.0:
            # What breaks down in half of a step is the root of what breaks down in all of it.
            thinned *= exp(-lane[THICKENS] * state[5] * sqrt(kept))
        stored, held, out = gripped(state[0], state[1], swept, h, paste, lane, thinned)
        state[0], state[1] = stored, held
        kept = exp(-abs(out) / lane[BREAKS])
        state[5] = (1.0 - (1.0 - state[5]) * unbuilt) * kept
        state[2] += out
        state[3] = max(state[3], state[2])
        state[4] = max(state[4], stored)
        h *= growth


@inner
def chain(
    at: int,
    strokes: Floats,
    counts: Ints,
    turns: tuple[Floats, Floats],
    lane: Floats,
    steps: tuple[int, int],
    state: Floats,
    found: Floats,
) -> None:
    """Run the bench number `at` through all turns and write what `chains` gives into its part of `found`."""
    paste, fluidity = turns
    start = lane[START]
    state[0] = (paste[0] + lane[SPRING]) * start
    state[0] += lane[BUBBLE] * start / (P0_KPA + max(start, -0.9 * P0_KPA))
    state[1] = -lane[GRIP]
    state[5] = 1.0
    motor, follower = 0.0, lane[BACKLASH]  # the plunger is within [motor, motor + backlash]
    for turn in range(counts.size):
        state[2], state[3], state[4] = 0.0, 0.0, state[0]
        for slot in range(counts[turn]):
            delta, seconds, rise = strokes[turn, slot, 0], strokes[turn, slot, 1], strokes[turn, slot, 2]
            motor += delta
            there = min(max(follower, motor), motor + lane[BACKLASH])
            stroke = (delta, seconds, rise, abs(delta) - abs(there - follower))
            follower = there
            count = steps[1] if delta == 0.0 else steps[0]
            through_stroke(state, stroke, count, paste[turn], lane, fluidity[turn, at])
            # What comes and goes while the tip is still on its way is not on the board yet.
            if slot == 0 and delta == 0.0:
                state[3] = state[2]
        found[0, turn, at] = state[3]
        found[1, turn, at] = state[3] - state[2]
        found[2, turn, at], found[3, turn, at] = state[0], state[1]
        found[4, turn, at] = pressure_kpa(state[4], paste[turn] + lane[SPRING], lane[BUBBLE])


@entry
def _chains(
    strokes: Floats,
    counts: Ints,
    turns: tuple[Floats, Floats],
    lanes: Floats,
    part: tuple[int, int],
    steps: tuple[int, int],
    state: Floats,
    found: Floats,
) -> None:
    for at in range(part[0], part[1]):
        chain(at, strokes, counts, turns, lanes[at], steps, state, found)


def chains(
    strokes: Floats,
    counts: Ints,
    turns: tuple[Floats, Floats],
    lanes: Floats,
    steps: tuple[int, int],
) -> Floats:
    """Run benches through all turns: what came out, was drawn back, is stored and held at the turn's end [µL], and
    the turn's highest pressure [kPa], 5 × turns × lanes.

    `strokes` are turns × most strokes × (way [mm], time [s], ramps [s]), `counts` how many each turn has; `turns` are
    V_paste/K_bulk [µL/kPa] by turn and K^(−1/n) by turn and lane; `lanes` are lanes × `LANE`; `steps` those of a stroke
    and of a wait.
    """
    count = lanes.shape[0]
    found = np.empty((5, counts.size, count))

    def part(first: int, last: int) -> None:
        _chains(strokes, counts, turns, lanes, (first, last), steps, np.zeros(STATE), found)

    # Threads of the moment and none kept: a process that forks has no thread to lose.
    parts = max(min(cpu_count() or 1, MOST_THREADS, count // LEAST_LANES), 1)
    ends = [count * at // parts for at in range(parts + 1)]
    others = [Thread(target=part, args=pair) for pair in pairwise(ends[1:])]
    for other in others:
        other.start()
    part(0, ends[1])
    for other in others:
        other.join()
    return found

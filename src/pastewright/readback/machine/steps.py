"""The barrel's steps forward, compiled: what `barrel` says of state, equations and methods, as loops over numbers.

A bench is the twelve numbers of `Numbers`, its flow the table's two columns; the state is an array of the places below.

Longer than 400 lines because the state and the loops that change it are one calculation, compiled together.
"""

from math import exp, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Numbers = tuple[float, float, float, float, float, float, float, float, float, float, float, float]
"""A bench: sweep_ul_mm, frame_ul_kpa, bulk_kpa, bubble_ul, backlash_mm, grip_ul, yield_kpa, per_root, tolerance_ul; what
structure takes of the flow's logarithm, the time in which it comes back [s], the volume that breaks it [µL]."""
SWEEP, FRAME, BULK, BUBBLE, BACKLASH, GRIP, YIELD, PER_ROOT, TOLERANCE, THICKENS, BUILDS, BREAKS = range(12)

PLACES = 15
STORED, PASTE, PEAK, HELD, STIFF, SOFT, LOW, HIGH, RESTING, CLOCK, PLUNGER, TRACING, TRACED, BUILT, EASE = (
    range(PLACES)
)
"""µL stored and left, kPa highest since asked; what the frame holds; the springs of this row; the limits of rest, whether
at rest; s, mm; whether a trace is kept, and its length; the paste's structure, and what it leaves of the flow."""

# While structure matters, a step lets out no more than this share of the volume that breaks it.
OF_BREAKS = 0.1
MATTERS = 1e-3  # of the flow

ATMOSPHERE_KPA = 101.325  # as in `barrel`; compiled code wants its constants at home
# A sweep of more than this share of the paste changes the springs on its way; it is followed in pieces. That is the
# settling strip's of a large barrel, which no deposit comes near.
MUCH = 0.002
MOST_PIECES = 200  # bounds the pieces where hardly any paste is left; own choice

MOST_STEPS = 20_000  # in one part of a move; a good move takes about ten
LONGEST_TRACE = 1 << 16  # samples; what comes after is not drawn


@entry
def through_rows(
    state: Floats,
    rows: tuple[Floats, Floats, Floats],
    out: tuple[Floats, Floats, Floats, Floats, Floats],
    trace: Floats,
    follower_mm: float,
    trace_rows: int,
    bench: Numbers,
    table: tuple[Floats, Floats],
) -> None:
    """Take the barrel through all rows.

    `rows`: drive [mm] (one more than there are rows), duration [s], ramp [s]; `out`, changed: paste out [µL], highest
    and last pressure [kPa], last structure of each row, and of all where the plunger is then [mm] and the lowest pressure
    met [kPa]; `trace` (N×3), changed: s, kPa, mm.
    """
    _through(state, rows, (0, rows[1].size, 0), out, trace, (follower_mm, trace_rows), bench, table)


@entry
def through_each(
    begun: Floats,
    bounds: Ints,
    rows: tuple[Floats, Floats, Floats],
    out: tuple[Floats, Floats, Floats, Floats, Floats],
    trace: Floats,
    bench: Numbers,
    table: tuple[Floats, Floats],
) -> None:
    """Take V barrels, each through its own rows, as `through_rows` does; all slack is to be crossed.

    `begun` (V×PLACES), changed: the states; `bounds` (V+1): where the rows of each begin and end. `drive` has one number
    more for each, which stands before its rows.
    """
    drive = rows[0]
    for number in range(bounds.size - 1):
        first, last = bounds[number], bounds[number + 1]
        follower = drive[first + number] + bench[BACKLASH]
        _through(begun[number], rows, (first, last, number), out, trace, (follower, 0), bench, table)


@inner
def _through(
    state: Floats,
    rows: tuple[Floats, Floats, Floats],
    which: tuple[int, int, int],
    out: tuple[Floats, Floats, Floats, Floats, Floats],
    trace: Floats,
    begun: tuple[float, int],
    bench: Numbers,
    table: tuple[Floats, Floats],
) -> None:
    """Take the barrel through the rows from `which` on, and before; its third tells how much further on `drive` stands.

    `begun`: where the plunger is [mm], and how many rows are traced.
    """
    drive, durations, ramps = rows
    out_ul, peak_kpa, last_kpa, built, ended = out
    from_row, before_row, ahead = which
    follower, trace_rows = begun
    lowest, clock = 0.0, 0.0
    state[TRACING] = 1.0 if trace_rows > 0 else 0.0
    _begin_row(state, bench)
    for row in range(from_row, before_row):
        if row == trace_rows:
            state[TRACING] = 0.0
        start, at, seconds = drive[row + ahead], drive[row + ahead + 1], durations[row]
        moved = 0.0
        if at != start:
            moved = min(max(follower, at), at + bench[BACKLASH]) - follower
        out_ul[row] = _row(state, moved, (start, at, clock, seconds, ramps[row]), bench, table, trace)
        follower += moved
        pressure = _pressure(state, bench)
        last_kpa[row], built[row] = pressure, state[BUILT]
        peak_kpa[row] = max(pressure, state[PEAK])
        state[PEAK] = -inf
        lowest = min(lowest, pressure)
        clock += seconds
        count = int(state[TRACED])
        if state[TRACING] > 0.0 and not (count > 0 and trace[count - 1, 0] >= clock):
            _keep(state, trace, clock, pressure, at)
    ended[0], ended[1] = follower, lowest


@inner
def _keep(state: Floats, trace: Floats, clock: float, pressure: float, at: float) -> None:
    count = int(state[TRACED])
    if count < LONGEST_TRACE:
        trace[count, 0], trace[count, 1], trace[count, 2] = clock, pressure, at
        state[TRACED] = count + 1


@inner
def _row(
    state: Floats,
    moved_mm: float,
    drive: tuple[float, float, float, float, float],
    bench: Numbers,
    table: tuple[Floats, Floats],
    trace: Floats,
) -> float:
    """Return what comes out [µL] while the plunger moves; `drive`: where from and to [mm], the clock, duration, ramp [s]."""
    start, at, clock, seconds, ramp_s = drive
    swept = moved_mm * bench[SWEEP]
    if bench[GRIP] > 0.0 and state[RESTING] > 0.0:
        pressure, held = _placed(state, swept, 0.0, bench)
        if abs(pressure) <= bench[YIELD]:
            state[STORED] += swept
            state[HELD] = held
            _worked(state, seconds, 0.0, bench)
            return 0.0
    if moved_mm == 0.0 and (state[RESTING] > 0.0 or seconds <= 0.0):
        _worked(state, seconds, 0.0, bench)
        return 0.0
    after = state[STORED] + swept
    at_rest = state[LOW] <= state[STORED] <= state[HIGH] and state[LOW] <= after <= state[HIGH]
    if bench[GRIP] == 0.0 and at_rest:
        state[STORED] = after
        _worked(state, seconds, 0.0, bench)
        return 0.0
    _begin_row(state, bench)
    state[CLOCK], state[PLUNGER] = clock, at
    if moved_mm == 0.0:
        return _advance(state, 0.0, 0.0, seconds, bench, table, trace)
    return _follow(state, moved_mm / (at - start), swept, seconds, ramp_s, bench, table, trace)


@inner
def _worked(state: Floats, seconds: float, came_ul: float, bench: Numbers) -> None:
    """Let the paste stand for a time and then flow so much: dλ/dt = (1 − λ)/T − λ·|Q|/V, in two steps."""
    if bench[THICKENS] == 0.0:
        return
    built = 1.0 - (1.0 - state[BUILT]) * exp(-seconds / bench[BUILDS])
    state[BUILT] = built * exp(-abs(came_ul) / bench[BREAKS])
    state[EASE] = exp(-bench[THICKENS] * state[BUILT])


@inner
def _longest(state: Floats, flow_ul_s: float, h: float, bench: Numbers) -> float:
    """Return the time of a step [s] in which the structure changes little."""
    if abs(bench[THICKENS]) * state[BUILT] < MATTERS or flow_ul_s == 0.0:
        return h
    return min(h, OF_BREAKS * bench[BREAKS] / abs(flow_ul_s))


@inner
def _begin_row(state: Floats, bench: Numbers) -> None:
    """Take the paste left into account: the springs and the limits of rest follow from it."""
    paste = max(state[PASTE], 0.0)
    state[SOFT] = paste / bench[BULK]
    state[STIFF] = bench[FRAME] + state[SOFT]
    first = bench[YIELD]
    state[HIGH] = state[STIFF] * first + bench[BUBBLE] * first / (ATMOSPHERE_KPA + first)
    state[LOW] = -inf  # no vacuum is deep enough to draw paste back,
    if first < ATMOSPHERE_KPA:  # or one is
        state[LOW] = -state[STIFF] * first - bench[BUBBLE] * first / (ATMOSPHERE_KPA - first)
    state[RESTING] = 1.0 if _rests(state, bench) else 0.0


@inner
def _rests(state: Floats, bench: Numbers) -> bool:
    if bench[GRIP] > 0.0:
        return bool(abs(_pressure(state, bench)) <= bench[YIELD])
    return bool(state[LOW] <= state[STORED] <= state[HIGH])


@inner
def _pressure_of(stored: float, stiff: float, bubble: float) -> float:
    """Return the root of S(P) = S [kPa] with springs of `stiff` [µL/kPa] beside the bubble: a quadratic."""
    if bubble == 0.0:
        return stored / stiff
    b = stiff * ATMOSPHERE_KPA + bubble - stored
    return (-b + sqrt(b * b + 4 * stiff * stored * ATMOSPHERE_KPA)) / (2 * stiff)


@inner
def _pressure(state: Floats, bench: Numbers) -> float:
    """Return the gauge pressure [kPa] of what is stored."""
    return _pressure_of(state[STORED] - state[HELD], state[STIFF], bench[BUBBLE])


@inner
def _follow(
    state: Floats,
    share: float,
    sweep_ul: float,
    seconds: float,
    ramp_s: float,
    bench: Numbers,
    table: tuple[Floats, Floats],
    trace: Floats,
) -> float:
    """Return what comes out [µL] in a move whose last `share` sweeps `sweep_ul` (the rest is slack).

    Part of the path per second: rises over the ramp to w = 1/(T − ramp), stays, and falls.
    """
    if ramp_s < 1e-9 * seconds:
        ramp_s = 0.0
    rate = 1.0 / (seconds - ramp_s)
    in_ramp = rate * ramp_s / 2
    dead = max(1.0 - share, 0.0)
    full = sweep_ul / share * rate
    cruise = seconds - 2 * ramp_s
    idle, first, rise = 0.0, 0.0, ramp_s
    fall_from, fall = full, ramp_s
    if 0.0 < dead < in_ramp:
        idle = sqrt(2 * dead * ramp_s / rate)
        first, rise = full * idle / ramp_s, ramp_s - idle
    elif in_ramp <= dead < 1.0 - in_ramp:
        past = (dead - in_ramp) / rate
        idle, rise, cruise = ramp_s + past, 0.0, cruise - past
    elif dead > 0.0:
        fall = sqrt(max(2 * (1.0 - dead) * ramp_s / rate, 0.0))
        idle, rise, cruise = seconds - fall, 0.0, 0.0
        fall_from = full * fall / ramp_s if ramp_s > 0 else 0.0
    out = 0.0
    if idle > 0.0:
        out += _advance(state, 0.0, 0.0, idle, bench, table, trace)
    if rise > 0.0:
        out += _advance(state, first, full, rise, bench, table, trace)
    if cruise > 0.0:
        out += _advance(state, full, full, cruise, bench, table, trace)
    if fall > 0.0:
        out += _advance(state, fall_from, 0.0, fall, bench, table, trace)
    return out


@inner
def _advance(
    state: Floats,
    first_ul_s: float,
    last_ul_s: float,
    seconds: float,
    bench: Numbers,
    table: tuple[Floats, Floats],
    trace: Floats,
) -> float:
    """Return what comes out [µL] while the plunger's sweep goes evenly from first to last [µL/s]."""
    sweep = (first_ul_s + last_ul_s) / 2 * seconds
    pieces = 1
    if sweep > MUCH * state[PASTE]:
        pieces = min(int(sweep / (MUCH * max(state[PASTE], 1.0))) + 1, MOST_PIECES)
    whole = 0.0
    for piece in range(pieces):
        begin = first_ul_s + (last_ul_s - first_ul_s) * piece / pieces
        end = first_ul_s + (last_ul_s - first_ul_s) * (piece + 1) / pieces
        if bench[GRIP] > 0.0:
            out = _gripped(state, begin, end, seconds / pieces, bench, table, trace)
        else:
            out = _sliding(state, begin, end, seconds / pieces, bench, table, trace)
        state[PASTE] -= out
        if pieces > 1:
            _begin_row(state, bench)
        whole += out
    state[RESTING] = 1.0 if _rests(state, bench) else 0.0
    return whole


@inner
def _sliding(
    state: Floats,
    first_ul_s: float,
    last_ul_s: float,
    seconds: float,
    bench: Numbers,
    table: tuple[Floats, Floats],
    trace: Floats,
) -> float:
    """Return what comes out [µL] of a barrel whose seal does not grip."""
    left, q, dq = seconds, first_ul_s, (last_ul_s - first_ul_s) / seconds
    begun, h = state[STORED], seconds
    low, high = state[LOW], state[HIGH]
    flowed = False
    steps = 0
    while left > 1e-12 * seconds:
        stored = state[STORED]
        if low < stored < high or (q == 0.0 and dq == 0.0 and low <= stored <= high):
            spent = _rest(state, q, dq, left)
            _worked(state, spent, 0.0, bench)
        else:
            flowed = True
            spent, h = _step(state, q, dq, min(h, left), bench, table)
            _worked(state, spent, (q + dq * spent / 2) * spent - (state[STORED] - stored), bench)
        q += dq * spent
        left -= spent
        state[CLOCK] += spent
        steps += 1
        if state[TRACING] > 0.0:
            _keep(state, trace, state[CLOCK], _pressure(state, bench), state[PLUNGER])
        if steps > MOST_STEPS:
            flow = state[EASE] * _flow_and_slope(state[STORED], state[STIFF], bench, table)[0]
            state[STORED] += q * left + dq * left * left / 2 - flow * left
            break
    if not flowed:
        return 0.0
    came: float = (first_ul_s + last_ul_s) / 2 * seconds - (state[STORED] - begun)
    return came


@inner
def _rest(state: Floats, q: float, dq: float, left: float) -> float:
    """Move S with the plunger while nothing flows; return the time until it does, or all that is left."""
    sweep = (q + dq * left / 2) * left
    after = state[STORED] + sweep
    if state[LOW] <= after <= state[HIGH]:
        state[STORED] = after
        return left
    border: float = state[HIGH] if sweep > 0 else state[LOW]
    need = border - state[STORED]
    # need = q·t + dq·t²/2; this form of the root has no difference of near equals.
    root = sqrt(max(q * q + 2 * dq * need, 0.0))
    state[STORED] = border
    spent: float = min(2 * need / (q + (root if sweep > 0 else -root)), left)
    return spent


@inner
def _flow_and_slope(
    stored: float, stiff: float, bench: Numbers, table: tuple[Floats, Floats]
) -> tuple[float, float, float]:
    """Return Q [µL/s], dQ/dS [1/s] and P [kPa] for what is stored."""
    bubble, per_root = bench[BUBBLE], bench[PER_ROOT]
    pressure = _pressure_of(stored, stiff, bubble)
    over = abs(pressure) - bench[YIELD]
    if over <= 0.0:
        return 0.0, 0.0, pressure
    capacity = stiff + bubble * ATMOSPHERE_KPA / (ATMOSPHERE_KPA + pressure) ** 2
    flows, slopes = table
    root = sqrt(over)
    place = root * per_root
    cell = min(int(place), flows.size - 2)
    slope = slopes[cell]
    flow = flows[cell] + slope * (place - cell) / per_root
    if place < 0.5:
        root = 0.5 / per_root
    return (flow if pressure > 0 else -flow), slope / (2 * root * capacity), pressure


@inner
def _step(
    state: Floats, q: float, dq: float, h: float, bench: Numbers, table: tuple[Floats, Floats]
) -> tuple[float, float]:
    """Advance S by one step of at most `h`; return the time spent and the next step to try."""
    stored, stiff, tolerance = state[STORED], state[STIFF], bench[TOLERANCE]
    ease = state[EASE]
    flow, slope, pressure = _flow_and_slope(stored, stiff, bench, table)
    flow, slope = ease * flow, ease * slope
    h = _longest(state, flow, h, bench)
    state[PEAK] = max(state[PEAK], pressure)
    net = q - flow
    while True:
        z = -slope * h
        if z > -0.02:
            phi1 = 1.0 + z * (0.5 + z * (1 / 6 + z / 24))
            phi2 = 0.5 + z * (1 / 6 + z * (1 / 24 + z / 120))
            phi3 = 1 / 6 + z * (1 / 24 + z * (1 / 120 + z / 720))
        else:
            phi1 = (exp(z) - 1.0) / z if z > -700 else -1.0 / z
            phi2 = (phi1 - 1.0) / z
            phi3 = (phi2 - 0.5) / z
        guess = stored + h * (phi1 * net + h * phi2 * dq)
        flow_there = ease * _flow_and_slope(guess, stiff, bench, table)[0]
        change = 2 * h * phi3 * (flow - flow_there + slope * (guess - stored))
        error = abs(change)
        if error <= tolerance:
            state[STORED] = guess + change
            if error * 64 < tolerance:
                return h, h * 4
            return h, h * 0.9 * (tolerance / error) ** (1 / 3)
        h *= max(0.9 * (tolerance / error) ** (1 / 3), 0.1)


@inner
def _placed(state: Floats, sweep_ul: float, out_ul: float, bench: Numbers) -> tuple[float, float]:
    """Return the pressure [kPa] and what is held [µL] after a sweep in which so much came out, where the seal grips."""
    own, bubble, grip = _pressure(state, bench), bench[BUBBLE], bench[GRIP]
    behind = state[SOFT] * own + bubble * own / (ATMOSPHERE_KPA + own) - out_ul
    stored = state[STORED] + sweep_ul - out_ul
    stands = _pressure_of(behind, state[SOFT], bubble)
    held = stored - behind - bench[FRAME] * stands
    if abs(held) <= grip:
        return stands, held
    held = grip if held > 0 else -grip
    return _pressure_of(stored - held, state[STIFF], bubble), held


@inner
def _flow(pressure: float, bench: Numbers, table: tuple[Floats, Floats]) -> float:
    """Return Q [µL/s] at a pressure [kPa]."""
    over = abs(pressure) - bench[YIELD]
    if over <= 0.0:
        return 0.0
    flows, slopes = table
    place = sqrt(over) * bench[PER_ROOT]
    cell = min(int(place), flows.size - 2)
    flow: float = flows[cell] + slopes[cell] * (place - cell) / bench[PER_ROOT]
    return flow if pressure > 0 else -flow


@inner
def _gripped(
    state: Floats,
    first_ul_s: float,
    last_ul_s: float,
    seconds: float,
    bench: Numbers,
    table: tuple[Floats, Floats],
    trace: Floats,
) -> float:
    """Return what comes out [µL] of a barrel whose seal grips. Heun's steps; the difference to Euler's is their error."""
    tolerance = bench[TOLERANCE]
    at, out, h, steps = 0.0, 0.0, seconds, 0
    slope = (last_ul_s - first_ul_s) / seconds
    while at < seconds * (1 - 1e-12) and steps < MOST_STEPS:
        h = _longest(
            state, state[EASE] * _flow(_pressure(state, bench), bench, table), min(h, seconds - at), bench
        )
        sweep = (first_ul_s + slope * (at + h / 2)) * h
        begin = state[EASE] * _flow(_pressure(state, bench), bench, table)
        end = state[EASE] * _flow(_placed(state, sweep, begin * h, bench)[0], bench, table)
        error = abs(end - begin) * h / 2
        if error > tolerance and h > 1e-9 * seconds:
            h *= max(0.9 * sqrt(tolerance / error), 0.1)
            continue
        came = (begin + end) * h / 2
        pressure, held = _placed(state, sweep, came, bench)
        state[HELD] = held
        state[STORED] += sweep - came
        state[PEAK] = max(state[PEAK], pressure)
        _worked(state, h, came, bench)
        out, at, steps = out + came, at + h, steps + 1
        state[CLOCK] += h
        if state[TRACING] > 0.0:
            _keep(state, trace, state[CLOCK], pressure, state[PLUNGER])
        h *= min(0.9 * sqrt(tolerance / error), 4.0) if error > 0.0 else 4.0
    return out

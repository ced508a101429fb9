"""A chain of deposits played on benches that are far off: what each lays, where straight lines (`answer`, `chain`) end.

The motor's strokes stay as they are, deposit after deposit. The equations and the scheme of steps are those of `answer`,
number by number: there each kind of deposit is worked out once, here each after what those before it left.
"""

from math import exp, expm1, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner
from pastewright.plunger.answer import (
    CONSTANTS,
    PRESS,
    PRESS_STEPS,
    STROKE_STEPS,
    WAIT_GROWTH,
    WAIT_STEPS,
    BenchLanes,
    Turns,
)
from pastewright.plunger.bench import PlungerBench

Floats = NDArray[np.float64]
Numbers = tuple[float, float, float, float, float, float, float]

P0_KPA = 101.325
"""Standard atmosphere (ISO 2533:1975), as in `storage`; compiled code wants its constants at home."""

# A deposit that lays less than this share of its volume is as good as missing; logarithms end there.
LEAST_SHARE = 0.05


def played(
    turns: Turns,
    bench: PlungerBench,
    shifts: Floats,
    structure: Floats,
    *,
    idle_s: Floats | float = 0.0,
    start_ul: Floats | float = 0.0,
) -> Floats:
    """Return the logarithm of what each turn lays over what it lays on the bench as it is, lanes × n.

    `shifts`, lanes × 9, are of the constants `chain.NAMES`; `structure` as in `chain.chained`; `idle_s` is how long the
    plunger stood before each turn: a bench that is far off may rest above yield, and what oozes hangs at the tip and is
    laid with the next. All begin with `start_ul` stored, or each with its own, the bench as it is first; without pressure
    every bench stores none.
    """
    off = np.vstack([np.zeros(shifts.shape[1]), shifts])
    lanes = BenchLanes(bench, off[:, : len(CONSTANTS)])
    columns = (lanes.linear, lanes.bubble, lanes.per_mm, lanes.backlash, lanes.fluidity, lanes.index)
    starts = np.broadcast_to(np.asarray(start_ul, dtype=np.float64), len(off))
    numbers = np.column_stack([*columns, lanes.yields, off[:, len(CONSTANTS)], starts])
    grown = np.r_[0.0, np.cumsum(WAIT_GROWTH ** np.arange(WAIT_STEPS))]
    out = np.empty((len(off), turns.volume_ul.size))
    strokes = tuple(
        np.ascontiguousarray(part, dtype=np.float64) for part in (turns.way_mm, turns.seconds, turns.rise_s)
    )
    idle = np.broadcast_to(np.asarray(idle_s, dtype=np.float64), turns.volume_ul.shape).copy()
    _play(
        np.ascontiguousarray(numbers),
        (strokes[0], strokes[1], strokes[2], np.ascontiguousarray(structure, dtype=np.float64), idle),
        grown / grown[-1],
        (lanes.to_wall, lanes.whole),
        out,
    )
    least = LEAST_SHARE * turns.volume_ul
    found: Floats = np.log(np.maximum(out[1:], least) / np.maximum(out[:1], least))
    return found


@entry
def _play(
    benches: Floats,
    strokes: tuple[Floats, Floats, Floats, Floats, Floats],
    waits: Floats,
    tip: tuple[float, float],
    out: Floats,
) -> None:
    """Lay all turns on each bench; a row of `benches` is (linear compliance, air, sweep per mm, backlash, fluidity, index,
    yield, thickening, stored at the start), `tip` is (R/2L, π·R³).
    """
    ways, seconds, rises, structure, idle = strokes
    for lane in range(benches.shape[0]):
        linear, air, per_mm, backlash, fluidity, index, yields, standing, stored = benches[lane]
        forward, gap = False, backlash
        for turn in range(ways.shape[0]):
            thinner = exp(-standing * structure[turn] / index)
            numbers = (linear, air, fluidity * thinner, index, yields, tip[0], tip[1])
            came = 0.0
            if _pressure(stored, linear, air) * tip[0] > yields:
                for step in range(waits.size - 1):
                    after = _stepped(stored, 0.0, idle[turn] * (waits[step + 1] - waits[step]), numbers)
                    came, stored = came + stored - after, after
            for slot in range(ways.shape[1]):
                way, time, rise = ways[turn, slot], seconds[turn, slot], rises[turn, slot]
                if time <= 0.0:
                    continue
                if way == 0.0:
                    for step in range(waits.size - 1):
                        after = _stepped(stored, 0.0, time * (waits[step + 1] - waits[step]), numbers)
                        came, stored = came + stored - after, after
                    continue
                if (way > 0.0) != forward:
                    forward, gap = way > 0.0, backlash
                sign = per_mm if way > 0.0 else -per_mm
                steps = PRESS_STEPS if slot == PRESS else STROKE_STEPS
                before = 0.0
                for step in range(steps):
                    moved = abs(way) * _walked((step + 1) * time / steps, time, rise)
                    beyond = max(moved - gap, 0.0)
                    swept = sign * (beyond - before)
                    before = beyond
                    after = _stepped(stored, swept, time / steps, numbers)
                    came, stored = came + swept - (after - stored), after
                gap = max(gap - abs(way), 0.0)
            out[lane, turn] = came


@inner
def _stepped(stored: float, swept: float, h: float, numbers: Numbers) -> float:
    """What is stored after a step of exprb32 with the sweep spread evenly over it, as `answer`."""
    linear, air = numbers[0], numbers[1]
    pressure = _pressure(stored, linear, air)
    flow, by_pressure = _flow(pressure, numbers)
    absolute = P0_KPA + max(pressure, 0.0)
    slope = by_pressure / (linear + air * P0_KPA / (absolute * absolute))
    z = -slope * h
    if z > -1e-2:
        phi1 = 1.0 + z * (0.5 + z / 6.0)
        phi3 = 1.0 / 6.0 + z / 24.0
    else:
        phi1 = expm1(z) / z
        phi3 = ((phi1 - 1.0) / z - 0.5) / z
    guess = stored + phi1 * (swept - h * flow)
    there, _ = _flow(_pressure(guess, linear, air), numbers)
    return guess + 2.0 * h * phi3 * (flow - there + slope * (guess - stored))


@inner
def _pressure(stored: float, linear: float, air: float) -> float:
    whole = linear * P0_KPA
    b = whole + air - stored
    return (sqrt(b * b + 4.0 * whole * stored) - b) / (2.0 * linear)


@inner
def _flow(pressure: float, numbers: Numbers) -> tuple[float, float]:
    """Flow [µL/s] and its slope by pressure."""
    fluidity, index, yields, to_wall, whole = numbers[2], numbers[3], numbers[4], numbers[5], numbers[6]
    wall = max(pressure * to_wall, 1e-12)
    excess = wall - yields
    if excess <= 0.0:
        return 0.0, 0.0
    shear = fluidity * excess ** (1.0 / index)
    shape = (
        excess * excess / (3.0 * index + 1.0)
        + excess * 2.0 * yields / (2.0 * index + 1.0)
        + yields * yields / (index + 1.0)
    )
    flow = whole * index * shear * excess * shape / (wall * wall * wall)
    return flow, max(whole * shear - 3.0 * flow, 0.0) / wall * to_wall


@inner
def _walked(at: float, time: float, rise: float) -> float:
    """Share of the way done at a time, for a trapezoid."""
    rate = 1.0 / max(time - rise, 1e-12)
    ramp = max(rise, 1e-12)
    up, down = min(at, rise), max(at - (time - rise), 0.0)
    return rate * ((at - up) + up * up / (2.0 * ramp) - down * down / (2.0 * ramp))

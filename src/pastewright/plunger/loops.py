"""The state equation step by step, lane by lane: the loops of `pressure`, compiled.

The equations are those of `flow` and `storage` (the tests compare them); the method is the classical one of Runge and
Kutta, fourth order. A tip is (R/2L, τ_y, π·R³·n·K^(−1/n), n), a store (linear compliance, bubble, compliance without the
frame's spring).
"""

from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner

Floats = NDArray[np.float64]
TipNumbers = tuple[float, float, float, float]
StoreNumbers = tuple[float, float, float]

P0_KPA = 101.325
"""Standard atmosphere (ISO 2533:1975), as in `storage`; compiled code wants its constants at home."""


@inner
def flow_at(pressure: float, tip: TipNumbers) -> float:
    """Flow [µL/s] at a pressure [kPa], as `flow.flow_ul_s`."""
    to_wall, yield_kpa, scale, n = tip
    excess = pressure * to_wall - yield_kpa
    if excess <= 0.0:
        return 0.0
    wall = excess + yield_kpa
    shape = (
        excess * excess / (3.0 * n + 1.0)
        + excess * (2.0 * yield_kpa / (2.0 * n + 1.0))
        + yield_kpa * yield_kpa / (n + 1.0)
    )
    flow: float = scale * excess ** ((n + 1.0) / n) * shape / (wall * wall * wall)
    return flow


@inner
def pressure_at(stored: float, linear: float, bubble: float) -> float:
    """Pressure [kPa] at which a volume [µL] is stored, as `storage.pressure_of_stored_kpa`."""
    if stored <= 0.0:
        return stored / (linear + bubble / P0_KPA)
    if bubble == 0.0:
        return stored / linear
    middle = (linear * P0_KPA + bubble) - stored
    return (sqrt(middle * middle + 4.0 * linear * P0_KPA * stored) - middle) / (2.0 * linear)


@inner
def rate_at(pressure: float, tip: TipNumbers, store: StoreNumbers) -> float:
    """One over the time in which a small disturbance of a pressure [kPa] falls to 1/e [1/s]: `pressure.time_constant_s`."""
    to_wall, yield_kpa, scale, n = tip
    linear, bubble, _ = store
    excess = pressure * to_wall - yield_kpa
    if excess <= 0.0:
        return 0.0
    slope = (scale / n * excess ** (1.0 / n) - 3.0 * flow_at(pressure, tip)) / (excess + yield_kpa)
    absolute = P0_KPA + max(pressure, 0.0)
    rate: float = max(slope, 0.0) * to_wall / (linear + bubble * P0_KPA / (absolute * absolute))
    return rate


@inner
def _steps(
    stored: Floats,
    leg: Floats,
    steady: float,
    step_of_time_constant: float,
    tip: TipNumbers,
    store: StoreNumbers,
) -> float:
    """How many steps keep each well below the shortest time constant that a leg can meet, whose steady pressure is given.

    Stored volume grows by no more than the sweep, and the stiffest the springs can be is as at rest now.
    """
    linear, bubble, _ = store
    wanted = 0.0
    for lane in range(stored.size):
        time, first, last = leg[0, lane], leg[1, lane], leg[2, lane]
        pressure = pressure_at(stored[lane], linear, bubble)
        reach = pressure + time * max(first + last, 0.0) / 2.0 / linear
        top = max(pressure, min(reach, steady))
        wanted = max(wanted, time * rate_at(top, tip, store) / step_of_time_constant)
    return wanted


@entry
def along_legs(
    lanes: tuple[Floats, Floats],
    legs: Floats,
    steadies: Floats,
    limits: tuple[int, int, float],
    tip: TipNumbers,
    store: StoreNumbers,
) -> None:
    """Take lanes through legs of straight-line sweep rate.

    (stored, most stored; changed), legs × (time, first and last rate) × lanes, the steady pressure [kPa] of each leg's
    fastest rate; limits: least and most steps, step over time constant.
    """
    stored, most = lanes
    least, highest, step_of_time_constant = limits
    for leg in range(legs.shape[0]):
        wanted = ceil(_steps(stored, legs[leg], steadies[leg], step_of_time_constant, tip, store))
        _along(stored, most, legs[leg], max(min(wanted, highest), least), store, tip)


@inner
def _along(
    stored: Floats, most: Floats, leg: Floats, steps: int, store: StoreNumbers, tip: TipNumbers
) -> None:
    linear, bubble, _ = store
    times, firsts, lasts = leg[0], leg[1], leg[2]
    for lane in range(stored.size):
        s, top = stored[lane], most[lane]
        h = times[lane] / steps
        climb = (lasts[lane] - firsts[lane]) / (2 * steps)  # of the sweep rate, in half a step
        rate = firsts[lane]
        for _ in range(steps):
            middle, end = rate + climb, rate + 2.0 * climb
            k1 = rate - flow_at(pressure_at(s, linear, bubble), tip)
            k2 = middle - flow_at(pressure_at(s + h / 2.0 * k1, linear, bubble), tip)
            k3 = middle - flow_at(pressure_at(s + h / 2.0 * k2, linear, bubble), tip)
            k4 = end - flow_at(pressure_at(s + h * k3, linear, bubble), tip)
            s += h / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
            top = max(top, s)
            rate = end
        stored[lane], most[lane] = s, top


@entry
def along_feed(
    lanes: tuple[Floats, Floats, Floats, Floats],
    tip: TipNumbers,
    store: StoreNumbers,
) -> None:
    """Take lanes through a feed: (what is stored and fed at half steps, lanes × times), times; what came out and the
    highest pressure [kPa] are added up in the last two.
    """
    fed, times, came, highest = lanes
    linear, bubble, _ = store
    steps = (fed.shape[1] - 1) // 2
    for lane in range(times.size):
        out, top, h = came[lane], highest[lane], times[lane] / steps
        for step in range(steps):
            start, middle, end = fed[lane, 2 * step], fed[lane, 2 * step + 1], fed[lane, 2 * step + 2]
            k1 = flow_at(pressure_at(start - out, linear, bubble), tip)
            k2 = flow_at(pressure_at(middle - out - h / 2.0 * k1, linear, bubble), tip)
            k3 = flow_at(pressure_at(middle - out - h / 2.0 * k2, linear, bubble), tip)
            k4 = flow_at(pressure_at(end - out - h * k3, linear, bubble), tip)
            out += h / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
            top = max(top, pressure_at(end - out, linear, bubble))
        came[lane], highest[lane] = out, top


@inner
def gripped_at(motor: float, out: float, own: float, grip: float, store: StoreNumbers) -> tuple[float, float]:
    """Pressure [kPa] and the plunger's own sweep [µL] where the motor has swept `motor`, `out` has left the tip, and
    the plunger stood at `own`: it stands while the spring holds less than the grip, and slides else.
    """
    linear, bubble, own_linear = store
    spring = linear - own_linear
    stands = pressure_at(own - out, own_linear, bubble)
    held = motor - own - spring * stands
    if abs(held) <= grip:
        return stands, own
    held = grip if held > 0.0 else -grip
    found = pressure_at(motor - out - held, linear, bubble)
    return found, motor - spring * found - held


@entry
def along_gripped(
    lanes: tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats],
    steps: int,
    grip: float,
    tip: TipNumbers,
    store: StoreNumbers,
) -> None:
    """Take lanes through a leg with a seal that grips: (pressure, out, own, swept; changed), (time, first and last rate)."""
    pressures, outs, owns, swepts, times, firsts, lasts = lanes
    for lane in range(pressures.size):
        pressure, out, own, swept = pressures[lane], outs[lane], owns[lane], swepts[lane]
        time, first, last = times[lane], firsts[lane], lasts[lane]
        h = time / steps
        for step in range(steps):
            x, half, y = step / steps, (step + 0.5) / steps, (step + 1) / steps
            begin = swept + time * (first * x + (last - first) * x * x / 2.0)
            middle = swept + time * (first * half + (last - first) * half * half / 2.0)
            end = swept + time * (first * y + (last - first) * y * y / 2.0)
            k1 = flow_at(gripped_at(begin, out, own, grip, store)[0], tip)
            k2 = flow_at(gripped_at(middle, out + h / 2.0 * k1, own, grip, store)[0], tip)
            k3 = flow_at(gripped_at(middle, out + h / 2.0 * k2, own, grip, store)[0], tip)
            k4 = flow_at(gripped_at(end, out + h * k3, own, grip, store)[0], tip)
            out += h / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
            pressure, own = gripped_at(end, out, own, grip, store)
        pressures[lane], outs[lane], owns[lane] = pressure, out, own
        swepts[lane] = swept + time * (first + last) / 2.0

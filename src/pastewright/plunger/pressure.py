"""The state equation: pressure behind the tip while the plunger moves, for many cycles (lanes) side by side.

    dS/dt = q(t) − Q(P(S))        q: sweep rate, Q: flow in the tip, P(S): pressure of what is stored

Legs of straight-line sweep rate are integrated one by one, so that no step straddles a corner of the ramp:
classical Runge–Kutta of fourth order with equal steps, short beside the fastest time constant met. What is stored
is the state, so that sweeps without flow are exact, and what left the tip is sweep − change of stored volume.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import lru_cache
from math import ceil, inf, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.flow import TipFlow, flow_slope_ul_s_kpa, steady_pressure_kpa
from pastewright.plunger.loops import StoreNumbers, TipNumbers, along_feed, along_gripped, along_legs
from pastewright.plunger.ramp import Leg, Ramp, ramp
from pastewright.plunger.storage import Store, compliance_ul_kpa, pressure_of_stored_kpa, stored_ul

Floats = NDArray[np.float64]

# Steps per leg. Against scipy's solve_ivp at 1e-10 these give volumes within 1e-4 (measured, see tests).
LEAST_STEPS = 16
MOST_STEPS = 20000
"""Bounds the time of a leg that lasts thousands of time constants; own choice."""
STEP_OF_TIME_CONSTANT = 0.5  # half a time constant a step keeps the method stable and meets the 1e-4 above
MOST_GRIPPED_STEPS = 400
"""Of a leg with a seal that grips, where only the first steps are stiff; own choice."""


def time_constant_s(pressure_kpa: ArrayLike, bench: PlungerBench) -> Floats:
    """Time in which a small disturbance of pressure falls to 1/e [s], C·dP/dQ; infinite under yield."""
    slope = flow_slope_ul_s_kpa(pressure_kpa, bench.tip)
    compliance = compliance_ul_kpa(pressure_kpa, bench.store)
    return np.where(slope > 0, compliance / np.where(slope > 0, slope, 1.0), np.inf)


def still(time_s: ArrayLike) -> Leg:
    """Return a leg in which the plunger stands."""
    time = np.atleast_1d(np.asarray(time_s, dtype=float))
    return Leg(time, np.zeros_like(time), np.zeros_like(time))


def pushed(pressure_kpa: Floats, ramp: Ramp, bench: PlungerBench) -> tuple[Floats, Floats]:
    """Return pressure after a push and the highest on the way [kPa]; the backlash's lag comes first."""
    return after_legs(pressure_kpa, [still(ramp.lag_s), *ramp.legs], bench)


def retracted(pressure_kpa: Floats, sweep_ul: ArrayLike, bench: PlungerBench) -> Floats:
    """Return pressure after a retraction by `sweep_ul` that follows a push [kPa].

    Paste still flows while the motor crosses the backlash, and while the seal's grip turns round. The last of it, what
    is drawn while the tip is lifted, begins from standstill once more.
    """
    whole = np.atleast_1d(np.asarray(sweep_ul, dtype=float))
    drawn = np.minimum(bench.draw_ul, whole)
    sweep = whole - drawn
    own_ul = max(bench.backlash_ul - 2 * bench.grip_ul, 0.0)
    way = ramp(
        sweep + 2 * bench.grip_ul,
        rate_ul_s=bench.push_ul_s,
        accel_ul_s2=bench.accel_ul_s2,
        backlash_ul=own_ul,
    )
    back = way.back
    if bench.grip_ul == 0:
        if bench.draw_ul > 0:
            last = ramp(drawn, rate_ul_s=bench.push_ul_s, accel_ul_s2=bench.accel_ul_s2, backlash_ul=0.0)
            back += last.back
        return after_legs(pressure_kpa, [still(way.lag_s), *back], bench)[0]
    waited = after_legs(pressure_kpa, [still(way.lag_s)], bench)[0]
    return after_gripped(waited, back, bench)


def after_legs(
    pressure_kpa: Floats,
    legs: Iterable[Leg],
    bench: PlungerBench,
    *,
    least_steps: int = LEAST_STEPS,
) -> tuple[Floats, Floats]:
    """Return pressure at the end and the highest met [kPa], one a lane."""
    tip, store = bench.tip, bench.store
    stored = stored_ul(np.atleast_1d(np.asarray(pressure_kpa, dtype=float)), store)
    lasting = [leg for leg in legs if float(leg.time_s.max(initial=0.0)) > 0]
    size = max([stored.size, *(leg.time_s.size for leg in lasting)])
    stored = np.array(_over(stored, size))
    most = stored.copy()
    table = np.empty((len(lasting), 3, size))
    steadies = np.zeros(len(lasting))
    for number, leg in enumerate(lasting):
        table[number, 0], table[number, 1], table[number, 2] = leg.time_s, leg.start_ul_s, leg.end_ul_s
        fastest = float(table[number, 1:].max())
        if fastest > 0:
            steadies[number] = steady_pressure_kpa(fastest, tip)
    limits = (max(least_steps, 1), MOST_STEPS, STEP_OF_TIME_CONSTANT)
    along_legs((stored, most), table, steadies, limits, _tip_numbers(tip), _store_numbers(store))
    return pressure_of_stored_kpa(stored, store), pressure_of_stored_kpa(most, store)


def after_gripped(pressure_kpa: Floats, legs: Iterable[Leg], bench: PlungerBench) -> Floats:
    """Return pressure at the end of legs [kPa] that begin with the seal gripping against a push.

    With U swept by the motor, O out of the tip and y the plunger's own sweep

        y − O = V_paste·P/K + air(P)      U = y + (A²/k)·P + h,   |h| ≤ grip

    so that P is known from U, O and the last y: the plunger stands while h is within the grip, and slides else. What
    is integrated is O, dO/dt = Q(P), by the classical Runge–Kutta of fourth order.
    """
    tip, store = bench.tip, bench.store
    inner = _standing(store)
    pressure = np.array(pressure_kpa, dtype=float, ndmin=1)
    swept = stored_ul(pressure, store) + bench.grip_ul
    own = stored_ul(pressure, inner)
    out = np.zeros_like(pressure)
    for leg in legs:
        if not float(leg.time_s.max(initial=0.0)) > 0:
            continue
        slope = flow_slope_ul_s_kpa(pressure, tip)
        wanted = leg.time_s * slope / (STEP_OF_TIME_CONSTANT * compliance_ul_kpa(pressure, inner))
        steps = int(np.clip(ceil(float(wanted.max())), 2 * LEAST_STEPS, MOST_GRIPPED_STEPS))
        lanes = (pressure, out, own, swept, *_parts(leg, pressure.size))
        along_gripped(lanes, steps, bench.grip_ul, _tip_numbers(tip), _store_numbers(store))
    return pressure


def _parts(leg: Leg, lanes: int) -> tuple[Floats, Floats, Floats]:
    """Time, first and last rate of a leg, one a lane."""
    return _over(leg.time_s, lanes), _over(leg.start_ul_s, lanes), _over(leg.end_ul_s, lanes)


def _over(part: Floats, lanes: int) -> Floats:
    """Return numbers, one a lane; they may be those given, and are only read."""
    wide = part if part.size == lanes else np.broadcast_to(part, lanes)
    return np.ascontiguousarray(wide, dtype=float)


def _standing(store: Store) -> Store:
    """What gives way behind a plunger that stands."""
    return replace(store, stiffness_n_mm=inf)


@lru_cache(maxsize=256)
def _tip_numbers(tip: TipFlow) -> TipNumbers:
    n = float(tip.flow_index)
    scale = pi * tip.radius_mm**3 * n * tip.consistency_kpa_sn ** (-1 / n)
    return tip.radius_mm / (2 * tip.length_mm), float(tip.yield_kpa), scale, n


@lru_cache(maxsize=256)
def _store_numbers(store: Store) -> StoreNumbers:
    return float(store.linear_ul_kpa), float(store.bubble_ul), float(_standing(store).linear_ul_kpa)


def after_fed(
    stored: Floats,
    time_s: Floats,
    fed_ul: Callable[[int], Floats],
    bench: PlungerBench,
    *,
    least_steps: int,
) -> tuple[Floats, Floats]:
    """Return pressure at the end of a feed and the highest met [kPa], one a lane, from volumes `stored` [µL].

    `fed_ul(count)` gives what has been swept at `count` + 1 equal times, lanes × times. What is integrated here is
    the outflow, dO/dt = Q(P(S + fed − O)), so that the sweep counts exactly however few the steps are.
    """
    tip, store = bench.tip, bench.store
    fed = fed_ul(least_steps)
    mean = float((fed[:, -1] / time_s).max())
    top = np.maximum(
        pressure_of_stored_kpa(stored, store), steady_pressure_kpa(1.5 * mean, tip) if mean > 0 else 0.0
    )
    wanted = time_s / (STEP_OF_TIME_CONSTANT * time_constant_s(top, bench))
    steps = int(np.clip(ceil(float(wanted.max())), least_steps, MOST_STEPS))
    fed = np.ascontiguousarray(fed_ul(2 * steps) + stored[:, None])
    out = np.zeros_like(fed[:, 0])
    highest = np.array(pressure_of_stored_kpa(stored, store), dtype=float)
    lanes = (fed, np.ascontiguousarray(time_s, dtype=float), out, highest)
    along_feed(lanes, _tip_numbers(tip), _store_numbers(store))
    return pressure_of_stored_kpa(fed[:, -1] - out, store), highest

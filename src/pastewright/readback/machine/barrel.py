"""The plunger's travel over time to paste out of the tip: a barrel simulated in finite steps.

State: what is stored, S [µL]; the pressure follows from it, and from the pressure the flow:

    dS/dt = A·g·v − Q(P)        S(P) = (A²/k_frame + V_paste/K_bulk)·P + V_bubble·P/(P0 + P)

A barrel area, g gain, v plunger speed after backlash, Q from `flow`. Volume is counted as it lies at no pressure,
so what came out is exactly swept − stored, whatever the steps. Paste in the barrel becomes less as it is used.

Steps: exponential Rosenbrock of third order with its own error estimate (M. Hochbruck and A. Ostermann,
Exponential integrators, Acta Numerica 19 (2010), scheme exprb32). Here, with F = q − Q, J = dF/dS, z = hJ,
q moving at q' within a step:

    U = S + h·φ1(z)·F + h²·φ2(z)·q',    S_new = U + 2h·φ3(z)·(Q(S) − Q(U) − J·(U − S)),    error = |S_new − U|

It does not mind how stiff the bench is. Below the yield pressure nothing flows, and S moves with the plunger in
one exact step. Backlash is a play: the plunger stands until the drive has crossed the slack.

Longer than 400 lines because the barrel, its seal and its steps forward are one simulation, read against its equations.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.profile.model import Profile
from pastewright.readback.machine.flow import CELLS, FlowTable, flow_table

ATMOSPHERE_KPA = 101.325  # standard atmosphere, ISO 2533
MOST_STEPS = 20_000  # in one part of a move; a good move takes about ten
TRACE_SAMPLES = 2000  # points in the report's plot of the pressure: own choice

Sample = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelBench:
    """What the barrel's behaviour depends on. `sweep_ul_mm` is A·g, `frame_ul_kpa` is A²/k_frame, `grip_ul` what the
    frame's spring takes up before the seal slides (`_GrippedBarrel`).
    """

    flow: FlowTable
    sweep_ul_mm: float
    frame_ul_kpa: float
    bulk_kpa: float
    bubble_ul: float
    fill_ul: float
    backlash_mm: float
    grip_ul: float = 0.0

    def stored_ul(self, pressure_kpa: float, paste_ul: float) -> float:
        """Return S(P) [µL] with `paste_ul` of paste in the barrel."""
        stiff = self.frame_ul_kpa + paste_ul / self.bulk_kpa
        return stiff * pressure_kpa + self.bubble_ul * pressure_kpa / (ATMOSPHERE_KPA + pressure_kpa)


def bench_of(profile: Profile) -> BarrelBench:
    """Return the bench that `profile` describes."""
    area = profile.barrel.area_mm2
    gain = profile.tuning.gain
    most = max(profile.plunger.speed_mm_s * area * gain, profile.tuning.push_ul_s, 1e-6)
    return BarrelBench(
        flow=flow_table(profile.paste, profile.tip, most_ul_s=most),
        sweep_ul_mm=area * gain,
        # 1 kPa on 1 mm² is 0.001 N.
        frame_ul_kpa=area**2 * 0.001 / profile.plunger.frame_stiffness_n_mm,
        bulk_kpa=profile.paste.bulk_modulus_kpa,
        bubble_ul=profile.tuning.bubble_ul,
        fill_ul=profile.barrel.fill_ul,
        backlash_mm=profile.plunger.backlash_mm,
        grip_ul=area * profile.tuning.seal_friction_n / profile.plunger.frame_stiffness_n_mm,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelRun:
    """What the barrel did, row by row: paste out [µL], highest and last pressure [kPa]; then the sums."""

    out_ul: NDArray[np.float64]
    peak_kpa: NDArray[np.float64]
    last_kpa: NDArray[np.float64]
    lowest_kpa: float
    swept_ul: float
    stored_ul: float
    trace: tuple[Sample, ...]


def run(
    bench: BarrelBench,
    *,
    plunger_mm: Sequence[float],
    duration_s: Sequence[float],
    ramp_s: Sequence[float],
    tolerance_ul: float,
    start_kpa: float = 0.0,
    slack_mm: float | None = None,
    trace_rows: int = 0,
) -> BarrelRun:
    """Return what comes out while the plunger goes through `plunger_mm` (one more than there are rows).

    Each row lasts `duration_s`, with ramps of `ramp_s` at both ends. `slack_mm` is how far the drive goes
    forward before the plunger follows; by default the whole backlash, as after a retraction. `tolerance_ul`
    bounds the error of one step. `trace_rows` rows are sampled as (time, pressure, plunger).
    """
    barrel = _Barrel(bench, tolerance_ul, start_kpa)
    if bench.grip_ul > 0.0:
        # A drive that stands on its forward side has the grip of a push.
        barrel = _GrippedBarrel(bench, tolerance_ul, start_kpa, forward=slack_mm == 0.0)
    count = len(duration_s)
    out, peak, last = [0.0] * count, [0.0] * count, [0.0] * count
    at = plunger_mm[0]
    follower = at + (bench.backlash_mm if slack_mm is None else slack_mm)
    begun = follower
    lowest = 0.0
    clock = 0.0
    barrel.trace = [] if trace_rows else None
    for row in range(count):
        if row == trace_rows:
            barrel.trace, kept = None, barrel.trace
            if kept is not None:
                barrel.kept = kept
        start, at = at, plunger_mm[row + 1]
        seconds = duration_s[row]
        moved = 0.0 if at == start else min(max(follower, at), at + bench.backlash_mm) - follower
        out[row] = barrel.row(moved, at, start, clock=clock, seconds=seconds, ramp_s=ramp_s[row])
        follower += moved
        pressure = barrel.pressure()
        last[row] = pressure
        peak[row] = max(pressure, barrel.peak)
        barrel.peak = -inf
        if pressure < lowest:
            lowest = pressure
        clock += seconds
        if barrel.trace is not None and not (barrel.trace and barrel.trace[-1][0] >= clock):
            barrel.trace.append((clock, pressure, at))
    trace = barrel.kept if barrel.trace is None else barrel.trace
    every = len(trace) // TRACE_SAMPLES + 1
    return BarrelRun(
        out_ul=np.array(out),
        peak_kpa=np.array(peak),
        last_kpa=np.array(last),
        lowest_kpa=lowest,
        swept_ul=(follower - begun) * bench.sweep_ul_mm,
        stored_ul=barrel.stored - barrel.stored_at_start,
        trace=tuple(trace[::every]),
    )


class _Barrel:
    """The state of one barrel, and its step forward."""

    def __init__(self, bench: BarrelBench, tolerance_ul: float, start_kpa: float) -> None:
        self.bench = bench
        self.tolerance = tolerance_ul
        self.paste = bench.fill_ul
        self.stored = self.stored_at_start = bench.stored_ul(start_kpa, bench.fill_ul)
        self.peak = -inf
        self.clock = 0.0
        self.plunger = 0.0
        self.trace: list[Sample] | None = None
        self.kept: list[Sample] = []
        # What every step reads, without the way through the bench.
        self._bubble = bench.bubble_ul
        self._yield = bench.flow.yield_kpa
        self._per_root = bench.flow.per_root
        self._flows = bench.flow.flow_ul_s
        self._slopes = bench.flow.slope
        self.begin_row()

    def row(
        self, moved_mm: float, at: float, start: float, *, clock: float, seconds: float, ramp_s: float
    ) -> float:
        """Return what comes out [µL] while the drive goes from `start` to `at` and the plunger follows by `moved_mm`."""
        swept_ul = moved_mm * self.bench.sweep_ul_mm
        if moved_mm == 0.0 and (self.resting or seconds <= 0.0):
            return 0.0
        if self.stays_below_yield(swept_ul):
            self.stored += swept_ul
            return 0.0
        self.begin_row()
        self.clock, self.plunger = clock, at
        if moved_mm == 0.0:
            return self.advance(0.0, 0.0, seconds)
        return self.follow(moved_mm / (at - start), swept_ul, seconds, ramp_s)

    def begin_row(self) -> None:
        """Take the paste left into account: the stiffness and the limits of rest follow from it."""
        bench = self.bench
        paste = max(self.paste, 0.0)
        self.stiff = bench.frame_ul_kpa + paste / bench.bulk_kpa
        first = bench.flow.yield_kpa
        self.rest_high = bench.stored_ul(first, paste)
        if first < ATMOSPHERE_KPA:
            self.rest_low = bench.stored_ul(-first, paste)
        else:
            self.rest_low = -inf  # no vacuum is deep enough to draw paste back
        self.resting = self.rest_low <= self.stored <= self.rest_high

    def stays_below_yield(self, sweep_ul: float) -> bool:
        """Return whether nothing flows while `sweep_ul` is swept in one direction."""
        after = self.stored + sweep_ul
        return self.rest_low <= self.stored <= self.rest_high and self.rest_low <= after <= self.rest_high

    def pressure(self) -> float:
        """Return the gauge pressure [kPa] of what is stored: the root of S(P) = S, a quadratic."""
        bubble = self.bench.bubble_ul
        if bubble == 0.0:
            return self.stored / self.stiff
        b = self.stiff * ATMOSPHERE_KPA + bubble - self.stored
        return (-b + sqrt(b * b + 4 * self.stiff * self.stored * ATMOSPHERE_KPA)) / (2 * self.stiff)

    def follow(self, share: float, sweep_ul: float, seconds: float, ramp_s: float) -> float:
        """Return what comes out [µL] in a move whose last `share` sweeps `sweep_ul` (the rest is slack).

        Part of the path per second: rises over the ramp to w = 1/(T − ramp), stays, and falls.
        """
        if ramp_s < 1e-9 * seconds:
            ramp_s = 0.0
        rate = 1.0 / (seconds - ramp_s)
        in_ramp = rate * ramp_s / 2
        dead = max(1.0 - share, 0.0)
        per_path = sweep_ul / share
        parts: list[tuple[float, float, float]]
        full = per_path * rate
        cruise = seconds - 2 * ramp_s
        if dead <= 0.0:
            idle = 0.0
            parts = [(0.0, full, ramp_s), (full, full, cruise), (full, 0.0, ramp_s)]
        elif dead < in_ramp:
            idle = sqrt(2 * dead * ramp_s / rate)
            parts = [(full * idle / ramp_s, full, ramp_s - idle), (full, full, cruise), (full, 0.0, ramp_s)]
        elif dead < 1.0 - in_ramp:
            past = (dead - in_ramp) / rate
            idle = ramp_s + past
            parts = [(full, full, cruise - past), (full, 0.0, ramp_s)]
        else:
            tail = sqrt(max(2 * (1.0 - dead) * ramp_s / rate, 0.0))
            idle = seconds - tail
            parts = [(full * tail / ramp_s if ramp_s > 0 else 0.0, 0.0, tail)]
        out = self.advance(0.0, 0.0, idle) if idle > 0.0 else 0.0
        for first, last, span in parts:
            if span > 0.0:
                out += self.advance(first, last, span)
        return out

    def advance(self, first_ul_s: float, last_ul_s: float, seconds: float) -> float:
        """Return what comes out [µL] while the plunger's sweep goes evenly from first to last [µL/s]."""
        left = seconds
        q = first_ul_s
        dq = (last_ul_s - first_ul_s) / seconds
        begun = self.stored
        high, low = self.rest_high, self.rest_low
        flowed = False
        h = left
        steps = 0
        while left > 1e-12 * seconds:
            if low < self.stored < high or (q == 0.0 == dq and low <= self.stored <= high):
                spent = self._rest(q, dq, left)
            else:
                flowed = True
                spent, h = self._step(q, dq, min(h, left))
            q += dq * spent
            left -= spent
            self.clock += spent
            steps += 1
            if self.trace is not None:
                self.trace.append((self.clock, self.pressure(), self.plunger))
            if steps > MOST_STEPS:
                self.stored += q * left + dq * left * left / 2 - self._flow_and_slope(self.stored)[0] * left
                break
        if not flowed:
            return 0.0
        out = (first_ul_s + last_ul_s) / 2 * seconds - (self.stored - begun)
        self.paste -= out
        self.resting = low <= self.stored <= high
        return out

    def _rest(self, q: float, dq: float, left: float) -> float:
        """Move S with the plunger while nothing flows; return the time until it does, or all that is left."""
        sweep = (q + dq * left / 2) * left
        after = self.stored + sweep
        if self.rest_low <= after <= self.rest_high:
            self.stored = after
            return left
        border = self.rest_high if sweep > 0 else self.rest_low
        need = border - self.stored
        # need = q·t + dq·t²/2; this form of the root has no difference of near equals.
        root = sqrt(max(q * q + 2 * dq * need, 0.0))
        self.stored = border
        return min(2 * need / (q + (root if sweep > 0 else -root)), left)

    def _flow_and_slope(self, stored: float) -> tuple[float, float, float]:
        """Return Q [µL/s], dQ/dS [1/s] and P [kPa] for what is stored."""
        stiff = self.stiff
        bubble = self._bubble
        if bubble == 0.0:
            pressure = stored / stiff
            capacity = stiff
        else:
            b = stiff * ATMOSPHERE_KPA + bubble - stored
            pressure = (-b + sqrt(b * b + 4 * stiff * stored * ATMOSPHERE_KPA)) / (2 * stiff)
            capacity = stiff + bubble * ATMOSPHERE_KPA / (ATMOSPHERE_KPA + pressure) ** 2
        over = (pressure if pressure > 0 else -pressure) - self._yield
        if over <= 0.0:
            return 0.0, 0.0, pressure
        root = sqrt(over)
        place = root * self._per_root
        cell = int(place)
        if cell >= CELLS:
            cell = CELLS - 1
        slope = self._slopes[cell]
        flow = self._flows[cell] + slope * (place - cell) / self._per_root
        if place < 0.5:
            root = 0.5 / self._per_root
        return (flow if pressure > 0 else -flow), slope / (2 * root * capacity), pressure

    def _step(self, q: float, dq: float, h: float) -> tuple[float, float]:
        """Advance S by one step of at most `h`; return the time spent and the next step to try."""
        stored = self.stored
        flow, slope, pressure = self._flow_and_slope(stored)
        if pressure > self.peak:
            self.peak = pressure
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
            flow_there = self._flow_and_slope(guess)[0]
            change = 2 * h * phi3 * (flow - flow_there + slope * (guess - stored))
            error = change if change > 0 else -change
            if error <= self.tolerance:
                self.stored = guess + change
                if error * 64 < self.tolerance:
                    return h, h * 4
                return h, h * 0.9 * (self.tolerance / error) ** (1 / 3)
            h *= max(0.9 * (self.tolerance / error) ** (1 / 3), 0.1)


class _GrippedBarrel(_Barrel):
    """A barrel whose seal grips the plunger with F, so that the frame's spring takes up A·F/k each way.

        S = S(P) + held,   |held| ≤ A·F/k

    While the plunger stands, held follows the motor and only paste and air give way. Steps are Heun's, with the
    difference to Euler's as their error; where P is, is known at any time from what was swept and what came out.
    """

    def __init__(self, bench: BarrelBench, tolerance_ul: float, start_kpa: float, *, forward: bool) -> None:
        self.held = bench.grip_ul if forward else -bench.grip_ul
        super().__init__(bench, tolerance_ul, start_kpa)
        self.stored = self.stored_at_start = self.stored + self.held
        self.begin_row()

    def begin_row(self) -> None:
        super().begin_row()
        self.soft = max(self.paste, 0.0) / self.bench.bulk_kpa
        self.resting = abs(self.pressure()) <= self._yield

    def row(
        self, moved_mm: float, at: float, start: float, *, clock: float, seconds: float, ramp_s: float
    ) -> float:
        swept_ul = moved_mm * self.bench.sweep_ul_mm
        if self.resting:
            pressure, held = self.placed(swept_ul, 0.0)
            if abs(pressure) <= self._yield:
                self.stored, self.held = self.stored + swept_ul, held
                return 0.0
        return super().row(moved_mm, at, start, clock=clock, seconds=seconds, ramp_s=ramp_s)

    def stays_below_yield(self, sweep_ul: float) -> bool:
        return False  # `row` has looked already

    def pressure(self) -> float:
        return self.pressure_of(self.stored - self.held, self.stiff)

    def pressure_of(self, stored: float, stiff: float) -> float:
        """Return the root of S(P) = S [kPa] with springs of `stiff` [µL/kPa] beside the bubble."""
        b = stiff * ATMOSPHERE_KPA + self._bubble - stored
        return (-b + sqrt(b * b + 4 * stiff * stored * ATMOSPHERE_KPA)) / (2 * stiff)

    def placed(self, sweep_ul: float, out_ul: float) -> tuple[float, float]:
        """Return the pressure [kPa] and what is held [µL] after a sweep in which so much came out."""
        own = self.pressure()
        behind = self.soft * own + self._bubble * own / (ATMOSPHERE_KPA + own) - out_ul
        stored = self.stored + sweep_ul - out_ul
        stands = self.pressure_of(behind, self.soft)
        held = stored - behind - self.bench.frame_ul_kpa * stands
        most = self.bench.grip_ul
        if abs(held) <= most:
            return stands, held
        held = most if held > 0 else -most
        return self.pressure_of(stored - held, self.stiff), held

    def advance(self, first_ul_s: float, last_ul_s: float, seconds: float) -> float:
        at, out, h, steps = 0.0, 0.0, seconds, 0
        slope = (last_ul_s - first_ul_s) / seconds
        while at < seconds * (1 - 1e-12) and steps < MOST_STEPS:
            h = min(h, seconds - at)
            sweep = (first_ul_s + slope * (at + h / 2)) * h
            begin = self.flow(self.pressure())
            end = self.flow(self.placed(sweep, begin * h)[0])
            error = abs(end - begin) * h / 2
            if error > self.tolerance and h > 1e-9 * seconds:
                h *= max(0.9 * sqrt(self.tolerance / error), 0.1)
                continue
            came = (begin + end) * h / 2
            pressure, self.held = self.placed(sweep, came)
            self.stored += sweep - came
            self.peak = max(self.peak, pressure)
            out, at, steps = out + came, at + h, steps + 1
            self.clock += h
            if self.trace is not None:
                self.trace.append((self.clock, pressure, self.plunger))
            h *= min(0.9 * sqrt(self.tolerance / error), 4.0) if error > 0.0 else 4.0
        self.paste -= out
        self.resting = abs(self.pressure()) <= self._yield
        return out

    def flow(self, pressure: float) -> float:
        """Return Q [µL/s] at a pressure [kPa]."""
        over = abs(pressure) - self._yield
        if over <= 0.0:
            return 0.0
        place = sqrt(over) * self._per_root
        cell = min(int(place), CELLS - 1)
        flow = self._flows[cell] + self._slopes[cell] * (place - cell) / self._per_root
        return flow if pressure > 0 else -flow

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

A seal that grips the plunger with F lets the frame's spring take up A·F/k each way:

    S = S(P) + held,   |held| ≤ A·F/k

Paste that stands gets thicker, and flowing through the tip undoes it (`thickens` is the logarithm of the consistency that
structure adds at most, over the flow index):

    dλ/dt = (1 − λ)/T − λ·|Q|/V        Q = exp(−thickens·λ)·Q(P)

While the plunger stands, held follows the motor and only paste and air give way. Steps are Heun's then; where P is, is
known at any time from what was swept and what came out. The loops themselves are in `steps`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, pi
from typing import TypeVar

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.profile.model import Profile
from pastewright.readback.machine import steps
from pastewright.readback.machine.flow import FlowTable, flow_table

ATMOSPHERE_KPA = 101.325  # standard atmosphere, ISO 2533
TRACE_SAMPLES = 2000  # points in the report's plot of the pressure: own choice

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Sample = tuple[float, float, float]
Pressure = TypeVar("Pressure", float, Floats)


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelBench:
    """What the barrel's behaviour depends on. `sweep_ul_mm` is A·g, `frame_ul_kpa` is A²/k_frame, `grip_ul` what the
    frame's spring takes up before the seal slides (see above); `thickens`, `builds_s` and `breaks_ul` are of the paste's
    structure, which begins with `built` (1: it has stood for long).
    """

    flow: FlowTable
    sweep_ul_mm: float
    frame_ul_kpa: float
    bulk_kpa: float
    bubble_ul: float
    fill_ul: float
    backlash_mm: float
    grip_ul: float = 0.0
    thickens: float = 0.0
    builds_s: float = 30.0
    breaks_ul: float = 1.0
    built: float = 1.0

    def stored_ul(self, pressure_kpa: Pressure, paste_ul: float) -> Pressure:
        """Return S(P) [µL], for one pressure or many, with `paste_ul` of paste in the barrel."""
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
        thickens=profile.tuning.standing / profile.paste.flow_index,
        builds_s=profile.tuning.building_s,
        # A volume V shears the paste at the wall of a bore of radius r by 4·V/(π·r³).
        breaks_ul=profile.tuning.breaking_strain * pi * profile.tip.radius_mm**3 / 4,
    )


class BarrelRun(Struct, frozen=True, kw_only=True):
    """What the barrel did, row by row: paste out [µL], highest and last pressure [kPa], last structure; then the sums."""

    out_ul: NDArray[np.float64]
    peak_kpa: NDArray[np.float64]
    last_kpa: NDArray[np.float64]
    built: NDArray[np.float64]
    lowest_kpa: float
    swept_ul: float
    stored_ul: float
    trace: tuple[Sample, ...]


def run(
    bench: BarrelBench,
    *,
    plunger_mm: Sequence[float] | Floats,
    duration_s: Sequence[float] | Floats,
    ramp_s: Sequence[float] | Floats,
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
    drive = np.asarray(plunger_mm, dtype=np.float64)
    forward = slack_mm == 0.0  # a drive that stands on its forward side has the grip of a push
    held = bench.grip_ul if forward else -bench.grip_ul
    state = np.zeros(steps.PLACES)
    state[steps.PASTE], state[steps.PEAK] = bench.fill_ul, -inf
    state[steps.HELD] = held
    state[steps.BUILT], state[steps.EASE] = bench.built, exp(-bench.thickens * bench.built)
    state[steps.STORED] = begun_ul = bench.stored_ul(start_kpa, bench.fill_ul) + held
    follower = float(drive[0]) + (bench.backlash_mm if slack_mm is None else slack_mm)
    trace = np.zeros((steps.LONGEST_TRACE if trace_rows else 0, 3))
    out, peak, last, structure, ended = told = _told(len(duration_s))
    steps.through_rows(
        state,
        (drive, np.asarray(duration_s, dtype=np.float64), np.asarray(ramp_s, dtype=np.float64)),
        told,
        trace,
        follower,
        trace_rows,
        _numbers(bench, tolerance_ul),
        (bench.flow.flow_ul_s, bench.flow.slope),
    )
    kept = trace[: int(state[steps.TRACED])]
    every = len(kept) // TRACE_SAMPLES + 1
    return BarrelRun(
        out_ul=out,
        peak_kpa=peak,
        last_kpa=last,
        built=structure,
        lowest_kpa=float(ended[1]),
        swept_ul=float(ended[0] - follower) * bench.sweep_ul_mm,
        stored_ul=float(state[steps.STORED]) - begun_ul,
        trace=tuple(zip(*kept[::every].T.tolist(), strict=True)) if len(kept) else (),
    )


def runs_out_ul(
    bench: BarrelBench,
    bounds: Ints,
    *,
    plunger_mm: Floats,
    duration_s: Floats,
    ramp_s: Floats,
    tolerance_ul: float,
    start_kpa: Floats,
    built: Floats,
) -> Floats:
    """Return what comes out in each row [µL] of V runs, which go through `bounds[v]` … `bounds[v + 1]`, as `run` does it.

    Each begins from its own `start_kpa` and structure `built` (V), with all slack to cross. `plunger_mm` has where the
    plunger is before a run in front of the run's rows.
    """
    states = np.zeros((len(start_kpa), steps.PLACES))
    states[:, steps.PASTE], states[:, steps.PEAK] = bench.fill_ul, -inf
    states[:, steps.HELD] = -bench.grip_ul
    states[:, steps.BUILT], states[:, steps.EASE] = built, np.exp(-bench.thickens * built)
    states[:, steps.STORED] = bench.stored_ul(start_kpa, bench.fill_ul) - bench.grip_ul
    told = _told(len(duration_s))
    steps.through_each(
        states,
        bounds,
        (plunger_mm, duration_s, ramp_s),
        told,
        np.zeros((0, 3)),
        _numbers(bench, tolerance_ul),
        (bench.flow.flow_ul_s, bench.flow.slope),
    )
    return told[0]


def _told(count: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return where the steps write what they find of so many rows: see `steps.through_rows`."""
    return np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(2)


def _numbers(bench: BarrelBench, tolerance_ul: float) -> steps.Numbers:
    return (
        bench.sweep_ul_mm,
        bench.frame_ul_kpa,
        bench.bulk_kpa,
        bench.bubble_ul,
        bench.backlash_mm,
        bench.grip_ul,
        bench.flow.yield_kpa,
        bench.flow.per_root,
        tolerance_ul,
        bench.thickens,
        bench.builds_s,
        bench.breaks_ul,
    )

"""Doses and a bench to advice: what this bench makes of them, and which tip, barrel, gear or powder would suit.

Numbers only; the words around them are the face's. Boards are not needed, just the list of doses.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from pastewright.materials.cap import dot_volume_ul
from pastewright.materials.model import BarrelSize, Tip
from pastewright.materials.rules import TipFit, tip_fit, tip_ratio
from pastewright.materials.tables import barrels, powders, tips
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.cycle import solved_dots
from pastewright.plunger.flow import tip_flow, wall_shear_rate_s
from pastewright.plunger.limits import (
    FEW_MICROSTEPS,
    PEAK_SLACK,
    boards_per_barrel,
    flow_time_constant_s,
    force_n,
    gear_for,
    microsteps,
    motor_torque_nm,
)
from pastewright.plunger.settle import Settling, settling
from pastewright.profile.model import Profile

# A dot that has to be pushed so much longer than tuned, to stay below what the bench stands, does not suit; own choice.
MOST_SLOWER_S = 5.0

GEAR_STEPS = (1, 2, 3, 5, 10, 20)  # ratios that single-stage gears and belts are sold in; common practice


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFigures:
    """The bench as it is, for these doses. The peak is that of the largest dot; `cycle_s` that of the middle dose."""

    smallest_ul: float
    median_ul: float
    largest_ul: float
    microstep_ul: float
    microsteps_smallest: float
    gear_for_ten: float
    peak_kpa: float
    limit_kpa: float
    force_n: float
    torque_nm: float
    torque_share: float
    time_constant_s: float
    shear_rate_s: float
    stored_over_dose: float
    settling_ul: float
    settling_s: float
    boards_per_barrel: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TipRow:
    """A tip of the table, as long as the bench's own. `suits` where nothing in `why_not` speaks against it.

    The peak is that of the largest dot as it would be laid, so never above what the bench stands; `slower_s` is how
    much longer than tuned it is pushed for that. Both are worked out only for tips whose bore fits powder and doses.
    """

    gauge: int
    bore_mm: float
    tip_ratio: float
    fit: TipFit
    smallest_dot_mm: float
    smallest_dot_ul: float
    smallest_bead_mm: float
    peak_kpa: float | None
    slower_s: float
    suits: bool
    why_not: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisedBarrel:
    """A barrel of the table, full, behind the same drive. `boards` is None where its microsteps are too coarse."""

    name: str
    bore_mm: float
    microsteps_smallest: float
    peak_kpa: float
    slower_s: float
    force_n: float
    boards: int | None
    suits: bool
    why_not: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GearRow:
    """A gear so many times today's; speed and acceleration of the plunger fall by as much."""

    gear: float
    microsteps_smallest: float
    push_ul_s: float
    torque_nm: float
    slower_s: float
    suits: bool
    why_not: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PowderRow:
    """A powder type in today's tip."""

    type: int
    tip_ratio: float
    fit: TipFit


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """All of it; rows in the order of the tables."""

    bench: BenchFigures
    tips: tuple[TipRow, ...]
    barrels: tuple[AdvisedBarrel, ...]
    gears: tuple[GearRow, ...]
    powders: tuple[PowderRow, ...]


def advise(doses_ul: Sequence[float], profile: Profile, *, widest_dot_mm: float | None = None) -> Advice:
    """Return advice for the doses of one board [µL, each above zero, at least one].

    `widest_dot_mm` is the widest dot that the smallest land takes; tips whose smallest dot is wider do not suit.
    """
    bench = bench_of(profile)
    doses = np.sort(np.asarray(doses_ul, dtype=float))
    return Advice(
        bench=_figures(doses, bench, profile),
        tips=tuple(_tip_rows(doses, bench, profile, widest_dot_mm)),
        barrels=tuple(_barrel_rows(doses, bench, profile)),
        gears=tuple(_gear_rows(doses, bench)),
        powders=tuple(
            PowderRow(
                type=powder.type,
                tip_ratio=tip_ratio(profile.tip.bore_mm, powder),
                fit=tip_fit(profile.tip.bore_mm, powder),
            )
            for powder in powders()
        ),
    )


Doses = np.ndarray[tuple[int], np.dtype[np.float64]]


def _figures(doses: Doses, bench: PlungerBench, profile: Profile) -> BenchFigures:
    smallest, median, largest = float(doses[0]), float(np.median(doses)), float(doses[-1])
    dots = solved_dots([smallest, median, largest], bench)
    peak = float(dots.peak_kpa.max())
    strip = _strip(bench, profile)
    torque = motor_torque_nm(peak, bench)
    return BenchFigures(
        smallest_ul=smallest,
        median_ul=median,
        largest_ul=largest,
        microstep_ul=bench.microstep_ul,
        microsteps_smallest=microsteps(smallest, bench),
        gear_for_ten=gear_for(smallest, bench),
        peak_kpa=peak,
        limit_kpa=bench.limit_kpa,
        force_n=force_n(peak, bench),
        torque_nm=torque,
        torque_share=torque / bench.motor_torque_nm,
        time_constant_s=flow_time_constant_s(strip.flow_ul_s, bench),
        shear_rate_s=float(wall_shear_rate_s(peak, bench.tip)),
        stored_over_dose=float(dots.push_ul[1] / median),
        settling_ul=strip.cycle.volume_ul,
        settling_s=strip.walk.time_s,
        boards_per_barrel=boards_per_barrel(
            profile, board_ul=float(doses.sum()), settling_ul=strip.cycle.volume_ul
        ),
    )


def _strip(bench: PlungerBench, profile: Profile) -> Settling:
    return settling(
        bench,
        length_mm=profile.bed.strip_length_mm,
        speed_mm_s=min(profile.tuning.bead_mm_s, profile.machine.speed_xy_mm_s),
        accel_mm_s2=profile.machine.accel_xy_mm_s2,
    )


def _tip_rows(
    doses: Doses, bench: PlungerBench, profile: Profile, widest_dot_mm: float | None
) -> list[TipRow]:
    tuning = profile.tuning
    rows = []
    for size in tips():
        tip = Tip(
            gauge=size.gauge,
            bore_mm=size.bore_mm,
            outer_mm=size.outer_mm,
            length_mm=profile.tip.length_mm,
        )
        fit = tip_fit(size.bore_mm, profile.paste.powder)
        dot_mm = tuning.smallest_dot_bores * size.bore_mm
        dot_ul = dot_volume_ul(dot_mm, tuning.dot_shape_ratio)
        reasons = [
            "the powder clogs it" if fit is TipFit.CLOGS else "",
            f"its smallest dot holds {dot_ul:.3g} µL, the smallest dose {doses[0]:.3g} µL"
            if dot_ul > doses[0] * 1.001
            else "",
            f"its smallest dot is {dot_mm:.2f} mm wide, the land takes {widest_dot_mm:.2f} mm"
            if widest_dot_mm is not None and dot_mm > widest_dot_mm * 1.001
            else "",
        ]
        held: GentleDot | None = None
        if not any(reasons):
            held = _held(float(doses[-1]), replace(bench, tip=tip_flow(tip, profile.paste)))
            reasons = [held.why_not]
        why_not = "; ".join(reason for reason in reasons if reason)
        rows.append(
            TipRow(
                gauge=size.gauge,
                bore_mm=size.bore_mm,
                tip_ratio=tip_ratio(size.bore_mm, profile.paste.powder),
                fit=fit,
                smallest_dot_mm=dot_mm,
                smallest_dot_ul=dot_ul,
                smallest_bead_mm=size.bore_mm,
                peak_kpa=held.peak_kpa if held is not None else None,
                slower_s=held.slower_s if held is not None else 0.0,
                suits=not why_not,
                why_not=why_not,
            )
        )
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class GentleDot:
    """A dot laid below what a bench stands: its peak, how much longer than tuned it is pushed, or why it cannot be."""

    peak_kpa: float
    slower_s: float
    why_not: str


def _held(volume_ul: float, bench: PlungerBench) -> GentleDot:
    """Return how a dot is laid on a bench; as the planner does, its push is slowed until the bench stands it."""
    free = solved_dots([volume_ul], replace(bench, motor_torque_nm=inf, barrel_limit_kpa=inf))
    wanted_kpa = float(free.peak_kpa[0])
    if wanted_kpa <= bench.limit_kpa * PEAK_SLACK:
        return GentleDot(peak_kpa=wanted_kpa, slower_s=0.0, why_not="")
    slowed = solved_dots([volume_ul], bench)
    peak_kpa = float(slowed.peak_kpa[0])
    if peak_kpa > bench.limit_kpa * PEAK_SLACK:
        why_not = f"it needs {peak_kpa:.0f} kPa, the bench stands {bench.limit_kpa:.0f} kPa"
        return GentleDot(peak_kpa=peak_kpa, slower_s=0.0, why_not=why_not)
    slower_s = float(slowed.push_ul[0] / slowed.push_ul_s[0] - free.push_ul[0] / free.push_ul_s[0])
    why_not = (
        f"its largest dot takes {slower_s:.0f} s longer, so as not to pass {bench.limit_kpa:.0f} kPa"
        if slower_s > MOST_SLOWER_S
        else ""
    )
    return GentleDot(peak_kpa=peak_kpa, slower_s=max(slower_s, 0.0), why_not=why_not)


def _barrel_rows(doses: Doses, bench: PlungerBench, profile: Profile) -> list[AdvisedBarrel]:
    rows = []
    for size in barrels():
        store = replace(bench.store, area_mm2=size.area_mm2, paste_ul=size.capacity_ul)
        there = replace(bench, store=store)
        held = _held(float(doses[-1]), there)
        steps = microsteps(float(doses[0]), there)
        boards = None if steps < FEW_MICROSTEPS else _boards(doses, there, profile, size)
        reasons = [
            f"{steps:.1f} microsteps for the smallest dose" if steps < FEW_MICROSTEPS else "",
            "less than one board in it" if boards == 0 else "",
            held.why_not,
        ]
        why_not = "; ".join(reason for reason in reasons if reason)
        rows.append(
            AdvisedBarrel(
                name=size.name,
                bore_mm=size.bore_mm,
                microsteps_smallest=steps,
                peak_kpa=held.peak_kpa,
                slower_s=held.slower_s,
                force_n=force_n(held.peak_kpa, there),
                boards=boards,
                suits=not why_not,
                why_not=why_not,
            )
        )
    return rows


def _boards(doses: Doses, bench: PlungerBench, profile: Profile, size: BarrelSize) -> int:
    filled = replace(profile.barrel, bore_mm=size.bore_mm, fill_ul=size.capacity_ul)
    strip = _strip(bench, profile)
    return boards_per_barrel(
        replace(profile, barrel=filled),
        board_ul=float(doses.sum()),
        settling_ul=strip.cycle.volume_ul,
    )


def _gear_rows(doses: Doses, bench: PlungerBench) -> list[GearRow]:
    rows = []
    for times in GEAR_STEPS:
        there = replace(
            bench,
            gear=bench.gear * times,
            microstep_mm=bench.microstep_mm / times,
            speed_mm_s=bench.speed_mm_s / times,
            accel_mm_s2=bench.accel_mm_s2 / times,
        )
        held = _held(float(doses[-1]), there)
        steps = microsteps(float(doses[0]), there)
        reasons = [
            f"{steps:.1f} microsteps for the smallest dose" if steps < FEW_MICROSTEPS else "",
            held.why_not,
        ]
        why_not = "; ".join(reason for reason in reasons if reason)
        rows.append(
            GearRow(
                gear=there.gear,
                microsteps_smallest=steps,
                push_ul_s=there.push_ul_s,
                torque_nm=motor_torque_nm(held.peak_kpa, there),
                slower_s=held.slower_s,
                suits=not why_not,
                why_not=why_not,
            )
        )
    return rows

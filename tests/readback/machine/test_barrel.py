"""The barrel in finite steps: against closed forms, against scipy's integrators, and against its own books."""

from dataclasses import replace
from itertools import pairwise
from math import pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from pastewright.materials.model import Tip
from pastewright.readback.machine.barrel import ATMOSPHERE_KPA, BarrelBench, bench_of, run
from pastewright.readback.machine.flow import flow_table, yield_pressure_kpa


@pytest.fixture
def paste_of(bench_profile):
    def make(case):
        return replace(
            bench_profile.paste,
            yield_stress_kpa=case.of("yield_stress", "kPa"),
            consistency_kpa_sn=case.of("consistency", "kPa.s^n"),
            flow_index=case.of("n", "1"),
        )

    return make


def tip_of(case):
    return Tip(gauge=None, bore_mm=2 * case.of("radius", "mm"), outer_mm=2, length_mm=case.of("length", "mm"))


# -- flow in the tip ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("id_", ["hb-q-300um", "hb-q-200um", "hb-q-420um", "hb-no-flow", "hb-limit-newton"])
def test_flow_at_a_pressure(check_value, paste_of, id_):
    case = check_value(id_)
    table = flow_table(paste_of(case), tip_of(case), most_ul_s=20)
    assert case.agrees(table.flow(case.of("dp", "kPa")), "uL/s"), case.source


def test_yield_pressure(check_value, bench_profile):
    case = check_value("hb-yield-dp")
    paste = replace(bench_profile.paste, yield_stress_kpa=case.of("yield_stress", "kPa"))
    tip = Tip(gauge=None, bore_mm=case.of("diameter", "mm"), outer_mm=1, length_mm=case.of("length", "mm"))
    assert case.agrees(yield_pressure_kpa(paste, tip), "kPa"), case.source


def test_a_newtonian_needle_is_hagen_poiseuille(check_value, bench_profile):
    """Published: 8.5e4 Pa drive 1 g/s of water through 0.35 mm × 3.14 cm."""
    case = check_value("hp-hypodermic")
    water = replace(
        bench_profile.paste,
        yield_stress_kpa=0.0,
        consistency_kpa_sn=case.of("viscosity", "Pa.s") / 1000,
        flow_index=1.0,
    )
    tip = Tip(gauge=None, bore_mm=case.of("diameter", "mm"), outer_mm=1, length_mm=case.of("length", "mm"))
    table = flow_table(water, tip, most_ul_s=2000)
    pressure = brentq(lambda p: table.flow(p) - 1000.0, 1.0, table.top_kpa)  # 1 g/s of water is 1000 µL/s
    assert case.agrees(pressure, "kPa"), case.source
    assert case.agrees_closely(pressure, "kPa")


@settings(max_examples=25)
@given(
    n=st.floats(0.25, 1.5),
    tau=st.floats(0.0, 0.4),
    k=st.floats(0.02, 0.6),
    radius=st.floats(0.05, 0.5),
    share=st.floats(0.02, 1.0),
)
def test_flow_is_the_integral_of_the_velocity_profile(bench_profile, n, tau, k, radius, share):
    """Another way round: u(r) from γ̇ between r and the wall, then Q = ∫ 2π r u dr, by scipy's quadrature."""
    paste = replace(bench_profile.paste, yield_stress_kpa=tau, consistency_kpa_sn=k, flow_index=n)
    tip = Tip(gauge=None, bore_mm=2 * radius, outer_mm=2, length_mm=10)
    table = flow_table(paste, tip, most_ul_s=5)
    pressure = table.yield_kpa + share * (table.top_kpa - table.yield_kpa)
    gradient = pressure / (2 * 10)

    def shear_rate(r):
        return (max(gradient * r - tau, 0.0) / k) ** (1 / n)

    # Q = ∫ 2π r u dr = ∫ π r² γ̇ dr after integration by parts, u(R) = 0.
    plug = min(tau / gradient, radius)
    wanted, _ = quad(lambda r: pi * r * r * shear_rate(r), plug, radius, epsrel=1e-10)
    assert table.flow(pressure) == pytest.approx(wanted, rel=1e-5)


# -- the barrel against what is known of it ----------------------------------------------------------------


def lag_bench(case, paste, *, most=5.0):
    """The case's barrel: all springiness V/K in one number, an area of 1 mm² so that mm are µL."""
    stiff = case.of("volume", "uL") / case.of("bulk_modulus", "kPa")
    return BarrelBench(
        flow=flow_table(paste, tip_of(case), most_ul_s=most),
        sweep_ul_mm=1.0,
        frame_ul_kpa=stiff,
        bulk_kpa=1e12,
        bubble_ul=0.0,
        fill_ul=1.0,
        backlash_mm=0.0,
    )


def push(bench, *parts, tolerance=1e-5, start_kpa=0.0):
    """Run parts of (travel [mm], time [s]) without ramps."""
    at = [0.0]
    for travel, _ in parts:
        at.append(at[-1] + travel)
    return run(
        bench,
        plunger_mm=at,
        duration_s=[seconds for _, seconds in parts],
        ramp_s=[0.0] * len(parts),
        tolerance_ul=tolerance,
        start_kpa=start_kpa,
    )


def test_delivered_in_the_first_ten_seconds(check_value, paste_of):
    case = check_value("lag-hb-delivered")
    seconds = case.of("run_time", "s")
    got = push(lag_bench(case, paste_of(case)), (case.of("flow", "uL/s") * seconds, seconds))
    assert case.agrees(float(got.out_ul[0]), "uL"), case.source


def test_steady_pressure_dribble_and_pull_back(check_value, paste_of):
    steady, dribble, pull = (check_value(f"lag-hb-{name}") for name in ("pss", "dribble", "retract"))
    bench = lag_bench(dribble, paste_of(dribble))
    flow = dribble.of("flow", "uL/s")
    got = push(bench, (400 * flow, 400.0), (0.0, 1e7))
    assert steady.agrees(float(got.last_kpa[0]), "kPa"), steady.source
    # What is left over P_y after 1e7 s is told by the slow end of the decay: 0.1 % of the dribble.
    assert float(got.out_ul[1]) == pytest.approx(dribble.computed, rel=2e-3)
    area = pi / 4 * pull.of("barrel_diameter", "mm") ** 2
    back = pull.computed * area
    relieved = push(bench, (400 * flow, 400.0), (-back, 1e-3))
    assert abs(relieved.last_kpa[1]) < 0.1


def test_nothing_comes_out_before_the_yield_pressure(check_value, paste_of, bench_profile):
    case = check_value("lag-hb-delay")
    paste = replace(bench_profile.paste, yield_stress_kpa=case.of("yield_stress", "kPa"))
    bench = lag_bench(case, paste)
    flow, delay = case.of("piston_flow", "uL/s"), case.computed
    assert push(bench, (flow * delay * 0.999, delay * 0.999)).out_ul[0] == 0.0
    assert push(bench, (flow * delay * 1.05, delay * 1.05)).out_ul[0] > 0.0


def test_a_newtonian_barrel_answers_a_step_with_its_time_constant(check_value, bench_profile):
    rc, step = check_value("lag-rc"), check_value("lag-step")
    paste = replace(
        bench_profile.paste,
        yield_stress_kpa=0.0,
        consistency_kpa_sn=rc.of("viscosity", "Pa.s") / 1000,
        flow_index=1.0,
    )
    tip = Tip(gauge=None, bore_mm=rc.of("diameter", "mm"), outer_mm=1, length_mm=rc.of("length", "mm"))
    stiff = rc.of("volume", "uL") / rc.of("bulk_modulus", "kPa")
    bench = BarrelBench(
        flow=flow_table(paste, tip, most_ul_s=0.2),
        sweep_ul_mm=1.0,
        frame_ul_kpa=stiff,
        bulk_kpa=1e12,
        bubble_ul=0.0,
        fill_ul=1.0,
        backlash_mm=0.0,
    )
    tau, rate = rc.computed, 0.1
    shares = []
    for ratio in step.of("time_ratio", "1"):
        got = push(bench, (rate * ratio * tau, ratio * tau), tolerance=1e-7)
        shares.append(bench.flow.flow(float(got.last_kpa[0])) / rate)
    assert shares == pytest.approx(step.computed, rel=1e-4), step.source


def test_a_bubble_adds_its_own_springiness(check_value, bench_profile):
    """C = V0/p for air at p absolute: 10 µL at 300 kPa absolute give 1/30 µL/kPa (isothermal)."""
    case = check_value("lag-bubble")
    volume, pressure = case.of("bubble_volume", "uL"), case.of("abs_pressure", "kPa")
    # 10 µL at 300 kPa are 10·300/101.325 µL at atmospheric pressure.
    bench = BarrelBench(
        flow=flow_table(bench_profile.paste, bench_profile.tip, most_ul_s=1.0),  # nothing flows here
        sweep_ul_mm=1.0,
        frame_ul_kpa=0.0,
        bulk_kpa=1e12,
        bubble_ul=volume * pressure / ATMOSPHERE_KPA,
        fill_ul=0.0,
        backlash_mm=0.0,
    )
    gauge = pressure - ATMOSPHERE_KPA
    slope = (bench.stored_ul(gauge + 0.01, 0.0) - bench.stored_ul(gauge - 0.01, 0.0)) / 0.02
    assert slope == pytest.approx(volume / pressure, rel=1e-6)


# -- against scipy's integrator -------------------------------------------------------------------------


def cycle(push_mm, back_mm):
    """A dot: push, dwell, retraction, at 0.1 mm/s with 20 mm/s²; times and one ramp each."""
    ramp = 0.1 / 20
    parts = [(push_mm, push_mm / 0.1 + ramp, ramp), (0.0, 0.2, 0.0), (-back_mm, back_mm / 0.1 + ramp, ramp)]
    at = np.concatenate([[0.0], np.cumsum([travel for travel, _, _ in parts])])
    return at.tolist(), [t for _, t, _ in parts], [r for _, _, r in parts]


def by_scipy(bench, at, times, ramps, *, start_kpa):
    """The same barrel by solve_ivp, in pressure instead of stored volume, and with the textbook's flow formula."""
    profile, backlash = bench
    tip, paste = profile.tip, profile.paste
    area = profile.barrel.area_mm2
    first = 2 * tip.length_mm * paste.yield_stress_kpa / tip.radius_mm
    n = paste.flow_index
    stiff = (
        area**2 / 1000 / profile.plunger.frame_stiffness_n_mm
        + profile.barrel.fill_ul / paste.bulk_modulus_kpa
    )
    bubble = profile.tuning.bubble_ul

    def flow(p):
        if p < 0:
            return -flow(-p)
        if p <= first:
            return 0.0
        wall = p * tip.radius_mm / (2 * tip.length_mm)
        f = paste.yield_stress_kpa / wall
        return (
            pi * tip.radius_mm**3 * n * (wall / paste.consistency_kpa_sn) ** (1 / n) * (1 - f) ** ((n + 1) / n)
            * ((1 - f) ** 2 / (3 * n + 1) + 2 * f * (1 - f) / (2 * n + 1) + f**2 / (n + 1))
        )  # fmt: skip

    pressure, out = start_kpa, 0.0
    slack = backlash
    for k, (whole, ramp) in enumerate(zip(times, ramps, strict=True)):
        travel = at[k + 1] - at[k]
        rate = 1 / (whole - ramp) if travel else 0.0

        def place(t, whole=whole, ramp=ramp, rate=rate):
            """Share of the path done at t."""
            if ramp == 0:
                return rate * t
            if t < ramp:
                return rate * t * t / (2 * ramp)
            if t < whole - ramp:
                return rate * (t - ramp / 2)
            return 1 - rate * (whole - t) ** 2 / (2 * ramp)

        free = slack if travel > 0 else backlash - slack
        moment = 0.0
        if travel and free > 0:
            done = min(free / abs(travel), 1.0)
            moment = brentq(lambda t, done=done: place(t) - done, 0, whole) if done < 1 else whole
            slack = 0.0 if travel > 0 else backlash

        def speed(t, whole=whole, ramp=ramp, rate=rate, travel=travel, moment=moment):
            if t < moment or not travel:
                return 0.0
            return travel * rate * min(1.0, t / ramp, (whole - t) / ramp)

        def rhs(t, y):
            p = y[0]
            capacity = stiff + bubble * ATMOSPHERE_KPA / (ATMOSPHERE_KPA + p) ** 2
            return [(area * speed(t) - flow(p)) / capacity, flow(p)]

        edges = sorted({0.0, moment, ramp, whole - ramp, whole})
        for begin, end in pairwise(edges):
            if end - begin < 1e-12:
                continue
            solved = solve_ivp(
                rhs, (begin, end), [pressure, out], rtol=1e-10, atol=1e-12, max_step=(end - begin) / 20
            )
            pressure, out = solved.y[:, -1].tolist()
    return out, pressure


@pytest.mark.parametrize("push_mm", [0.045, 0.06, 0.1, 0.2])
@pytest.mark.parametrize("bubble_ul", [0.0, 1.0, 10.0])
def test_a_dot_comes_out_as_scipy_integrates_it(bench_profile, push_mm, bubble_ul):
    profile = replace(bench_profile, tuning=replace(bench_profile.tuning, bubble_ul=bubble_ul))
    bench = bench_of(profile)
    rest = bench.flow.yield_kpa / 2
    at, times, ramps = cycle(push_mm, push_mm - 0.0005)
    wanted, pressure = by_scipy((profile, bench.backlash_mm), at, times, ramps, start_kpa=rest)
    got = run(
        bench,
        plunger_mm=at,
        duration_s=times,
        ramp_s=ramps,
        tolerance_ul=max(wanted, 0.02) * 1e-3,
        start_kpa=rest,
    )
    assert float(got.out_ul.sum()) == pytest.approx(wanted, rel=3e-3, abs=2e-4)
    assert float(got.last_kpa[-1]) == pytest.approx(pressure, rel=3e-3, abs=0.1)


def test_smaller_steps_lead_to_the_same_dot(bench_profile):
    bench = bench_of(bench_profile)
    at, times, ramps = cycle(0.1, 0.099)
    outs = [
        float(run(bench, plunger_mm=at, duration_s=times, ramp_s=ramps, tolerance_ul=tolerance).out_ul.sum())
        for tolerance in (1e-9, 1e-6, 1e-3)
    ]
    assert outs[1] == pytest.approx(outs[0], rel=1e-5)
    assert outs[2] == pytest.approx(outs[0], rel=2e-3)


# -- the books -----------------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(
    moves=st.lists(
        st.tuples(st.floats(-0.3, 0.3), st.floats(0.05, 3.0), st.floats(0.0, 0.5)), min_size=1, max_size=12
    ),
    bubble=st.sampled_from([0.0, 0.5, 20.0]),
    backlash=st.sampled_from([0.0, 0.03]),
)
def test_out_is_swept_less_stored(bench_profile, moves, bubble, backlash):
    profile = replace(
        bench_profile,
        tuning=replace(bench_profile.tuning, bubble_ul=bubble),
        plunger=replace(bench_profile.plunger, backlash_mm=backlash),
    )
    bench = bench_of(profile)
    at = np.concatenate([[0.0], np.cumsum([travel for travel, _, _ in moves])]).tolist()
    got = run(
        bench,
        plunger_mm=at,
        duration_s=[t for _, t, _ in moves],
        ramp_s=[t * share for _, t, share in moves],
        tolerance_ul=1e-5,
    )
    out = float(got.out_ul.sum())
    assert out == pytest.approx(got.swept_ul - got.stored_ul, abs=1e-9)
    # What is stored is also what the last pressure says. Its stiffness counts the paste that was there when
    # the last move began, so the two may differ by what came out since, times P/K.
    said = bench.stored_ul(float(got.last_kpa[-1]), bench.fill_ul - out)
    slip = float(np.abs(got.out_ul).sum()) / bench.bulk_kpa * max(abs(float(got.last_kpa[-1])), 1.0)
    assert got.stored_ul == pytest.approx(said, abs=1e-9 + slip)
    assert np.isfinite(got.out_ul).all()


def test_backlash_swallows_the_turn(bench_profile):
    """Forward 1 mm after a retraction moves the plunger 1 mm less the slack, and again so on the way back."""
    bench = replace(bench_of(bench_profile), backlash_mm=0.1)
    for slack, swept in ((0.1, 0.9), (0.0, 1.0), (0.05, 0.95)):
        got = run(bench, plunger_mm=[0, 1], duration_s=[20], ramp_s=[0.1], tolerance_ul=1e-3, slack_mm=slack)
        assert got.swept_ul == pytest.approx(swept * bench.sweep_ul_mm)
    there_and_back = run(bench, plunger_mm=[0, 1, 0], duration_s=[20, 20], ramp_s=[0, 0], tolerance_ul=1e-3)
    assert there_and_back.swept_ul == pytest.approx(0.0, abs=1e-9)


def test_paste_at_rest_costs_no_time(bench_profile):
    """Below the yield pressure a wait of a year is one step, and nothing comes out."""
    bench = bench_of(bench_profile)
    got = run(bench, plunger_mm=[0, 0], duration_s=[3e7], ramp_s=[0], tolerance_ul=1e-5, start_kpa=17.9)
    assert got.out_ul[0] == 0.0
    assert got.last_kpa[0] == pytest.approx(17.9)


def test_a_stiff_bench_needs_no_small_steps(bench_profile):
    """A frame a thousand times stiffer settles at once; what is swept comes out."""
    stiff = replace(bench_of(bench_profile), frame_ul_kpa=1e-6, bulk_kpa=1e12, bubble_ul=0.0, backlash_mm=0.0)
    got = run(stiff, plunger_mm=[0, 0.5], duration_s=[5], ramp_s=[0.1], tolerance_ul=1e-4)
    assert float(got.out_ul[0]) == pytest.approx(50.0, rel=1e-4)

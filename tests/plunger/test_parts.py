"""Springs, screw, ramps, walks, roots and the curve: the parts that the cycles are made of."""

from dataclasses import replace
from math import isclose

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from pastewright.kinematics import move_time_s
from pastewright.materials.screw import efficiency, lead_angle_deg, lowering_torque_nm, raising_torque_nm
from pastewright.plunger.limits import (
    bore_for_mm,
    force_n,
    gear_for,
    microsteps,
    motor_torque_nm,
    pressure_problems,
    resolution_problems,
)
from pastewright.plunger.ramp import ramp
from pastewright.plunger.roots import bracketed_roots
from pastewright.plunger.storage import Store, compliance_ul_kpa, pressure_of_stored_kpa, stored_ul
from pastewright.plunger.walk import Walk, walk_lasting, walk_legs, walked_shares
from pastewright.problems import Severity

stores = st.builds(
    Store,
    area_mm2=st.floats(10.0, 400.0),
    stiffness_n_mm=st.floats(20.0, 5000.0),
    paste_ul=st.floats(0.0, 50_000.0),
    bulk_modulus_kpa=st.floats(1e4, 2e6),
    bubble_ul=st.one_of(st.just(0.0), st.floats(0.01, 200.0)),
)


def store(**changes):
    plain = Store(area_mm2=100.0, stiffness_n_mm=1e12, paste_ul=0.0, bulk_modulus_kpa=1e12, bubble_ul=0.0)
    return replace(plain, **changes)


# Storage.


def test_compliance_of_paste(check_value):
    case = check_value("lag-compliance")
    s = store(paste_ul=case.of("volume", "uL"), bulk_modulus_kpa=case.of("bulk_modulus", "kPa"))
    assert case.agrees(float(compliance_ul_kpa(50.0, s)), "uL/kPa"), case.source


def test_a_trace_of_gas_softens_a_liquid(check_value):
    case = check_value("lag-gassy-modulus")
    share, absolute = case.of("gas_fraction", "1"), case.of("abs_pressure", "kPa")
    # A litre of mixture at this pressure: its gas is a bubble that Boyle lets grow at atmosphere.
    whole = 1e6
    s = store(
        paste_ul=whole * (1 - share),
        bulk_modulus_kpa=case.of("liquid_modulus", "kPa"),
        bubble_ul=whole * share * absolute / 101.325,
    )
    assert case.agrees(whole / float(compliance_ul_kpa(absolute - 101.325, s)), "kPa"), case.source


def test_a_bubble_halves_at_two_atmospheres():
    # Boyle: one atmosphere of gauge pressure stores half of the bubble's volume.
    assert float(stored_ul(101.325, store(bubble_ul=8.0))) == pytest.approx(4.0, rel=1e-9)


def test_a_frame_stores_area_times_its_bending():
    # By hand: 100 kPa on 100 mm² is 10 N; 200 N/mm bend 0.05 mm; times 100 mm² is 5 µL.
    assert float(stored_ul(100.0, store(stiffness_n_mm=200.0))) == pytest.approx(5.0, rel=1e-9)


@given(stores, st.floats(-50.0, 5000.0))
def test_pressure_is_the_inverse_of_stored(s, pressure):
    back = float(pressure_of_stored_kpa(stored_ul(pressure, s), s))
    assert back == pytest.approx(pressure, rel=1e-7, abs=1e-7)


@given(stores, st.floats(1.0, 2000.0))
def test_compliance_is_the_derivative_of_stored(s, pressure):
    step = 1e-3 * pressure
    rise = float(stored_ul(pressure + step, s) - stored_ul(pressure - step, s)) / (2 * step)
    assert float(compliance_ul_kpa(pressure, s)) == pytest.approx(rise, rel=1e-4)


def test_an_impossible_barrel_is_refused():
    with pytest.raises(ValueError, match="above zero"):
        store(stiffness_n_mm=0.0)
    with pytest.raises(ValueError, match="below zero"):
        store(bubble_ul=-1.0)


# Screw.


def screw(case, half_angle_deg=0.0):
    return {
        "lead_mm": case.of("lead", "mm"),
        "pitch_diameter_mm": case.of("mean_diameter", "mm"),
        "half_angle_deg": half_angle_deg,
        "friction": case.of("friction", "1"),
    }


def collar_nm(case):
    return (
        case.of("load", "N") * case.of("collar_friction", "1") * case.of("collar_diameter", "mm") / 2 / 1000
    )


def test_square_thread_raises_a_load(check_value):
    case = check_value("screw-raise")
    torque = raising_torque_nm(case.of("load", "N"), **screw(case)) + collar_nm(case)
    assert case.agrees(torque, "N.m"), case.source
    assert case.agrees_closely(torque, "N.m")
    other = check_value("screw-eff")
    assert other.agrees(case.of("load", "N") * case.of("lead", "mm") / 1000 / (2 * np.pi * torque))


def test_square_thread_lowers_a_load(check_value):
    case = check_value("screw-lower")
    torque = lowering_torque_nm(case.of("load", "N"), **screw(case)) + collar_nm(case)
    assert case.agrees(torque, "N.m"), case.source


def test_trapezoidal_thread(check_value):
    raised, lowered, share, angle = (
        check_value(name) for name in ("acme-raise", "acme-lower", "acme-eff", "acme-lead-angle")
    )
    numbers = screw(raised, raised.of("half_angle", "deg"))
    load = raised.of("load", "N")
    assert raised.agrees(raising_torque_nm(load, **numbers), "N.m"), raised.source
    assert raised.agrees_closely(raising_torque_nm(load, **numbers), "N.m")
    assert lowered.agrees(lowering_torque_nm(load, **numbers), "N.m"), lowered.source
    assert share.agrees(efficiency(**numbers)), share.source
    slope = lead_angle_deg(lead_mm=numbers["lead_mm"], pitch_diameter_mm=numbers["pitch_diameter_mm"])
    assert angle.agrees(slope, "deg"), angle.source


def test_torque_from_efficiency(check_value):
    case = check_value("screw-torque-eff")
    # A friction is sought that has the stated efficiency; the torque must then be the stated one.
    lead = case.of("lead", "mm")

    def off(friction):
        return efficiency(
            lead_mm=lead, pitch_diameter_mm=30.0, half_angle_deg=0.0, friction=friction
        ) - case.of("efficiency", "1")

    friction = brentq(off, 0.001, 0.3)
    torque = raising_torque_nm(
        case.of("load", "N") if "load" in case.inputs else 20_000.0,
        lead_mm=lead,
        pitch_diameter_mm=30.0,
        half_angle_deg=0.0,
        friction=friction,
    )
    assert case.agrees(torque, "N.m"), case.source


def test_force_from_torque(check_value):
    case = check_value("screw-force")
    # M5 with the friction that gives this efficiency: the force whose raising torque is the given torque.
    numbers = {"lead_mm": case.of("lead", "mm"), "pitch_diameter_mm": 4.48, "half_angle_deg": 30.0}
    friction = brentq(lambda f: efficiency(friction=f, **numbers) - case.of("efficiency", "1"), 0.001, 1.0)
    force = case.of("torque", "N.m") / raising_torque_nm(1.0, friction=friction, **numbers)
    assert case.agrees(force, "N"), case.source


def test_a_screw_that_no_torque_moves():
    assert raising_torque_nm(
        1.0, lead_mm=50.0, pitch_diameter_mm=4.0, half_angle_deg=0.0, friction=0.5
    ) == float("inf")


# Limits.


def test_volume_of_a_microstep(check_value, benches):
    case = check_value("vol-per-microstep")
    turn = case.of("full_steps", "count") * case.of("microsteps", "count")
    area = np.pi / 4 * case.of("barrel_diameter", "mm") ** 2
    bench = replace(
        benches["soft"],
        store=replace(benches["soft"].store, area_mm2=area),
        microstep_mm=case.of("lead", "mm") / turn,
    )
    assert case.agrees(bench.microstep_ul, "uL"), case.source
    assert microsteps(10 * bench.microstep_ul, bench) == pytest.approx(10)


def test_force_of_a_pressure(check_value, benches):
    case = check_value("plunger-force")
    area = np.pi / 4 * case.of("barrel_diameter", "mm") ** 2
    bench = replace(benches["soft"], store=replace(benches["soft"].store, area_mm2=area))
    pressure = case.of("pressure", "kPa")
    # The seal's friction comes on top; the case is of the pressure alone.
    assert case.agrees(force_n(pressure, bench) - force_n(0.0, bench), "N"), case.source


def test_the_limit_is_the_pressure_at_the_torque_allowed(bench):
    assert motor_torque_nm(bench.motor_limit_kpa, bench) == pytest.approx(
        0.7 * bench.motor_torque_nm, rel=1e-9
    )


def test_few_microsteps_warn_and_fewer_stop(benches):
    bench = benches["soft"]
    step = bench.microstep_ul
    assert resolution_problems([10 * step, 50 * step], bench) == ()
    (warning,) = resolution_problems([9.9 * step, 50 * step], bench)
    assert warning.severity is Severity.WARNING
    assert warning.what.startswith("1 of 2")
    (error,) = resolution_problems([2.9 * step, 5 * step], bench)
    assert error.severity is Severity.ERROR
    assert "2.9" in error.what


@given(volume=st.floats(1e-4, 0.05))
def test_what_is_named_to_mend_few_microsteps_does_mend_them(benches, volume):
    bench = benches["soft"]
    times = gear_for(volume, bench) / bench.gear
    assert microsteps(volume, replace(bench, microstep_mm=bench.microstep_mm / times)) >= 10 - 1e-6
    area = np.pi / 4 * bore_for_mm(volume, bench) ** 2
    narrower = replace(bench, store=replace(bench.store, area_mm2=area))
    assert microsteps(volume, narrower) >= 10 - 1e-6


def test_pressure_beyond_motor_and_barrel_is_told(benches):
    weak = benches["weak"]
    assert pressure_problems(weak.limit_kpa * 0.99, weak) == ()
    assert "motor" in pressure_problems(weak.limit_kpa * 1.1, weak)[0].what
    rated = replace(benches["soft"], barrel_limit_kpa=700.0)
    assert rated.limit_kpa == pytest.approx(665.0)
    assert pressure_problems(690.0, rated) == ()
    assert "barrel is rated for 700 kPa" in pressure_problems(710.0, rated)[0].what


# Ramps and walks.


@given(
    sweep=st.floats(0.0, 50.0),
    rate=st.floats(0.5, 40.0),
    accel=st.floats(5.0, 2000.0),
    backlash=st.floats(0.0, 5.0),
)
def test_a_ramp_sweeps_its_volume_in_the_time_of_the_whole_move(sweep, rate, accel, backlash):
    way = ramp(sweep, rate_ul_s=rate, accel_ul_s2=accel, backlash_ul=backlash)
    swept = sum(float(leg.time_s[0] * (leg.start_ul_s[0] + leg.end_ul_s[0]) / 2) for leg in way.legs)
    assert swept == pytest.approx(sweep, rel=1e-9, abs=1e-9)
    seconds = float(way.lag_s[0]) + sum(float(leg.time_s[0]) for leg in way.legs)
    assert seconds == pytest.approx(move_time_s(sweep + backlash, rate, accel), rel=1e-9, abs=1e-12)
    assert all(float(leg.time_s[0]) >= 0 for leg in way.legs)
    assert max(float(leg.end_ul_s[0]) for leg in way.legs) <= rate * (1 + 1e-12)


def test_backlash_takes_its_part_of_the_acceleration():
    # By hand: 2 µL of backlash at 100 µL/s² take 0.2 s, when the motor runs at 20 µL/s; cruise is 30.
    way = ramp(20.0, rate_ul_s=30.0, accel_ul_s2=100.0, backlash_ul=2.0)
    assert float(way.lag_s[0]) == pytest.approx(0.2)
    assert float(way.legs[0].start_ul_s[0]) == pytest.approx(20.0)
    assert float(way.legs[0].time_s[0]) == pytest.approx(0.1)


def test_triangle_of_a_worked_case(check_value):
    # Unequal ramps are not used here; with a = b the same formulas give v = √(a·D).
    case = check_value("tri-peak")
    a, b, d = case.of("accel", "m/s2"), case.of("decel", "m/s2"), case.of("distance", "m")
    assert case.agrees(float(np.sqrt(2 * a * b * d / (a + b))), "m/s"), case.source
    same = 2 * a * b / (a + b)
    way = ramp(d, rate_ul_s=1e9, accel_ul_s2=same, backlash_ul=0.0)
    assert case.agrees(float(way.legs[0].end_ul_s[0]), "m/s")


legs_mm = st.lists(st.floats(0.01, 20.0), min_size=1, max_size=6).map(tuple)
walks = st.builds(Walk, legs_mm=legs_mm, speed_mm_s=st.floats(0.5, 30.0), accel_mm_s2=st.floats(20.0, 2000.0))


@given(walks)
def test_shares_of_a_walk_are_its_speed_integrated(walk):
    shares = walked_shares([walk], 40)[0]
    assert shares[0] == 0.0
    assert shares[-1] == pytest.approx(1.0)
    assert (np.diff(shares) >= -1e-12).all()
    # The same walk as rates over time, summed to one moment in the middle of it.
    moment, done, clock = walk.time_s * 0.3, 0.0, 0.0
    for leg in walk_legs(walk, 1.0):
        t = min(max(moment - clock, 0.0), float(leg.time_s[0]))
        slope = float(leg.end_ul_s[0] - leg.start_ul_s[0]) / max(float(leg.time_s[0]), 1e-300)
        done += float(leg.start_ul_s[0]) * t + slope * t * t / 2
        clock += float(leg.time_s[0])
    assert clock == pytest.approx(walk.time_s)
    assert shares[12] == pytest.approx(done, abs=1e-9)


def test_walks_of_different_shape_do_not_mix():
    many = [
        Walk(legs_mm=(1.0,), speed_mm_s=5.0, accel_mm_s2=100.0),
        Walk(legs_mm=(2.0, 0.1, 2.0), speed_mm_s=3.0, accel_mm_s2=400.0),
        Walk(legs_mm=(0.05,), speed_mm_s=9.0, accel_mm_s2=50.0),
    ]
    together = walked_shares(many, 16)
    for row, walk in zip(together, many, strict=True):
        assert row == pytest.approx(walked_shares([walk], 16)[0], abs=1e-15)


@given(walks, st.floats(1.0, 50.0))
def test_a_slowed_walk_takes_the_time_asked(walk, times):
    slow = walk_lasting(walk, walk.time_s * times)
    assert slow.time_s == pytest.approx(walk.time_s * times, rel=1e-9)
    assert slow.speed_mm_s <= walk.speed_mm_s * (1 + 1e-12)


# Roots and the curve.


@given(st.lists(st.floats(-0.99, 30.0), min_size=1, max_size=8), st.floats(0.3, 5.0))
def test_roots_of_many_powers_at_once(targets, power):
    goal = np.array(targets)
    found = bracketed_roots(
        lambda x: x**power - 1 - goal, np.zeros(goal.size), np.full(goal.size, 1e5), tolerance=0.0
    )
    assert found == pytest.approx((1 + goal) ** (1 / power), rel=1e-9)


def test_a_root_at_an_end_is_found():
    low, high = np.array([0.0, 0.0]), np.array([1.0, 1.0])
    found = bracketed_roots(lambda x: x - np.array([0.0, 1.0]), low, high, tolerance=0.0)
    assert found.tolist() == [0.0, 1.0]


def test_a_lane_without_a_root_gives_its_better_end():
    found = bracketed_roots(lambda x: x + 1.0, np.array([0.0]), np.array([5.0]), tolerance=0.0)
    assert found.tolist() == [0.0]


def test_roots_cost_few_calls_on_smooth_functions():
    calls = 0

    def function(x):
        nonlocal calls
        calls += 1
        return np.exp(x) - np.array([2.0, 50.0, 1000.0])

    found = bracketed_roots(function, np.zeros(3), np.full(3, 10.0), tolerance=1e-9)
    assert found == pytest.approx(np.log([2.0, 50.0, 1000.0]), rel=1e-10)
    assert calls < 20


def test_speed_of_a_walk_integrates_to_its_feed():
    walk = Walk(legs_mm=(2.0, 1.0), speed_mm_s=5.0, accel_mm_s2=200.0)
    fed = sum(
        quad(
            lambda t, leg=leg: leg.start_ul_s[0] + (leg.end_ul_s[0] - leg.start_ul_s[0]) * t / leg.time_s[0],
            0,
            leg.time_s[0],
        )[0]
        for leg in walk_legs(walk, 0.7)
    )
    assert isclose(fed, 0.7, rel_tol=1e-9)

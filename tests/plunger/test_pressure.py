"""The state equation against worked lag cases, closed forms and scipy's own integrator."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from pastewright.plunger.flow import TipFlow, driving_pressure_kpa, flow_ul_s
from pastewright.plunger.pressure import after_fed, after_legs, still, time_constant_s
from pastewright.plunger.ramp import Leg
from pastewright.plunger.storage import Store, stored_ul


def steady(rate, seconds):
    return Leg(np.array([float(seconds)]), np.array([float(rate)]), np.array([float(rate)]))


def newtonian(case, benches, *, store):
    tip = TipFlow(
        radius_mm=case.of("diameter", "mm") / 2,
        length_mm=case.of("length", "mm"),
        yield_kpa=0.0,
        consistency_kpa_sn=case.of("viscosity", "Pa.s") / 1000,
        flow_index=1.0,
    )
    return replace(benches["soft"], tip=tip, store=store)


def syringe(**changes):
    rigid = Store(area_mm2=100.0, stiffness_n_mm=1e12, paste_ul=0.0, bulk_modulus_kpa=1e12, bubble_ul=0.0)
    return replace(rigid, **changes)


def test_time_constant_of_a_syringe(check_value, benches):
    case = check_value("lag-rc")
    store = syringe(paste_ul=case.of("volume", "uL"), bulk_modulus_kpa=case.of("bulk_modulus", "kPa"))
    bench = newtonian(case, benches, store=store)
    assert case.agrees(float(time_constant_s(40.0, bench)), "s"), case.source


def test_time_constant_of_a_bubble(check_value, benches):
    case = check_value("lag-bubble")
    absolute = case.of("abs_pressure", "kPa")
    # V0 of the case is the bubble at that pressure; Boyle leads it back to atmosphere.
    store = syringe(bubble_ul=case.of("bubble_volume", "uL") * absolute / 101.325)
    bench = newtonian(case, benches, store=store)
    assert case.agrees(float(time_constant_s(absolute - 101.325, bench)), "s"), case.source


def test_a_step_of_speed_is_answered_exponentially(check_value, benches):
    case = check_value("lag-step")
    values = check_value("lag-rc")
    store = syringe(paste_ul=values.of("volume", "uL"), bulk_modulus_kpa=values.of("bulk_modulus", "kPa"))
    bench = newtonian(values, benches, store=store)
    tau = float(time_constant_s(1.0, bench))
    target = float(driving_pressure_kpa(0.5, bench.tip))
    shares = [
        float(after_legs(np.zeros(1), [steady(0.5, ratio * tau)], bench, least_steps=400)[0][0]) / target
        for ratio in case.of("time_ratio", "1")
    ]
    assert case.agrees(np.array(shares)), case.source


@pytest.mark.parametrize("place", [0, 1, 2])
def test_a_swinging_plunger_is_answered_late_and_weakly(check_value, benches, place):
    gain, phase = check_value("lag-sine-gain"), check_value("lag-sine-phase")
    values = check_value("lag-rc")
    store = syringe(paste_ul=values.of("volume", "uL"), bulk_modulus_kpa=values.of("bulk_modulus", "kPa"))
    bench = newtonian(values, benches, store=store)
    tau = float(time_constant_s(1.0, bench))
    omega = gain.of("omega_tau", "1")[place] / tau
    # Speed 1 + 0.5·sin(ωt) in straight pieces, 128 a swing; the first ten time constants are forgotten.
    pieces = 128
    step = 2 * np.pi / omega / pieces
    swings = int(np.ceil(10 * tau / (step * pieces))) + 1
    rates = 1 + 0.5 * np.sin(2 * np.pi * np.arange(swings * pieces + 1) / pieces)
    pressure = np.full(1, float(driving_pressure_kpa(1.0, bench.tip)))
    flows = []
    for first, last in pairwise(rates):
        leg = Leg(np.array([step]), np.array([first]), np.array([last]))
        pressure, _ = after_legs(pressure, [leg], bench, least_steps=2)
        flows.append(float(flow_ul_s(pressure, bench.tip)[0]))
    times = 2 * np.pi * np.arange(1, pieces + 1) / pieces
    tail = np.array(flows[-pieces:])
    sine, cosine = 2 * np.mean(tail * np.sin(times)), 2 * np.mean(tail * np.cos(times))
    # Straight pieces are a little flatter than the sine: (ωΔt)²/12 of it, 2e-4.
    assert np.hypot(sine, cosine) / 0.5 == pytest.approx(gain.expected[place], rel=1e-3), gain.source
    assert np.degrees(np.arctan2(-cosine, sine)) == pytest.approx(phase.expected[place], abs=0.05)


def paste_syringe(case, benches):
    tip = TipFlow(
        radius_mm=case.of("radius", "mm"),
        length_mm=case.of("length", "mm"),
        yield_kpa=case.of("yield_stress", "kPa"),
        consistency_kpa_sn=case.of("consistency", "Pa.s^n") / 1000 if "consistency" in case.inputs else 0.25,
        flow_index=case.of("n", "1") if "n" in case.inputs else 0.4,
    )
    store = (
        syringe(paste_ul=case.of("volume", "uL"), bulk_modulus_kpa=case.of("bulk_modulus", "kPa"))
        if "volume" in case.inputs
        else syringe()
    )
    return replace(benches["soft"], tip=tip, store=store)


def test_steady_pressure_of_a_paste(check_value, benches):
    case = check_value("lag-hb-pss")
    bench = paste_syringe(case, benches)
    assert case.agrees(float(driving_pressure_kpa(case.of("flow", "mm3/s"), bench.tip)), "kPa"), case.source


def test_delay_before_paste_flows(check_value, benches):
    case = check_value("lag-hb-delay")
    bench = paste_syringe(case, benches)
    rate = case.of("piston_flow", "mm3/s")
    # Just before the delay is over nothing has come out, just after something has.
    for share, flows in ((0.999, False), (1.01, True)):
        pressure, _ = after_legs(np.zeros(1), [steady(rate, case.expected * share)], bench)
        assert (float(flow_ul_s(pressure, bench.tip)[0]) > 0) is flows, case.source
    assert case.agrees(float(stored_ul(bench.yield_kpa, bench.store)) / rate, "s")


def test_dribble_after_a_stop(check_value, benches):
    case = check_value("lag-hb-dribble")
    bench = paste_syringe(case, benches)
    start = driving_pressure_kpa(np.array([case.of("flow", "mm3/s")]), bench.tip)
    # Flow near yield dies ever more slowly: of the last 3 % only a tenth is left after 40 days.
    pressure, _ = after_legs(start, [still(seconds) for seconds in (3600.0, 36e3, 360e3, 3600e3)], bench)
    dribble = float((stored_ul(start, bench.store) - stored_ul(pressure, bench.store))[0])
    assert dribble == pytest.approx(case.expected, rel=3e-3), case.source
    assert dribble < case.expected


def test_pull_back_that_clears_the_pressure(check_value, benches):
    case = check_value("lag-hb-retract")
    bench = paste_syringe(case, benches)
    start = float(driving_pressure_kpa(case.of("flow", "mm3/s"), bench.tip))
    area = np.pi / 4 * case.of("barrel_diameter", "mm") ** 2
    assert case.agrees(float(stored_ul(start, bench.store)) / area, "mm"), case.source


def test_delivered_while_pressure_builds_up(check_value, benches):
    case = check_value("lag-hb-delivered")
    bench = paste_syringe(case, benches)
    rate, seconds = case.of("flow", "mm3/s"), case.of("run_time", "s")
    pressure, _ = after_legs(np.zeros(1), [steady(rate, seconds)], bench)
    delivered = rate * seconds - float(stored_ul(pressure, bench.store)[0])
    assert case.agrees(delivered, "mm3"), case.source


def test_an_infusion_pump_fills_its_springs_first(check_value, benches):
    case = check_value("lag-infusion-gap")
    # With flow shut off by a high yield stress, all that the pump sweeps in the delay is stored.
    shut = replace(benches["soft"], tip=replace(benches["soft"].tip, yield_kpa=1e6))
    rate, delay = case.of("rate", "mL/h") / 3.6, case.of("delay", "s")  # 1 mL/h is 1/3.6 µL/s
    pressure, _ = after_legs(np.zeros(1), [steady(rate, delay)], shut)
    assert case.agrees(float(stored_ul(pressure, shut.store)[0]), "uL"), case.source


@pytest.mark.parametrize("start", [0.0, 60.0, 400.0])
def test_pressure_follows_scipys_integrator(bench, start):
    legs = [
        Leg(np.array([0.2]), np.array([0.0]), np.array([8.0])),
        steady(8.0, 0.5),
        Leg(np.array([0.2]), np.array([8.0]), np.array([0.0])),
        still(0.3),
        Leg(np.array([0.2]), np.array([0.0]), np.array([-2.0])),
    ]
    pressure = start
    for leg in legs:
        seconds, first, last = float(leg.time_s[0]), float(leg.start_ul_s[0]), float(leg.end_ul_s[0])

        def slope(t, p, first=first, last=last, seconds=seconds):
            rate = first + (last - first) * t / seconds
            step = 1e-4
            springs = (stored_ul(p + step, bench.store) - stored_ul(p - step, bench.store)) / (2 * step)
            return (rate - flow_ul_s(p, bench.tip)) / springs

        pressure = solve_ivp(slope, (0, seconds), [pressure], rtol=1e-8, atol=1e-8, method="LSODA").y[0, -1]
    got, _ = after_legs(np.array([start]), legs, bench)
    assert float(got[0]) == pytest.approx(pressure, rel=1e-4)


def test_lanes_do_not_touch_each_other(bench):
    starts = np.array([0.0, 50.0, 300.0])
    rates = np.array([1.0, 5.0, 9.0])
    leg = Leg(np.array([0.1, 0.4, 0.9]), rates, rates)
    together, peaks = after_legs(starts, [leg, still(np.full(3, 0.2))], bench, least_steps=64)
    for lane in range(3):
        alone, peak = after_legs(
            starts[lane : lane + 1],
            [steady(rates[lane], leg.time_s[lane]), still(0.2)],
            bench,
            least_steps=64,
        )
        assert together[lane] == pytest.approx(alone[0], rel=1e-6)
        assert peaks[lane] == pytest.approx(peak[0], rel=1e-6)


def test_feeding_in_two_ways_is_the_same(bench):
    # A steady feed as a leg, and as a table of what has been fed.
    start = np.array([150.0])
    pressure, _ = after_legs(start, [steady(0.4, 0.8)], bench, least_steps=64)
    fed, _ = after_fed(
        stored_ul(start, bench.store),
        np.array([0.8]),
        lambda steps: 0.32 * np.linspace(0, 1, steps + 1)[None, :],
        bench,
        least_steps=64,
    )
    assert float(fed[0]) == pytest.approx(float(pressure[0]), rel=1e-6)

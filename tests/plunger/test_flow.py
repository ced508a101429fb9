"""Flow in the tip against closed forms, worked cases from outside, and the velocity profile itself."""

from math import inf, isclose, log, pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from pastewright.plunger.flow import (
    TipFlow,
    apparent_shear_rate_s,
    driving_pressure_kpa,
    flow_slope_ul_s_kpa,
    flow_ul_s,
    wall_shear_rate_s,
    wall_stress_kpa,
    yield_pressure_kpa,
)

tips = st.builds(
    TipFlow,
    radius_mm=st.floats(0.05, 0.8),
    length_mm=st.floats(2.0, 40.0),
    yield_kpa=st.sampled_from([0.0, 0.01, 0.15, 0.4]),
    consistency_kpa_sn=st.floats(0.001, 1.0),
    flow_index=st.floats(0.2, 1.5),
)


def tip(radius_mm, length_mm, *, k, n=1.0, tau=0.0):
    """Stresses in kPa, K in kPa·sⁿ."""
    return TipFlow(
        radius_mm=float(radius_mm),
        length_mm=float(length_mm),
        yield_kpa=float(tau),
        consistency_kpa_sn=float(k),
        flow_index=float(n),
    )


def profile_flow(pressure_kpa, t):
    """Q = ∫u·2πr dr with u(r) = ∫γ̇ dr from r to the wall, integrated numerically; by parts Q = ∫πr²·γ̇ dr."""
    gradient = pressure_kpa / (2 * t.length_mm)

    def shear(r):
        return (max(gradient * r - t.yield_kpa, 0.0) / t.consistency_kpa_sn) ** (1 / t.flow_index)

    plug = min(t.yield_kpa / gradient, t.radius_mm) if gradient > 0 else t.radius_mm
    return quad(lambda r: pi * r * r * shear(r), plug, t.radius_mm, epsabs=0, epsrel=1e-12)[0]


@given(tips, st.floats(0.0, 8.0))
def test_flow_is_the_integral_of_the_velocity_profile(t, above):
    pressure = yield_pressure_kpa(t) * 1.01 + 10**above / 100
    assert isclose(float(flow_ul_s(pressure, t)), profile_flow(pressure, t), rel_tol=1e-8)


def test_velocity_profile_integrated_twice_gives_the_same_flow():
    # The long way, velocity first: a check on the integration by parts that the other test rests on.
    t = tip(0.2, 12, k=0.25, n=0.4, tau=0.15)
    gradient = 500 / (2 * t.length_mm)

    def velocity(r):
        return quad(lambda s: (max(gradient * s - 0.15, 0.0) / 0.25) ** 2.5, r, 0.2, epsrel=1e-10)[0]

    whole = quad(lambda r: 2 * pi * r * velocity(r), 0, 0.2, epsrel=1e-9)[0]
    assert isclose(float(flow_ul_s(500, t)), whole, rel_tol=1e-7)


# Newtonian: Hagen–Poiseuille.


def test_iv_needle_pressure(check_value):
    case = check_value("hp-iv-needle")
    t = tip(case.of("radius", "mm"), case.of("length", "mm"), k=case.of("viscosity", "Pa.s") / 1000)
    drop = driving_pressure_kpa(case.of("flow", "mm3/s"), t)
    pressure = float(drop) + case.of("back_pressure", "kPa")
    assert case.agrees(pressure, "kPa"), case.source
    assert case.agrees_closely(pressure, "kPa", rel=1e-5)


def test_hypodermic_needle_pressure(check_value):
    case = check_value("hp-hypodermic")
    t = tip(case.of("diameter", "mm") / 2, case.of("length", "mm"), k=case.of("viscosity", "Pa.s") / 1000)
    flow = case.of("massflow", "g/s") / case.of("density", "g/cm3") * 1000  # cm³/s to µL/s
    assert case.agrees(float(driving_pressure_kpa(flow, t)), "kPa"), case.source


def test_blood_needle_time(check_value):
    case = check_value("hp-blood-needle")
    t = tip(case.of("diameter", "mm") / 2, case.of("length", "mm"), k=case.of("viscosity", "Pa.s") / 1000)
    seconds = case.of("volume", "uL") / float(flow_ul_s(case.of("dp", "kPa"), t))
    assert case.agrees(seconds, "s"), case.source


def test_glycerine_viscosity(check_value):
    case = check_value("hp-glycerine-visc")
    # Flow is inversely proportional to viscosity: that of a fluid of 1 Pa·s over the one measured.
    t = tip(case.of("diameter", "mm") / 2, case.of("length", "mm"), k=1e-3)
    viscosity = float(flow_ul_s(case.of("dp", "kPa"), t)) / case.of("flow", "mm3/s")
    assert case.agrees(viscosity, "Pa.s"), case.source
    assert case.agrees_closely(viscosity, "Pa.s", rel=1e-4)


def test_glycerine_reynolds_number(check_value):
    case = check_value("hp-glycerine-re")
    # Re = ρ·v·D/µ with v = γ̇_apparent·D/8: the flow is laminar, as the formula for the tip needs.
    rate = apparent_shear_rate_s(case.of("flow", "mm3/s"), case.of("diameter", "mm") / 2)
    d = case.of("diameter", "m")
    reynolds = case.of("density", "kg/m3") * rate * d / 8 * d / case.of("viscosity", "Pa.s")
    assert case.agrees(reynolds), case.source


def test_mean_velocity_in_a_needle(check_value):
    case = check_value("hp-needle-velocity")
    rate = apparent_shear_rate_s(case.of("flow", "mm3/s"), case.of("diameter", "mm") / 2)
    assert case.agrees(rate * case.of("diameter", "mm") / 8, "mm/s"), case.source


def test_water_needle_pressure(check_value):
    case = check_value("hp-needle-dp")
    t = tip(case.of("diameter", "mm") / 2, case.of("length", "mm"), k=case.of("viscosity", "Pa.s") / 1000)
    assert case.agrees(float(driving_pressure_kpa(case.of("flow", "mm3/s"), t)), "kPa"), case.source


# Power law.


def test_flow_index_from_doubling_the_flow(check_value):
    case = check_value("pl-index-doubling")
    n = log(case.of("dp_ratio", "1")) / log(case.of("flow_ratio", "1"))
    assert case.agrees(n), case.source
    t = tip(1.0, 10.0, k=0.3, n=n)
    ratio = float(driving_pressure_kpa(2.0, t)) / float(driving_pressure_kpa(1.0, t))
    assert isclose(ratio, case.of("dp_ratio", "1"), rel_tol=1e-9)


def test_power_law_velocity_profile(check_value):
    case = check_value("pl-profile")
    n = case.of("n", "1")
    # Speed at r is the shear rate of this fluid integrated from r to the wall; the pressure sets the scale.
    t = tip(1.0, 10.0, k=0.3, n=n)
    wall = float(wall_shear_rate_s(50.0, t))

    def speed(r):
        return quad(lambda s: wall * s ** (1 / n), r, 1.0)[0]

    shape = np.array([speed(r) / speed(0.0) for r in case.of("radius_ratio", "1")])
    assert case.agrees(shape * case.of("centre_velocity", "m/s")), case.source


def test_radius_for_a_longer_pipe(check_value):
    case = check_value("pl-pipe-rescale")
    n, ratio = case.of("n", "1"), case.of("length_ratio", "1")
    r1 = case.of("diameter", "mm") / 2
    r2 = r1 * ratio ** (1 / (3 * n + 1))
    before, after = tip(r1, 1000, k=0.5, n=n), tip(r2, 1000 * ratio, k=0.5, n=n)
    assert isclose(float(flow_ul_s(80, before)), float(flow_ul_s(80, after)), rel_tol=1e-9)
    assert case.agrees(r2, "mm"), case.source


@pytest.mark.parametrize("name", ["pl-pipe-dp-25", "pl-pipe-dp-37"])
def test_power_law_pipe_pressure(check_value, name):
    case = check_value(name)
    t = tip(
        case.of("diameter", "mm") / 2,
        case.of("length", "mm"),
        k=case.of("consistency", "Pa.s^n") / 1000,
        n=case.of("n", "1"),
    )
    flow = case.of("massflow", "g/s") / case.of("density", "g/cm3") * 1000
    assert case.agrees(float(driving_pressure_kpa(flow, t)), "kPa"), case.source


def test_power_law_centre_speed(check_value):
    case = check_value("pl-pipe-peak")
    n, d = case.of("n", "1"), case.of("diameter", "mm")
    flow = case.of("massflow", "g/s") / case.of("density", "g/cm3") * 1000
    t = tip(d / 2, 1000, k=0.003, n=n)
    wall = float(wall_shear_rate_s(driving_pressure_kpa(flow, t), t))
    centre = quad(lambda r: wall * (2 * r / d) ** (1 / n), 0, d / 2)[0]
    assert case.agrees(centre, "mm/s"), case.source


def test_power_law_of_index_two(check_value):
    case = check_value("pl-n2-identity")
    t = tip(
        case.of("radius", "mm"),
        case.of("length", "mm"),
        k=case.of("consistency", "Pa.s^n") / 1000,
        n=case.of("n", "1"),
    )
    assert case.agrees(float(flow_ul_s(case.of("dp", "kPa"), t)), "mm3/s"), case.source


# Bingham: Buckingham–Reiner.


def test_bingham_read_as_a_power_law(check_value):
    index, consistency = check_value("bingham-to-pl-n"), check_value("bingham-to-pl-k")

    def stress(rate):
        # The pressure at which the wall shears at `rate`, turned back into wall stress.
        tau, mu = index.of("yield_stress", "kPa"), index.of("plastic_viscosity", "Pa.s") / 1000
        t = tip(1.0, 10.0, k=mu, tau=tau)
        pressure = (tau + mu * rate) * 2 * 10.0
        assert isclose(float(wall_shear_rate_s(pressure, t)), rate, rel_tol=1e-9)
        return float(wall_stress_kpa(pressure, t)) * 1000

    low, high = index.of("rate_low", "1/s"), index.of("rate_high", "1/s")
    n = log(stress(high) / stress(low)) / log(high / low)
    assert index.agrees(n), index.source
    assert consistency.agrees(stress(low) / low**n), consistency.source


def test_half_of_the_flow_in_the_plug(check_value):
    case = check_value("bingham-half-plug")
    f = case.expected
    # Flow of the plug is its area times its speed; f = r_plug/R fixes the pressure.
    t = tip(1.0, 10.0, k=0.01, tau=0.1)
    pressure = 0.1 / f * 2 * 10.0
    gradient = pressure / (2 * 10.0)
    plug_speed = quad(lambda r: (gradient * r - 0.1) / 0.01, f, 1.0)[0]
    share = pi * f * f * plug_speed / float(flow_ul_s(pressure, t))
    assert isclose(share, case.of("fraction", "1"), abs_tol=1e-5), case.source


def test_drilling_fluid_gradient(check_value):
    linear, exact = check_value("bingham-linear-grad"), check_value("bingham-exact-grad")
    r = linear.of("radius", "mm")
    t = tip(r, 1000.0, k=linear.of("plastic_viscosity", "Pa.s") / 1000, tau=linear.of("yield_stress", "kPa"))
    flow = linear.of("velocity", "mm/s") * pi * r * r
    gradient = float(driving_pressure_kpa(flow, t)) * 1000  # Pa over one metre
    assert exact.agrees(gradient, "Pa/m"), exact.source
    # The exercise drops the fourth-power term, so that its answer is higher; by 8 % at this stress.
    assert 1.05 < linear.expected * 22620.6 / gradient < 1.10, linear.source


def test_bingham_syringe_pressure(check_value):
    case = check_value("bingham-syringe-dp")
    t = tip(
        case.of("radius", "mm"),
        case.of("length", "mm"),
        k=case.of("plastic_viscosity", "Pa.s") / 1000,
        tau=case.of("yield_stress", "kPa"),
    )
    assert case.agrees(float(driving_pressure_kpa(case.of("flow", "mm3/s"), t)), "kPa"), case.source


@given(st.floats(0.05, 0.5), st.floats(0.01, 0.3), st.floats(1.001, 50.0))
def test_index_one_is_buckingham_reiner(radius, tau, times):
    t = tip(radius, 12.0, k=0.02, tau=tau)
    pressure = yield_pressure_kpa(t) * times
    f = 1 / times
    closed = pi * radius**4 * pressure / (8 * 0.02 * 12.0) * (1 - 4 * f / 3 + f**4 / 3)
    # The closed form is a difference of near equals at f → 1, which costs it digits.
    assert float(flow_ul_s(pressure, t)) == pytest.approx(
        closed, rel=1e-6, abs=1e-12 * pi * radius**4 * pressure
    )


# Yield.


def test_yield_stress_of_a_standing_tube(check_value):
    case = check_value("yield-gravity")
    # The tube just stands when its own weight, ρ·g·L, is the yield pressure of its length.
    length = 1000.0
    weight_kpa = case.of("density", "kg/m3") * case.of("gravity", "m/s2") * length / 1000 / 1000
    t = tip(case.of("diameter", "mm") / 2, length, k=1.0, tau=case.expected / 1000)
    assert case.agrees(case.expected * weight_kpa / yield_pressure_kpa(t)), case.source


def test_starting_a_gelled_pipeline(check_value):
    case = check_value("yield-pipeline-start")
    t = tip(case.of("diameter", "mm") / 2, case.of("length", "mm"), k=1.0, tau=case.of("yield_stress", "kPa"))
    assert case.agrees(yield_pressure_kpa(t), "kPa"), case.source


def test_yield_pressure_of_a_tip(check_value):
    case = check_value("hb-yield-dp")
    t = tip(case.of("diameter", "mm") / 2, case.of("length", "mm"), k=1.0, tau=case.of("yield_stress", "kPa"))
    assert case.agrees(yield_pressure_kpa(t), "kPa"), case.source


def herschel_bulkley(case):
    return tip(
        case.of("radius", "mm"),
        case.of("length", "mm"),
        k=case.of("consistency", "Pa.s^n") / 1000,
        n=case.of("n", "1"),
        tau=case.of("yield_stress", "kPa"),
    )


@pytest.mark.parametrize("name", ["hb-q-300um", "hb-q-200um", "hb-q-420um", "hb-no-flow", "hb-limit-newton"])
def test_herschel_bulkley_flow(check_value, name):
    case = check_value(name)
    assert case.agrees(float(flow_ul_s(case.of("dp", "kPa"), herschel_bulkley(case))), "mm3/s"), case.source


def test_no_flow_at_exactly_the_yield_pressure(check_value):
    t = herschel_bulkley(check_value("hb-q-200um"))
    assert float(flow_ul_s(yield_pressure_kpa(t), t)) == 0.0
    assert float(flow_ul_s(yield_pressure_kpa(t) * (1 + 1e-6), t)) > 0.0


def test_suction_draws_no_paste(check_value):
    assert float(flow_ul_s(-300.0, herschel_bulkley(check_value("hb-q-200um")))) == 0.0


def test_a_paste_without_yield_does_not_flow_without_pressure():
    t = tip(0.2, 12.0, k=0.02)
    assert float(flow_ul_s(0.0, t)) == 0.0
    assert yield_pressure_kpa(t) == 0.0


# Shear rates.


def test_newtonian_wall_shear_rate(check_value):
    case = check_value("shearrate-newton")
    r = case.of("diameter", "mm") / 2
    assert case.agrees(apparent_shear_rate_s(case.of("flow", "mm3/s"), r), "1/s"), case.source
    t = tip(r, 12.0, k=0.02)
    true = float(wall_shear_rate_s(driving_pressure_kpa(case.of("flow", "mm3/s"), t), t))
    assert case.agrees(true, "1/s")


def test_power_law_wall_shear_rate(check_value):
    case = check_value("shearrate-pl")
    t = tip(case.of("diameter", "mm") / 2, 12.0, k=0.25, n=case.of("n", "1"))
    true = float(wall_shear_rate_s(driving_pressure_kpa(case.of("flow", "mm3/s"), t), t))
    assert case.agrees(true, "1/s"), case.source


# Properties.


@given(tips, st.floats(1e-6, 100.0))
def test_pressure_is_the_inverse_of_flow(t, flow):
    pressure = float(driving_pressure_kpa(flow, t))
    assert yield_pressure_kpa(t) <= pressure < inf
    # Where yield carries nearly all of the pressure, the flow hangs on its last digits.
    lost = 1e-15 * pressure * float(flow_slope_ul_s_kpa(pressure, t)) / flow
    assert isclose(float(flow_ul_s(pressure, t)), flow, rel_tol=1e-9 + 8 * lost)


@given(tips, st.floats(1.05, 100.0))
def test_slope_is_the_derivative_of_flow(t, times):
    pressure = (yield_pressure_kpa(t) or 10.0) * times
    step = 1e-5 * (pressure - yield_pressure_kpa(t))
    rise = float(flow_ul_s(pressure + step, t) - flow_ul_s(pressure - step, t)) / (2 * step)
    assert isclose(float(flow_slope_ul_s_kpa(pressure, t)), rise, rel_tol=1e-4)


def test_no_flow_needs_the_yield_pressure_only(check_value):
    t = herschel_bulkley(check_value("hb-q-200um"))
    assert float(driving_pressure_kpa(0.0, t)) == yield_pressure_kpa(t)


def test_many_pressures_at_once_are_each_alone():
    t = tip(0.2, 12.0, k=0.25, n=0.4, tau=0.15)
    pressures = np.array([[0.0, 20.0], [200.0, 500.0]])
    alone = [[float(flow_ul_s(p, t)) for p in row] for row in pressures]
    assert flow_ul_s(pressures, t) == pytest.approx(np.array(alone), rel=1e-14)
    flows = flow_ul_s(pressures, t)
    assert driving_pressure_kpa(flows, t)[1] == pytest.approx(pressures[1], rel=1e-9)


@pytest.mark.parametrize("bad", ["radius_mm", "length_mm", "consistency_kpa_sn", "flow_index"])
def test_a_tip_of_nothing_is_refused(bad):
    numbers = {
        "radius_mm": 0.2,
        "length_mm": 12.0,
        "consistency_kpa_sn": 0.25,
        "flow_index": 0.4,
        "yield_kpa": 0.1,
    }
    with pytest.raises(ValueError, match="above zero"):
        TipFlow(**{**numbers, bad: 0.0})

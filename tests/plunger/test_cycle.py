"""Dots and beads from rest to rest, judged by a second simulator that solves the same physics its own way."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import structs

from pastewright.plunger.bead import bead_cycle, solved_beads
from pastewright.plunger.cycle import (
    dot_cycle,
    dot_end_kpa,
    most_flow_ul_s,
    primes_ul,
    retractions_ul,
    solved_dots,
)
from pastewright.plunger.flow import steady_pressure_kpa
from pastewright.plunger.settle import SETTLED, settling
from pastewright.plunger.storage import stored_ul
from pastewright.plunger.table import dot_table
from pastewright.plunger.walk import Walk

# Of the dose. Measured: 1e-5 for dots, 7e-5 for beads; the second simulator itself is good to 1e-6.
GOOD = 5e-4


def dot_parts(cycle):
    return [
        ("sweep", cycle.push_ul, cycle.push_ul_s),
        ("wait", cycle.dwell_s),
        ("sweep", -cycle.retract_ul, cycle.retract_ul_s),
    ]


def bead_parts(cycle, walk):
    return [
        ("sweep", cycle.prime_ul, cycle.prime_ul_s),
        ("walk", cycle.feed_ul, walk.legs_mm, walk.speed_mm_s, walk.accel_mm_s2),
        ("sweep", -cycle.retract_ul, cycle.retract_ul_s),
    ]


@pytest.mark.parametrize("volume", [0.005, 0.05, 0.5, 3.0])
def test_a_dot_gets_its_dose_and_ends_at_rest(bench, simulated, volume):
    cycle = dot_cycle(volume, bench)
    out, end_kpa, peak_kpa = simulated(bench, dot_parts(cycle))
    assert out == pytest.approx(volume, rel=GOOD)
    assert end_kpa == pytest.approx(bench.rest_kpa, abs=2e-3 * peak_kpa)
    assert cycle.peak_kpa == pytest.approx(peak_kpa, rel=2e-3)


def test_what_comes_out_is_what_was_swept_less_what_is_stored(bench, simulated):
    cycle = dot_cycle(0.1, bench)
    assert cycle.push_ul - cycle.retract_ul == pytest.approx(0.1, rel=1e-12)
    # With a wrong push the dose is wrong; with the solved one it is right: the test can fail.
    wrong = structs.replace(cycle, push_ul=cycle.push_ul * 1.05, retract_ul=cycle.push_ul * 1.05 - 0.1)
    out, _, _ = simulated(bench, dot_parts(wrong))
    assert abs(out / 0.1 - 1) > 20 * GOOD


@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(data=st.data())
def test_any_bench_lays_any_dot(any_bench, simulated, data):
    bench = data.draw(any_bench)
    volume = data.draw(st.floats(0.005, 2.0))
    cycle = dot_cycle(volume, bench)
    out, _, _ = simulated(bench, dot_parts(cycle))
    assert out == pytest.approx(volume, rel=2 * GOOD)


def test_larger_doses_take_larger_pushes_and_pressures(bench):
    dots = solved_dots(np.geomspace(0.003, 5.0, 40), bench)
    assert (np.diff(dots.push_ul) > 0).all()
    assert (np.diff(dots.peak_kpa) > -2e-2 * bench.limit_kpa).all()
    assert (dots.retract_ul > 0).all()


def test_pushes_that_the_motor_cannot_hold_are_slowed(benches, simulated):
    weak = benches["weak"]
    dots = solved_dots([0.05, 2.0, 10.0], weak)
    assert dots.push_ul_s[0] == weak.push_ul_s
    assert (dots.push_ul_s[1:] < 0.5 * weak.push_ul_s).all()
    assert (dots.peak_kpa <= weak.limit_kpa * 1.005).all()
    strong = solved_dots([2.0], benches["soft"])
    assert strong.peak_kpa[0] > 1.1 * weak.limit_kpa  # or the limit would not have been put to the test
    out, _, peak = simulated(weak, dot_parts(dot_cycle(2.0, weak)))
    assert out == pytest.approx(2.0, rel=GOOD)
    assert peak <= weak.limit_kpa * 1.005


def test_pushes_that_the_barrel_cannot_hold_are_slowed(benches):
    fragile = replace(benches["soft"], barrel_limit_kpa=250.0)
    dots = solved_dots([0.05, 2.0], fragile)
    assert dots.push_ul_s[0] == fragile.push_ul_s > dots.push_ul_s[1]
    assert dots.peak_kpa.max() < 250.0


def test_a_cycle_forgets_what_it_did_not_start_from(bench):
    # From above rest, more comes out and the cycle ends nearer to rest than it began: errors fade.
    cycle = dot_cycle(0.2, bench)
    start = 0.5 * (bench.rest_kpa + bench.yield_kpa) + 1.0
    end = float(
        dot_end_kpa(
            start,
            push_ul=cycle.push_ul,
            push_ul_s=cycle.push_ul_s,
            retract_ul=cycle.retract_ul,
            bench=bench,
        )[0]
    )
    assert bench.rest_kpa - 1e-6 < end < start


def test_doses_of_nothing_are_refused(bench):
    with pytest.raises(ValueError, match="above zero"):
        solved_dots([0.1, 0.0], bench)
    with pytest.raises(ValueError, match="above zero"):
        solved_beads([0.0], [Walk(legs_mm=(1.0,), speed_mm_s=5.0, accel_mm_s2=500.0)], bench)


# The table.


def test_the_table_stays_within_a_fifth_of_a_percent(bench):
    table = dot_table(0.004, 4.0, bench)
    volumes = np.geomspace(0.004, 4.0, 211)
    dots = table.dots(volumes)
    assert dots.push_ul - dots.retract_ul == pytest.approx(volumes, rel=1e-9)
    end = dot_end_kpa(
        np.full(volumes.size, bench.rest_kpa),
        push_ul=dots.push_ul,
        push_ul_s=dots.push_ul_s,
        retract_ul=dots.retract_ul,
        bench=bench,
    )
    # What a cycle leaves stored beyond rest is what its dot lacks.
    lacking = stored_ul(end, bench.store) - bench.rest_ul
    assert np.abs(lacking / volumes).max() < 2e-3


def test_a_single_dose_has_a_table_too(bench):
    dots = dot_table(0.07, 0.07, bench).dots([0.07])
    assert float(dots.push_ul[0]) == pytest.approx(dot_cycle(0.07, bench).push_ul, rel=1e-4)


def test_a_volume_off_the_table_is_our_own_mistake(bench):
    with pytest.raises(ValueError, match="beyond the table"):
        dot_table(0.01, 0.1, bench).dots([0.2])


# Beads.


@pytest.mark.parametrize(
    ("volume", "legs"),
    [(0.02, (0.3,)), (0.1, (1.5,)), (0.3, (2.0, 0.5, 2.0, 0.5)), (1.0, (8.0,)), (4.0, (6.0,))],
)
def test_a_bead_gets_its_dose_and_ends_at_rest(bench, simulated, volume, legs):
    wanted = Walk(legs_mm=legs, speed_mm_s=5.0, accel_mm_s2=500.0)
    beads = solved_beads([volume], [wanted], bench)
    cycle, walk = bead_cycle(volume, wanted, bench), beads.walks[0]
    assert cycle.prime_ul + cycle.feed_ul - cycle.retract_ul == pytest.approx(volume, rel=1e-12)
    assert cycle.travel_s == pytest.approx(walk.time_s, rel=1e-12)
    out, end_kpa, peak_kpa = simulated(bench, bead_parts(cycle, walk))
    assert out == pytest.approx(volume, rel=GOOD)
    assert end_kpa == pytest.approx(bench.rest_kpa, abs=2e-3 * peak_kpa)
    assert cycle.peak_kpa == pytest.approx(peak_kpa, rel=1e-2)


def test_ramps_of_the_walk_matter_on_a_stiff_bench_and_are_met(benches, simulated):
    # Slow axes: half of the walk is ramp, and the pressure of a stiff barrel follows it.
    stiff = benches["stiff"]
    walk = Walk(legs_mm=(1.0, 1.0), speed_mm_s=5.0, accel_mm_s2=25.0)
    cycle = bead_cycle(0.4, walk, stiff)
    out, end_kpa, peak = simulated(stiff, bead_parts(cycle, walk))
    assert out == pytest.approx(0.4, rel=1e-3)
    assert end_kpa == pytest.approx(stiff.rest_kpa, abs=5e-3 * peak)


@settings(max_examples=10, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(data=st.data())
def test_any_bench_lays_any_bead(any_bench, simulated, data):
    bench = data.draw(any_bench)
    volume = data.draw(st.floats(0.02, 3.0))
    walk = Walk(
        legs_mm=tuple(data.draw(st.lists(st.floats(0.2, 5.0), min_size=1, max_size=3))),
        speed_mm_s=data.draw(st.floats(1.0, 15.0)),
        accel_mm_s2=data.draw(st.floats(100.0, 2000.0)),
    )
    beads = solved_beads([volume], [walk], bench)
    out, _, _ = simulated(bench, bead_parts(bead_cycle(volume, walk, bench), beads.walks[0]))
    assert out == pytest.approx(volume, rel=2e-3)


def test_many_beads_at_once_are_each_alone(bench):
    walks = [
        Walk(legs_mm=(1.0,), speed_mm_s=5.0, accel_mm_s2=500.0),
        Walk(legs_mm=(2.0, 0.5, 2.0), speed_mm_s=5.0, accel_mm_s2=500.0),
        Walk(legs_mm=(0.4,), speed_mm_s=2.0, accel_mm_s2=500.0),
    ]
    volumes = [0.08, 0.4, 0.05]
    together = solved_beads(volumes, walks, bench)
    for lane, (volume, walk) in enumerate(zip(volumes, walks, strict=True)):
        alone = bead_cycle(volume, walk, bench)
        assert together.prime_ul[lane] == pytest.approx(alone.prime_ul, rel=1e-3)
        assert together.feed_ul[lane] == pytest.approx(alone.feed_ul, rel=3e-3)


def test_a_bead_that_needs_too_much_flow_is_walked_slower(benches, simulated):
    weak = benches["weak"]
    wanted = Walk(legs_mm=(2.0,), speed_mm_s=10.0, accel_mm_s2=500.0)
    beads = solved_beads([3.0], [wanted], weak)
    walk = beads.walks[0]
    assert walk.speed_mm_s < 0.5 * wanted.speed_mm_s
    assert beads.feed_ul[0] / walk.time_s <= most_flow_ul_s(weak) * 1.001
    out, _, peak = simulated(weak, bead_parts(bead_cycle(3.0, wanted, weak), walk))
    assert out == pytest.approx(3.0, rel=GOOD)
    assert peak <= weak.limit_kpa


def test_the_share_laid_at_the_ends_grows_as_beads_get_shorter(benches):
    walks = [Walk(legs_mm=(mm,), speed_mm_s=5.0, accel_mm_s2=500.0) for mm in (0.5, 1.0, 4.0, 20.0)]
    volumes = [0.1 * walk.length_mm for walk in walks]
    share = solved_beads(volumes, walks, benches["soft"]).ends_ul / volumes
    assert (np.diff(share) < 0).all()
    assert share[0] > 0.5 > 0.15 > share[-1] > 0


def test_prime_and_retraction_lead_to_a_pressure_and_back(bench, simulated):
    goal = 0.6 * steady_pressure_kpa(most_flow_ul_s(bench), bench.tip)
    push = float(primes_ul(np.array([goal]), bench)[0][0])
    _, reached, _ = simulated(bench, [("sweep", push, bench.push_ul_s)])
    assert reached == pytest.approx(goal, rel=1e-3)
    back = float(retractions_ul(np.array([goal]), bench)[0])
    _, rest, _ = simulated(bench, [("sweep", -back, bench.push_ul_s)], start_kpa=goal)
    assert rest == pytest.approx(bench.rest_kpa, abs=2e-3 * goal)


# Settling.


def empties(strip, bench):
    """Whether there is a barrel that lays this strip: the thin paste's takes all of it, and more."""
    return strip.cycle.volume_ul < bench.store.paste_ul / 3


@pytest.mark.parametrize("start", [0.0, 0.5, 1.0, 2.0])
def test_the_strip_forgets_what_pressure_was_before(bench, simulated, start):
    strip = settling(bench, length_mm=40.0, speed_mm_s=5.0, accel_mm_s2=500.0)
    parts = bead_parts(strip.cycle, strip.walk)
    before = start * strip.steady_kpa
    _, steady_kpa, _ = simulated(bench, parts[:2], start_kpa=before, empties=empties(strip, bench))
    _, end_kpa, _ = simulated(bench, parts, start_kpa=before, empties=empties(strip, bench))
    assert abs(steady_kpa / strip.steady_kpa - 1) < 2 * SETTLED < 0.005
    assert abs(end_kpa - bench.rest_kpa) < 3 * SETTLED * strip.steady_kpa


def test_the_strip_delivers_what_it_says(bench, simulated):
    strip = settling(bench, length_mm=40.0, speed_mm_s=5.0, accel_mm_s2=500.0)
    out, _, _ = simulated(bench, bead_parts(strip.cycle, strip.walk), empties=empties(strip, bench))
    assert out == pytest.approx(strip.cycle.volume_ul, rel=5e-3)
    most, _, _ = simulated(bench, bead_parts(strip.cycle, strip.walk), start_kpa=2 * strip.steady_kpa)
    assert out < most <= strip.most_ul * 1.005
    assert strip.cycle.peak_kpa <= bench.limit_kpa

"""Strips before deposits that are known, with more air in the barrel than the profile says: judged by another solver."""

from dataclasses import replace

import numpy as np
import pytest

from pastewright.motion.levels import bench_for
from pastewright.plunger.answer import turns_of
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle
from pastewright.plunger.strip import short_strip, strip_wish, with_more_air
from pastewright.plunger.ways import HOP_IDLE_S, ways_of
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile

FIRST_UL = 0.2
MORE_AIR_UL = 2.0


@pytest.fixture(scope="module")
def profile():
    name = "bench-ngc-linear-u"
    return parse_profile(example_text(name), name)


@pytest.fixture(scope="module")
def stiff(profile):
    return bench_for([FIRST_UL], profile).held_still()


@pytest.fixture(scope="module")
def firsts(stiff):
    return [dot_cycle(FIRST_UL, stiff)] * 6


def strip_for(firsts, bench, profile, *, within):
    wish = replace(strip_wish(profile), within=within)
    return short_strip(firsts, bench, wish, tolerance=profile.verify.volume_tolerance)


def errors_with_air(strip, firsts, bench, simulated):
    """What the first two are off [-] where there was no pressure, the parts of strip and dots laid one after the other."""
    airy = replace(bench, store=replace(bench.store, bubble_ul=bench.store.bubble_ul + MORE_AIR_UL))
    own, walk = strip.cycle, strip.walk
    parts = [
        ("sweep", own.prime_ul, own.prime_ul_s),
        ("walk", own.feed_ul, walk.legs_mm, walk.speed_mm_s, walk.accel_mm_s2),
        ("sweep", -own.retract_ul, own.retract_ul_s),
    ]
    _, end_kpa, _ = simulated(airy, parts, start_kpa=0.0)
    found = []
    for dot in firsts[:2]:
        parts = [
            ("wait", HOP_IDLE_S),
            ("sweep", dot.push_ul, dot.push_ul_s),
            ("wait", dot.dwell_s),
            ("sweep", -dot.retract_ul, dot.retract_ul_s),
        ]
        out, end_kpa, _ = simulated(airy, parts, start_kpa=end_kpa)
        found.append(out / dot.volume_ul - 1)
    return np.abs(found)


def test_a_strip_that_more_air_would_spoil_gives_way_to_one_that_it_does_not(
    profile, stiff, firsts, simulated
):
    """The careless one is off by as much as is told of it, where the worse of both beginnings is no pressure."""
    asked = strip_for(firsts, stiff, profile, within=strip_wish(profile).within)
    careless = strip_for(firsts, stiff, profile, within=10.0)
    was = errors_with_air(careless, firsts, stiff, simulated)
    assert was.max() > 0.1
    assert errors_with_air(asked, firsts, stiff, simulated).max() < was.max() / 3
    told = with_more_air(turns_of([careless.cycle], stiff), firsts, stiff, thrown=0)[0]
    assert told[:2] == pytest.approx(was, abs=0.03)
    assert asked.cycle.volume_ul <= strip_wish(profile).most_ul
    assert asked.cycle.travel_s < careless.cycle.travel_s + 10.0


SOFT = {
    'size = "3 mL"': 'size = "5 mL"',
    "fill_ml = 2.5": "fill_ml = 4.0",
    "gear = 13.73": "gear = 27.46",
    "frame_stiffness_n_mm = 200": "frame_stiffness_n_mm = 146",
    "flow_index = 0.4": "flow_index = 0.5",
    "consistency_pa_sn = 150": "consistency_pa_sn = 79",
}


def first_error_with_thinner_paste(strip, dot, bench, simulated):
    """What the first dot is off [-] with paste that is 10 % thinner, begun at rest."""
    thin = replace(bench, tip=replace(bench.tip, consistency_kpa_sn=0.9 * bench.tip.consistency_kpa_sn))
    own, walk = strip.cycle, strip.walk
    parts = [
        ("sweep", own.prime_ul, own.prime_ul_s),
        ("walk", own.feed_ul, walk.legs_mm, walk.speed_mm_s, walk.accel_mm_s2),
        ("sweep", -own.retract_ul, own.retract_ul_s),
    ]
    _, end_kpa, _ = simulated(thin, parts)
    parts = [
        ("sweep", dot.push_ul, dot.push_ul_s),
        ("wait", dot.dwell_s),
        ("sweep", -dot.retract_ul, dot.retract_ul_s),
    ]
    return simulated(thin, parts, start_kpa=end_kpa)[0] / dot.volume_ul - 1


def test_before_a_board_in_a_large_soft_barrel_a_slow_strip_leaves_what_dots_leave(monkeypatch, simulated):
    """What a strip leaves there lasts for a board; a quick one at high pressure also takes more paste."""
    text = example_text("bench-reprap-e")
    for was, now in SOFT.items():
        assert was in text
        text = text.replace(was, now)
    soft = parse_profile(text, "soft.toml")
    bench = bench_for([0.3], soft).held_still()
    dot = dot_cycle(0.3, replace(bench, dwell_s=1.5))
    found = strip_for([dot] * 6, bench, soft, within=strip_wish(soft).within)
    monkeypatch.setattr("pastewright.plunger.strip.LONGEST_WHERE_IT_LASTS_S", 0.0)
    quick = strip_for([dot] * 6, bench, soft, within=strip_wish(soft).within)
    off = abs(first_error_with_thinner_paste(found, dot, bench, simulated))
    assert off < 0.08 < abs(first_error_with_thinner_paste(quick, dot, bench, simulated)) / 1.5
    assert found.cycle.volume_ul < quick.cycle.volume_ul


def test_where_no_push_leaves_the_barrel_alike_there_is_no_way_to_weigh():
    assert ways_of([], bench_of(parse_profile(example_text("bench-reprap-e"), "bench.toml"))) == []

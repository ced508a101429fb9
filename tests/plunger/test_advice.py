"""Advice: numbers that a person decides by."""

from dataclasses import replace

import pytest

from pastewright.materials.rules import TipFit
from pastewright.plunger.advise import advise
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile


@pytest.fixture(scope="module")
def profile():
    return parse_profile(example_text(DEMO), "bench.toml")


@pytest.fixture(scope="module")
def advice(profile):
    return advise([0.02, 0.05, 0.08, 0.3, 0.3, 0.4], profile, widest_dot_mm=0.45)


def test_advice_on_the_bench_as_it_is(profile, advice):
    figures = advice.bench
    bench = bench_of(profile)
    assert figures.smallest_ul == 0.02
    assert figures.microsteps_smallest == pytest.approx(0.02 / profile.microstep_ul)
    assert figures.peak_kpa == pytest.approx(dot_cycle(0.4, bench).peak_kpa, rel=1e-6)
    # By hand: force on the plunger is P·A plus 10 N of seal.
    assert figures.force_n == pytest.approx(
        figures.peak_kpa * profile.barrel.area_mm2 / 1000 + 10.0, rel=1e-9
    )
    assert 0 < figures.torque_share < 1
    assert figures.boards_per_barrel == int(
        profile.barrel.fill_ul // (0.02 + 0.05 + 0.08 + 0.3 + 0.3 + 0.4 + figures.settling_ul)
    )


def test_tips_that_clog_or_are_too_wide_do_not_suit(advice):
    rows = {row.gauge: row for row in advice.tips}
    assert rows[34].fit is TipFit.CLOGS
    assert not rows[34].suits
    assert "powder" in rows[34].why_not
    assert not rows[14].suits
    assert "wide" in rows[14].why_not
    assert rows[27].suits
    # Narrower tips need more pressure for the same dot.
    peaks = [row.peak_kpa for row in advice.tips if row.peak_kpa is not None]
    assert peaks == sorted(peaks)
    assert len(peaks) >= 4


def test_barrels_gears_and_powders_that_would_do(profile, advice):
    barrels = {row.name: row for row in advice.barrels}
    assert barrels["3 mL"].suits
    assert not barrels["60 mL"].suits
    assert "microsteps" in barrels["60 mL"].why_not
    gears = {round(row.gear / profile.plunger.gear): row for row in advice.gears}
    assert gears[10].microsteps_smallest == pytest.approx(10 * gears[1].microsteps_smallest)
    assert gears[10].push_ul_s < gears[1].push_ul_s
    assert [row.type for row in advice.powders] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert {row.type for row in advice.powders if row.fit is not TipFit.CLOGS} == {5, 6, 7, 8}


def test_a_coarse_bench_is_told_which_gear_would_do(profile):
    coarse = replace(
        profile,
        plunger=replace(profile.plunger, gear=1.0, speed_mm_s=0.6),
    )
    figures = advise([0.02, 0.1], coarse).bench
    assert figures.microsteps_smallest < 3
    assert 0.02 / (coarse.microstep_ul / figures.gear_for_ten) >= 10 - 1e-6

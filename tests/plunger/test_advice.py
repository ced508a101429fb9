"""Advice: numbers that a person decides by."""

from dataclasses import replace

import pytest

from pastewright.materials.rules import TipFit
from pastewright.materials.tables import find_tip, tip_of
from pastewright.plunger.advise import advise
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle
from pastewright.plunger.recommend import Part, recommended
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


@pytest.fixture(scope="module")
def for_large(profile):
    """Advice for a board with one very large dose: as tuned, most tips would need more than the bench stands."""
    return advise([0.05, 40.0], profile)


def with_tip(profile, gauge):
    return replace(profile, tip=tip_of(find_tip(gauge), length_mm=profile.tip.length_mm))


def test_nothing_suits_above_what_the_bench_stands(profile, for_large):
    bench = bench_of(profile)
    for row in (*for_large.tips, *for_large.barrels):
        if row.peak_kpa is not None and row.suits:
            assert row.peak_kpa <= bench.limit_kpa * 1.005
    held = [row for row in for_large.tips if row.slower_s > 0]
    assert len(held) >= 3
    # Narrower tips are pushed for longer, and their peak is what the bench stands.
    assert [row.slower_s for row in held] == sorted(row.slower_s for row in held)
    assert all(row.peak_kpa == pytest.approx(bench.limit_kpa, rel=0.01) for row in held)
    assert not held[-1].suits
    assert "longer" in held[-1].why_not


def test_a_bench_that_is_enough_is_kept(profile, advice):
    one = recommended(advice, with_tip(profile, 25))
    assert one.part is Part.NOTHING
    assert "microsteps" in one.why


@pytest.mark.parametrize(
    ("gauge", "large", "why"),
    [
        (34, False, "clogs"),
        (14, False, "the land takes"),
        (27, False, "8.4 of the powder's largest particles"),
        (25, True, "longer than tuned"),
    ],
)
def test_one_tip_is_recommended_and_mends_what_it_is_for(profile, advice, for_large, gauge, large, why):
    basis = for_large if large else advice
    one = recommended(basis, with_tip(profile, gauge))
    assert one.part is Part.TIP
    assert why in one.why
    again = recommended(basis, with_tip(profile, int(one.to.removeprefix("a ").split("G")[0])))
    assert why not in again.why


def test_a_coarse_bench_is_told_which_gear_would_do(profile):
    coarse = replace(
        with_tip(profile, 25),
        plunger=replace(profile.plunger, gear=1.0, speed_mm_s=0.6),
    )
    advice = advise([0.02, 0.1], coarse)
    figures = advice.bench
    assert figures.microsteps_smallest < 3
    assert 0.02 / (coarse.microstep_ul / figures.gear_for_ten) >= 10 - 1e-6
    one = recommended(advice, coarse)
    assert one.part is Part.GEAR
    gear = float(one.to.removeprefix("a gear of ").removesuffix(":1"))
    assert 0.02 / (coarse.microstep_ul / gear) >= 10

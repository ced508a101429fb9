"""What-if and advice: numbers that a person decides by."""

from dataclasses import replace

import pytest

from pastewright.materials.rules import TipFit
from pastewright.plunger.advise import advise
from pastewright.plunger.bead import bead_cycle
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle
from pastewright.plunger.sensitivity import telling_dots, what_if
from pastewright.plunger.settle import settling
from pastewright.plunger.storage import stored_ul
from pastewright.plunger.walk import Walk
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile


@pytest.fixture(scope="module")
def profile():
    return parse_profile(example_text(DEMO), "bench.toml")


@pytest.fixture(scope="module")
def advice(profile):
    return advise([0.02, 0.05, 0.08, 0.3, 0.3, 0.4], profile, widest_dot_mm=0.45)


@pytest.fixture(scope="module")
def strip_of():
    return lambda bench: settling(bench, length_mm=40.0, speed_mm_s=5.0, accel_mm_s2=500.0)


def test_a_true_bench_delivers_what_is_planned(bench, strip_of):
    dots = telling_dots(0.05, 0.3, bench)
    planned = what_if(dots, [None] * len(dots), bench, strip_of(bench), deviations=[("true", 1.0, 1.0)])
    assert planned[0].ratios == pytest.approx([1.0] * len(dots), abs=5e-3)


def test_beads_can_be_asked_about_too(benches, strip_of):
    soft = benches["soft"]
    walk = Walk(legs_mm=(1.0, 2.0), speed_mm_s=5.0, accel_mm_s2=500.0)
    cycles = [dot_cycle(0.1, soft), bead_cycle(0.3, walk, soft), dot_cycle(0.1, soft)]
    (row,) = what_if(cycles, [None, walk, None], soft, strip_of(soft), deviations=[("true", 1.0, 1.0)])
    assert row.ratios == pytest.approx([1.0] * 3, abs=5e-3)
    with pytest.raises(ValueError, match="walk"):
        what_if(cycles, [None] * 3, soft, strip_of(soft))


def test_a_softer_bench_errs_one_way_and_a_stiffer_the_other(benches, strip_of):
    soft = benches["soft"]
    dots = telling_dots(0.05, 0.3, soft)
    by_name = {row.name: row.ratios for row in what_if(dots, [None] * len(dots), soft, strip_of(soft))}
    first = {name: ratios[0] - 1 for name, ratios in by_name.items()}
    assert first["30% softer"] * first["30% stiffer"] < 0
    assert first["30% less flow"] * first["30% more flow"] < 0
    assert abs(first["as planned"]) < 5e-3 < min(abs(first[name]) for name in first if name != "as planned")


def test_errors_fade_while_the_size_stays(benches, strip_of):
    stiff = benches["stiff"]
    dots = telling_dots(0.05, 0.3, stiff)
    for row in what_if(dots, [None] * len(dots), stiff, strip_of(stiff))[1:]:
        off = [abs(ratio - 1) for ratio in row.ratios]
        assert off[8] > off[13]  # large dots: first to last
        assert off[14] > off[21]  # small dots again


def test_volume_is_conserved_on_a_wrong_bench(benches, strip_of, simulated):
    # The second simulator, given a bench that really is softer, agrees dose by dose with the what-if. (A stiffer one
    # would be drawn below atmosphere, where the two continue the bubble's law differently.)
    soft = benches["soft"]
    strip = strip_of(soft)
    dots = telling_dots(0.05, 0.3, soft)[6:10]
    (row,) = what_if(dots, [None] * 4, soft, strip, deviations=[("softer", 0.8, 1.0)])
    springs = soft.store
    real = replace(
        soft,
        store=replace(
            springs,
            stiffness_n_mm=springs.stiffness_n_mm * 0.8,
            bulk_modulus_kpa=springs.bulk_modulus_kpa * 0.8,
            bubble_ul=springs.bubble_ul / 0.8,
        ),
    )
    pressure = strip.steady_kpa
    _, pressure, _ = simulated(
        real, [("sweep", -strip.cycle.retract_ul, strip.cycle.retract_ul_s)], start_kpa=pressure
    )
    swept = out_all = 0.0
    start = float(stored_ul(pressure, real.store))
    for cycle, ratio in zip(dots, row.ratios, strict=True):
        out, pressure, _ = simulated(
            real,
            [
                ("sweep", cycle.push_ul, cycle.push_ul_s),
                ("wait", cycle.dwell_s),
                ("sweep", -cycle.retract_ul, cycle.retract_ul_s),
            ],
            start_kpa=pressure,
        )
        assert ratio == pytest.approx(out / cycle.volume_ul, abs=2e-3)
        swept += cycle.volume_ul
        out_all += out
    assert out_all == pytest.approx(swept - (float(stored_ul(pressure, real.store)) - start), rel=1e-6)


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

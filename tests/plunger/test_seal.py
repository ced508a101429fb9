"""A seal that grips the plunger: cycles planned with it, laid on a bench written apart, and its limits by hand."""

from dataclasses import replace

import numpy as np
import pytest
from foreign_bench import as_profiled, lay_all, track
from tuning_trials import demo_bench

from pastewright.plunger.bench import bench_of
from pastewright.plunger.pressure import after_gripped, after_legs
from pastewright.plunger.ramp import Leg
from pastewright.profile.model import Profile
from pastewright.tune.sheet.design import sheet_at_random
from pastewright.tune.sheet.program import sheet_program, sheet_verdict


def gripped(seal_n: float) -> Profile:
    plain = demo_bench()
    return replace(plain, tuning=replace(plain.tuning, seal_friction_n=seal_n))


def test_the_lost_way_is_backlash_and_twice_the_springs_part():
    bench = bench_of(gripped(6.0))
    # By hand: 6 N on 200 N/mm are 0.03 mm, one way and the other; 0.02 mm of backlash.
    assert bench.backlash_mm == pytest.approx(0.02 + 2 * 0.03)
    assert bench.grip_ul == pytest.approx(0.03 * demo_bench().barrel.area_mm2)
    assert bench.seal_friction_n == pytest.approx(6.0)
    assert bench_of(gripped(0.0)).backlash_mm == pytest.approx(0.02)


def test_below_yield_a_gripped_plunger_stands_until_the_grip_has_turned():
    bench = bench_of(gripped(6.0))
    start = np.array([0.9 * bench.yield_kpa])

    def back(volume_ul: float) -> float:
        leg = Leg(np.array([1.0]), np.array([-volume_ul]), np.array([-volume_ul]))
        return float(after_gripped(start, [leg], bench)[0])

    assert back(1.99 * bench.grip_ul) == pytest.approx(start[0])
    # Beyond, the pressure falls as all springs together let it.
    beyond = Leg(np.array([1.0]), np.array([-0.2]), np.array([-0.2]))
    assert back(2 * bench.grip_ul + 0.2) == pytest.approx(
        float(after_legs(start, [beyond], bench)[0][0]), rel=1e-6
    )


@pytest.fixture(scope="module")
def laid():
    """Sheets planned with a seal and without, laid side by side: (planned, real) friction to sheet and what landed."""
    known = ((0.0, 0.0), (2.0, 2.0), (8.0, 8.0), (0.0, 3.0))
    made = {seal_n: sheet_at_random(gripped(seal_n), seed=11) for seal_n in {a for a, _ in known}}
    benches = [as_profiled(demo_bench(), seal_n=real, least_bores=0.05, start_share=0.5) for _, real in known]
    landed = lay_all([track(made[planned][1], demo_bench()) for planned, _ in known], benches, steps=20)
    return {pair: (made[pair[0]][0], one.mean_ul) for pair, one in zip(known, landed, strict=True)}


def off(sheet, mean_ul):
    return np.array([abs(mean_ul.get(dot.index, 0.0) / dot.dose_ul - 1) for dot in sheet.dots])


@pytest.mark.parametrize("seal_n", [0.0, 2.0, 8.0])
def test_doses_planned_with_the_seal_are_laid_by_a_bench_that_has_it(laid, seal_n):
    sheet, mean_ul = laid[seal_n, seal_n]
    # A rounding of half a microstep is 5 % of the smallest dose.
    assert np.quantile(off(sheet, mean_ul), 0.9) < 0.02
    beads = np.array([mean_ul[bead.index] / bead.dose_ul for bead in sheet.beads])
    assert beads == pytest.approx(1.0, abs=0.02)


def test_a_seal_that_nobody_knows_of_is_felt(laid):
    assert np.quantile(off(*laid[0.0, 3.0]), 0.95) > 0.1


def test_the_read_back_knows_the_seal_too():
    """Its own barrel finds the doses that were planned with the seal, and misses them where it is told of none."""
    profile = gripped(6.0)
    _, motions, layout = sheet_at_random(profile, seed=12)
    program = sheet_program("gripped", motions, layout, profile)
    assert sheet_verdict(program, layout, profile).ok
    assert not sheet_verdict(program, layout, gripped(0.0)).ok

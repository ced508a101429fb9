"""What a fit promises: nothing where all is known, much where little is, and the pads it does not suffice for."""

from dataclasses import replace
from math import exp

import numpy as np
import pytest
from tuning_trials import demo_bench

from pastewright.plunger.bench import bench_of
from pastewright.tune.fit.constants import AT, CONSTANTS, Group, as_seen, constants_of
from pastewright.tune.fit.fitted import Fitted, Mode
from pastewright.tune.sheet.block import block_of
from pastewright.tune.sheet.program import sheet_program, sheet_verdict
from pastewright.tune.sheet.promise import (
    MODEL_MISSES,
    Promise,
    error_of,
    planned_with,
    promise_of,
    second_sheet_of,
    words_of_pads,
)
from pastewright.tune.sheet.recipe import recipe_of

SHARED = [c for c in CONSTANTS if c.group is not Group.SHEET]


def fitted_with(sds, modes=()):
    return Fitted(
        estimates=(),
        constants=constants_of(demo_bench()),
        covariance=np.diag([sds.get(c.name, 1e-6) ** 2 for c in SHARED]),
        dots=(),
        measured=150,
        missing=0,
        spread=0.03,
        before=0.5,
        chi=1.0,
        weighed=False,
        modes=modes,
    )


@pytest.fixture(scope="module")
def promises():
    other = Mode(constants={**constants_of(demo_bench()), "frame_stiffness_n_mm": 100.0}, weight=1.0)
    return {
        "sure": promise_of(fitted_with({}), demo_bench()),
        "gain": promise_of(fitted_with({"gain": 0.02}), demo_bench()),
        "thick": promise_of(fitted_with({"consistency_kpa_sn": 0.2}), demo_bench()),
        "modes": promise_of(fitted_with({}, (other,)), demo_bench()),
    }


def test_where_all_is_known_what_the_model_misses_is_left(promises):
    # A seal that hardly grips takes other steps than none at all: some tenths of a percent.
    assert promises["sure"].error == pytest.approx(1.96 * MODEL_MISSES, abs=0.004)
    assert promises["sure"].worst == pytest.approx(1.96 * MODEL_MISSES, abs=0.004)
    assert promises["sure"].pressure_doubt == pytest.approx(1.0, abs=0.01)


def test_a_gain_that_is_off_makes_all_dots_so_much_off(promises):
    # 95 % of 2 % is 3.9 %; of small dots some of it stays in the springs, which forget slowly.
    assert promises["gain"].errors[-1] == pytest.approx(np.hypot(0.02, MODEL_MISSES), abs=0.006)
    assert 0.03 < promises["gain"].error < 0.06


def test_thicker_paste_may_mean_higher_pressure_and_plans_keep_the_limit_with_it(promises):
    assert 1.2 < promises["thick"].pressure_doubt < 1.9
    there = planned_with(demo_bench(), promises["thick"])
    assert bench_of(there).limit_kpa == pytest.approx(
        bench_of(demo_bench()).limit_kpa / promises["thick"].pressure_doubt
    )


def test_another_mode_counts(promises):
    assert promises["modes"].error > 0.1
    assert promises["modes"].pressure_doubt > 1.2


def test_what_all_deposits_share_is_told_as_the_one_bench_of_twenty_that_it_is(promises):
    # A gain known to 2 %: 19 of 20 benches are within 1.96 · 2 %, all of a board's deposits together.
    assert promises["gain"].worst == pytest.approx(1.96 * np.hypot(0.02, MODEL_MISSES), abs=0.012)
    assert not promises["gain"].asks_for_second
    # As likely as not that the stiffness is less than half: half of the benches are as far off as that mode.
    assert promises["modes"].worst > 0.2
    assert promises["modes"].asks_for_second
    assert "second sheet" in second_sheet_of(promises["modes"])


def test_a_fit_that_walks_to_the_highest_pressure_is_believed():
    asked = []

    def furthest(quantity, sure):
        here = as_seen(constants_of(demo_bench()))
        thicker = here.copy()
        thicker[AT["consistency_kpa_sn"]] += 0.2
        now, then = quantity(np.vstack([here, thicker]))
        asked.append((sure, then - now))
        return 0.3

    found = promise_of(replace(fitted_with({}), furthest=furthest), demo_bench())
    assert found.pressure_doubt == pytest.approx(exp(0.3))
    ((sure, change),) = asked
    # Three standard deviations; pressure goes up with the consistency, by less than it.
    assert sure == 3.0
    assert 0.05 < change < 0.2


def test_pads_that_a_fit_does_not_suffice_for_are_named():
    promise = Promise(doses_ul=(0.01, 0.1, 1.0), errors=(0.10, 0.04, 0.02), pressure_doubt=1.2)
    assert error_of(promise, 0.1) == pytest.approx(1.96 * 0.04, rel=1e-3)
    words = words_of_pads(promise, {"R1.1": 0.5, "U1.3": 0.012, "C2.1": 0.1})
    assert words.startswith("2 of the board's 3 pads within ±10%")
    assert "U1.3 ±" in words and "R1.1" not in words


def test_the_block_weighs_enough_for_a_kitchen_scale_and_passes_the_read_back():
    block = block_of(recipe_of(demo_bench()), demo_bench())
    assert block is not None
    # By hand: two readings of a scale of 10 mg are off by 10·√(2/12) = 4.1 mg, which is to be 0.7 %.
    assert 10 * (2 / 12) ** 0.5 / block.mass_mg <= 0.007
    program = sheet_program("block", block.motions, block.layout, demo_bench())
    assert sheet_verdict(program, block.layout, demo_bench()).ok

"""The model of a sheet against two other programs: the virtual bench, and the plunger's own solver."""

from dataclasses import replace

import numpy as np
import pytest
from tuning_trials import demo_bench
from virtual_bench import lay, truth_of

from pastewright.plunger.bench import bench_of
from pastewright.plunger.flow import flow_slope_ul_s_kpa, flow_ul_s
from pastewright.plunger.storage import ATMOSPHERE_KPA, compliance_ul_kpa, stored_ul
from pastewright.tune.fit.chain import P0_KPA, capacity_ul_kpa, flow_and_slope, pressure_kpa
from pastewright.tune.fit.constants import AT, as_seen, as_they_are, constants_of, with_constants
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import STRIP, turns_data, turns_from_data, turns_of
from pastewright.tune.sheet.design import designed


@pytest.fixture(scope="module")
def made():
    return designed(demo_bench(), tries=1)


@pytest.fixture(scope="module")
def turns(made):
    every = turns_of(made.motions, demo_bench())
    return every[: made.sheet.dots[-1].index + 2]


@pytest.fixture(scope="module")
def rows(made):
    """Where the dots are among the turns: the strip is the first, beads come in between."""
    return np.array([dot.index + 1 for dot in made.sheet.dots])


@pytest.fixture(scope="module")
def forward(turns):
    return Forward(score_of(turns), setting_of(demo_bench()))


def seen_of(profile, **changes):
    return as_seen({**constants_of(profile), "start": 0.0, **changes})


def test_turns_cover_all_of_the_plungers_way_and_time_and_survive_json(made, turns):
    every = turns_of(made.motions, demo_bench())
    assert every[0].index == STRIP
    assert [turn.index for turn in every[1:]] == [deposit.index for deposit in made.layout.deposits]
    way = sum(stroke.delta_mm for turn in every for stroke in turn.strokes)
    assert way == pytest.approx(made.motions.moves[-1].plunger_mm, abs=1e-9)
    again = turns_from_data({"turns": turns_data(every)})
    assert again[7].strokes[1].delta_mm == pytest.approx(every[7].strokes[1].delta_mm, abs=1e-7)


def test_pauses_reach_the_turns(made, turns):
    longest = max(turn.idle_s for turn in turns[1:])
    assert 30.0 < longest < 33.0


def test_flow_and_springs_are_those_of_the_plunger(forward):
    profile = demo_bench()
    bench, (lane,) = bench_of(profile), forward.lanes(seen_of(profile)[None, :])
    linear, bubble = bench.store.linear_ul_kpa, bench.store.bubble_ul
    fluidity = profile.paste.consistency_kpa_sn ** (-1 / profile.paste.flow_index)
    assert P0_KPA == ATMOSPHERE_KPA
    for pressure in (5.0, 24.0, 30.0, 120.0, 480.0):
        stored = float(stored_ul(pressure, bench.store))
        assert pressure_kpa(stored, linear, bubble) == pytest.approx(pressure)
        assert capacity_ul_kpa(pressure, linear, bubble) == pytest.approx(
            float(compliance_ul_kpa(pressure, bench.store))
        )
        flow, slope = flow_and_slope(pressure, lane, fluidity)
        assert flow == pytest.approx(float(flow_ul_s(pressure, bench.tip)), rel=1e-6, abs=1e-12)
        assert slope == pytest.approx(float(flow_slope_ul_s_kpa(pressure, bench.tip)), rel=1e-6, abs=1e-9)
        assert flow_and_slope(-pressure, lane, fluidity)[0] == -flow


def test_a_bench_as_profiled_lays_the_doses(made, forward, rows):
    flowed = forward.run(seen_of(demo_bench(), start=0.5))
    doses = np.array([dot.dose_ul for dot in made.sheet.dots])
    # Half a microstep of rounding is up to 5 % of the smallest dose; the rest is the coarser integration.
    slack = 0.01 * doses + bench_of(demo_bench()).microstep_ul
    assert np.all(np.abs(flowed.out_ul[rows, 0] - doses) < slack)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"frame_n_mm": 90.0, "bubble_ul": 2.0},
        {"consistency": 0.14, "gain": 1.04},
        {"frame_n_mm": 300.0, "index": 0.45, "backlash_mm": 0.023},
    ],
)
def test_the_virtual_bench_lays_the_same_turn_by_turn(made, forward, rows, changes):
    truth = truth_of(demo_bench(), **changes, least_dot_bores=0.05)
    laid = lay(made.motions, truth)
    names = {"frame_n_mm": "frame_stiffness_n_mm", "consistency": "consistency_kpa_sn", "index": "flow_index"}
    seen = seen_of(demo_bench(), **{names.get(name, name): value for name, value in changes.items()})
    flowed = forward.run(seen)
    theirs = np.array([laid.mean_ul.get(dot.index, 0.0) for dot in made.sheet.dots])
    mine = flowed.out_ul[rows, 0]
    # Where paste was drawn back, hanging and void are booked elsewhere (evidence).
    plain = (flowed.back_ul[rows - 1, 0] < 1e-5) & (theirs > 0.004)
    assert plain.sum() > 30
    ratio = mine[plain] / theirs[plain]
    assert np.median(np.abs(ratio - 1)) < 0.003
    assert np.quantile(np.abs(ratio - 1), 0.9) < 0.02


@pytest.mark.parametrize(("seal_n", "most"), [(0.0, 0.005), (5.0, 0.015)])
def test_finer_steps_change_little(turns, forward, seal_n, most):
    fine = Forward(score_of(turns), setting_of(demo_bench()), finer=8)
    seen = seen_of(demo_bench(), frame_stiffness_n_mm=110.0, bubble_ul=1.7, seal_friction_n=seal_n)
    coarse, finer = forward.run(seen), fine.run(seen)
    ratio = coarse.out_ul[1:, 0] / finer.out_ul[1:, 0]
    assert np.max(np.abs(ratio - 1)) < most


@pytest.mark.parametrize("seal_n", [0.0, 6.0])
def test_volume_is_conserved(turns, forward, seal_n):
    seen = seen_of(
        demo_bench(), frame_stiffness_n_mm=420.0, consistency_kpa_sn=0.11, gain=0.97, seal_friction_n=seal_n
    )
    flowed = forward.run(seen)
    # By hand: turns end with a retraction, so that each push begins with the slack, and each retraction too.
    strokes = forward.score.delta_mm[1:]
    dots = np.flatnonzero((strokes != 0).sum(axis=1) == 2) + 1
    slack = constants_of(demo_bench())["backlash_mm"]
    push, back = strokes.max(axis=1), -strokes.min(axis=1)
    assert back.min() > slack
    swept = (np.concatenate([[np.nan], push - back]))[dots] * forward.setting.area_mm2 * 0.97
    out = (flowed.out_ul - flowed.back_ul)[dots, 0]
    whole = (flowed.stored_ul + flowed.held_ul)[:, 0]
    assert out == pytest.approx(swept - (whole[dots] - whole[dots - 1]), abs=1e-9)


@pytest.mark.parametrize(
    "name",
    ["frame_stiffness_n_mm", "consistency_kpa_sn", "flow_index", "gain", "backlash_mm", "seal_friction_n"],
)
@pytest.mark.parametrize("seal_n", [0.5, 4.0])
def test_derivatives_are_those_of_running_again(forward, name, seal_n):
    seen = seen_of(demo_bench(), frame_stiffness_n_mm=130.0, seal_friction_n=seal_n)
    _, by_out, _ = forward.slopes(seen, [AT[name]])
    step = np.zeros(seen.size)
    step[AT[name]] = 1e-3
    there = (forward.run(seen + step).out_ul[1:, 0] - forward.run(seen - step).out_ul[1:, 0]) / 2e-3
    agree = np.isclose(by_out[1:, 0], there, rtol=0.05, atol=0.02 * np.abs(there).max())
    # Where the seal's grip is spent just at the border of two steps, the larger difference sees the next step's slope.
    assert np.mean(agree) > 0.9


def test_constants_survive_the_way_through_the_fits_eyes_and_the_profile():
    profile = demo_bench()
    seen = as_seen(constants_of(profile))
    assert as_they_are(seen) == pytest.approx(constants_of(profile))
    assert with_constants(profile, {}) == profile
    other = with_constants(profile, {"gain": 0.97, "bubble_ul": 3.0})
    assert constants_of(other)["gain"] == 0.97
    assert replace(other, tuning=profile.tuning) == profile

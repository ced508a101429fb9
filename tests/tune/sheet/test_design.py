"""Sheets for every example bench: they fit, are verified, keep dots apart, and tell what they should."""

from dataclasses import replace
from functools import cache
from math import dist

import pytest
from tuning_trials import demo_bench
from virtual_bench import lay, truth_of

from pastewright.motion.model import Step
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_names, example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.sheet.design import design_sheet, designed
from pastewright.tune.sheet.model import Role, sheet_of, sheet_record
from pastewright.tune.sheet.program import sheet_program, sheet_verdict
from pastewright.tune.sheet.recipe import (
    DOUBT_TUNED,
    DOUBT_UNTUNED,
    doubt_of,
    orders,
    possible_benches,
    recipe_of,
)

# Two benches always, the others when there is time.
ALWAYS = (DEMO, "bench-coarse")
NAMES = [pytest.param(name, marks=() if name in ALWAYS else pytest.mark.campaign) for name in example_names()]


@cache
def made_for(name):
    profile = parse_profile(example_text(name), name)
    return profile, designed(profile, tries=1)


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_for_every_example_bench_passes_the_read_back(name):
    profile, made = made_for(name)
    program = sheet_program("trial", made.motions, made.layout, profile)
    verdict = sheet_verdict(program, made.layout, profile)
    assert verdict.ok, [finding.what for finding in verdict.findings]
    assert len(verdict.delivered) == len(made.sheet.dots) + len(made.sheet.beads)


def test_a_sheet_with_a_lost_line_does_not_pass():
    profile, made = made_for(DEMO)
    program = sheet_program("trial", made.motions, made.layout, profile)
    lines = program.text.splitlines()
    first = program.deposit_lines[40]
    push = next(at for at in range(first, len(lines)) if " E" in lines[at])
    broken = replace(program, text="\n".join(lines[:push] + lines[push + 1 :]))
    assert not sheet_verdict(broken, made.layout, profile).ok


@pytest.mark.parametrize("name", NAMES)
def test_no_two_dots_touch_even_on_the_worst_bench_foreseen(name):
    _, made = made_for(name)
    places = [(dot.x_mm, dot.y_mm) for dot in made.sheet.dots]
    nearest = min(dist(a, b) for at, a in enumerate(places) for b in places[:at])
    assert nearest >= made.largest_mm
    assert nearest == pytest.approx(made.sheet.pitch_mm, rel=0.2)


def test_the_worst_benches_dots_stay_narrower_than_foreseen_and_the_barrel_holds():
    profile, made = made_for(DEMO)
    for factors in possible_benches(profile, DOUBT_UNTUNED):
        truth = truth_of(
            profile,
            frame_n_mm=profile.plunger.frame_stiffness_n_mm * factors.get("frame_stiffness_n_mm", 1.0),
            bubble_ul=profile.tuning.bubble_ul * factors.get("bubble_ul", 1.0),
            consistency=profile.paste.consistency_kpa_sn * factors.get("consistency_kpa_sn", 1.0),
        )
        laid = lay(made.motions, truth)
        on_sheet = {dot.index for dot in made.sheet.dots}
        widest = max(truth.dot_mm(volume) for index, volume in laid.mean_ul.items() if index in on_sheet)
        # A drop that hung at the tip before may come on top.
        assert widest < 1.1 * made.largest_mm
        assert laid.peak_kpa < 1.1 * profile.barrel.limit_kpa


def test_a_sheet_holds_all_that_the_fit_needs():
    _, made = made_for(DEMO)
    roles = {dot.role for dot in made.sheet.dots}
    assert roles == set(Role)
    cycles = [turn["strokes"] for turn in made.sheet.process["turns"]]
    assert len(cycles) == 1 + len(made.sheet.dots) + len(made.sheet.beads)
    pauses = {
        move.duration_s for move in made.motions.moves if move.step is Step.DWELL and move.duration_s > 2
    }
    assert pauses == {3.0, 10.0, 30.0}
    speeds = {round(move.speed_mm_s, 6) for move in made.motions.moves if move.step is Step.PUSH}
    assert len(speeds) >= 4
    assert len({bead.tip_mm_s for bead in made.sheet.beads}) == 2
    last = max(dot.index for dot in made.sheet.dots)
    assert sum(bead.index < last for bead in made.sheet.beads) == 4
    circle = max(made.sheet.beads, key=lambda bead: len(bead.path_mm))
    assert circle.path_mm[0] == circle.path_mm[-1]


def test_sheet_json_holds_the_sheet():
    _, made = made_for(DEMO)
    assert sheet_of(sheet_record(made.sheet)) == made.sheet


def test_the_same_profile_and_seed_give_the_same_sheet_and_another_seed_another():
    _, made = made_for(DEMO)
    assert design_sheet(replace(demo_bench(), file=DEMO), tries=1) == made.sheet
    assert orders(made.recipe, 144, tries=1, seed=5) != orders(made.recipe, 144, tries=1, seed=4)


def test_a_bench_that_was_tuned_is_doubted_less_and_pushed_faster():
    plain = demo_bench()
    dated = replace(plain, tuning=replace(plain.tuning, dated="2025-03-14"))
    assert (doubt_of(plain), doubt_of(dated)) == (DOUBT_UNTUNED, DOUBT_TUNED)
    slow, fast = recipe_of(plain), recipe_of(dated)
    assert all(
        b[0][0].push_ul_s >= a[0][0].push_ul_s - 1e-9 for a, b in zip(slow.cycles, fast.cycles, strict=True)
    )
    assert fast.cycles[-1][0][0].push_ul_s > slow.cycles[-1][0][0].push_ul_s


def test_without_room_the_dots_become_smaller_and_in_a_corner_it_is_said():
    profile = demo_bench()
    tight = replace(profile, bed=replace(profile.bed, board_x_mm=170.0, board_y_mm=165.0))
    made = designed(tight, tries=1)
    plain = made_for(DEMO)[1]
    assert made.sheet.pitch_mm < plain.sheet.pitch_mm
    assert max(dot.dose_ul for dot in made.sheet.dots) < 0.5 * max(dot.dose_ul for dot in plain.sheet.dots)
    corner = replace(profile, bed=replace(profile.bed, board_x_mm=205.0))
    with pytest.raises(InputError, match="no room for the sheet"):
        designed(corner, tries=1)

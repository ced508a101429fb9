"""Sheets for every example bench: they fit, are verified, keep dots apart, and tell what they should."""

from dataclasses import replace
from functools import cache
from math import dist

import numpy as np
import pytest
from tuning_trials import demo_bench
from virtual_bench import lay, truth_of

from pastewright.motion.model import Step
from pastewright.plunger.bench import bench_of
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_names, example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.fit.constants import with_constants
from pastewright.tune.sheet.block import block_of
from pastewright.tune.sheet.design import design_sheet, designed, sheet_at_random
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


def as_fitted(name, rng):
    """An example bench with constants as a fit may find them, far from the example's."""
    plain = parse_profile(example_text(name), name)
    n = plain.paste.flow_index
    index = float(np.clip(rng.uniform(0.28, 0.62), 0.1, 1.0))
    off = lambda by: float(np.exp(rng.uniform(-np.log(by), np.log(by))))  # noqa: E731
    found = {
        "frame_stiffness_n_mm": plain.plunger.frame_stiffness_n_mm * off(3.0),
        "bubble_ul": max(plain.tuning.bubble_ul, 0.1) * off(10.0),
        "seal_friction_n": float(rng.uniform(0.0, 10.0)),
        "consistency_kpa_sn": plain.paste.consistency_kpa_sn * off(3.0) * 10.0 ** (n - index),
        "flow_index": index,
        "gain": float(rng.uniform(0.95, 1.05)),
        "backlash_mm": plain.plunger.backlash_mm * off(1.3),
    }
    there = with_constants(plain, found)
    doubt = float(rng.uniform(1.0, 2.5))
    return replace(there, tuning=replace(there.tuning, dated="2025-03-14", pressure_doubt=doubt))


def checked(name, seed):
    """Problems of a sheet and its block for one such bench; empty where all is well."""
    rng = np.random.default_rng(seed)
    profile = as_fitted(name, rng)
    recipe = recipe_of(profile)
    found = []
    bench = bench_of(profile)
    limit_kpa = min(bench.motor_limit_kpa, bench.barrel_limit_kpa)
    for fast, slow in recipe.cycles:
        highest = max(cycle.peak_kpa for cycle in (*fast, *slow))
        if highest * profile.tuning.pressure_doubt > limit_kpa * (1 + 1e-6):
            found.append(
                f"{highest:.0f} kPa are planned, {limit_kpa:.0f} held, doubt {bench.pressure_doubt:.2f}"
            )
        if slow[0].push_ul_s > fast[0].push_ul_s * (1 + 1e-9):
            found.append("a slow push is faster than a fast one")
    _, motions, layout = sheet_at_random(profile, seed=seed)
    verdict = sheet_verdict(sheet_program("trial", motions, layout, profile), layout, profile)
    found += [finding.what for finding in verdict.findings[:2]]
    block = block_of(recipe, profile)
    if block is not None:
        verdict = sheet_verdict(
            sheet_program("block", block.motions, block.layout, profile), block.layout, profile
        )
        found += [f"block: {finding.what}" for finding in verdict.findings[:2]]
    return found


def test_a_sheet_after_a_fit_passes_the_read_back_too():
    assert checked(DEMO, 7) == []


@pytest.mark.campaign
def test_two_hundred_sheets_after_random_fits_pass_the_read_back():
    bad = {}
    for seed in range(200):
        name = example_names()[seed % len(example_names())]
        found = checked(name, seed)
        if found:
            bad[seed] = (name, found)
            print(seed, name, found, flush=True)
    print(f"{len(bad)} of 200")
    assert not bad

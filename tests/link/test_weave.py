"""Programs made to fit the next board: read back by separate code, whatever was moved, turned or put in."""

import re
from dataclasses import replace
from itertools import pairwise
from math import hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st

import pastewright as pw
from pastewright.demo.board import write_demo
from pastewright.learn.row import ORDER, SIZES, witness_row
from pastewright.link.companions import companion_of, job_of, read_companion
from pastewright.link.job import ProgramPart
from pastewright.link.ways import deposit_units
from pastewright.link.weave import Shift, rigid, woven
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.ledger import STRAY_SHARE, stray_limit_ul
from pastewright.records.plan import PlanRecord
from pastewright.work.running.choice import check_verified, findings_before
from pastewright.work.running.witness import witness_of

BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a", "numbered": "bench-reprap-ul-abs"}
MORE = {"linear": "bench-ngc-linear-u", "turns": "bench-ngc-turns-b"}


@pytest.fixture(scope="module", params=list(BENCHES))
def planned(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("weave")
    (folder / "bench.toml").write_text(example_text((BENCHES | MORE)[request.param]), "utf-8")
    (folder / "board").mkdir()
    write_demo(folder / "board", "x2")
    bench = pw.read_profile(folder / "bench.toml")
    pw.write_plan(pw.make_plan(pw.read_board(folder / "board", side="bottom"), bench), folder / "plan")
    (program,) = [path for path in (folder / "plan").glob("program.*") if path.suffix in (".gcode", ".ngc")]
    text, plan = program.read_text("utf-8"), read_companion(companion_of(program))
    bed = bench.bed
    assert isinstance(plan, PlanRecord)
    if plan.placement.strips:
        x, y = plan.placement.strips[0].from_mm
        bench = replace(bench, bed=replace(bed, strip_x_mm=x, strip_y_mm=y))
    return bench, text, plan, job_of(text, plan)


STILL = Shift()


def fitted(planned, *, strip=STILL, board=STILL, witness=False):
    bench, text, plan, job = planned
    row = witness_of(bench, strip, travel_z_mm=bench.travel_z_mm) if witness else None
    corner = (bench.bed.board_x_mm, bench.bed.board_y_mm)
    text, plan = woven(
        text,
        plan,
        job,
        strip=strip,
        board=board,
        witness=row,
        board_at_mm=corner,
        speed_xy_mm_s=bench.machine.speed_xy_mm_s,
    )
    job = job_of(text, plan)
    aside = replace(bench, bed=replace(bench.bed, strip_y_mm=bench.bed.strip_y_mm + strip.y_mm))
    return text, plan, job, aside


TURNED = Shift(turn_deg=0.7, x_mm=0.4, y_mm=-0.6)


@pytest.mark.parametrize("board", [Shift(), TURNED])
@pytest.mark.parametrize("witness", [False, True])
def test_what_is_woven_passes_the_read_back(planned, board, witness, tmp_path):
    text, plan, job, aside = fitted(planned, strip=Shift(y_mm=-5.0), board=board, witness=witness)
    check_verified(text, job, plan, aside, tmp_path)
    before = planned[3]
    assert len(job.deposits) == len(before.deposits) + (len(ORDER) if witness else 0)
    units, old = deposit_units(job, job.blocks), deposit_units(before, before.blocks)
    for laid in before.deposits:
        assert units[laid.id] == pytest.approx(old[laid.id], abs=1e-9)


@pytest.mark.parametrize("planned", list(MORE), indirect=True)
def test_a_row_is_laid_before_a_board_on_the_other_example_benches_too(planned, tmp_path):
    text, plan, job, aside = fitted(planned, strip=Shift(y_mm=-5.0), witness=True)
    check_verified(text, job, plan, aside, tmp_path)


@pytest.mark.parametrize("witness", [False, True])
def test_where_a_program_leads_round_a_zone_its_first_way_begins_where_it_did(planned, witness):
    # A straight way from another row, or from a row of dots, might lead through the zone.
    bench, text, plan, job = planned
    led = replace(job, walked=True)
    _, _, woven_job, _ = fitted((bench, text, plan, led), strip=Shift(y_mm=-5.0), witness=witness)
    first = next(block for block in job.blocks if block.part is ProgramPart.DEPOSIT)
    old = next(laid for laid in job.deposits if laid.id == first.deposit)
    there = next(block for block in woven_job.blocks if block.deposit == old.id)
    words = dict(re.findall(r"([XY])(-?[\d.]+)", there.lines[0]))
    assert {axis: float(words[axis]) for axis in "XY"} == pytest.approx(
        {axis: first.before.place[axis] for axis in "XY"}, abs=1e-3
    )
    assert [line for line in there.lines if "G1" in line] == [line for line in first.lines if "G1" in line]


def test_the_judge_sees_a_board_that_was_turned_in_the_program_only(planned, tmp_path):
    text, _, _, aside = fitted(planned, board=TURNED)
    plan, job = planned[2], planned[3]
    with pytest.raises(InputError, match="not verified"):
        check_verified(text, job, plan, aside, tmp_path)


def test_the_witness_dots_come_first_and_each_size_follows_each():
    pairs = set(pairwise(ORDER))
    assert pairs == {(a, b) for a in SIZES for b in SIZES}


def test_the_witness_dots_are_laid_before_the_board(planned):
    _, plan, job, _ = fitted(planned, witness=True)
    assert [laid.pads[0] for laid in job.deposits[: len(ORDER)]] == [
        f"witness-{number}" for number in range(1, len(ORDER) + 1)
    ]
    assert plan.totals.deposits == len(job.deposits)


def test_the_row_brings_the_strip_that_its_small_dots_need(planned):
    bench, _, alone, _ = planned
    _, plan, job, _ = fitted(planned, witness=True)
    start, end = plan.placement.strips[0].from_mm, plan.placement.strips[0].to_mm
    assert end == pytest.approx((start[0] + bench.bed.strip_length_mm, start[1]))
    row, both = witness_row(bench), expected_from_plan(plan)
    assert plan.totals.strip_ul == pytest.approx(row.motions.strip_ul + row.motions.thrown_ul)
    assert [block.part for block in job.blocks].count(ProgramPart.SETTLE) == 1
    # The board is judged as strictly with the row as without.
    assert stray_limit_ul(both) == stray_limit_ul(expected_from_plan(alone))
    assert sum(one.on_card for one in both.deposits) == len(ORDER)


def late_retraction(text, job, number, share):
    """The text, and in it one witness dot of which so much of the retraction comes only when the tip is up."""
    lines = text.splitlines()
    block = next(block for block in job.blocks if block.deposit == job.deposits[number - 1].id)
    begin = lines.index(block.lines[0])
    back = next(at for at in range(begin, begin + len(block.lines)) if lines[at].startswith("G1 E-"))
    lifted = begin + len(block.lines) - 1
    _, word, feed = lines[back].split()
    units = float(word[1:])
    lines[lifted + 1 : lifted + 1] = ["G4 P300", f"G1 E{units * share:.6f} {feed}"]
    lines[back] = f"G1 E{units * (1 - share):.6f} {feed}"
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("planned", ["reprap"], indirect=True)
def test_paste_that_oozes_within_the_row_is_held_against_the_rows_own_dots(planned):
    text, plan, job, aside = fitted(planned, witness=True)
    assert not findings_before(text, job, plan, aside)
    both = expected_from_plan(plan)
    row_ul = STRAY_SHARE * min(one.volume_ul for one in both.deposits if one.on_card)
    board_ul = stray_limit_ul(both)
    assert row_ul < board_ul / 5  # or there is nothing between that only the row would notice
    between = []
    for percent in range(10, 31, 2):
        found = findings_before(late_retraction(text, job, 3, percent / 100), job, plan, aside)
        told = [float(one.what.split()[0]) for one in found if "come out with the tip lifted" in one.what]
        between += [ul for ul in told if row_ul <= ul <= board_ul]
    assert between, "oozing that a board would be allowed was not noticed within the row"
    much = findings_before(late_retraction(text, job, 3, 1.0), job, plan, aside)
    assert any("witness-3" in one.what for one in much)  # the dot itself lacks it by now


places = st.tuples(st.floats(-200, 200), st.floats(-200, 200))


@given(
    nominal=st.lists(places, min_size=2, max_size=5, unique=True),
    turn=st.floats(-170, 170),
    way=places,
)
def test_points_that_were_only_moved_are_found_where_they_are(nominal, turn, way):
    far = max(hypot(a[0] - b[0], a[1] - b[1]) for a in nominal for b in nominal)
    if far < 1.0:
        return
    true = Shift(turn_deg=turn, x_mm=way[0], y_mm=way[1])
    found, residual_mm = rigid(nominal, [true.of(*place) for place in nominal])
    assert residual_mm < 1e-6
    for place in nominal:
        assert found.of(*place) == pytest.approx(true.of(*place), abs=1e-6)


def test_a_stretched_pair_leaves_half_the_difference_at_each_end():
    _, residual_mm = rigid([(0, 0), (10, 0)], [(5, 5), (5, 15.4)])
    assert residual_mm == pytest.approx(0.2)


def test_a_quarter_turn_about_the_machines_origin():
    assert Shift(turn_deg=90, x_mm=1).of(2, 0) == pytest.approx((1, 2))

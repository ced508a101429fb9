"""Trays: places, turned copies, bad boards, one tour or several, refills at board boundaries only."""

from dataclasses import replace
from itertools import pairwise
from math import dist

import numpy as np
import pytest
from msgspec import structs
from verdicts import all_delivered

from pastewright.job.model import LayTurn
from pastewright.motion.levels import levels_of
from pastewright.motion.model import Step
from pastewright.place.transform import affine, corners_mm
from pastewright.place.tray.file import parse_tray
from pastewright.place.tray.located import located
from pastewright.place.tray.panel import place_tray
from pastewright.place.tray.tour import WHOLE_MAY_COST, one_by_one, placed_tour
from pastewright.plan.tray import boards_per_program, copies, need_of, plan_tray, runs_of
from pastewright.problems import InputError
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify

GRID = """
[tray]
x_mm = 60.0
y_mm = 70.0
[grid]
columns = 3
rows = 2
pitch_x_mm = 34.0
pitch_y_mm = 24.0
"""
SIX = (
    GRID
    + """
[[board]]
name = "3"
probes = [[129, 71, 20.0], [143, 71, 20.05], [157, 71, 20.0], [129, 80, 20.05], [143, 80, 20.25], [157, 80, 20.05],
          [129, 89, 20.0], [143, 89, 20.05], [157, 89, 20.0]]
[[board]]
name = "5"
bad = true
[[board]]
name = "6"
turn_deg = 180.0
"""
)
WIPE = """
[wipe]
from_mm = [20, 60]
to_mm = [20, 80]
z_mm = 19.8
strokes = 3
"""


def placed(text, small, profile, tip):
    return place_tray(parse_tray(text, "tray.toml"), small, bed=profile.bed, tip=tip)


def refusal(text):
    with pytest.raises(InputError) as caught:
        parse_tray(text, "tray.toml")
    return str(caught.value)


# Places.


def test_a_grid_repeats_the_board_row_by_row(small, profile, tip):
    tray = placed(GRID, small, profile, tip)
    shifts = [one.affine.shift_mm for one in tray.placements.boards]
    assert shifts == [(60, 70), (94, 70), (128, 70), (60, 94), (94, 94), (128, 94)]
    assert [one.name for one in tray.placements.boards] == ["1", "2", "3", "4", "5", "6"]


def test_a_turned_copy_stays_in_its_place_and_a_bad_one_is_skipped(small, profile, tip):
    tray = placed(SIX, small, profile, tip)
    by_name = {one.name: one for one in tray.placements.boards}
    assert set(by_name) == {"1", "2", "3", "4", "6"}
    corners = corners_mm(small.size_mm, by_name["6"].affine)
    assert corners.min(axis=0) == pytest.approx([128, 94]) and corners.max(axis=0) == pytest.approx(
        [158, 114]
    )
    assert by_name["6"].affine.turn_deg == pytest.approx(180)
    assert set(tray.skipped) == {"5"} and tray.skipped["5"][0] == pytest.approx((94, 94))
    assert by_name["3"].surface.mesh is not None and by_name["1"].surface.flat


def test_fiducials_of_the_tray_place_all_its_boards(small, profile, tip):
    true = affine(turn_deg=1.5, shift_mm=(61.0, 71.0))
    at = np.array([[0.0, -2.0], [98.0, -2.0], [0.0, 46.0], [97.0, 45.0]])
    rows = ", ".join(
        f"{{ at_mm = [{x}, {y}], found_mm = [{u!r}, {v!r}] }}"
        for (x, y), (u, v) in zip(at.tolist(), true.apply(at).tolist(), strict=True)
    )
    tray = placed(GRID.replace("x_mm = 60.0\ny_mm = 70.0", f"fiducials = [{rows}]"), small, profile, tip)
    second = tray.placements.boards[1]
    assert second.affine.apply(np.array([[1.0, 2.0]])) == pytest.approx(
        true.apply(np.array([[35.0, 2.0]])), abs=1e-9
    )
    assert [step.what for step in second.steps] == ["place in the tray", "tray's fiducials"]
    assert tray.registrations["tray"].affine.turn_deg == pytest.approx(1.5)


def test_a_board_with_fiducials_of_its_own_lies_where_they_are(small, profile, tip):
    true = affine(turn_deg=-0.8, shift_mm=(129.0, 94.4))
    marks = np.array([[3.0, 3.0], [27.0, 4.0], [4.0, 17.0]])
    rows = ", ".join(
        f'{{ name = "F{k}", found_mm = [{u!r}, {v!r}] }}'
        for k, (u, v) in enumerate(true.apply(marks).tolist(), 1)
    )
    tray = placed(GRID + f'[[board]]\nname = "6"\nfiducials = [{rows}]\n', small, profile, tip)
    assert tray.placements.boards[5].affine.apply(marks) == pytest.approx(true.apply(marks), abs=1e-9)
    with pytest.raises(InputError, match=r"tray\.toml:\d+: board 6: F9 is no fiducial"):
        placed(
            GRID + '[[board]]\nname = "6"\nfiducials = [{name = "F9", found_mm = [1, 2]}]\n',
            small,
            profile,
            tip,
        )


def test_boards_on_top_of_each_other_are_refused(small, profile, tip):
    with pytest.raises(InputError, match=r"boards 1 and 2 lie on top of each other by 200\.0 mm²"):
        placed(GRID.replace("34.0", "20.0"), small, profile, tip)


def test_a_tray_of_bad_boards_is_refused(small, profile, tip):
    with pytest.raises(InputError, match="every board"):
        placed("[[board]]\nx_mm = 0\ny_mm = 0\nbad = true\n", small, profile, tip)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no board in this tray"),
        ("[grid]\ncolumns = 0\nrows = 1\n", "tray.toml:2: grid.columns is 0; it must be 1 to 200"),
        ("[grid]\ncolumns = 2\nrows = 1\n", "pitch_x_mm is missing"),
        ("[grid]\ncolumns = 20\nrows = 20\npitch_x_mm = 1\npitch_y_mm = 1\n", "too many"),
        ("[[board]]\nx_mm = 1\n", "y_mm is missing"),
        ("[[board]]\nx_mm = nan\ny_mm = 0\n", "board.x_mm is nan"),
        ('[[board]]\nname = "a/b"\nx_mm = 0\ny_mm = 0\n', "name is 'a/b'"),
        ('[[board]]\nname="a"\nx_mm=0\ny_mm=0\n[[board]]\nname="a"\nx_mm=0\ny_mm=0\n', "two boards a"),
        ("[[board]]\nx_mm = 0\ny_mm = 0\nbad = 1\n", "tray.toml:4: board.bad must be true or false"),
        ("[[board]]\nx_mm = 0\ny_mm = 0\nturn = 90\n", "here it is turn_deg"),
        ("[[board]]\nx_mm = 0\ny_mm = 0\nprobes = [[1, 2]]\n", "tray.toml:4: a probed height must be"),
        (
            'programs = "two"\n[[board]]\nx_mm = 0\ny_mm = 0\n',
            "tray.toml:1: programs is 'two'; it must be one or each",
        ),
        ("[wipe]\nfrom_mm = [0, 0]\nto_mm = [0, 0]\nz_mm = 1\n[[board]]\nx_mm=0\ny_mm=0\n", "another to_mm"),
        ("board = 3\n", "board is not a list of boards"),
        ("[[board]\n", "not valid TOML"),
        ("[tray]\nfiducials = [3]\n", "fiducials is no list"),
    ],
)
def test_what_is_wrong_with_a_tray_is_named(text, says):
    assert says in refusal(text)


def test_all_that_is_wrong_is_told_at_once():
    words = refusal("nonsense = 1\n[[board]]\nx_mm = 0\nbad = 2\n")
    assert words.count("tray.toml:") == 3


# Programs.


def test_six_boards_one_turned_one_bad_one_bowed_are_verified(small, profile, prepared, tip):
    tray = placed("settle = true\nstrip_step_mm = 2.5\n" + SIX + WIPE, small, profile, tip)
    (plan,) = plan_tray(prepared, tray.placements, profile)
    assert plan.verdict.ok, plan.verdict.findings[:5]
    each = len(prepared.layout.deposits)
    assert len(plan.layout.deposits) == 5 * each
    # Conservation: what lies on the boards is what one board gets, five times.
    one = sum(deposit.volume_ul for deposit in prepared.layout.deposits)
    laid = sum(got.volume_ul for got in all_delivered(plan.verdict))
    assert laid == pytest.approx(5 * one, rel=0.02)
    assert {pad.board for pad in plan.record.pads} == {"1", "2", "3", "4", "6"}
    wipes = [move for move in plan.motions.moves if move.step is Step.WIPE]
    assert len(wipes) == 4 * 3 and {move.z_mm for move in wipes} == {19.8}
    strips = {move.y_mm for move in plan.motions.moves if move.step is Step.LAY and move.deposit is None}
    assert strips == {profile.bed.strip_y_mm + 2.5 * k for k in range(5)}


def one_tour_plan(small, profile, prepared, tip, text=SIX):
    tray = placed(text, small, profile, tip)
    (plan,) = plan_tray(prepared, tray.placements, profile)
    return plan


def test_without_stops_a_class_is_laid_over_all_boards_unless_that_is_far(small, profile, prepared, tip):
    plan = one_tour_plan(small, profile, prepared, tip)
    assert plan.verdict.ok, plan.verdict.findings[:5]
    there = located(plan.layout, plan.placements)
    classes = levels_of(there.layout.deposits, profile).classes
    apart = one_by_one(there, profile, classes=classes)
    assert plan.tour.travel_s <= WHOLE_MAY_COST * apart.travel_s
    order = [classes[visit.deposit] for visit in plan.tour.visits]
    assert order == sorted(order)  # or it would be board by board: here all over is no long way
    assert plan.tour.bound_s <= plan.tour.travel_s
    assert sorted(visit.deposit for visit in plan.tour.visits) == list(range(len(plan.layout.deposits)))


def test_boards_with_a_stop_between_are_finished_one_by_one(small, profile, prepared, tip):
    tray = placed("settle = true\n" + GRID, small, profile, tip)
    six = copies(prepared, tuple(one.name for one in tray.placements.boards))
    tour = placed_tour(located(six.layout, tray.placements), profile)
    boards = [six.layout.deposits[visit.deposit].board for visit in tour.visits]
    changes = sum(1 for a, b in pairwise(boards) if a != b)
    assert changes == 5


def walked_mm(tour, there, starts):
    """The way of a tour, hop by hop; each board begins at the next of `starts`, where there is one."""
    deposits = there.layout.deposits
    here, board, way, laid = None, None, 0.0, 0
    for visit in tour.visits:
        deposit = deposits[visit.deposit]
        if deposit.board != board:
            here = starts[laid] if laid < len(starts) else here
            board, laid = deposit.board, laid + 1
        points = deposit.points_mm[::-1] if visit.backwards else deposit.points_mm
        assert here is not None, "the first board begins at the first of `starts`"
        way += dist(here, points[0])
        here = points[-1]
    return way


@pytest.mark.parametrize("first", [(), ("C1-1", "C1-2")], ids=["no turns", "turns of a job"])
@pytest.mark.parametrize("between", ["strips", "wipe"])
def test_each_board_begins_where_its_strip_or_wipe_ends_whatever_the_job_wants_first(
    small, profile, prepared, tip, first, between
):
    head = "settle = true\nstrip_step_mm = 2.5\n" if between == "strips" else ""
    tray = placed(head + GRID + (WIPE if between == "wipe" else ""), small, profile, tip)
    names = tuple(one.name for one in tray.placements.boards)
    six = copies(prepared, names)
    ids = [pad.id for pad in prepared.board.pads if pad.id in first] or [prepared.board.pads[0].id]
    turns = {f"{name}/{pad}": LayTurn.FIRST for name in names for pad in ids} if first else {}
    there = located(six.layout, tray.placements)
    tour = placed_tour(there, profile, turns)
    x, y = profile.bed.strip_x_mm + profile.bed.strip_length_mm, profile.bed.strip_y_mm
    starts = [(x, y + 2.5 * k) for k in range(6)] if between == "strips" else [(x, y), *[(20.0, 80.0)] * 5]
    assert tour.travel_mm == pytest.approx(walked_mm(tour, there, starts), abs=1e-9)
    # The nearest board first, not the first of the file, wherever that is nearer.
    boards = list(dict.fromkeys(six.layout.deposits[visit.deposit].board for visit in tour.visits))
    plain = placed_tour(there, profile)
    assert boards == list(dict.fromkeys(six.layout.deposits[visit.deposit].board for visit in plain.visits))


def changed(plan, change):
    placement = structs.replace(plan.record.placement, **change)
    record = structs.replace(plan.record, placement=placement)
    return verify(plan.program.text, expected_from_plan(record), plan.profile)


def test_a_wipe_or_strip_where_none_was_planned_is_found(small, profile, prepared, tip):
    tray = placed(
        "settle = true\nstrip_step_mm = 2.5\n" + GRID.replace("columns = 3", "columns = 2") + WIPE,
        small,
        profile,
        tip,
    )
    (plan,) = plan_tray(prepared, tray.placements, profile)
    assert plan.verdict.ok
    assert "low travel" in {f.kind for f in changed(plan, {"wipe": None}).findings}
    wipe = plan.record.placement.wipe
    assert wipe is not None
    deeper = structs.replace(wipe, z_mm=19.9)
    assert not changed(plan, {"wipe": deeper}).ok
    strips = plan.record.placement.strips
    assert len(strips) == 4
    assert "stray paste" in {f.kind for f in changed(plan, {"strips": strips[:3]}).findings}


@pytest.mark.campaign
def test_a_board_that_was_skipped_is_missed_when_it_is_expected(small, profile, prepared, tip):
    all_six = plan_tray(prepared, placed(GRID, small, profile, tip).placements, profile)[0]
    five = one_tour_plan(small, profile, prepared, tip, GRID + '[[board]]\nname = "5"\nbad = true\n')
    verdict = verify(five.program.text, expected_from_plan(all_six.record), profile)
    missing = [finding for finding in verdict.findings if finding.kind == "missing"]
    assert missing and all(finding.pad_id.startswith("5/") for finding in missing if finding.pad_id)


def barrel_for(profile, need, boards, *, settle):
    strips = boards if settle else 1
    fill = (boards + 0.4) * need.board_ul + strips * need.strip_ul + need.overshoot_ul
    return replace(profile, barrel=replace(profile.barrel, fill_ul=fill))


@pytest.mark.parametrize("settle", [False, pytest.param(True, marks=pytest.mark.campaign)])
def test_the_barrel_is_refilled_at_a_board_boundary(small, profile, prepared, tip, settle):
    need = need_of(prepared, profile)
    little = barrel_for(profile, need, 2, settle=settle)
    assert boards_per_program(need, little, settle=settle) == 2
    tray = placed(("settle = true\n" if settle else "") + GRID, small, profile, tip)
    plans = plan_tray(prepared, tray.placements, little)
    assert [[one.name for one in plan.placements.boards] for plan in plans] == [
        ["1", "2"],
        ["3", "4"],
        ["5", "6"],
    ]
    for plan in plans:
        assert plan.verdict.ok, plan.verdict.findings[:3]
        # Whole boards only: each pad of each board is there.
        assert len(plan.layout.deposits) == 2 * len(prepared.layout.deposits)


@pytest.mark.campaign
def test_a_stroke_is_respected_as_the_barrel_is(small, profile, prepared, tip):
    need = need_of(prepared, profile)
    reach = (3.4 * need.board_ul + need.strip_ul + need.overshoot_ul) / (
        profile.barrel.area_mm2 * profile.tuning.gain
    )
    short = replace(profile, plunger=replace(profile.plunger, stroke_mm=reach))
    plans = plan_tray(prepared, placed(GRID, small, profile, tip).placements, short)
    assert [len(plan.placements.boards) for plan in plans] == [3, 3]
    assert all(plan.verdict.ok for plan in plans)


def test_programs_are_cut_evenly_and_lose_no_board(small, profile, prepared, tip):
    need = need_of(prepared, profile)
    boards = placed(GRID, small, profile, tip).placements
    for most in range(1, 8):
        bench = barrel_for(profile, need, most, settle=False)
        runs = runs_of(boards, need, bench, size_mm=small.size_mm, each=False)
        sizes = [len(run.boards) for run in runs]
        assert sum(sizes) == 6 and max(sizes) <= most and max(sizes) - min(sizes) <= 1
    assert [len(run.boards) for run in runs_of(boards, need, profile, size_mm=small.size_mm, each=True)] == [
        1
    ] * 6


def test_a_barrel_too_small_for_one_board_is_refused(small, profile, prepared, tip):
    need = need_of(prepared, profile)
    tiny = replace(profile, barrel=replace(profile.barrel, fill_ul=need.board_ul))
    with pytest.raises(InputError, match="one board and its settling strip need"):
        plan_tray(prepared, placed(GRID, small, profile, tip).placements, tiny)

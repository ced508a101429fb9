"""Jobs on the demo board: what they ask is done, the program is verified, and what meets nothing is told."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from msgspec import structs
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.model import Board, Side
from pastewright.board.read import read_board
from pastewright.demo.board import write_demo
from pastewright.job.read import parse_job
from pastewright.motion.model import Step
from pastewright.plan.compare import ChangeKind, compare_boards
from pastewright.plan.jobs import blocked_on
from pastewright.plan.pipeline import Plan, make_plan
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile
from pastewright.report.compare_svg import compare_svg

PROFILE = parse_profile(example_text("bench-reprap-e"), "bench.toml")


@pytest.fixture(scope="module")
def board(tmp_path_factory) -> Board:
    folder = tmp_path_factory.mktemp("logger")
    write_demo(folder)
    return read_board(folder, Ask(side=Side.TOP))


def planned(board: Board, text: str) -> Plan:
    return make_plan(board, PROFILE, job=parse_job(text, "job.toml"))


def dose_of(plan: Plan) -> dict[str, float]:
    return {dose.pad_id: dose.target_ul for dose in plan.doses}


def test_parts_rules_pads_and_zones_act_and_the_program_is_verified(board):
    plain = dose_of(make_plan(board, PROFILE))
    plan = planned(
        board,
        'not_fitted = "R5, C1?"\n[[rule]]\nref = "D*"\nscale_percent = 80\n'
        '[[pad]]\nid = "R1-1"\nvolume_ul = 0.06\n[[pad]]\nid = "R2-1"\nskip = true\n'
        '[[zone]]\nname = "clamp"\nx_from_mm = 20\nx_to_mm = 30\ny_from_mm = 33\ny_to_mm = 40\n'
        '[[zone]]\nname = "coil"\nx_from_mm = 13\nx_to_mm = 16\ny_from_mm = 12\ny_to_mm = 16\nheight_mm = 8\n',
    )
    doses = dose_of(plan)
    assert plan.verdict.ok, plan.verdict.findings[:3]
    assert doses["R5-1"] == doses["C10-2"] == doses["R2-1"] == 0
    assert doses["D1-1"] == approx(0.8 * plain["D1-1"])
    assert doses["R1-1"] == 0.06
    assert doses["U1-1"] == plain["U1-1"]
    assert doses["C3-2"] == 0  # its land reaches into the clamp
    reasons = {dose.pad_id: dose.reason for dose in plan.doses}
    assert "not fitted" in reasons["R5-1"]
    assert "job.toml" in reasons["D1-1"]
    assert any("C3-2: no paste: it lies in the zone 'clamp'" in words for words in plan.record.warnings)


def test_no_travel_of_the_written_program_crosses_a_zone_below_its_top(board):
    text = (
        '[[zone]]\nname = "post"\nx_from_mm = 30\nx_to_mm = 33\ny_from_mm = 28\ny_to_mm = 31\n'
        '[[zone]]\nname = "coil"\nx_from_mm = 13\nx_to_mm = 16\ny_from_mm = 12\ny_to_mm = 16\nheight_mm = 8\n'
    )
    plan = planned(board, text)
    assert plan.verdict.ok
    # The program's own words, read here by the simplest possible reader: modal X, Y and Z.
    here = {"X": 0.0, "Y": 0.0, "Z": 0.0}
    ways = []
    for line in plan.program.text.splitlines():
        words = line.split(";")[0].split()
        if words and words[0] in ("G0", "G1", "G00", "G01"):
            before = dict(here)
            here.update({word[0]: float(word[1:]) for word in words[1:] if word[0] in "XYZ"})
            ways.append((before, dict(here)))
    first = next(n for n, (a, b) in enumerate(ways) if (a["X"], a["Y"]) != (b["X"], b["Y"])) + 1
    hit = {
        each.name: 0 for each in blocked_on(parse_job(text, "job.toml"), plan.placements, plan.board.size_mm)
    }
    for each in blocked_on(parse_job(text, "job.toml"), plan.placements, plan.board.size_mm):
        for a, b in ways[first:]:
            way = shapely.LineString([(a["X"], a["Y"]), (b["X"], b["Y"])])
            low = min(a["Z"], b["Z"]) < (np.inf if each.top_z_mm is None else each.top_z_mm)
            hit[each.name] += bool(low and way.intersects(each.area))
    assert hit == {"post": 0, "coil": 0}


def test_without_the_zone_the_same_check_finds_crossings(board):
    plain = make_plan(board, PROFILE)
    job = parse_job(
        '[[zone]]\nname = "post"\nx_from_mm = 20\nx_to_mm = 30\ny_from_mm = 18\ny_to_mm = 30\n', "job.toml"
    )
    (post,) = blocked_on(job, plain.placements, plain.board.size_mm)
    moves = [move for move in plain.motions.moves if move.step is Step.TRAVEL]
    lines = [shapely.LineString([(a.x_mm, a.y_mm), (b.x_mm, b.y_mm)]) for a, b in pairwise(moves)]
    assert any(line.intersects(post.area) for line in lines)


def test_what_shall_be_first_and_last_is(board):
    plan = planned(board, '[order]\nfirst = "U1"\nlast = "R*"\n')
    assert plan.verdict.ok
    refs = {pad.id: pad.ref for pad in board.pads}
    order = [
        {refs[share.pad_id] for share in plan.layout.deposits[visit.deposit].shares}
        for visit in plan.tour.visits
    ]
    firsts = [n for n, group in enumerate(order) if "U1" in group]
    lasts = [n for n, group in enumerate(order) if any(ref.startswith("R") for ref in group)]
    assert firsts == list(range(len(firsts)))
    assert lasts == list(range(len(order) - len(lasts), len(order)))
    assert len(order) == len(plan.layout.deposits)


def test_a_job_for_the_other_side_or_of_unknown_pads_is_refused(board):
    with pytest.raises(InputError, match="for the bottom side"):
        planned(board, 'side = "bottom"')
    with pytest.raises(InputError, match="no pad R99-1"):
        planned(board, '[[pad]]\nid = "R99-1"\nskip = true')


def test_names_that_meet_no_part_are_told(board):
    plan = planned(board, 'not_fitted = "R5, R99"\n[order]\nfirst = "X*"\n')
    words = " ".join(plan.record.warnings)
    assert "not_fitted names 'R99'" in words
    assert "order.first names 'X*'" in words
    assert "'R5'" not in words


# ---- comparing revisions


def without(board: Board, *ids: str) -> Board:
    return replace(board, pads=tuple(pad for pad in board.pads if pad.id not in ids))


def moved(board: Board, dx: float, dy: float, *ids: str) -> Board:
    def move(shape):
        return shapely.transform(shape, lambda points: points + np.array((dx, dy)))

    pads = []
    for pad in board.pads:
        if ids and pad.id not in ids:
            pads.append(pad)
            continue
        apertures = tuple(structs.replace(each, shape=move(each.shape)) for each in pad.apertures)
        pads.append(structs.replace(pad, land=move(pad.land), apertures=apertures))
    return replace(board, pads=tuple(pads))


def test_a_board_does_not_differ_from_itself(board):
    found = compare_boards(board, board, PROFILE)
    assert not found.changes
    assert found.unchanged == 143
    assert found.before_total == found.after_total


def test_added_removed_moved_and_dosed_pads_are_told_apart(board):
    new = moved(without(board, "R5-1", "R5-2"), 0.5, -0.25, "C5-1")
    old = without(board, "D2-1")
    found = compare_boards(old, new, PROFILE)
    assert {(change.kind, change.pad_id) for change in found.changes} == {
        (ChangeKind.REMOVED, "R5-1"), (ChangeKind.REMOVED, "R5-2"), (ChangeKind.ADDED, "D2-1"),
        (ChangeKind.MOVED, "C5-1")}  # fmt: skip
    (move,) = found.of(ChangeKind.MOVED)
    assert move.from_mm is not None and move.to_mm is not None
    assert (move.to_mm[0] - move.from_mm[0], move.to_mm[1] - move.from_mm[1]) == approx(
        (0.5, -0.25), abs=1e-6
    )
    back = compare_boards(new, old, PROFILE)
    assert len(back.of(ChangeKind.ADDED)) == 2
    assert back.after_total - back.before_total == approx(found.before_total - found.after_total)


def test_a_larger_opening_is_a_changed_dose(board):
    pads = list(board.pads)
    n = next(n for n, pad in enumerate(pads) if pad.id == "C1-1")
    (opening,) = pads[n].apertures
    pads[n] = structs.replace(
        pads[n], apertures=(structs.replace(opening, shape=opening.shape.buffer(0.05)),)
    )
    found = compare_boards(board, replace(board, pads=tuple(pads)), PROFILE)
    (change,) = found.changes
    assert (change.kind, change.pad_id) == (ChangeKind.DOSE, "C1-1")
    assert change.after > 1.05 * change.before


def test_a_shift_of_the_whole_board_is_no_change_of_its_pads(board):
    found = compare_boards(board, moved(board, 1.5, 2.0), PROFILE)
    assert not found.changes
    assert found.shift_mm == approx((1.5, 2.0))
    old, new = (
        replace(
            each,
            pads=tuple(structs.replace(pad, ref="", pin="", id=f"P{n}") for n, pad in enumerate(each.pads)),
        )
        for each in (board, moved(board, 1.5, 2.0))
    )
    assert not compare_boards(old, new).changes


def test_the_same_pads_under_other_names_are_renamed(board):
    pads = tuple(
        structs.replace(pad, ref="R77", id=pad.id.replace("R5-", "R77-")) if pad.ref == "R5" else pad
        for pad in board.pads
    )
    found = compare_boards(board, replace(board, pads=pads))
    assert {(change.kind, change.was, change.pad_id) for change in found.changes} == {
        (ChangeKind.RENAMED, "R5-1", "R77-1"), (ChangeKind.RENAMED, "R5-2", "R77-2")}  # fmt: skip
    assert found.unit == "mm²"


def test_the_picture_shows_each_change_once(board):
    found = compare_boards(board, without(board, "R5-1"), PROFILE)
    picture = compare_svg(board, without(board, "R5-1"), found)
    assert picture.count("<title>R5-1 removed") == 1
    assert "removed (1)" in picture

"""The height that a move must keep: hand-worked on one board, and low hops of the demo's program broken on purpose."""

import re
from dataclasses import replace
from math import pi

import numpy as np
import pytest
from demo_plans import plan_of
from msgspec import structs
from pytest import approx

from pastewright.board.model import Side
from pastewright.readback.judge.clearance import EDGE_MM, needed_z_mm
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.match import targets
from pastewright.readback.judge.verify import verify
from pastewright.readback.machine.timeline import MachineTimeline
from pastewright.readback.model import Expected, ExpectedDeposit, FindingKind, ReadEmpty
from pastewright.readback.placed import BoardPlace, ReadGround, ReadTray
from pastewright.records.kinds import DepositKind

# Board of 30 × 20 mm with its corner at (100, 100) and its surface at Z 10; travels at Z 14. A tip of 0.4 mm outside and
# no placement error reach 0.2 mm to either side. The cap: h/d = 0.4, so 1 mm wide is 0.4 mm high.
FULL = 14.0
CAP_UL = pi * 0.4 * (0.75 + 0.16) / 6  # V = d³·π·s·(3/4 + s²)/6 with d = 1


@pytest.fixture(scope="module")
def bench():
    profile = plan_of(Side.TOP).profile
    return replace(
        profile,
        bed=replace(profile.bed, hop_clear_mm=0.3, hop_reach_mm=12.0),
        tip=replace(profile.tip, outer_mm=0.4),
        deposit=replace(profile.deposit, placement_error_mm=0.0),
        tuning=replace(profile.tuning, dot_shape_ratio=0.4, bead_shape_ratio=0.4),
    )


def board(ground=None):
    return BoardPlace(
        name="",
        matrix=np.eye(2),
        shift_mm=np.array([100.0, 100.0]),
        size_mm=(30.0, 20.0),
        ground=ground or ReadGround(z_mm=10.0),
    )


def dot(x, y, volume_ul=CAP_UL):
    return ExpectedDeposit(
        kind=DepositKind.DOT, points_mm=((x, y),), volume_ul=volume_ul, pad_ids=(f"P{x}-{y}",)
    )


def needed(bench, way, *deposits, empty=(), ground=None):
    """What one move along `way` (x0, y0, x1, y1 on the board) at Z 10.5 must keep."""
    place = board(ground)
    expected = Expected(deposits=deposits, tray=ReadTray(boards=(place,)), empty=empty)
    x0, y0, x1, y1 = (100.0 + at for at in way)
    zero = np.zeros(1)
    moves = MachineTimeline(
        line=np.array([7]),
        kind=np.array([0]),
        start_mm=np.array([[x0, y0, 10.5]]),
        end_mm=np.array([[x1, y1, 10.5]]),
        plunger_mm=np.zeros(2),
        path_mm=zero,
        speed_mm_s=zero,
        duration_s=zero,
        ramp_s=zero,
        over=np.zeros((1, 4)),
        arcs={},
    )
    wanted = targets(expected, bench.bed)
    return float(needed_z_mm(moves, wanted, expected, (place,), bench, travel_z_mm=FULL)[0])


def test_bare_board_asks_for_the_gap_alone(bench):
    assert needed(bench, (5, 5, 9, 5)) == approx(10.3)


@pytest.mark.parametrize(
    ("away", "height"),
    [(0.0, 10.7), (0.69, 10.7), (0.71, 10.3)],  # the cap reaches 0.5 mm, the tip 0.2 mm
)
def test_a_cap_counts_as_far_as_the_tip_meets_it(bench, away, height):
    assert needed(bench, (5, 5, 9, 5), dot(7, 5 + away)) == approx(height)


def test_the_highest_of_several_counts_and_what_lies_behind_the_end_does_not(bench):
    large = dot(7, 5, 8 * CAP_UL)  # twice as wide and as high
    assert needed(bench, (5, 5, 9, 5), dot(6, 5), large) == approx(10.0 + 0.8 + 0.3)
    assert needed(bench, (2, 5, 5.5, 5), dot(6.3, 5)) == approx(10.3)


def test_a_bead_counts_along_all_its_length(bench):
    volume_ul = 10.0 * pi / 4 * 0.4 * 0.5**2  # V = L·π/4·s·w² with w = 0.5
    bead = ExpectedDeposit(
        kind=DepositKind.BEAD, points_mm=((5, 5), (15, 5)), volume_ul=volume_ul, pad_ids=("B",)
    )
    assert needed(bench, (9.9, 3, 9.9, 8), bead) == approx(10.0 + 0.2 + 0.3)
    assert needed(bench, (16, 3, 16, 8), bead) == approx(10.3)


@pytest.mark.parametrize(
    "way",
    [
        (5, 5, 18, 5),  # longer than the profile's reach
        (0.5, 5, 4, 5),  # begins nearer to the edge than clamps may stand
        (5, 5, 5, 20 - EDGE_MM / 2),
        (-3, 5, 4, 5),  # off the board
        (5, 9, 9, 9),  # over a part that gets no paste
    ],
)
def test_over_what_is_unknown_the_full_height_holds(bench, way):
    part = ReadEmpty(board=0, low_mm=(6.0, 8.0), high_mm=(8.0, 10.0))
    assert needed(bench, way, dot(7, 5), empty=(part,)) == FULL


def test_a_bow_under_the_hop_lifts_it(bench):
    bump = ReadGround(
        z_mm=10.0,
        mesh_x_mm=np.array([100.0, 107.0, 130.0]),
        mesh_y_mm=np.array([100.0, 120.0]),
        dz_mm=np.array([[0.0, 0.6, 0.0], [0.0, 0.6, 0.0]]),
    )
    # From x 5 to 9 the crest at 7 lies half way, where one of the looks is.
    assert needed(bench, (5, 5, 9, 5), ground=bump) == approx(10.0 + 0.6 + 0.3)


def test_without_a_reach_every_travel_keeps_the_full_height(bench):
    assert needed(replace(bench, bed=replace(bench.bed, hop_reach_mm=0.0)), (5, 5, 9, 5)) == FULL


# -- the demo's program broken on purpose ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def plan():
    return plan_of(Side.TOP)


def low_lifts(plan):
    """Lines that lift the tip for a low hop, with their height."""
    full = plan.profile.travel_z_mm
    found = []
    for row, line in enumerate(plan.program.text.splitlines()):
        match = re.match(r"G1 Z([\d.]+)", line)
        if match and plan.profile.bed.board_z_mm + 0.45 < float(match[1]) < full - 0.01:
            found.append((row, float(match[1])))
    return found


def judged(plan, lines, expected=None):
    return verify("\n".join(lines) + "\n", expected or expected_from_plan(plan.record), plan.profile)


def kinds_of(verdict):
    return {finding.kind for finding in verdict.findings}


def test_most_of_the_demo_is_hopped_over_low(plan):
    assert len(low_lifts(plan)) > 0.8 * len(plan.layout.deposits)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_hop_lowered_into_the_paste_is_noticed(plan, share):
    lifts = low_lifts(plan)
    row, z = lifts[int(share * len(lifts))]
    lines = plan.program.text.splitlines()
    lines[row] = lines[row].replace(f"Z{z:.3f}", f"Z{z - 0.1:.3f}")  # the gap is kept no more
    assert FindingKind.LOW_TRAVEL in kinds_of(judged(plan, lines))


def test_a_neighbour_that_stands_higher_than_planned_is_noticed(plan):
    expected = expected_from_plan(plan.record)
    few = [structs.replace(one, volume_ul=8 * one.volume_ul) for one in expected.deposits]
    found = judged(plan, plan.program.text.splitlines(), replace(expected, deposits=tuple(few)))
    assert FindingKind.LOW_TRAVEL in kinds_of(found)


def test_a_low_hop_through_the_zone_of_a_part_is_noticed(plan):
    expected = expected_from_plan(plan.record)
    places = [one.points_mm[0] for one in expected.deposits]
    x, y = np.mean(places, axis=0)
    part = ReadEmpty(board=0, low_mm=(x - 5, y - 5), high_mm=(x + 5, y + 5))
    verdict = judged(plan, plan.program.text.splitlines(), replace(expected, empty=(part,)))
    assert FindingKind.LOW_TRAVEL in kinds_of(verdict)


def test_a_low_hop_over_a_bow_that_was_not_planned_for_is_noticed(plan):
    """The board is bowed up by a millimetre: the tip also comes too near where it lays, which other rules tell."""
    expected = expected_from_plan(plan.record)
    (place,) = expected.tray.boards
    corner = np.array([plan.profile.bed.board_x_mm, plan.profile.bed.board_y_mm])
    mesh = [np.array([at, at + size / 2, at + size]) for at, size in zip(corner, place.size_mm, strict=True)]
    ground = ReadGround(
        z_mm=plan.profile.bed.board_z_mm,
        mesh_x_mm=mesh[0],
        mesh_y_mm=mesh[1],
        dz_mm=np.array([[0.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.0]]),
    )
    bowed = replace(place, ground=ground, shift_mm=corner, on_bed=False)
    tray = replace(expected.tray, boards=(bowed,))
    verdict = judged(plan, plan.program.text.splitlines(), replace(expected, tray=tray))
    assert FindingKind.LOW_TRAVEL in kinds_of(verdict)

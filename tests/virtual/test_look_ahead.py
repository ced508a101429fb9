"""Corners without a stop: worked by hand, and what must hold on any path of moves."""

from itertools import pairwise
from math import inf, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.virtual import Manners, VirtualController
from pastewright.virtual.look_ahead import corner_speed
from pastewright.virtual.state import AxisLimit

LIMITS = {
    "X": AxisLimit(speed_mm_s=100.0, accel_mm_s2=500.0),
    "Y": AxisLimit(speed_mm_s=100.0, accel_mm_s2=500.0),
    "Z": AxisLimit(speed_mm_s=20.0, accel_mm_s2=200.0),
    "E": AxisLimit(speed_mm_s=5.0, accel_mm_s2=100.0),
}
JUNCTION_MM = 0.01


@pytest.mark.parametrize(
    ("first", "then", "by_hand"),
    [
        ({"X": 3.0}, {"X": 1.0}, inf),
        ({"X": 3.0}, {"X": -1.0}, 0.0),
        # 90°: sin 45° = 0.70711, R = 0.01·0.70711/0.29289 = 0.024142; a = 500·√2 along the bisector
        ({"X": 3.0}, {"Y": 1.0}, sqrt(500 * sqrt(2) * 0.024142)),
        # Z bears 200·√2 along the bisector of Z and X, X more
        ({"Z": -1.0}, {"X": 1.0}, sqrt(200 * sqrt(2) * 0.024142)),
        # 60° between them: sin 30° = 0.5, R = 0.01; the change of direction is √3 long, 1.5 of it along X
        ({"X": 1.0}, {"X": -0.5, "Y": sqrt(3) / 2}, sqrt(500 * sqrt(3) / 1.5 * 0.01)),
    ],
)
def test_the_speed_of_a_corner_worked_by_hand(first, then, by_hand):
    assert corner_speed(first, then, junction_mm=JUNCTION_MM, limits=LIMITS) == pytest.approx(
        by_hand, rel=1e-4
    )


def carried_out(lines, junction_mm, protocol="reprap"):
    """Return a controller in whose planner all lines are before the first of them ends, and when the last has."""
    controller = VirtualController(
        protocol,
        scale=1.0,
        manners=Manners(
            limits=LIMITS, junction_mm=junction_mm, planner_moves=100, command_lines=100, receive_bytes=10_000
        ),
    )
    controller.feed("".join(f"{line}\n" for line in lines).encode(), 0.0)
    now_s = 0.0
    while (next_s := controller.next_s(now_s)) is not None:
        now_s = next_s
        controller.take(now_s)
    controller.take(now_s + 1000.0)
    return controller


def seconds(lines, junction_mm):
    return carried_out([*lines, "M400"], junction_mm).executed[-1].machine_s


def test_moves_of_one_line_are_one_move():
    parts = ["M83", "G1 X4 F3000", "G1 X9", "G1 X30", "G1 X100"]
    assert seconds(parts, JUNCTION_MM) == pytest.approx(100 / 50 + 50 / 500)
    assert seconds(parts, None) > 100 / 50 + 3 * 50 / 500


def test_a_right_angle_is_taken_at_the_speed_of_its_corner():
    corner = corner_speed({"X": 1.0}, {"Y": 1.0}, junction_mm=JUNCTION_MM, limits=LIMITS)
    # Two legs of 50 mm at 50 mm/s; from a corner at v each ramp is (50 − v)/500 s long and (50² − v²)/1000 mm.
    by_hand = 2 * (50 / 500 + (50 - corner) / 500 + (50 - 2.5 - (50**2 - corner**2) / 1000) / 50)
    assert seconds(["G1 X50 F3000", "G1 Y50"], JUNCTION_MM) == pytest.approx(by_hand)


@pytest.mark.parametrize("between", ["G4 P0", "M400", "G4 P100"])
def test_a_wait_between_two_moves_is_a_stop(between):
    wait = 0.1 if between == "G4 P100" else 0.0
    assert seconds(["G1 X50 F3000", between, "G1 X100"], JUNCTION_MM) == pytest.approx(2.2 + wait)


def test_a_push_and_a_retraction_have_their_stop_between_them():
    lines = ["M83", "M302 P1", "G1 E1 F60", "G1 E-1"]
    assert seconds(lines, JUNCTION_MM) == pytest.approx(seconds(lines, None))


words = st.builds(
    lambda ways, feed: "G1 " + " ".join(f"{letter}{part:.3f}" for letter, part in ways.items()) + f" F{feed}",
    st.dictionaries(st.sampled_from("XYZE"), st.floats(-5, 5), min_size=1, max_size=3),
    st.integers(20, 6000),
)


@settings(deadline=None, max_examples=60)
@given(lines=st.lists(words, min_size=2, max_size=8))
def test_no_axis_is_quicker_than_it_can_be_and_all_end_where_they_would(lines):
    lines = ["M302 P1", "M83", "G91", "M83", *lines]
    plain, ahead = carried_out(lines, None), carried_out(lines, JUNCTION_MM)
    assert ahead.executed[-1].machine_s <= plain.executed[-1].machine_s + 1e-9
    assert ahead.state.axes_mm == pytest.approx(plain.state.axes_mm)
    assert ahead.state.plunger == pytest.approx(plain.state.plunger)
    begins = [0.0, *(done.machine_s for done in ahead.executed)]
    at = [(0.0, 0.0, 0.0, 0.0), *((*done.axes_mm, done.plunger) for done in ahead.executed)]
    for (begin, end), (one, other) in zip(pairwise(begins), pairwise(at), strict=True):
        for letter, came, went in zip("XYZE", one, other, strict=True):
            assert abs(went - came) <= LIMITS[letter].speed_mm_s * (end - begin) * (1 + 1e-9) + 1e-9


def test_in_the_middle_of_a_path_positions_are_those_of_its_speeds():
    controller = carried_out(["G1 X50 F3000", "G1 Y50"], JUNCTION_MM)
    whole = controller.executed[-1].machine_s
    controller = VirtualController(
        "reprap",
        scale=1.0,
        manners=Manners(limits=LIMITS, junction_mm=JUNCTION_MM),
    )
    controller.feed(b"G1 X50 F3000\nG1 Y50\n", 0.0)
    # Both legs are alike and mirrored: the corner is at half time, and a moment before and after it both go at its speed.
    corner = corner_speed({"X": 1.0}, {"Y": 1.0}, junction_mm=JUNCTION_MM, limits=LIMITS)
    moment = 1e-4
    controller.take(whole / 2 - moment)
    assert controller.state.axes_mm[:2] == pytest.approx((50 - corner * moment, 0.0), abs=1e-5)
    controller.take(whole / 2 + moment)
    assert controller.state.axes_mm[:2] == pytest.approx((50.0, corner * moment), abs=1e-5)

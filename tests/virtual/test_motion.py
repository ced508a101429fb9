"""Moves in time and in place: hand-worked cases, and what must hold for any move."""

from itertools import pairwise
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.virtual import VirtualController
from pastewright.virtual.pace import paced, stretch_of
from pastewright.virtual.state import AxisLimit

LIMITS = {
    "X": AxisLimit(speed_mm_s=100.0, accel_mm_s2=500.0),
    "Y": AxisLimit(speed_mm_s=50.0, accel_mm_s2=500.0),
    "E": AxisLimit(speed_mm_s=5.0, accel_mm_s2=100.0),
}


@pytest.mark.parametrize(
    ("way", "feed", "seconds", "by_hand_s"),
    [
        ({"X": 100.0}, 50.0, None, 2.1),  # 100/50 + 50/500
        ({"X": 100.0}, None, None, 1.2),  # 100/100 + 100/500
        ({"X": 5.0}, 50.0, None, 0.2),  # a triangle exactly: 2·√(5/500)
        ({"X": 30.0, "Y": 40.0}, None, None, 0.9),  # Y allows 50·50/40 = 62.5, 500·50/40 = 625: 50/62.5 + 0.1
        ({"X": 10.0, "E": 2.0}, 50.0, None, 0.45),  # E allows 5·10/2 = 25, 100·10/2 = 500: 10/25 + 25/500
        ({"E": 2.0}, 2.5, None, 0.825),  # alone: 2/2.5 + 2.5/100
        ({"X": 100.0}, None, 5.0, 5.0),  # inverse time, slow enough
        ({"X": 100.0}, None, 0.1, 1.2),  # inverse time, faster than the axis can
        ({}, 50.0, None, 0.0),
        ({"X": 0.0}, 50.0, None, 0.0),
    ],
)
def test_the_time_of_a_move_worked_by_hand(way, feed, seconds, by_hand_s):
    assert paced(stretch_of(way, feed=feed, seconds=seconds, limits=LIMITS)).seconds == pytest.approx(
        by_hand_s
    )


@given(
    length=st.floats(0.001, 500),
    feed=st.floats(0.1, 500),
    moments=st.lists(st.floats(0, 1), min_size=2, max_size=20),
)
def test_a_move_only_goes_forward_and_never_faster_than_told(length, feed, moments):
    limit = LIMITS["X"]
    went = paced(stretch_of({"X": length}, feed=feed, seconds=None, limits=LIMITS))
    times = sorted(moment * went.seconds for moment in moments)
    places = [length * went.share_done(time_s) for time_s in times]
    fastest = min(feed, limit.speed_mm_s, sqrt(length * limit.accel_mm_s2))
    for (begin_s, before), (end_s, after) in pairwise(zip(times, places, strict=True)):
        assert -1e-9 <= after - before <= fastest * (end_s - begin_s) * (1 + 1e-9) + 1e-9 * length
    assert went.share_done(went.seconds) == 1.0
    assert went.share_done(went.seconds / 2) == pytest.approx(0.5)  # it starts and ends alike


def run(protocol, text):
    """Return the state after a program, everything done."""
    controller = VirtualController(protocol)
    if protocol == "cnc":
        controller.feed(b"$X\n", 0.0)
    for line in text.splitlines():
        controller.feed(line.encode() + b"\n", 0.0)
    assert b"error" not in controller.take(0.0)
    return controller.state


@pytest.mark.parametrize("protocol", ["reprap", "cnc"])
@pytest.mark.parametrize(
    ("text", "axes_mm", "plunger"),
    [
        ("G21\nG90\nG1 X1 Y2 F60\nG1 X4 (note) Z5 ; more", (4, 2, 5), 0),
        ("G91\nG1 X1 F60\nG1 X1\nG90\nG1 Y3", (2, 3, 0), 0),
        ("G20\nG1 X1 Y2 F10\nG21\nG1 Z1", (25.4, 50.8, 1), 0),
        ("G1 X5 F60\nG92 X0\nG1 X1", (6, 0, 0), 0),
        ("G1 A90 F600\nG92 A0\nG1 A45", (0, 0, 0), 135),
        ("G20\nG1 A90 F600", (0, 0, 0), 90),  # inches are nothing to an axis that turns
        ("G20\nG1 U1 F600", (0, 0, 0), 25.4),
        ("G90\nG1 V2 F60\nG91\nG1 V-0.5 X1", (1, 0, 0), 1.5),
        ("N10 G1 X1 F60\nn20 g1 x2", (2, 0, 0), 0),
        ("G93\nG1 X3 F60\nG94\nG1 X4 F60", (4, 0, 0), 0),
        ("G0 X-.5 Y+1.25", (-0.5, 1.25, 0), 0),
    ],
)
def test_where_a_program_ends(protocol, text, axes_mm, plunger):
    if protocol == "reprap":  # there a line with a number needs its checksum
        text = text.replace("N10 ", "").replace("n20 ", "")
    state = run(protocol, text)
    assert state.axes_mm == pytest.approx(axes_mm)
    assert state.plunger == pytest.approx(plunger)


@pytest.mark.parametrize(
    ("text", "plunger"),
    [
        ("M83\nG1 E1 F60\nG1 E1\nG1 X5 E-0.25", 1.75),
        ("M82\nG1 E1 F60\nG1 E1\nG92 E0\nG1 E1", 2),
        ("M83\nG90\nG1 E1 F60\nG1 E1", 1),  # G90 takes E back to positions, as common firmware does
        ("G91\nM82\nG1 E1 X1 F60\nG1 E1 X1", 1),
    ],
)
def test_e_has_modes_of_its_own_on_printers(text, plunger):
    assert run("reprap", text).plunger == pytest.approx(plunger)


@pytest.mark.parametrize("scale", [0.0, 0.001, 0.5, 2.0])
def test_the_machine_time_of_a_program_does_not_depend_on_the_scale(quiet, scale):
    controller = VirtualController("reprap", scale=scale)
    controller.feed(b"G1 X100 F3000\nG4 P500\nG1 X0\nM400\n", 0.0)
    end_s, _ = quiet(controller, 0.0)
    # 50 mm/s, ramps of 50 ms (1000 mm/s²): 2.05 s each way, and half a second between.
    assert controller.executed[-1].machine_s == pytest.approx(4.6)
    assert end_s == pytest.approx(4.6 * scale)
    assert [done.text for done in controller.executed] == ["G1 X100 F3000", "G4 P500", "G1 X0", "M400"]
    assert [done.axes_mm[0] for done in controller.executed] == [100, 100, 0, 0]


def test_a_slow_wire_takes_its_time():
    from pastewright.virtual import Manners

    controller = VirtualController("reprap", scale=1.0, manners=Manners(baud=9600))
    greeting = b""
    assert controller.take(0.0) == b""
    assert controller.next_s(0.0) == pytest.approx(10 / 9600)  # start bit, 8 bits, stop bit
    greeting = controller.take(6 * 10 / 9600 + 1e-9)
    assert greeting == b"start\n"

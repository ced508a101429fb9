"""How far the plunger is after each line, and by the clock."""

import pytest

from pastewright.link.stroke import LinesOut, Punctuality, plunger_units, walk
from pastewright.link.words import Modal

LINES = (
    "G1 Z10.2 F600",  # 1.8 mm at 10 mm/s: 0.18 s
    "G1 E0.15 F60",  # 0.15 at 1 a second: 0.15 s
    "G1 X30 Y10 E0.6 F300",  # 20 mm at 5 mm/s: 4 s
    "G4 P500",
    "G92 E0",
    "G1 E-0.2 F60",  # 0.2 s
)
BEFORE = Modal(absolute=True, motion=1, place={"X": 10.0, "Y": 10.0, "Z": 12.0, "E": 0.0}, units_mm=1.0)


def test_lines_take_their_way_over_their_feed_and_a_new_name_moves_nothing():
    steps = walk(LINES, BEFORE, "E")
    assert [step.units for step in steps] == pytest.approx([0.0, 0.15, 0.45, 0.0, 0.0, -0.2])
    assert [step.seconds for step in steps] == pytest.approx([0.18, 0.15, 4.0, 0.5, 0.0, 0.2])
    assert plunger_units(LINES, BEFORE, "E") == pytest.approx(0.4)
    assert [step.waits for step in steps] == [False, False, False, True, False, False]
    assert walk(["G4 P0.5"], BEFORE, "A", reprap=False)[0][1] == pytest.approx(0.5)


def by_the_clock(stroke, now_s):
    """Where the plunger most likely is, of all that is out."""
    return stroke.stood(now_s, now_s, Punctuality())[0]


def test_what_is_out_is_counted_and_the_clock_tells_how_far_it_came():
    stroke = LinesOut(walk(LINES, BEFORE, "E"))
    assert (stroke.counted, stroke.unsent, stroke.out) == pytest.approx((0.4, 0.4, 0))
    stroke.went_out(3, 100.0)  # the strip is out, the retraction not
    assert (stroke.out, stroke.unsent) == pytest.approx((3, -0.2))
    assert by_the_clock(stroke, 100.1) == 0.0
    assert by_the_clock(stroke, 100.18 + 0.05) == pytest.approx(0.05)
    assert by_the_clock(stroke, 100.33 + 2.0) == pytest.approx(0.15 + 0.225)
    assert by_the_clock(stroke, 200.0) == pytest.approx(0.6)
    stroke.went_out(0, 110.0)
    assert stroke.unsent == 0.0
    assert by_the_clock(stroke, 110.5 + 0.1) == pytest.approx(0.6 - 0.1)


def test_rapids_and_inverse_time_take_what_they_say():
    before = Modal(absolute=True, motion=1, place={"X": 0.0, "Y": 0.0, "Z": 5.0, "A": 0.0}, units_mm=1.0)
    cnc = walk(["G0 X30", "G93 G1 X0 A1 F30"], before, "A", reprap=False)
    assert [step.seconds for step in cnc] == pytest.approx([0.0, 2.0])  # 1/30 of a minute
    assert walk(["G0 X30 F600"], before, "A")[0].seconds == pytest.approx(3.0)  # printers go at F with G0 too


def under_way():
    """Lines of 0.18 s, 0.15 s and 4 s that went out at 100 s; the first was acknowledged at 100.02 s, all at 100.05 s."""
    stroke = LinesOut(walk(LINES, BEFORE, "E"))
    stroke.went_out(0, 100.0)
    stroke.answered(1, 100.02)
    stroke.answered(3, 100.05)
    return stroke


def test_where_the_clock_is_not_known_to_hold_a_dead_stop_may_be_anywhere():
    best, low, high = under_way().stood(102.0, 102.2, Punctuality())
    assert (low, high) == pytest.approx((0.0, 0.6))  # of all lines that went out
    assert low <= best <= high
    waited = under_way()
    waited.answered(4, 104.9)  # the wait is answered: all before it has ended
    assert waited.stood(104.9, 105.0, Punctuality())[1:] == pytest.approx((0.4, 0.6))


def test_a_punctual_machine_stands_where_the_clock_and_its_report_have_it():
    punctual = Punctuality(kept=True, lag_s=0.1)
    # At the latest 102.2 - 100.33 s on the third line, at the earliest 102 - 0.14 (the lag and a little) - 100.37.
    _, low, high = under_way().stood(102.0, 102.2, punctual)
    assert high == pytest.approx(0.15 + 0.45 * 1.87 / 4)
    assert low == pytest.approx(0.15 + 0.45 * (102.0 - 0.14 - 100.35) / 4, abs=0.45 * 0.03 / 4)
    told = under_way()
    told.told(0.33, 102.0)
    best, low, high = told.stood(102.0, 102.1, punctual)
    assert low == pytest.approx(0.33, abs=0.011)  # 2 % of the push for the rounding of reports
    assert high == pytest.approx(0.33 + 0.45 * 0.15 / 4, abs=0.011)
    assert low <= best <= high
    told.told(37.0, 102.05)  # garbled
    assert told.stood(102.0, 102.1, punctual)[1] < 0.33


def test_a_barrier_or_a_report_tells_whether_the_machine_keeps_time():
    late, early, on_its_way = Punctuality(), Punctuality(), Punctuality()
    over = under_way()
    over.answered(6, 105.0)  # the wait has ended by then, and the retraction takes another 0.2 s
    late.passed(over, 105.3)
    assert (late.kept, late.lag_s) == (True, pytest.approx(0.1))
    early.passed(under_way(), 101.0)
    assert early.kept is False
    early.passed(under_way(), 105.3)
    assert early.kept is False  # one that only pretends to move is not believed again
    on_its_way.told(under_way(), 0.15 + 0.225, 102.4)  # due at 102.33
    assert (on_its_way.kept, on_its_way.lag_s) == (True, pytest.approx(0.07))
    on_its_way.told(under_way(), 0.15 + 0.225, 101.0)
    assert on_its_way.kept is False

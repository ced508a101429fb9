"""How far the plunger is after each line, and by the clock."""

import pytest

from pastewright.link.stroke import LinesOut, plunger_units, walk
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
    assert [units for units, _ in steps] == pytest.approx([0.0, 0.15, 0.45, 0.0, 0.0, -0.2])
    assert [seconds for _, seconds in steps] == pytest.approx([0.18, 0.15, 4.0, 0.5, 0.0, 0.2])
    assert plunger_units(LINES, BEFORE, "E") == pytest.approx(0.4)
    assert walk(["G4 P0.5"], BEFORE, "A", reprap=False)[0][1] == pytest.approx(0.5)


def test_what_is_out_is_counted_and_the_clock_tells_how_far_it_came():
    stroke = LinesOut(walk(LINES, BEFORE, "E"))
    assert (stroke.counted, stroke.unsent, stroke.out) == pytest.approx((0.4, 0.4, 0))
    stroke.went_out(3, 100.0)  # the strip is out, the retraction not
    assert (stroke.out, stroke.unsent) == pytest.approx((3, -0.2))
    assert stroke.by_the_clock(100.1, 3) == 0.0
    assert stroke.by_the_clock(100.18 + 0.05, 3) == pytest.approx(0.05)
    assert stroke.by_the_clock(100.33 + 2.0, 3) == pytest.approx(0.15 + 0.225)
    assert stroke.by_the_clock(200.0, 3) == pytest.approx(0.6)
    assert stroke.by_the_clock(200.0, 2) == pytest.approx(0.15)  # the third was never acknowledged
    stroke.went_out(0, 110.0)
    assert stroke.unsent == 0.0
    assert stroke.by_the_clock(110.5 + 0.1, 6) == pytest.approx(0.6 - 0.1)

"""The probing program: free places, ways round tall parts, safe heights, and what an interpreter makes of it."""

from dataclasses import replace
from itertools import pairwise
from math import dist

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from shapely.geometry import LineString, Point, Polygon, box

from pastewright.place.fiducials.offset import OffsetSpot, camera_offset
from pastewright.place.height.probe import ROUND_PART_MM, probing, typed_keep_out, way_round
from pastewright.place.transform import affine
from pastewright.problems import InputError
from pastewright.profile.model import ProbeSettings, ProbeWord
from pastewright.program.probing import probing_program
from pastewright.records.placement import Zone

settings.register_profile("place", deadline=None, max_examples=40)
settings.load_profile("place")

HERE = affine(shift_mm=(100.0, 100.0))
TALL = Zone(
    name="part at 10, 6",
    x_from_mm=10,
    y_from_mm=6,
    x_to_mm=16,
    y_to_mm=15,
    height_mm=None,
    margin_mm=ROUND_PART_MM,
)
LOW = structs.replace(TALL, height_mm=0.5)


def journey_of(program):
    """Follow the lines of a probing program: (x, y, z) after each, and what the line is."""
    x = y = z = None
    for line in program.text.splitlines():
        words = {word[0]: word[1:] for word in line.split() if word[0] in "GXYZF"}
        if line.startswith(("G0", "G1 ", "G38.2", "G30")):
            x, y = float(words.get("X", x or 0)), float(words.get("Y", y or 0))
            z = float(words["Z"]) if "Z" in words else z
            yield line.split()[0], x, y, z


def test_a_grid_is_probed_inside_the_board_and_beside_its_holes(small, profile):
    journey = probing(small, HERE, profile, columns=4, rows=3)
    assert len(journey.stops) == 12
    for stop in journey.stops:
        x, y = stop.at_mm[0] - 100, stop.at_mm[1] - 100
        assert 2 - 1e-9 <= x <= 28 + 1e-9 and 2 - 1e-9 <= y <= 18 + 1e-9
        assert dist((x, y), (2.5, 10)) >= 1.1 + 0.6 - 1e-3


def test_no_place_lies_on_a_part(small, profile):
    journey = probing(small, HERE, profile, columns=5, rows=5, zones=[TALL])
    part = box(10, 6, 16, 15)
    for stop in journey.stops:
        assert part.distance(Point(stop.at_mm[0] - 100, stop.at_mm[1] - 100)) >= 1.5 - 1e-3
    assert len(journey.stops) + len(journey.left_out) == 25


@pytest.mark.parametrize("turn", [0, 30])
def test_travels_at_travel_height_go_round_tall_parts(small, profile, turn):
    where = affine(turn_deg=turn, shift_mm=(100, 100))
    journey = probing(small, where, profile, columns=2, rows=1, zones=[TALL])
    part = Polygon([where.point(p) for p in ((10, 6), (16, 6), (16, 15), (10, 15))])
    first, second = journey.stops
    assert second.by_mm and not second.over
    assert LineString([first.at_mm, *second.by_mm, second.at_mm]).distance(part) > 2.4
    assert LineString([first.at_mm, second.at_mm]).intersects(part)
    # A part that the travel clears is flown over.
    low = probing(small, where, profile, columns=2, rows=1, zones=[LOW])
    assert low.stops[1].by_mm == () and not low.stops[1].over


def test_the_way_round_a_box_is_the_shortest():
    wall = box(2, -1, 4, 5)
    by = way_round((0, 0), (6, 0), [wall])
    # By hand: under the box, past its two lower corners.
    assert by == ((2.0, -1.0), (4.0, -1.0))
    assert way_round((0, 6), (6, 6), [wall]) == ()
    assert way_round((3, 0), (6, 0), [wall]) is None


@given(
    st.lists(
        st.tuples(st.integers(0, 80), st.integers(0, 80), st.integers(2, 20), st.integers(2, 20)), max_size=4
    )
)
def test_no_way_crosses_a_wall(boxes):
    walls = [box(x, y, x + w, y + h) for x, y, w, h in boxes]
    by = way_round((-5.0, -5.0), (110.0, 105.0), walls)
    assert by is not None
    line = LineString([(-5, -5), *by, (110, 105)])
    for wall in walls:
        assert not line.crosses(wall.buffer(-1e-3))
    assert line.length <= 115 + 110 + 1e-9


def test_heights_are_safe(small, profile):
    journey = probing(small, HERE, profile, zones=[TALL])
    program = probing_program(journey, profile, board="trial")
    assert journey.safe_z_mm == profile.machine.z_max_mm  # nobody said how tall the part is
    lines = list(journey_of(program))
    assert lines[0][0] == "G0" and lines[0][3] == journey.safe_z_mm
    low_places = []
    for before, after in pairwise(lines):
        if (before[1], before[2]) != (after[1], after[2]):
            # Sideways only at travel height or above, and at neither end lower.
            assert before[3] >= profile.travel_z_mm and after[3] == before[3]
        if after[0] == "G38.2":
            low_places.append((after[1], after[2]))
            assert after[3] == profile.bed.board_z_mm - profile.probe.below_mm
    assert low_places == [pytest.approx(stop.at_mm, abs=1e-3) for stop in journey.stops]
    assert lines[-1][1:3] == (profile.bed.park_x_mm, profile.bed.park_y_mm)
    assert lines[-1][3] == journey.safe_z_mm
    told = probing(small, HERE, profile, zones=[structs.replace(TALL, height_mm=9.0)])
    assert told.safe_z_mm == profile.bed.board_z_mm + 10.0


def test_the_program_reads_well_to_the_interpreter(small, ngc):
    from pastewright.profile.model import DialectName
    from pastewright.readback.text.interpret import interpret

    program = probing_program(probing(small, HERE, ngc, zones=[TALL]), ngc, board="trial")
    assert ngc.controller.dialect is DialectName.NGC
    # The read-back knows no probing; all other words of the program are known to it.
    without = "\n".join(line.replace("G38.2", "G1") for line in program.text.splitlines())
    reading = interpret(without, ngc.controller, plunger_letter=ngc.plunger.letter)
    assert reading.findings == () or list(reading.findings) == []


def test_a_probe_beside_the_tip_moves_the_head(small, profile):
    beside = replace(profile, probe=ProbeSettings(offset_x_mm=20, offset_y_mm=-5, offset_z_mm=1.5))
    journey = probing(small, HERE, beside)
    first = next(
        line for line in journey_of(probing_program(journey, beside, board="x")) if line[0] == "G38.2"
    )
    assert first[1:3] == pytest.approx(
        (journey.stops[0].at_mm[0] - 20, journey.stops[0].at_mm[1] + 5), abs=1e-3
    )
    # It hangs 1.5 mm below the tip: all is higher by as much.
    assert first[3] == beside.bed.board_z_mm + 1.5 - 1.0
    assert journey.travel_z_mm == beside.travel_z_mm + 1.5


def test_the_single_probe_word_is_used_where_the_profile_says(small, profile, ngc):
    single = replace(profile, probe=ProbeSettings(word=ProbeWord.SINGLE))
    text = probing_program(probing(small, HERE, single), single, board="x").text
    assert text.count("\nG30\n") == 9 and "G38" not in text
    wrong = replace(ngc, probe=ProbeSettings(word=ProbeWord.SINGLE))
    with pytest.raises(InputError, match="stored place"):
        probing_program(probing(small, HERE, wrong), wrong, board="x")


def test_what_cannot_be_probed_is_refused(small, profile):
    with pytest.raises(InputError, match="places are free"):
        probing(
            small,
            HERE,
            profile,
            zones=[structs.replace(TALL, x_from_mm=-5, y_from_mm=-5, x_to_mm=40, y_to_mm=30)],
        )
    with pytest.raises(InputError, match="out of reach"):
        probing(small, affine(shift_mm=(-50, 0)), profile)
    with pytest.raises(InputError, match="0 × 3"):
        probing(small, HERE, profile, columns=0)
    with pytest.raises(InputError, match="tallest part"):
        probing(small, HERE, profile, zones=[structs.replace(TALL, height_mm=500.0)])


def test_keep_outs_are_typed():
    assert typed_keep_out("16,15,10,6") == TALL
    assert typed_keep_out("10,6,16,15,0.5") == LOW
    for word in ("1,2,3", "a,b,c,d", "1,2,3,4,-1", "1,2,3,inf", ""):
        with pytest.raises(InputError, match="keep-out"):
            typed_keep_out(word)


# The camera's offset.


def test_the_offset_is_touch_less_look():
    spots = [
        OffsetSpot(touch_mm=(10, 10), look_mm=(40, 12)),
        OffsetSpot(touch_mm=(50, 60), look_mm=(80.04, 62.02)),
    ]
    found = camera_offset(spots)
    assert found.offset_mm == pytest.approx((-30.02, -2.01))
    assert found.off_mm == pytest.approx((0.02236, 0.02236), abs=1e-5)
    # By hand: Σr² = 0.001, over 2·2 − 2 = 2 for a coordinate, over 2 spots for the mean.
    assert found.error_mm == pytest.approx((0.001 / 2 / 2) ** 0.5)


def test_one_spot_says_that_it_cannot_show_a_mistake():
    found = camera_offset([OffsetSpot(touch_mm=(1, 2), look_mm=(3, 4))])
    assert found.error_mm is None and "cannot show a mistake" in found.warnings[0]


@pytest.mark.parametrize(
    ("spots", "says"),
    [
        ([], "no spot"),
        ([((1, 2), (float("nan"), 0))], "spot 1 has a coordinate that is no number"),
        ([((0, 0), (30, 0)), ((9, 9), (39, 9)), ((5, 5), (35, 6))], "spot 3 gives an offset 1.000 mm"),
        ([((0, 0), (30, 0)), ((9, 9), (40, 9))], "1.000 mm apart"),
        ([((0, 0), (3000, 0))], "3000 mm from the tip"),
    ],
)
def test_spots_that_contradict_are_named(spots, says):
    with pytest.raises(InputError, match=says):
        camera_offset([OffsetSpot(touch_mm=a, look_mm=b) for a, b in spots])

"""Programs of a few lines that can be worked in the head."""

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pastewright.profile.model import DialectName, PlungerUnit
from pastewright.readback.machine.timeline import plunger_mm_per_unit, timeline
from pastewright.readback.model import FindingKind as Kind
from pastewright.readback.text.interpret import interpret


def read(profile, text):
    return interpret(text, profile.controller, plunger_letter=profile.plunger.letter)


def moves(profile, text):
    reading = read(profile, text)
    return timeline(reading.table, reading.arcs, profile)


def kinds(profile, text):
    return [finding.kind for finding in read(profile, text).findings]


@pytest.fixture
def reprap(bench_profile):
    return bench_profile


@pytest.fixture
def ngc(bench_profile):
    return replace(
        bench_profile,
        controller=replace(bench_profile.controller, dialect=DialectName.NGC),
        plunger=replace(bench_profile.plunger, letter="A", unit=PlungerUnit.DEGREE),
    )


HEAD = "G21\nG90\nM83\nG1 Z20 F600\nG1 X0 Y0 F6000\n"
NGC_HEAD = "G21 G90 G94 G17 G54\nG92 A0\nG0 Z20\nG0 X0 Y0\n"


# -- positions and distances -------------------------------------------------------------------------------


def test_positions_and_distances_of_the_plunger(reprap):
    text = HEAD + "G1 E0.1 F6\nG1 E0.1\nM82\nG92 E0\nG1 E0.3\nG1 E0.3\n"
    assert moves(reprap, text).plunger_mm[3:] == pytest.approx([0.1, 0.2, 0.5])


def test_g91_takes_x_along_but_not_a_stated_plunger(reprap):
    text = HEAD + "G91\nM82\nG92 E0\nG1 X3 E0.1 F600\nG1 X3 E0.2\n"
    got = moves(reprap, text)
    assert got.end_mm[-1].tolist() == [6, 0, 20]
    assert got.plunger_mm[-1] == pytest.approx(0.2)


def test_after_g90_the_plunger_needs_its_mode_again(reprap):
    assert kinds(reprap, HEAD + "G90\nG1 E0.1 F6\n") == [Kind.STATE]
    assert kinds(reprap, HEAD + "G90\nM83\nG1 E0.1 F6\n") == []


def test_in_ngc_the_plunger_follows_g90_and_g91(ngc):
    text = NGC_HEAD + "G1 A360 F360\nG91 G1 A360\nG90 G1 A360\n"
    got = moves(ngc, text)
    assert got.plunger_mm[2:] == pytest.approx(
        [0, 1 / 50, 2 / 50, 1 / 50]
    )  # 50 motor turns per 1 mm of screw


def test_offsets_shift_what_words_mean(reprap):
    text = HEAD + "G1 X10\nG92 X0\nG1 X5\nG92.1\nG1 X5\n"
    assert moves(reprap, text).end_mm[-3:, 0].tolist() == [10, 15, 5]


def test_inches_scale_lengths_but_not_turning_letters(ngc):
    got = moves(ngc, NGC_HEAD + "G20\nG1 X1 A360 F10\n")
    assert got.end_mm[-1, 0] == pytest.approx(25.4)
    assert got.plunger_mm[-1] == pytest.approx(1 / 50)


def test_units_signs_and_gears_of_the_plunger(bench_profile):
    """One mm of screw is 50 turns of the motor; 100 mm² make 1 µL out of 0.01 mm."""
    for unit, mm in (
        (PlungerUnit.MM, 1),
        (PlungerUnit.UL, 0.01),
        (PlungerUnit.TURN, 1 / 50),
        (PlungerUnit.DEGREE, 1 / 50 / 360),
    ):
        for sign in (1, -1):
            drive = replace(bench_profile.plunger, unit=unit, sign=sign)
            assert plunger_mm_per_unit(replace(bench_profile, plunger=drive)) == pytest.approx(sign * mm)


def test_the_motor_stands_on_whole_microsteps(reprap):
    """One microstep is 1/(200·16·50) mm = 6.25 nm; the position is rounded, so errors never add up."""
    step = 1 / 160_000
    got = moves(reprap, HEAD + "G1 E0.0000031 F1\nG1 E0.0000031\nG1 E0.0000031\n")
    assert got.plunger_mm[-1] == pytest.approx(step)  # 9.3 nm is nearest to one step
    assert got.plunger_mm[-3] == 0


# -- F ---------------------------------------------------------------------------------------------------------


def test_f_is_the_path_of_xyz_when_one_of_them_moves(reprap):
    got = moves(reprap, HEAD + "G1 X30 Y40 E0.01 F600\n")
    assert got.path_mm[-1] == 50
    assert got.speed_mm_s[-1] == 10


def test_f_is_the_plunger_when_it_moves_alone(reprap, ngc):
    assert moves(reprap, HEAD + "G1 E1 F30\n").speed_mm_s[-1] == pytest.approx(0.5)
    # 360 °/min is one motor turn a minute, 1/50 mm a minute.
    assert moves(ngc, NGC_HEAD + "G1 A36 F360\n").speed_mm_s[-1] == pytest.approx(1 / 50 / 60)


def test_inverse_time_is_one_over_minutes(ngc):
    """F4 in G93: a quarter of a minute. 30 mm in 15 s are 2 mm/s."""
    got = moves(ngc, NGC_HEAD + "G93 G1 X30 A36 F4\n")
    assert got.speed_mm_s[-1] == pytest.approx(2)


def test_inverse_time_wants_f_on_every_move(ngc):
    assert kinds(ngc, NGC_HEAD + "G93 G1 X30 F4\nX0\nM2\n") == [Kind.SYNTAX]
    # and the old F is gone when G94 comes back
    assert kinds(ngc, NGC_HEAD + "G1 X1 F100\nG93 X30 F4\nG94 X0\nM2\n") == [Kind.STATE]


def test_g0_feeds_in_reprap_and_races_in_ngc(reprap, ngc):
    assert moves(reprap, HEAD + "G0 X30 F600\n").speed_mm_s[-1] == 10
    got = moves(ngc, NGC_HEAD + "G1 X10 F60\nG0 X30\n")
    assert np.isinf(got.speed_mm_s[-1])
    assert got.duration_s[-1] == pytest.approx(20 / 100 + 100 / 1000)  # D/v + v/a


def test_a_move_without_f_is_a_finding(reprap):
    assert kinds(reprap, "G21\nG90\nG1 Z20\n") == [Kind.STATE]


# -- time --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("id_", ["trap-move-50", "trap-move-2"])
def test_trapezoid_times(check_value, reprap, id_):
    case = check_value(id_)
    speed, accel = case.of("vmax", "mm/s"), case.of("accel", "mm/s2")
    machine = replace(reprap.machine, speed_xy_mm_s=speed, accel_xy_mm_s2=accel)
    got = moves(replace(reprap, machine=machine), HEAD + f"G1 X{case.of('distance', 'mm')} F{speed * 60}\n")
    assert case.agrees(float(got.duration_s[-1])), case.source


def test_the_slowest_axis_sets_the_pace(reprap):
    """Z goes 30 of 50 mm: 20 mm/s of Z allow 33.3 mm/s of path; 200 mm/s² allow 333."""
    got = moves(reprap, HEAD + "G1 X40 Z50 F6000\n")
    speed = 20 * 50 / 30
    assert got.over[-1, 2] == pytest.approx(100 / speed)
    assert got.duration_s[-1] == pytest.approx(50 / speed + speed / (200 * 50 / 30))


def test_dwell_is_milliseconds_here_and_seconds_there(reprap, ngc):
    assert moves(reprap, HEAD + "G4 P500\n").duration_s[-1] == 0.5
    assert moves(reprap, HEAD + "G4 S2\n").duration_s[-1] == 2
    assert moves(ngc, NGC_HEAD + "G4 P0.5\n").duration_s[-1] == 0.5


# -- arcs --------------------------------------------------------------------------------------------------------


def test_the_arc_of_the_standard(check_value, ngc):
    centre, radius = check_value("arc-centre"), check_value("arc-radius")
    reading = read(ngc, NGC_HEAD + "G1 X7 Y7 F100\nG17 G2 X10 Y16 I3 J4 Z9\nM2\n")
    (arc,) = reading.arcs.values()
    assert centre.agrees(list(arc.centre_mm)), centre.source
    assert radius.agrees(arc.radius_mm), radius.source
    assert arc.turn_rad < 0


def test_a_quarter_circle_is_a_quarter_circle_long(reprap):
    got = moves(reprap, HEAD + "G17\nG1 X10\nG3 X0 Y10 I-10 J0 F600\n")
    assert got.path_mm[-1] == pytest.approx(pi / 2 * 10)
    (arc,) = got.arcs.values()
    assert all(x**2 + y**2 == pytest.approx(100) for x, y, _ in arc.points_mm)


def test_a_negative_radius_goes_the_long_way(ngc):
    (short,) = read(ngc, NGC_HEAD + "G2 X2 R2 F100\nM2").arcs.values()
    (long,) = read(ngc, NGC_HEAD + "G2 X2 R-2 F100\nM2").arcs.values()
    assert short.turn_rad == pytest.approx(-pi / 3)
    assert long.turn_rad == pytest.approx(-5 * pi / 3)


# -- bad lines change nothing ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bad",
    [
        "G91 G1 X5 Q3",
        "G20 G1 X5 X6",
        "G92 X5 G1 X3",
        "G4 P1 G2 X5",
        "#1=3 G1 X[1/0]",
        "G91 G4 P-1",
        "G10 L2 P1 X9 G28",
    ],
)
def test_a_bad_line_changes_nothing(ngc, bad):
    plain = read(ngc, NGC_HEAD + "G1 X1 F60\nG1 X3 Y#2\nM2\n")
    broken = read(ngc, NGC_HEAD + f"G1 X1 F60\n{bad}\nG1 X3 Y#2\nM2\n")
    # By their text, since a place that nobody stated is nan, which equals nothing.
    assert repr([row[1:] for row in broken.rows]) == repr([row[1:] for row in plain.rows])
    assert len(broken.findings) > len(plain.findings)


def test_unknown_words_are_named(reprap):
    finding = read(reprap, HEAD + "G1 U3\n").findings[0]
    assert (finding.kind, finding.line) == (Kind.UNKNOWN_WORD, 6)
    assert "no axis U" in finding.what
    assert kinds(reprap, HEAD + "M104 S200\n") == [Kind.UNKNOWN_WORD]


def test_every_unstated_mode_is_named_once(ngc):
    what = " ".join(finding.what for finding in read(ngc, "G1 Z20 A3 F100\nG1 X1\nM2\n").findings)
    for word in ("G20 or G21", "G90", "G94 or G93", "G54", "G92 A0"):
        assert what.count(word) == 1
    assert "plane" in " ".join(f.what for f in read(ngc, "G0 Z1 X0 Y0\nG2 X1 R1 F9\nM2").findings)


def test_nothing_runs_below_the_end(ngc):
    reading = read(ngc, NGC_HEAD + "M2\nG1 X5 F60\n")
    assert len(reading.rows) == 2
    assert [finding.kind for finding in reading.findings] == [Kind.END]


def test_a_comment_before_a_line_below_the_end_does_not_hide_it(ngc):
    # A controller that has ended goes on with the next line that it is sent.
    reading = read(ngc, NGC_HEAD + "M2\n(done) (well) G1 Z-60 F60\n(only words) ; more\n")
    assert [finding.kind for finding in reading.findings] == [Kind.END]
    assert reading.findings[0].line == NGC_HEAD.count("\n") + 2
    assert read(ngc, NGC_HEAD + "M2\n(only words) ; more\n").findings == ()


@pytest.mark.parametrize("end", ["\x00", "\x0b", "\x0c", "\x18", "\x1e", "\x85", "\u2028", "\u2029", "\r"])
@pytest.mark.parametrize("comment", ["; up{}G1 Z-5 F60", "(up{}G1 Z-5 F60)", "G1 X1 F60 ; up{}G1 Z-5"])
def test_a_comment_that_some_reader_ends_before_its_line_is_a_finding(ngc, reprap, end, comment):
    text = NGC_HEAD + comment.format(end) + "\nM2\n"
    (finding,) = read(ngc, text).findings
    assert (finding.kind, finding.line) == (Kind.SYNTAX, NGC_HEAD.count("\n") + 1)
    assert Kind.SYNTAX in kinds(reprap, HEAD + f"M117 up{end}G1 Z-5\n")


def test_lines_may_end_as_on_other_systems_and_comments_hold_any_letters(ngc):
    assert read(ngc, NGC_HEAD.replace("\n", "\r\n") + "(größer, 5 µL)\r\nM2\r\n").findings == ()


def test_other_letters_than_e_are_plain_axes_of_printer_firmware(reprap):
    drive = replace(reprap.plunger, letter="U")
    text = "G21\nG90\nM83\nG92 U0\nG1 U1 F30\nG1 U1\n"  # M83 is about E; U keeps positions
    assert moves(replace(reprap, plunger=drive), text).plunger_mm[-1] == 1


@pytest.mark.parametrize("word", ["X1" + "0" * 12, "X" + "9" * 240, "F1" + "0" * 10])
def test_numbers_beyond_any_machine_are_refused(reprap, ngc, word):
    assert kinds(reprap, HEAD + f"G1 {word}\n") == [Kind.SYNTAX]
    assert kinds(ngc, NGC_HEAD + f"G1 {word}\nM2\n") == [Kind.SYNTAX]


# -- moves that are spelt alike ----------------------------------------------------------------------------

NUMBER = st.sampled_from(["1", "-2.5", "0", ".5", "3.", "1e3", "nan", "-", "1.2.3", "12345678901", "+4", ""])
WORD = st.tuples(st.sampled_from("XYZEAFGMSx"), NUMBER).map("".join)
MOVE = st.tuples(st.sampled_from(["G0", "G1", "G01", "G2", "g1", "G1.0"]), st.lists(WORD, max_size=4)).map(
    lambda move: " ".join([move[0], *move[1]])
)
LINE = MOVE | st.sampled_from(
    ["G91", "G90", "M82", "M83", "G93", "G94", "G20", "G92 X0", "G1 X5 5", "G1 X", "X3"]
)


@pytest.mark.parametrize("dialect", ["reprap", "ngc"])
@given(lines=st.lists(LINE, max_size=30))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_move_spelt_like_one_before_is_read_as_if_it_were_the_first(request, dialect, lines):
    profile = request.getfixturevalue(dialect)
    text = (HEAD if dialect == "reprap" else NGC_HEAD) + "".join(
        f"{line}\n" for each in lines for line in (each, each)
    )
    slowly = text.replace(
        " ", "  "
    )  # two blanks mean what one does, and are never taken for a spelling seen before
    quick, slow = read(profile, text), read(profile, slowly)
    assert repr(quick.rows) == repr(slow.rows)  # places not stated are nan, which equals nothing
    assert [(each.kind, each.line) for each in quick.findings] == [
        (each.kind, each.line) for each in slow.findings
    ]

"""Small journeys and the exact lines that they become, worked by hand; saved openings and headers."""

from dataclasses import replace

import pytest
from msgspec import structs
from programs_by_hand import BENCHES, HEADER, LABELS, NGC, NGC_TIMED, REPRAP, SMALL, changed

from pastewright.motion.model import Step
from pastewright.problems import InputError
from pastewright.profile.model import BeadFeed, DialectName, PlungerMode, PlungerUnit, Profile
from pastewright.program.dialects import LONGEST_LINE, plain
from pastewright.program.plunger_words import plunger_words
from pastewright.program.write import checksum, feed_text, write_program


def lines(profile: Profile) -> list[str]:
    return write_program(SMALL, profile, HEADER, LABELS).text.splitlines()


def commands(profile: Profile) -> list[str]:
    return [line for line in lines(profile) if line[0] not in ";("]


# --- the moves, worked by hand ----------------------------------------------------------------------------
# A microstep is 0.00025 mm; 40 of them are 0.01 mm, 1 µL on 100 mm², 4.5° of a motor with 0.8 mm a turn.


def test_a_dot_and_a_bead_in_relative_e_words() -> None:
    assert commands(REPRAP) == [
        "G21",
        "G90",
        "M83",
        "M302 P1",
        "G92 E0",
        "G0 Z12.000 F1200",  # straight up first: 20 mm/s
        "G0 X60.000 Y70.000 F6000",
        "G1 Z10.125 F1200",
        "G1 E0.01000 F6",  # 40 microsteps at 0.1 mm/s
        "G4 P250",  # milliseconds
        "G1 E-0.00750 F6",
        "G1 Z12.000 F1200",
        "G0 X62.500 Y70.000 F6000",
        "G1 Z10.200 F1200",
        "G1 E0.00500 F6",
        "G1 X64.500 Y70.000 E0.00400 F300",  # 5 mm/s of the tip
        "G1 X64.500 Y73.000 E0.00600 F300",
        "G4 P0",  # no running out of the bead into the retraction
        "G1 E-0.00500 F6",
        "G1 Z12.000 F1200",
        "G0 X5.000 Y5.000 F6000",
        "M400",
    ]


def test_a_dot_and_a_bead_with_a_rotary_plunger() -> None:
    assert commands(NGC) == [
        "G21 G90 G94",
        "G17 G40 G49 G80",
        "G54",
        "G61.1",
        "G92 A0",
        "G0 Z12.000",
        "G0 X60.000 Y70.000",
        "G1 Z10.125 F1200",
        "G1 A4.50 F2700",  # 40 of 3200 microsteps of a turn; 0.1 mm/s is 45 °/s
        "G4 P0.2500",  # seconds
        "G1 A1.12 F2700",  # 10 microsteps are 1.125°
        "G1 Z12.000 F1200",
        "G0 X62.500 Y70.000",
        "G1 Z10.200 F1200",
        "G1 A3.38 F2700",
        "G4 P0",
        "G1 X64.500 Y70.000 A5.18 F300",  # F is the tip's, as X and Y move
        "G1 X64.500 Y73.000 A7.88 F300",
        "G4 P0",
        "G1 A5.62 F2700",
        "G1 Z12.000 F1200",
        "G0 X5.000 Y5.000",
        "G92.1",
        "M2",
    ]


def test_a_bead_in_inverse_time_says_f_on_each_of_its_lines_and_goes_back_to_feed_per_minute() -> None:
    text = commands(NGC_TIMED)
    start = text.index("G93")
    assert text[start - 2 : start + 6] == [
        "G1 U0.00750 F6",
        "G4 P0",
        "G93",
        "G1 X64.500 Y70.000 U0.01150 F150",  # 2 mm at 5 mm/s are 0.4 s: 60 / 0.4 = 150
        "G1 X64.500 Y73.000 U0.01750 F100",  # 3 mm, 0.6 s
        "G94",
        "G4 P0",
        "G1 U0.01250 F6",
    ]
    assert text.count("G93") == text.count("G94") == 1  # and in the opening line, with G21 G90


def test_absolute_words_in_microlitres_name_positions() -> None:
    words = [line for line in commands(BENCHES["reprap-absolute"]) if "E" in line]
    # 0.025 µL a microstep; 0.1 mm/s are 10 µL/s.
    assert words == [
        "G92 E0",
        "G1 E1.000 F600",
        "G1 E0.250 F600",
        "G1 E0.750 F600",
        "G1 X64.500 Y70.000 E1.150 F300",
        "G1 X64.500 Y73.000 E1.750 F300",
        "G1 E1.250 F600",
    ]
    assert "M82" in commands(BENCHES["reprap-absolute"])


def test_numbers_and_checksums_as_printer_hosts_send_them() -> None:
    text = commands(BENCHES["reprap-checked"])
    # "N0 M110 N0*125" is what open-source printer hosts begin with (from memory).
    assert text[0] == "N0 M110 N0*125"
    for number, line in enumerate(text):
        body, star, told = line.rpartition("*")
        assert star and body.startswith(f"N{number} ")
        total = 0
        for byte in body.encode():
            total ^= byte
        assert int(told) == total == checksum(body)


def test_line_numbers_of_ngc_rise_by_one() -> None:
    text = commands(BENCHES["ngc-numbered"])
    assert [line.split()[0] for line in text] == [f"N{k}" for k in range(1, len(text) + 1)]
    assert not any("*" in line for line in text)


def test_numbers_beyond_what_the_standard_allows_are_left_out_and_that_is_said() -> None:
    # NISTIR 6556 section 3.3.3: N has at most five digits.
    long = replace(SMALL, moves=SMALL.moves[:1] + SMALL.moves[1:7] * 17_000, sections=())
    text = write_program(long, BENCHES["ngc-numbered"], HEADER, LABELS).text
    assert "\nN" not in text
    assert "(line numbers are left out" in text


# --- what is around the moves -----------------------------------------------------------------------------


@pytest.mark.parametrize("bench", ["reprap", "ngc"])
def test_the_header_says_what_the_program_is_for_and_how_not_to_be_hurt(bench: str) -> None:
    # A snapshot: words that the program chose, saved to show when they change.
    text = [line.strip("(); ") for line in lines(BENCHES[bench])]
    assert text[:8] == [
        "pastewright 0.1.0: solder paste for soil moisture logger, top side",
        "profile: bench by the window",
        "paste: SAC305, 85 percent metal, type 5",
        "tip: 25G, bore 0.26 mm, length 12.7 mm",
        "totals: 1.25 uL in 2 deposits on 3 pads, 1 min 15 s",
        "files sha256: " + "0" * 64,
        "profile sha256: " + "1" * 64,
        "SAFETY",
    ]
    head = " ".join(text[:16]).lower()
    for caution in (
        "home all axes first",
        "first run in the air",
        "stop",
        "pinch",
        "blunt",
        "fumes",
        "local rules",
    ):
        assert caution in head


def test_sections_and_pads_are_named_where_they_begin() -> None:
    text = lines(REPRAP)
    assert text[text.index("; --- settling strip") + 1] == "G0 Z12.000 F1200"
    dot = text.index("; pad R1-1 dot 0.2500 uL")
    assert text[dot - 1] == "; --- deposits"
    assert text[dot + 1] == "G0 X60.000 Y70.000 F6000"
    assert text[text.index("; --- park") + 1] == "G0 X5.000 Y5.000 F6000"


@pytest.mark.parametrize("bench", BENCHES)
def test_each_deposit_is_found_by_its_line(bench: str) -> None:
    program = write_program(SMALL, BENCHES[bench], HEADER, LABELS)
    text = program.text.splitlines()
    assert program.deposit_lines.keys() == {0, 1}
    for deposit, line in program.deposit_lines.items():
        assert LABELS[deposit] in text[line - 1]
        assert "G0" in text[line]


def test_the_file_is_named_after_its_language() -> None:
    assert write_program(SMALL, REPRAP, HEADER, LABELS).suffix == ".gcode"
    assert write_program(SMALL, NGC, HEADER, LABELS).suffix == ".ngc"


@pytest.mark.parametrize("bench", BENCHES)
def test_a_dry_run_says_so_and_names_no_plunger_but_to_zero_it(bench: str) -> None:
    still = [
        structs.replace(move, plunger_mm=0.0, z_mm=12.0)
        for move in SMALL.moves
        if move.step in (Step.RAISE, Step.TRAVEL, Step.DWELL, Step.LAY)
    ]
    profile = BENCHES[bench]
    program = write_program(
        replace(SMALL, moves=tuple(still), sections=(), dry=True), profile, HEADER, LABELS
    )
    text = program.text.splitlines()
    assert any("dry run: plunger still, tip lifted" in line for line in text)
    letter = profile.plunger.letter
    told = [line for line in text if line[0] not in ";(" and any(w[0] == letter for w in line.split())]
    assert len(told) == 1
    assert f"G92 {letter}0" in told[0]
    assert "dry run" not in write_program(SMALL, profile, HEADER, LABELS).text


def test_hostile_names_stay_inside_their_comment() -> None:
    nasty = "R1) M112 (\n;G0 Z-50 * µ% 電阻 " + "x" * 400
    for profile in BENCHES.values():
        header = replace(HEADER, board=nasty, profile=nasty, tip=nasty, paste=nasty)
        program = write_program(
            replace(SMALL, sections=((0, nasty),)), profile, header, {0: nasty, 1: "(MSG, (nested)"}
        )
        program.text.encode("ascii")
        clean = commands(profile)
        for line in program.text.splitlines():
            assert len(line) <= LONGEST_LINE
            if line.startswith("("):
                assert line.count("(") == line.count(")") == 1
                assert line.endswith(")")
            elif not line.startswith(";"):
                clean.remove(line)  # the commands are those of any other names
        assert clean == []


def test_plain_text_keeps_what_it_can() -> None:
    assert plain("0.5 µL (R1;\tC2)") == "0.5 uL [R1, C2]"


# --- numbers ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "gear", "per_mm", "decimals"),
    [
        (PlungerUnit.MM, 1.0, 1.0, 5),  # a microstep is 0.00025 mm
        (PlungerUnit.UL, 1.0, 100.0, 3),  # 100 mm² of barrel: 0.025 µL
        (PlungerUnit.TURN, 1.0, 1.25, 5),  # 0.8 mm a turn: 0.0003125 of a turn
        (PlungerUnit.DEGREE, 1.0, 450.0, 2),  # 0.1125°
        (
            PlungerUnit.DEGREE,
            5.0,
            2250.0,
            2,
        ),  # the motor turns five times as far; its microstep stays 0.1125°
        (PlungerUnit.MM, 5.0, 1.0, 6),  # 0.00005 mm
    ],
)
def test_the_number_behind_the_letter_counts_what_the_profile_says(
    unit: PlungerUnit, gear: float, per_mm: float, decimals: int
) -> None:
    for sign in (1, -1):
        profile = replace(REPRAP, plunger=replace(REPRAP.plunger, unit=unit, gear=gear, sign=sign))
        words = plunger_words(profile)
        assert words.per_mm == pytest.approx(sign * per_mm, rel=1e-12)
        assert words.decimals == decimals
        assert words.feed_per_min(0.5) == pytest.approx(30 * per_mm, rel=1e-12)


def test_a_plunger_that_pushes_towards_smaller_numbers_is_told_so() -> None:
    backwards = replace(REPRAP, plunger=replace(REPRAP.plunger, sign=-1))
    assert "G1 E-0.01000 F6" in commands(backwards)
    assert "G1 E0.00750 F6" in commands(backwards)


@pytest.mark.parametrize(
    ("feed", "text"),
    [
        (6, "6"),
        (1e-5, "0.00001"),
        (1e7, "10000000"),
        (1234.5678, "1234.57"),
        (0.1 + 0.2, "0.3"),
        (600.0, "600"),
    ],
)
def test_feeds_have_six_digits_and_no_exponent(feed: float, text: str) -> None:
    assert feed_text(feed) == text


@pytest.mark.parametrize("feed", [0.0, -1.0])
def test_a_move_without_speed_is_our_own_mistake(feed: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        feed_text(feed)


# --- benches that contradict themselves ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "profile",
    [
        changed(NGC, plunger_mode=PlungerMode.RELATIVE),
        changed(REPRAP, letter="A"),
        changed(REPRAP, bead_feed=BeadFeed.INVERSE_TIME),
    ],
)
def test_settings_that_no_line_can_express_are_refused(profile: Profile) -> None:
    with pytest.raises(InputError, match="Write"):
        write_program(SMALL, profile, HEADER, LABELS)


def test_a_letter_other_than_e_has_no_mode_of_its_own() -> None:
    other = changed(REPRAP, letter="A", plunger_mode=PlungerMode.ABSOLUTE)
    assert other.controller.dialect is DialectName.REPRAP
    assert not {"M82", "M83", "M302 P1"} & set(commands(other))
    assert "G92 A0" in commands(other)

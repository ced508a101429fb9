"""Profile files to profiles: units, defaults, and a message for everything that can be wrong."""

import hashlib
import tomllib
from math import inf, pi

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pastewright.board.model import PadKind
from pastewright.problems import InputError
from pastewright.profile.checks import NGC_LETTERS
from pastewright.profile.doubts import profile_warnings
from pastewright.profile.examples import example_names, example_text
from pastewright.profile.keys import KEYS, SECTIONS, KeyKind, KeyNeed, key_at
from pastewright.profile.model import (
    BeadFeed,
    DialectName,
    PlungerMode,
    PlungerUnit,
    Profile,
)
from pastewright.profile.new import profile_text
from pastewright.profile.read import parse_profile, read_profile

DEMO = example_text("bench-reprap-e")
NGC = example_text("bench-ngc-linear-u")


def problems_of(text):
    with pytest.raises(InputError) as raised:
        parse_profile(text, "bench.toml")
    assert all(problem.file == "bench.toml" for problem in raised.value.problems)
    return raised.value.problems


def edited(text, old, new):
    assert text.count(old) == 1, old
    return text.replace(old, new)


def line_of(text, start):
    (line,) = [number for number, line in enumerate(text.splitlines(), start=1) if line.startswith(start)]
    return line


# ---- values


def test_units_of_the_file_become_units_of_the_model():
    profile = parse_profile(DEMO, "bench.toml")
    assert profile.paste.yield_stress_kpa == pytest.approx(0.2)  # 200 Pa
    assert profile.paste.consistency_kpa_sn == pytest.approx(0.15)  # 150 Pa s^n
    assert profile.paste.bulk_modulus_kpa == pytest.approx(1e6)  # 1000 MPa
    assert profile.paste.metal_mass_fraction == pytest.approx(0.85)
    assert profile.barrel.fill_ul == pytest.approx(2500)
    assert profile.barrel.capacity_ul == pytest.approx(3000)
    assert profile.tuning.rest_fraction == pytest.approx(0.5)
    assert profile.dose.transfer[0] == (0.5, pytest.approx(0.65))
    assert profile.deposit.row_factor == pytest.approx(0.8)
    assert profile.verify.volume_tolerance == pytest.approx(0.05)


def test_names_are_looked_up_in_the_tables():
    profile = parse_profile(DEMO, "bench.toml")
    assert (profile.plunger.screw.name, profile.plunger.screw.lead_mm) == ("M5", 0.8)
    assert (profile.barrel.name, profile.barrel.bore_mm) == ("3 mL", 8.66)
    assert (profile.tip.gauge, profile.tip.bore_mm, profile.tip.length_mm) == (27, 0.21, 6.35)
    assert profile.paste.alloy.name == "Sn42Bi57Ag1"
    assert (profile.paste.powder.type, profile.paste.powder.upper_um) == (5, 25)


def test_measured_bores_go_before_the_tables():
    profile = parse_profile(example_text("bench-ngc-turns-b"), "bench.toml")
    assert (profile.barrel.bore_mm, profile.barrel.capacity_ul) == (14.43, 10000)
    assert (profile.tip.gauge, profile.tip.bore_mm, profile.tip.outer_mm) == (23, 0.33, 0.6414)


def test_a_bench_of_dimensions_alone_needs_no_table():
    text = edited(DEMO, 'screw = "M5"', "lead_mm = 0.5\npitch_diameter_mm = 2.7")
    text = edited(text, 'size = "3 mL"', "bore_mm = 8.6\ncapacity_ml = 2.9")
    text = edited(text, "gauge = 27", "bore_mm = 0.22\nouter_mm = 0.4")
    profile = parse_profile(text, "bench.toml")
    assert (profile.plunger.screw.lead_mm, profile.plunger.screw.half_angle_deg) == (0.5, 30)
    assert (profile.barrel.bore_mm, profile.barrel.capacity_ul) == (8.6, pytest.approx(2900))
    assert (profile.tip.gauge, profile.tip.bore_mm, profile.tip.outer_mm) == (None, 0.22, 0.4)


def test_what_is_left_out_follows_from_what_is_given():
    text = edited(edited(DEMO, "park_x_mm = 10\n", ""), "park_y_mm = 200\n", "")
    profile = parse_profile(edited(text, "fill_ml = 2.5\n", ""), "bench.toml")
    assert (profile.bed.park_x_mm, profile.bed.park_y_mm) == (profile.bed.strip_x_mm, profile.bed.strip_y_mm)
    assert profile.barrel.fill_ul == profile.barrel.capacity_ul


def test_an_open_strip_stands_in_front_of_the_board_and_within_the_travel():
    lines = [
        line for line in DEMO.splitlines(keepends=True) if not line.startswith(("strip_x_mm", "strip_y_mm"))
    ]
    bed = parse_profile("".join(lines), "bench.toml").bed
    assert bed.strip_open and not bed.park_open
    assert (bed.strip_x_mm, bed.strip_y_mm) == (bed.board_x_mm, bed.board_y_mm - 15.0)
    near = edited(
        edited("".join(lines), "board_x_mm = 60", "board_x_mm = 210"), "board_y_mm = 60", "board_y_mm = 4"
    )
    bed = parse_profile(near, "bench.toml").bed
    assert (bed.strip_x_mm + bed.strip_length_mm, bed.strip_y_mm) == (220.0, 0.0)
    with pytest.raises(InputError, match=r"strip_x_mm is given without strip_y_mm"):
        parse_profile("".join([*lines]).replace("park_x_mm", "strip_x_mm = 60\npark_x_mm", 1), "bench.toml")


def test_dose_rules_keep_their_order_and_lines():
    text = example_text("bench-reprap-ul-abs")
    first, second = parse_profile(text, "bench.toml").dose.rules
    assert (first.ref, first.skip, first.kind) == ("TP*", True, "")
    assert (first.area_from_mm2, first.area_to_mm2) == (0, inf)
    assert (second.kind, second.area_from_mm2, second.scale) == ("thermal", 9, pytest.approx(0.9))
    assert (second.volume_ul, second.coverage, second.skip) == (None, None, False)
    lines = text.splitlines()
    assert lines[first.line - 1] == lines[second.line - 1] == "[[dose.rule]]"
    assert first.line < second.line


def test_the_profile_names_the_exact_text_it_came_from(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_bytes(DEMO.replace("\n", "\r\n").encode())
    profile = read_profile(path)
    assert profile.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert profile.file == str(path)
    assert parse_profile(DEMO, "x").sha256 != profile.sha256


def test_a_byte_order_mark_does_no_harm(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_bytes(b"\xef\xbb\xbf" + DEMO.encode())
    assert read_profile(path).machine == parse_profile(DEMO, "x").machine


def test_the_words_of_the_table_are_the_words_of_the_model():
    for path, words in (
        ("controller.dialect", DialectName),
        ("controller.plunger_mode", PlungerMode),
        ("controller.bead_feed", BeadFeed),
        ("plunger.unit", PlungerUnit),
        ("dose.rule.kind", PadKind),
    ):
        key = key_at(path)
        assert key is not None
        assert set(key.choices) == {word.value for word in words}


# Another sound value for keys whose values depend on others'; half of the old value serves the rest. None: the key
# belongs to another kind of bench, tested above or below with one of those.
OTHERS = {
    "machine.x_max_mm": 230.0,
    "machine.y_max_mm": 230.0,
    "machine.z_max_mm": 190.0,
    "machine.x_min_mm": -1.0,
    "machine.y_min_mm": -1.0,
    "machine.z_min_mm": 1.0,
    "controller.dialect": None,
    "controller.bead_feed": None,
    "controller.checksums": None,
    "controller.decimals": 4,
    "plunger.letter": "A",
    "plunger.sign": -1,
    "plunger.screw": "M6",
    "plunger.lead_mm": None,
    "plunger.pitch_diameter_mm": None,
    "plunger.half_angle_deg": None,
    "barrel.size": "5 mL",
    "barrel.bore_mm": 8.6,
    "barrel.capacity_ml": 2.7,
    "tip.gauge": 25,
    "tip.bore_mm": 0.22,
    "tip.outer_mm": 0.45,
    "paste.alloy": "SAC305",
    "paste.powder_type": 6,
    "paste.metal_wt_percent": 84.0,
    "paste.flux_density_g_cm3": 1.1,
    "tuning.gain_percent": 98.0,
    "tuning.smallest_dot_bores": 1.5,
    "dose.print_metal_wt_percent": 89.0,
    "dose.shrink_mm": 0.02,
    "dose.transfer_percent": [[0.5, 60.0], [1.0, 99.0]],
    "deposit.raise_to_percent": 120.0,
    "drift.temperature_c": 21.0,
}


def demo_values():
    values = {"name": tomllib.loads(DEMO)["name"]}
    for section, table in tomllib.loads(DEMO).items():
        if isinstance(table, dict):
            values |= {f"{section}.{name}": value for name, value in table.items()}
    return values


def other_value(key, now):
    if key.path in OTHERS:
        return OTHERS[key.path]
    if key.kind is KeyKind.YES_NO:
        return not now
    if key.kind is KeyKind.CHOICE:
        return next(word for word in key.choices if word != now)
    if key.kind is KeyKind.TEXT:
        return "other"
    half = type(now)(now / 2)
    return half if half and half >= key.low else type(now)(key.high / 2)


REPEATED = {section.name for section in SECTIONS if section.repeated}


@pytest.mark.parametrize(
    "key", [key for key in KEYS if key.section not in REPEATED], ids=lambda key: key.path
)
def test_every_key_reaches_the_profile(key):
    """A key that changes nothing would be a promise that the tool does not keep."""
    values = demo_values()
    other = other_value(key, values.get(key.path, key.default))
    if other is None:
        return
    before = parse_profile(profile_text(values), "x")
    after = parse_profile(profile_text({**values, key.path: other}), "x")
    changed = [name for name in Profile.__dataclass_fields__ if getattr(before, name) != getattr(after, name)]
    assert changed == sorted({key.section or "name", "sha256"}, key=list(Profile.__dataclass_fields__).index)


# ---- problems


def test_everything_wrong_is_told_at_once_with_its_line():
    text = edited(DEMO, "x_max_mm = 220", 'x_max_mm = "220 mm"')
    text = edited(text, "gauge = 27", "guage = 27")
    text = edited(text, "yield_stress_pa = 200", "yield_stress_kpa = 0.2")
    text = edited(text, 'letter = "E"', 'letter = "Z"')
    text = edited(text, "metal_wt_percent = 85", "metal_wt_percent = 0.85")
    found = {(problem.line, problem.what.split()[0]) for problem in problems_of(text)}
    assert {line for line, _ in found} >= {
        line_of(text, start)
        for start in ("x_max_mm", "guage", "yield_stress_kpa", 'letter = "Z"', "metal_wt")
    }
    assert [problem.line for problem in problems_of(text)] == sorted(
        problem.line for problem in problems_of(text)
    )


@pytest.mark.parametrize(
    ("old", "new", "key", "mend"),
    [
        ('letter = "E"', 'leter = "E"', "leter", "Did you mean letter?"),
        ("[plunger]", "[plungr]", "plungr", "Did you mean [plunger]?"),
        ("foil_mm = 0.12", "foil_um = 120", "foil_um", "foil_mm"),
        ("fill_ml = 2.5", "fill_ul = 2500", "fill_ul", "fill_ml"),
        (
            "bulk_modulus_mpa = 1000",
            "bulk_modulus_mpa = 1000000",
            "bulk_modulus_mpa",
            "thousand times too large",
        ),
        ("metal_wt_percent = 85", "metal_wt_percent = 0.85", "metal_wt_percent", "write 85 for 0.85"),
        ("stroke_mm = 52", 'stroke_mm = "52"', "stroke_mm", "without quotes"),
        ("stroke_mm = 52", 'stroke_mm = "52 mm"', "stroke_mm", "bare number in mm"),
        ("stroke_mm = 52", "stroke_mm = inf", "stroke_mm", "0.5 to 500 mm"),
        ("stroke_mm = 52", "stroke_mm = nan", "stroke_mm", "0.5 to 500 mm"),
        ("stroke_mm = 52", f"stroke_mm = {10**400}", "stroke_mm", "0.5 to 500 mm"),
        ("stroke_mm = 52", "stroke_mm = true", "stroke_mm", "0.5 to 500 mm"),
        ("stroke_mm = 52", "stroke_mm = 2020-01-01", "stroke_mm", "0.5 to 500 mm"),
        ("microsteps = 16", "microsteps = 16.5", "microsteps", "whole number"),
        ("microsteps = 16", "microsteps = 20", "microsteps", "16 or 32"),
        ("paste_in_hole = true", 'paste_in_hole = "yes"', "paste_in_hole", "true or false"),
        ('dialect = "reprap"', 'dialect = "repap"', "dialect", 'Did you mean "reprap"'),
        ('dialect = "reprap"', "dialect = 3", "dialect", "reprap"),
        ('alloy = "Sn42Bi57Ag1"', 'alloy = "Sn42Bi56Ag2"', "Sn42Bi56Ag2", "Sn42Bi57Ag1"),
        ('alloy = "Sn42Bi57Ag1"', "alloy = 305", "alloy", "quotes"),
        ('screw = "M5"', 'screw = "M55"', "M55", "M5"),
        ('size = "3 mL"', 'size = "4 mL"', "4 mL", "3 mL"),
        ('screw = "M5"', 'screw = "M5"\nlead_mm = 0.8', "lead_mm", "Keep screw"),
        ('screw = "M5"', "", "screw", 'screw = "M5"'),
        ('screw = "M5"', "lead_mm = 0.8", "pitch_diameter_mm", "pitch_diameter_mm"),
        ('size = "3 mL"', "", "size", 'size = "3 mL"'),
        ('size = "3 mL"', "bore_mm = 8.66", "capacity_ml", "capacity_ml"),
        ("gauge = 27 ", "", "gauge", "gauge = 22"),
        ("gauge = 27 ", "bore_mm = 0.21", "outer_mm", "outer_mm"),
        ("gauge = 27 ", "bore_mm = 0.5\nouter_mm = 0.4", "outer diameter", "Measure both"),
        ("gauge = 27 ", "gauge = 30 ", "clogs", "28 gauge"),
        ("fill_ml = 2.5", "fill_ml = 3.5", "fill_ml", "when a program starts"),
        ("x_max_mm = 220", "x_max_mm = -1", "x_max_mm", "lowest and the highest"),
        ("board_x_mm = 60", "board_x_mm = 230", "0 to 220 mm", "within the travel"),
        ("board_z_mm = 20.0", "board_z_mm = -0.5", "board_z_mm", "z_min_mm"),
        ("strip_y_mm = 45", "strip_y_mm = -1", "strip_y_mm", "within the travel"),
        ("strip_length_mm = 30", "strip_length_mm = 161", "strip", "Shorten strip_length_mm by 1 mm"),
        ("park_y_mm = 200", "park_y_mm = 221", "park_y_mm", "within the travel"),
        ("park_y_mm = 200", "", "park_x_mm", "Add park_y_mm"),
        ("clearance_mm = 2.0", "clearance_mm = 181", "clearance_mm", "Lower clearance_mm by 1 mm"),
        ('letter = "E"', 'letter = "e"', "letter", 'letter = "E"'),
        ('letter = "E"', 'letter = "E1"', "capital letter", 'letter = "E"'),
        ('letter = "E"', 'letter = ""', "letter", "For example"),
        ("sign = 1", "sign = 0", "sign", "push paste out"),
        ("sign = 1", "sign = 2", "sign", "-1 to 1"),
        ("decimals = 3", "decimals = 3\nchecksums = true", "checksums", "line_numbers = true"),
        ("decimals = 3", 'decimals = 3\nbead_feed = "inverse-time"', "inverse-time", 'bead_feed = "path"'),
        ("foil_mm = 0.12", "transfer_percent = [[1.0, 98], [0.5, 65]]", "transfer_percent", "Sort"),
        ("foil_mm = 0.12", "transfer_percent = [[0.5, 0.65]]", "transfer_percent", "write 65 for 0.65"),
        ("foil_mm = 0.12", "transfer_percent = []", "transfer_percent", "pairs"),
        ("foil_mm = 0.12", "transfer_percent = [[1, 2, 3]]", "transfer_percent", "pairs"),
        ("foil_mm = 0.12", "rule = 3", "dose.rule", "two brackets"),
        ("clearance_mm = 2.0", "clearance_mm = 2.0\nyield_stress_pa = 3", "yield_stress_pa", "below [paste]"),
        ('name = "printer', 'letter = "E"\nname = "printer', "letter", "below [plunger]"),
        ("[tuning]", "tuning = 3\n[tuningg]", "tuning", "[tuning]"),
    ],
)
def test_each_mistake_names_its_key_and_its_mend(old, new, key, mend):
    text = edited(DEMO, old, new)
    found = problems_of(text)
    assert any(key in problem.what and mend in problem.mend for problem in found), [str(one) for one in found]


@pytest.mark.parametrize(
    ("old", "new", "key", "mend"),
    [
        ('letter = "U"', 'letter = "E"', "letter", NGC_LETTERS[0]),
        ('plunger_mode = "absolute"', 'plunger_mode = "relative"', "G91", "absolute"),
        ("line_numbers = true", "line_numbers = true\nchecksums = true", "checksums", "checksums = false"),
    ],
)
def test_each_mistake_of_an_ngc_bench_names_its_key_and_its_mend(old, new, key, mend):
    found = problems_of(edited(NGC, old, new))
    assert any(key in problem.what and mend in problem.mend for problem in found), [str(one) for one in found]


@pytest.mark.parametrize("letter", "XYZGMNFPST")
def test_letters_of_other_words_cannot_drive_the_plunger(letter):
    (problem,) = problems_of(edited(DEMO, 'letter = "E"', f'letter = "{letter}"'))
    assert problem.line == line_of(DEMO, "letter")


@pytest.mark.parametrize("letter", "ABCUVW")
def test_axes_of_the_standard_can_drive_the_plunger_in_both_dialects(letter):
    assert parse_profile(edited(NGC, 'letter = "U"', f'letter = "{letter}"'), "x").plunger.letter == letter
    assert parse_profile(edited(DEMO, 'letter = "E"', f'letter = "{letter}"'), "x").plunger.letter == letter


@pytest.mark.parametrize(
    ("rule", "what"),
    [
        ('ref = "U1"', "nothing to do"),
        ('ref = "U1"\nskip = true\nvolume_ul = 1', "volume_ul and skip"),
        ("skip = true", "names no pads"),
        ('kind = "thermal"\nskip = true\narea_from_mm2 = 3\narea_to_mm2 = 3', "matches no pad"),
        ('kind = "thermol"\nskip = true', "thermol"),
        ('reff = "U1"\nskip = true', "reff"),
    ],
)
def test_a_rule_that_cannot_act_is_told_with_its_line(rule, what):
    text = f"{DEMO}\n[[dose.rule]]\nref = 'R1'\nskip = true\n[[dose.rule]]\n{rule}\n"
    first = len(text.splitlines()) - len(rule.splitlines())
    found = problems_of(text)
    assert any(what in problem.what for problem in found), found
    assert all(problem.line >= first for problem in found)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[a]\nb = \nc = 1\n", 2),
        ("x = 1\nx = 2\n", 2),
        ("[bed]\n[tip]\n[bed]\n", 3),
        ('name = "bench\n', 1),
        ("x = [1,\n2\n", 2),
        ("[machine\nx_max_mm = 1", 1),
        ("x = 1 2\n", 1),
        ("\x00", 1),
        ("x = {a = 1,\nb = 2}", 1),
        ("word", 1),
        ("x = 1\n\n\nword", 4),
        ("PK\x03\x04", 1),
    ],
)
def test_text_that_is_no_toml_is_told_with_its_line(text, line):
    (problem,) = problems_of(text)
    assert "TOML" in problem.what
    assert problem.line == line


@pytest.mark.parametrize("text", ["x = " + "[" * 100_000, "x = " + "1" * 5000])
def test_toml_beyond_the_parser_is_told_too(text):
    (problem,) = problems_of(text)
    assert problem.what


def test_an_empty_file_is_told_which_sections_it_lacks():
    found = problems_of("")
    once = [key for key in KEYS if key.section not in REPEATED]
    needed = {key.section for key in once if key.need is KeyNeed.REQUIRED and key.section}
    for section in needed:
        assert any(f"[{section}] is missing" in problem.what for problem in found)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"x = '\xe4'"])
def test_files_that_are_not_text_are_told_with_their_line(tmp_path, content):
    path = tmp_path / "bench.toml"
    path.write_bytes(b"# first\n" + content)
    with pytest.raises(InputError, match=r"bench\.toml:2: this is not UTF-8"):
        read_profile(path)


def test_missing_files_folders_and_huge_files_are_told(tmp_path):
    for path, words in ((tmp_path / "none.toml", "cannot be read"), (tmp_path, "folder")):
        with pytest.raises(InputError, match=words):
            read_profile(path)
    huge = tmp_path / "huge.toml"
    huge.write_text("# much\n" * 50_000)
    with pytest.raises(InputError, match="200000 bytes"):
        read_profile(huge)


@given(st.text(max_size=200))
@example("[[dose]]\n[[dose.rule]]")
@example("dose = 1\nmachine = [1]\n[[bed]]")
@example("[dose]\nrule = [1, {ref = 2}]")
@example('"" = 1\n[""]')
def test_any_text_is_a_profile_or_a_message(text):
    try:
        parse_profile(text, "x")
    except InputError as error:
        assert error.problems


@given(st.sampled_from(example_names()), st.data())
def test_any_broken_example_is_a_profile_or_a_message(name, data):
    text = example_text(name)
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 40)))
    put = data.draw(st.text("[]={}\"'#.,-+ \n0123456789abmxyz", max_size=12))
    try:
        parse_profile(text[:start] + put + text[end:], "x")
    except InputError as error:
        assert error.problems
        assert all(problem.what for problem in error.problems)


# ---- examples and warnings


@pytest.mark.parametrize("name", example_names())
def test_every_example_bench_loads(name):
    profile = parse_profile(example_text(name), f"{name}.toml")
    assert profile.name != "bench"
    assert profile.microstep_ul > 0


def test_an_unknown_example_is_answered_with_those_there_are():
    with pytest.raises(InputError, match="bench-coarse"):
        example_text("bench-corse")


def test_the_coarse_bench_sweeps_41_nl_and_the_demo_bench_1_nl(check_value):
    coarse = parse_profile(example_text("bench-coarse"), "x")
    assert check_value("vol-per-microstep").agrees(coarse.microstep_ul, "uL")
    demo = parse_profile(DEMO, "x")
    by_hand_ul = pi / 4 * 8.66**2 * 0.8 / (200 * 16 * 13.73)
    assert demo.microstep_ul == pytest.approx(by_hand_ul, rel=1e-12)
    assert 0.00105 < demo.microstep_ul < 0.00109


def test_the_examples_show_both_dialects_and_every_unit():
    benches = [parse_profile(example_text(name), "x") for name in example_names()]
    assert {bench.controller.dialect for bench in benches} == set(DialectName)
    assert {bench.plunger.unit for bench in benches} == set(PlungerUnit)
    assert {bench.controller.bead_feed for bench in benches} == set(BeadFeed)
    assert {bench.controller.plunger_mode for bench in benches} == set(PlungerMode)
    assert {bench.plunger.sign for bench in benches} == {1, -1}


def test_a_tight_tip_and_an_untuned_bench_are_warned_about_and_a_safe_tuned_one_is_not():
    warned = " ".join(problem.what for problem in profile_warnings(parse_profile(DEMO, "x")))
    assert "8.4 times" in warned
    assert "not tuned" in warned
    text = edited(edited(DEMO, "gauge = 27", "gauge = 25"), "rest_percent = 50", 'dated = "2031-05-06"')
    assert profile_warnings(parse_profile(text, "x")) == ()


def test_a_push_beyond_the_drive_and_a_short_stroke_are_warned_about():
    text = edited(edited(DEMO, "push_ul_s = 20", "push_ul_s = 40"), "stroke_mm = 52", "stroke_mm = 40")
    warned = " ".join(problem.what for problem in profile_warnings(parse_profile(text, "x")))
    assert "beyond the drive's 35.3" in warned  # 0.6 mm/s on 58.9 mm2
    assert "42.4 mm high" in warned  # 2500 mm3 on 58.9 mm2


def test_no_key_stands_twice_and_defaults_are_sound():
    assert len({key.path for key in KEYS}) == len(KEYS)
    assert {section.name for section in SECTIONS} == {key.section for key in KEYS}
    for key in KEYS:
        assert key.comment
        if key.kind in (KeyKind.NUMBER, KeyKind.INTEGER):
            assert key.low < key.high < inf, key.path
            if key.default is not None:
                assert isinstance(key.default, int | float), key.path
                assert key.low <= key.default <= key.high, key.path


@pytest.mark.parametrize(("more", "again"), [("\n[dose]\n", "[dose]"), ("\n[run.x]\ny = 1\ny = 2\n", "y")])
def test_what_is_given_twice_says_where_it_stood_before(more, again):
    text = DEMO + more
    (problem,) = problems_of(text)
    last = len(text.splitlines())
    lines = [
        number for number, line in enumerate(text.splitlines(), 1) if line.split("=")[0].strip() == again
    ]
    assert problem.line == last and lines[-1] == last
    assert f"{again} stands in line {lines[-2]}, too" in problem.what

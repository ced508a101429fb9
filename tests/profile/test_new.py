"""Answers to files: every set of answers that is sound comes back as the profile it describes."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.problems import InputError
from pastewright.profile.keys import KEYS, Key, KeyKind, KeyNeed, key_at, section_named
from pastewright.profile.lines import key_lines
from pastewright.profile.new import answer, profile_text, questions
from pastewright.profile.read import parse_profile

REQUIRED = {
    "machine.x_max_mm": 220.0,
    "machine.y_max_mm": 210.0,
    "machine.z_max_mm": 180.0,
    "machine.speed_xy_mm_s": 120.0,
    "machine.speed_z_mm_s": 15.0,
    "bed.board_x_mm": 60.0,
    "bed.board_y_mm": 50.0,
    "bed.board_z_mm": 20.5,
    "controller.dialect": "reprap",
    "plunger.letter": "E",
    "plunger.unit": "mm",
    "plunger.screw": "M5",
    "plunger.speed_mm_s": 0.5,
    "plunger.stroke_mm": 52.0,
    "barrel.size": "3 mL",
    "tip.gauge": 25,
    "paste.alloy": "SAC305",
    "paste.powder_type": 5,
}

# Within these together any bench moves its paste; elsewhere one may be refused for it.
STRONG = {
    "plunger.gear": (1.0, 100.0),
    "plunger.torque_nm": (5.0, 50.0),
    "paste.yield_stress_pa": (1.0, 200.0),
    "paste.consistency_pa_sn": (400.0, 10000.0),
    "paste.flow_index": (0.1, 1.0),
    "tuning.push_ul_s": (1.0, 100.0),
    "tuning.seal_friction_n": (0.0, 50.0),
    "tuning.pressure_doubt_percent": (100.0, 200.0),
}

# Keys that other keys do not restrict: any value of their range is sound.
FREE = [
    key
    for key in KEYS
    if key.kind is KeyKind.NUMBER
    and (
        key.section in ("tuning", "verify", "deposit")
        or key.path.startswith(("paste.", "machine.speed", "machine.accel"))
        or key.path in ("plunger.backlash_mm", "dose.foil_mm", "dose.pin_mm")
    )
    and key.path != "deposit.standoff_bores"  # bounded by the clearance
    and key.path not in STRONG
]


@st.composite
def benches(draw):
    """Return sound values of a whole bench, required keys and some others, at random."""
    values: dict[str, object] = {}
    for axis, span in (("x", 2000.0), ("y", 2000.0), ("z", 300.0)):
        low = draw(st.floats(-span, span - 100.0))
        high = draw(st.floats(low + 60.0, span + 1.0))
        values |= {f"machine.{axis}_min_mm": low, f"machine.{axis}_max_mm": high}
    x, y, z = (values[f"machine.{axis}_min_mm"] for axis in "xyz")
    values |= {
        "bed.board_x_mm": x + draw(st.floats(0.0, 30.0)),
        "bed.board_y_mm": y + draw(st.floats(0.0, 30.0)),
        "bed.board_z_mm": z + draw(st.floats(0.0, 30.0)),
        "bed.strip_x_mm": x + draw(st.floats(0.0, 20.0)),
        "bed.strip_y_mm": y + draw(st.floats(0.0, 30.0)),
        "bed.clearance_mm": draw(st.floats(2.0, 25.0)),
    }
    dialect = draw(st.sampled_from(["reprap", "ngc"]))
    letters = "ABCUVW" if dialect == "ngc" else "ABCDEUVW"
    values |= {
        "name": draw(st.text(max_size=30)).strip(),
        "controller.dialect": dialect,
        "controller.plunger_mode": "absolute"
        if dialect == "ngc"
        else draw(st.sampled_from(["absolute", "relative"])),
        "plunger.letter": draw(st.sampled_from(letters)),
        "plunger.unit": draw(st.sampled_from(["mm", "ul", "deg", "turn"])),
        "plunger.sign": draw(st.sampled_from([1, -1])),
        "plunger.microsteps": 2 ** draw(st.integers(0, 8)),
        "machine.speed_xy_mm_s": draw(st.floats(1.0, 1000.0)),
        "machine.speed_z_mm_s": draw(st.floats(1.0, 100.0)),
        "plunger.speed_mm_s": draw(st.floats(0.001, 50.0)),
        "plunger.stroke_mm": draw(st.floats(1.0, 400.0)),
        "paste.alloy": draw(st.sampled_from(["SAC305", "Sn63Pb37", "Sn42Bi58"])),
        "paste.powder_type": draw(st.integers(4, 8)),
        "tip.length_mm": draw(st.floats(1.0, 40.0)),
    }
    if draw(st.booleans()):
        values["plunger.screw"] = draw(st.sampled_from(["M3", "M5", "Tr8x2", "Tr8x8"]))
    else:
        values |= {
            "plunger.lead_mm": draw(st.floats(0.1, 10.0)),
            "plunger.pitch_diameter_mm": draw(st.floats(1, 12)),
        }
    if draw(st.booleans()):
        values["barrel.size"] = draw(st.sampled_from(["1 mL", "3 mL", "10 mL", "cartridge 30 mL"]))
    else:
        values |= {
            "barrel.bore_mm": draw(st.floats(3.0, 30.0)),
            "barrel.capacity_ml": draw(st.floats(0.5, 50.0)),
        }
    if draw(st.booleans()):
        values["tip.gauge"] = draw(st.integers(18, 23))
    else:
        bore = draw(st.floats(0.28, 0.9))
        values |= {"tip.bore_mm": bore, "tip.outer_mm": bore + draw(st.floats(0.05, 0.5))}
    values["plunger.torque_nm"] = draw(st.floats(*STRONG["plunger.torque_nm"]))
    values["paste.consistency_pa_sn"] = draw(st.floats(*STRONG["paste.consistency_pa_sn"]))
    for path in draw(st.lists(st.sampled_from(sorted(STRONG)), unique=True, max_size=4)):
        values[path] = draw(st.floats(*STRONG[path]))
    for key in draw(st.lists(st.sampled_from(FREE), unique=True, max_size=12)):
        values[key.path] = draw(st.floats(key.low, key.high))
    return values


def value_in(profile, key: Key):
    """Return what the profile holds for a key; only for keys that pass through unchanged but for their scale."""
    return getattr(profile if not key.section else getattr(profile, key.section), key.field)


PLAIN = [
    key
    for key in KEYS
    if key.kind is KeyKind.NUMBER
    and key.section not in ("dose.rule", "barrel", "tip")
    and key.need is not KeyNeed.OPTIONAL
]


@given(benches())
def test_a_written_bench_reads_as_the_bench_it_describes(values):
    values["name"] = "".join(letter for letter in values["name"] if letter.isprintable()).strip() or "bench"
    profile = parse_profile(profile_text(values), "bench.toml")
    assert profile.name == values["name"]
    assert profile.plunger.letter == values["plunger.letter"]
    assert profile.plunger.unit == values["plunger.unit"]
    for key in PLAIN:
        wanted = values.get(key.path, key.default)
        assert value_in(profile, key) == pytest.approx(wanted * key.scale, rel=1e-12, abs=1e-300), key.path
    if "barrel.bore_mm" in values:
        assert profile.barrel.bore_mm == values["barrel.bore_mm"]
    if "tip.bore_mm" in values:
        assert profile.tip.bore_mm == values["tip.bore_mm"]
    if "plunger.lead_mm" in values:
        assert profile.plunger.screw.lead_mm == values["plunger.lead_mm"]


@given(benches())
def test_writing_what_was_written_changes_nothing(values):
    values["name"] = "bench"
    once = profile_text(values)
    tables = tomllib.loads(once)
    again = {
        (f"{section}.{name}" if section else name): value
        for section, table in [("", {"name": tables.pop("name")}), *tables.items()]
        for name, value in table.items()
    }
    assert profile_text(again) == once


def test_a_written_file_shows_every_key_with_its_comment():
    text = profile_text(REQUIRED)
    for key in KEYS:
        assert f"{key.name} =" in text, key.path
        assert " ".join(key.comment.split()[:3]) in text, key.path
    assert max(map(len, text.splitlines())) <= 118


def test_rules_are_written_too():
    rules = [
        {"ref": "U*", "skip": True},
        {"kind": "thermal", "scale_percent": 80.0, "note": 'with "quotes" \\ and #'},
    ]
    profile = parse_profile(profile_text({**REQUIRED, "dose.rule": rules}), "x")
    assert [rule.ref for rule in profile.dose.rules] == ["U*", ""]
    assert profile.dose.rules[1].scale == pytest.approx(0.8)
    assert profile.dose.rules[1].note == 'with "quotes" \\ and #'


@pytest.mark.parametrize("path", list(REQUIRED))
def test_each_missing_answer_is_asked_for_by_name(path):
    with pytest.raises(InputError) as raised:
        profile_text({name: value for name, value in REQUIRED.items() if name != path})
    assert any(path in problem.what for problem in raised.value.problems)


def test_none_means_not_given():
    assert profile_text({**REQUIRED, "barrel.fill_ml": None}) == profile_text(REQUIRED)


def test_answers_that_do_not_go_together_are_told():
    with pytest.raises(InputError, match="clogs"):
        profile_text({**REQUIRED, "paste.powder_type": 3})
    with pytest.raises(InputError, match=r"Did you mean tip\.gauge"):
        profile_text({**REQUIRED, "tip.gage": 22})


# ---- corruption

NUMBERS = [
    key for key in KEYS if key.kind in (KeyKind.NUMBER, KeyKind.INTEGER) and key.section != "dose.rule"
]
WRITTEN = profile_text(REQUIRED)
LINES = key_lines(WRITTEN)


def place_of(key: Key) -> int | None:
    return LINES.get((*key.section.split("."), key.name) if key.section else (key.name,))


def with_line(number: int, put: str) -> str:
    lines = WRITTEN.splitlines()
    lines[number - 1] = put
    return "\n".join(lines)


def complaints(text: str):
    with pytest.raises(InputError) as raised:
        parse_profile(text, "bench.toml")
    return raised.value.problems


@given(st.sampled_from([key for key in KEYS if place_of(key)]), st.data())
def test_any_corrupted_key_is_named_with_its_line(key, data):
    line = place_of(key)
    assert line is not None
    wrong = ["misspelt", "doubled", "a section", "a date"]
    wrong += {
        KeyKind.NUMBER: ["text", "true or false", "too high", "too low", "a list"],
        KeyKind.INTEGER: ["text", "true or false", "too high", "too low", "half"],
        KeyKind.TEXT: ["a number", "two lines"],
        KeyKind.CHOICE: ["a number", "another word"],
        KeyKind.YES_NO: ["text", "a number"],
        KeyKind.PAIRS: ["a number", "text"],
    }[key.kind]
    how = data.draw(st.sampled_from(wrong))
    name, value = key.name, WRITTEN.splitlines()[line - 1].split(" = ", 1)[1].split(" # ")[0].strip()
    match how:
        case "misspelt":
            at = data.draw(st.integers(1, len(name)))
            name = name[:at] + "q" + name[at:]
        case "doubled":
            value = f"{value}\n{name} = {value}"
        case "a section":
            value = "{ x = 1 }"
        case "a date":
            value = "2031-01-01"
        case "a list":
            value = f"[{value}]"
        case "text":
            value = f'"{value}"' if '"' not in value else "'" + value + "'"
        case "true or false":
            value = "true"
        case "too high":
            value = repr(data.draw(st.floats(key.high, 1e300, exclude_min=True)))
        case "too low":
            value = repr(data.draw(st.floats(-1e300, key.low, exclude_max=True)))
        case "half":
            value = "1.5"
        case "a number":
            value = "7"
        case "two lines":
            value = '"a\\nb"'
        case "another word":
            value = '"quark"'
    found = complaints(with_line(line, f"{name} = {value}"))
    if how == "doubled":
        assert [problem.line for problem in found] == [line + 1]
    else:
        named = [problem for problem in found if problem.line == line and name in problem.what]
        assert named, [str(problem) for problem in found]
        assert all(problem.mend for problem in named)


@given(st.sampled_from([key for key in KEYS if key.need is KeyNeed.REQUIRED and place_of(key)]))
def test_any_missing_required_key_is_named_with_the_line_of_its_section(key):
    line = place_of(key)
    assert line is not None
    found = complaints(with_line(line, "# gone"))
    (problem,) = [problem for problem in found if f"{key.path} is missing" in problem.what]
    assert problem.line == LINES[(key.section,)]


@given(
    st.sampled_from(
        sorted({key.section for key in KEYS if key.section and not section_named(key.section).repeated})
    )
)
def test_any_misspelt_section_is_named_with_its_line_and_its_keys_are_not_called_missing(section):
    line = LINES[(section,)]
    found = complaints(with_line(line, f"[{section}x]"))
    assert any(problem.line == line and f"[{section}]" in problem.mend for problem in found)
    assert not any(f"[{section}] is missing" in problem.what for problem in found)


# ---- questions


def test_the_questions_with_plain_answers_make_a_whole_profile():
    typed = {
        "machine.x_max_mm": "220",
        "machine.y_max_mm": "220",
        "machine.z_max_mm": " 200 ",
        "machine.speed_xy_mm_s": "100",
        "machine.speed_z_mm_s": "10",
        "bed.board_x_mm": "50",
        "bed.board_y_mm": "50",
        "bed.board_z_mm": "1e1",
        "plunger.speed_mm_s": ".5",
        "plunger.stroke_mm": "52",
    }
    asked = {question.path: question for question in questions()}
    assert {path for path, question in asked.items() if question.default is None} == set(typed)
    values = {
        path: question.check(typed.get(path, str(question.default))) for path, question in asked.items()
    }
    profile = parse_profile(profile_text(values), "x")
    assert profile.machine.x_max_mm == 220
    assert profile.tip.gauge == 25


def test_every_required_key_is_asked_for():
    asked = {question.path for question in questions()}
    assert {key.path for key in KEYS if key.need is KeyNeed.REQUIRED and key.section != "dose.rule"} <= asked
    assert all(key_at(path) for path in asked)


@pytest.mark.parametrize(
    ("path", "text", "words"),
    [
        ("plunger.screw", "M7", "M7"),
        ("plunger.gear", "3:1", "gear"),
        ("plunger.gear", "0", "0.01 to 10000"),
        ("paste.alloy", "SAC30", "SAC305"),
        ("tip.gauge", "22.5", "whole number"),
        ("tip.gauge", "40", "14 to 34"),
        ("barrel.size", "2 mL", "3 mL"),
        ("dose.pin_square", "si", "true or false"),
        ("controller.dialect", "ncg", "ngc"),
        ("machine.x_max_mm", "", "number"),
        ("machine.x_max_mm", "nan", "-5000 to 5000"),
        ("plunger.leter", "E", "plunger.letter"),
    ],
)
def test_a_wrong_answer_is_refused_at_once(path, text, words):
    with pytest.raises(InputError, match=words):
        answer(path, text)


def test_flags_take_yes_and_no_and_pairs():
    assert answer("dose.pin_square", "no") is False
    assert answer("dose.pin_square", "Yes") is True
    assert answer("dose.transfer_percent", "[[0.5, 60], [1, 99]]") == ((0.5, 60.0), (1.0, 99.0))
    with pytest.raises(InputError, match="pairs"):
        answer("dose.transfer_percent", "60")

"""Answers to a complete, commented profile file, and the questions that lead to the answers.

The command line asks or takes flags; what is asked, and which answer is right, is decided here from the key table.
"""

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from json import dumps
from textwrap import wrap

from pastewright.materials.tables import find_alloy, find_barrel, find_powder, find_screw, find_tip, nearest
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.accept import accepted
from pastewright.profile.keys import KEYS, SECTIONS, Key, KeyKind, KeyNeed, Section, Value, key_at
from pastewright.profile.read import parse_profile

LINE = 118  # letters a line of a written profile: fits an editor beside a terminal; own choice
REPEATED = tuple(section.name for section in SECTIONS if section.repeated)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question of `profile new`. `path` is the key; `default` is None where only the bench knows.

    `check` turns a typed answer into the key's value, or raises an InputError that says what is wrong with it.
    """

    path: str
    prompt: str
    default: Value | None
    check: Callable[[str], Value]


# What is asked, in this order, with an answer to begin with where there is a common one (common practice).
_ASKED: tuple[tuple[str, str, Value | None], ...] = (
    ("name", "What do you call this bench", None),
    ("machine.x_max_mm", "Highest X the axis may go to [mm]", None),
    ("machine.y_max_mm", "Highest Y [mm]", None),
    ("machine.z_max_mm", "Highest Z [mm]", None),
    ("machine.speed_xy_mm_s", "Fastest speed of X and Y [mm/s]", None),
    ("machine.speed_z_mm_s", "Fastest speed of Z [mm/s]", None),
    ("bed.board_x_mm", "X of the board's lower left corner [mm]", None),
    ("bed.board_y_mm", "Y of the board's lower left corner [mm]", None),
    ("bed.board_z_mm", "Z at which the tip just touches the board [mm]", None),
    ("controller.dialect", "Language of the controller: reprap (printers) or ngc", "reprap"),
    ("controller.plunger_mode", "Plunger words are absolute or relative (ngc: absolute)", None),
    ("plunger.letter", "Axis letter of the plunger", "E"),
    ("plunger.unit", "A number behind that letter counts mm, ul, deg or turn", "mm"),
    ("plunger.screw", "Screw behind the plunger: M3 to M10, Tr8x1.5, Tr8x2, Tr8x8, Tr10x2", "M5"),
    ("plunger.microsteps", "Microsteps per full step", None),
    ("plunger.gear", "Turns of the motor per turn of the screw", None),
    ("plunger.speed_mm_s", "Fastest speed of the plunger [mm/s]", None),
    ("plunger.stroke_mm", "Travel of the plunger [mm]", None),
    ("barrel.size", "Barrel: 1 mL, 3 mL, 5 mL, 10 mL, 20 mL, 30 mL, 60 mL", "3 mL"),
    ("tip.gauge", "Gauge of the tip", 25),
    ("tip.length_mm", "Length of the tip's narrow tube [mm]", None),
    ("paste.alloy", "Alloy of the paste", "Sn42Bi57Ag1"),
    ("paste.powder_type", "Powder type, 1 to 8", 5),
    ("paste.metal_wt_percent", "Metal in the paste [wt%]", None),
)


def questions() -> tuple[Question, ...]:
    """Return what `profile new` asks; the answers make a whole profile, the rest are defaults."""
    return tuple(
        Question(
            path=path,
            prompt=prompt,
            default=_key(path).default if start is None else start,
            check=partial(answer, path),
        )
        for path, prompt, start in _ASKED
    )


def answer(path: str, text: str) -> Value:
    """Return the value that a typed answer gives the key at `path`; InputError says what is wrong with it."""
    key = _key(path)
    value = accepted(key, _raw(key, text.strip()))
    _look_up(path, value)
    return value


def profile_text(values: Mapping[str, object]) -> str:
    """Return a complete profile file: `values` by path ("plunger.letter"), defaults for the rest, every key commented.

    `values["dose.rule"]` and `values["tuning.history"]` may be sequences of mappings, one an entry. InputError
    gathers unknown paths, missing and wrong values; what it says of values against each other is what reading the
    file would say. None stands for a value that is not given.
    """
    values = {path: value for path, value in values.items() if value is not None}
    problems = [_unknown(path) for path in values if path not in REPEATED and key_at(path) is None]
    for key in KEYS:
        if key.section in REPEATED:
            continue
        try:
            if key.path in values:
                accepted(key, _plain(values[key.path]))
            elif key.need is KeyNeed.REQUIRED:
                problems.append(
                    Problem(what=f"{key.path} is missing", mend=f"{key.comment} ({key.accepts}).")
                )
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems)
    text = draft_text(values)
    try:
        parse_profile(text, "")
    except InputError as error:
        # The lines are those of a file that does not exist yet.
        raise InputError(replace(problem, line=None) for problem in error.problems) from None
    return text


def draft_text(values: Mapping[str, object]) -> str:
    """Return the file that `profile_text` would return, unchecked: answers that do not fit each other are kept."""
    values = {path: value for path, value in values.items() if value is not None}
    return "\n".join(_section_text(section, values) for section in SECTIONS)


def _section_text(section: Section, values: Mapping[str, object]) -> str:
    lines = [f"# {line}" for line in wrap(section.about, LINE - 2)]
    if section.repeated:
        rules = values.get(section.name, ())
        if isinstance(rules, Sequence) and rules:
            return "\n".join([*lines, *(_rule_text(section, rule) for rule in rules)])
        lines += [f"# [[{section.name}]]", *(comment_line(key, f"# {key.name} = …") for key in section.keys)]
        return "\n".join(lines) + "\n"
    if section.name:
        lines.append(f"[{section.name}]")
    for key in section.keys:
        value = values.get(key.path, key.default)
        start = f"# {key.name} =" if value is None else f"{key.name} = {toml_value(value)}"
        lines.append(comment_line(key, start))
    return "\n".join(lines) + "\n"


def _rule_text(section: Section, rule: Mapping[str, object]) -> str:
    given = [f"{name} = {toml_value(value)}" for name, value in rule.items()]
    return "\n".join([f"[[{section.name}]]", *given, ""])


def comment_line(key: Key, start: str) -> str:
    """Return a line of the file: the key, then what it is and what it accepts."""
    about = key.comment if key.kind in (KeyKind.TEXT, KeyKind.YES_NO) else f"{key.comment} [{key.accepts}]"
    line = f"{start:<32} # {about}"
    return line if len(line) <= LINE else "\n".join([*(f"# {part}" for part in wrap(about, LINE - 2)), start])


def toml_value(value: object) -> str:
    """Return a value as TOML writes it."""
    value = _plain(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(part) for part in value) + "]"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    # JSON's escapes are TOML's, but for one letter that TOML wants escaped too.
    return dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(value: object) -> object:
    """Return what TOML would give: lists for tuples."""
    return [_plain(part) for part in value] if isinstance(value, tuple | list) else value


def _raw(key: Key, text: str) -> object:
    """Return a typed answer as TOML would have parsed it; a wrong one stays text, for `accepted` to refuse."""
    if key.kind is KeyKind.YES_NO:
        return {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}.get(
            text.lower(), text
        )
    if key.kind in (KeyKind.TEXT, KeyKind.CHOICE):
        return text
    if key.kind is KeyKind.PAIRS:
        return _pairs(text)
    try:
        return float(text)
    except ValueError:
        return text


def _pairs(text: str) -> object:
    try:
        return tomllib.loads(f"pairs = {text}")["pairs"]
    except ValueError:
        return text


_TABLES: Mapping[str, Callable[[str], object]] = {
    "plunger.screw": find_screw,
    "barrel.size": find_barrel,
    "paste.alloy": find_alloy,
}


def _look_up(path: str, value: Value) -> None:
    """Raise where a name is in no table, at once and not at the end of all questions."""
    if isinstance(value, str) and path in _TABLES:
        _TABLES[path](value)
    elif isinstance(value, int) and path == "tip.gauge":
        find_tip(value)
    elif isinstance(value, int) and path == "paste.powder_type":
        find_powder(value)


def _key(path: str) -> Key:
    key = key_at(path)
    if key is None:
        problem = _unknown(path)
        raise one_error(problem.what, problem.mend)
    return key


def _unknown(path: str) -> Problem:
    close = nearest(path, [key.path for key in KEYS])
    return Problem(what=f"a profile has no key {path}", mend=f"Did you mean {close}?" if close else "")

"""Right programs, broken on purpose. The verdict must notice every one, and name what is wrong."""

import re
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from verdicts import all_delivered

from pastewright.readback.judge.verify import verify
from pastewright.readback.model import FindingKind as Kind
from pastewright.readback.model import Verdict

Lines = list[str]
ALL = ("reprap", "reprap-absolute", "ngc", "ngc-linear")
REPRAPS = ("reprap", "reprap-absolute")
NGCS = ("ngc", "ngc-linear")


# -- finding lines by what they do, in either dialect -----------------------------------------------------

LOWER = re.compile(r"G1 Z10\.200")
LIFT = re.compile(r"G1 Z12\.000")
TRAVEL = re.compile(r"G1 X\S+ Y\S+ F3000")
PLUNGE = re.compile(r"G1 [EAU]\S+ F")
BEAD = re.compile(r"G1 X\S+ Y\S+ [EAU]\S+ F")
WAIT = re.compile(r"G4 P")
R1, R2, C1, U1, SMALL, U2 = (
    f"G1 X{x}.000 Y{y}.000 F3000" for x, y in ((51, 51), (53, 51), (56, 52), (58, 51), (56, 56), (51, 56))
)


def at(lines: Lines, pattern: str | re.Pattern[str], count: int = 0, after: str = "") -> int:
    """Index of the `count`-th line that begins like `pattern`, below the line `after`."""
    start = lines.index(after) if after else 0
    found = [k for k in range(start, len(lines)) if re.match(pattern, lines[k])]
    return found[count]


def drop(pattern: str | re.Pattern[str], count: int = 0, after: str = "") -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        k = at(lines, pattern, count, after)
        return lines[:k] + lines[k + 1 :]

    return change


def edit(
    pattern: str | re.Pattern[str],
    old: str,
    new: str | Callable[[re.Match[str]], str],
    count: int = 0,
    after: str = "",
) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        k = at(lines, pattern, count, after)
        edited = re.sub(old, new, lines[k], count=1)
        assert edited != lines[k], f"{old} does not occur in {lines[k]}"
        return [*lines[:k], edited, *lines[k + 1 :]]

    return change


def scale(letters: str, factor: float) -> tuple[str, Callable[[re.Match[str]], str]]:
    return rf"([{letters}])(-?[\d.]+)", lambda m: f"{m[1]}{float(m[2]) * factor:.6f}"


def add(offset: float, letters: str) -> tuple[str, Callable[[re.Match[str]], str]]:
    return rf"([{letters}])(-?[\d.]+)", lambda m: f"{m[1]}{float(m[2]) + offset:.6f}"


def every(old: str, new: str | Callable[[re.Match[str]], str]) -> Callable[[Lines], Lines]:
    return lambda lines: [re.sub(old, new, line) if line.startswith("G1") else line for line in lines]


def insert(
    new: str, before: str | re.Pattern[str], count: int = 0, after: str = ""
) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        k = at(lines, before, count, after)
        return [*lines[:k], new, *lines[k:]]

    return change


def swap(
    first: tuple[str | re.Pattern[str], int], second: tuple[str | re.Pattern[str], int], after: str = ""
) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        j, k = at(lines, *first, after=after), at(lines, *second, after=after)
        lines = [*lines]
        lines[j], lines[k] = lines[k], lines[j]
        return lines

    return change


def again(first: str, stop: str) -> Callable[[Lines], Lines]:
    """Repeat the lines from `first` up to `stop`."""

    def change(lines: Lines) -> Lines:
        j, k = lines.index(first), lines.index(stop)
        return lines[:k] + lines[j:k] + lines[k:]

    return change


def cut(part: float) -> Callable[[Lines], Lines]:
    return lambda lines: lines[: int(len(lines) * part)]


def cut_inside(part: float) -> Callable[[Lines], Lines]:
    return lambda lines: "\n".join(lines)[: int(len("\n".join(lines)) * part)].split("\n")


def without_strip(lines: Lines) -> Lines:
    j = at(lines, TRAVEL)
    return lines[:j] + lines[lines.index(R1) :]


BREAKS: Sequence[tuple[str, Sequence[str], Callable[[Lines], Lines], set[Kind]]] = [
    # a line is missing
    ("drop a push", ALL, drop(PLUNGE, after=R2), {Kind.MISSING, Kind.VOLUME}),
    ("drop a retraction", ALL, drop(PLUNGE, 1, after=C1), {Kind.VOLUME, Kind.STRAY}),
    ("drop the last retraction", ALL, drop(PLUNGE, -1), {Kind.VOLUME, Kind.PRESSURE}),
    ("drop a lift", ALL, drop(LIFT, after=R2), {Kind.LOW_TRAVEL}),
    ("drop the lift after a bead", ALL, drop(LIFT, after=U1), {Kind.LOW_TRAVEL}),
    ("drop a lowering", ALL, drop(LOWER, after=C1), {Kind.STRAY, Kind.MISSING}),
    ("drop a travel", ALL, drop(TRAVEL, after=R2), {Kind.MISSING, Kind.DOUBLED}),
    ("drop a bead's move", ALL, drop(BEAD, after=U1), {Kind.PLACE, Kind.MISSING}),
    ("drop a corner of a bead", ALL, drop(BEAD, after=U2), {Kind.LOW_TRAVEL}),
    ("drop a wait", ALL, drop(WAIT, after=C1), {Kind.VOLUME}),
    ("drop the first lift", ALL, drop(LIFT), {Kind.LOW_TRAVEL}),
    ("drop the park", ALL, drop(TRAVEL, -1), {Kind.END}),
    ("drop the settling strip", ALL, without_strip, {Kind.VOLUME, Kind.PRESSURE, Kind.MISSING}),
    ("drop the units", REPRAPS, drop("G21"), {Kind.STATE}),
    ("drop G90", REPRAPS, drop("G90"), {Kind.STATE}),
    ("drop the plunger's mode", REPRAPS, drop("M8[23]"), {Kind.STATE}),
    ("drop the plunger's zero", ("reprap-absolute", *NGCS), drop("G92"), {Kind.STATE}),
    ("drop the modes of ngc", NGCS, drop("G21 G90"), {Kind.STATE}),
    ("drop the end of ngc", NGCS, drop("M2"), {Kind.END}),
    # lines in the wrong order
    (
        "swap push and retraction",
        ALL,
        swap((PLUNGE, 0), (PLUNGE, 1), after=C1),
        {Kind.VOLUME, Kind.MISSING, Kind.STRAY},
    ),
    ("swap travel and lowering", ALL, swap((TRAVEL, 0), (LOWER, 0), after=R2), {Kind.LOW_TRAVEL}),
    ("swap two places", ALL, swap((R2, 0), (C1, 0)), {Kind.VOLUME}),
    ("swap lift and retraction", ALL, swap((PLUNGE, 1), (LIFT, 0), after=C1), {Kind.VOLUME, Kind.STRAY}),
    # a word is wrong
    ("push 30 % more", ("reprap",), edit(PLUNGE, *scale("E", 1.3), after=C1), {Kind.VOLUME}),
    ("push 30 % less", ("reprap",), edit(PLUNGE, *scale("E", 0.7), after=C1), {Kind.VOLUME}),
    ("pull 10 % less", ("reprap",), edit(PLUNGE, *scale("E", 0.9), count=1, after=C1), {Kind.VOLUME}),
    ("all plunger words 10 % larger", ALL, every(*scale("EAU", 1.1)), {Kind.VOLUME}),
    ("all plunger words 10 % smaller", ALL, every(*scale("EAU", 0.9)), {Kind.VOLUME}),
    (
        "the wrong sign of one push",
        ("reprap",),
        edit(PLUNGE, "E", "E-", after=C1),
        {Kind.VOLUME, Kind.MISSING},
    ),
    ("the wrong sign of all", ALL, every(*scale("EAU", -1.0)), {Kind.MISSING, Kind.PRESSURE}),
    ("X 0.2 mm off", ALL, edit(TRAVEL, *add(0.2, "X"), after=R2), {Kind.PLACE}),
    ("Y 9 mm off", ALL, edit(TRAVEL, *add(9, "Y"), after=R2), {Kind.STRAY, Kind.MISSING}),
    ("a bead's end 0.3 mm off", ALL, edit(BEAD, *add(0.3, "X"), after=U1), {Kind.LOW_TRAVEL, Kind.PLACE}),
    ("X for Y", ALL, edit(TRAVEL, "X", "Y", after=R2), {Kind.SYNTAX}),
    (
        "axes exchanged",
        ALL,
        edit(TRAVEL, r"X(\S+) Y(\S+)", r"Y\1 X\2", after=C1),
        {Kind.MISSING, Kind.STRAY, Kind.PLACE},
    ),
    ("Z for X", ALL, edit(TRAVEL, r"X\S+ Y", "Z12 Y", after=C1), {Kind.STRAY, Kind.MISSING, Kind.PLACE}),
    ("a letter nobody has", ALL, edit(PLUNGE, "[EAU]", "V", after=R2), {Kind.UNKNOWN_WORD}),
    ("another wrong letter", ALL, edit(BEAD, "[EAU]", "B", after=U1), {Kind.UNKNOWN_WORD}),
    ("a decimal point gone", ALL, edit(TRAVEL, r"(X\d+)\.", r"\1", after=R2), {Kind.LIMITS}),
    (
        "a decimal point gone from the plunger",
        ALL,
        edit(PLUNGE, r"([EAU]-?\d+)\.", r"\1", after=R2),
        {Kind.STROKE, Kind.SYNTAX},
    ),
    ("a number gone", ALL, edit(TRAVEL, r"X\S+", "X", after=R2), {Kind.SYNTAX}),
    ("a letter gone", ALL, edit(TRAVEL, r"X", "", after=R2), {Kind.SYNTAX, Kind.UNKNOWN_WORD}),
    ("a word twice", ALL, edit(TRAVEL, r"$", " X51", after=R2), {Kind.SYNTAX}),
    ("a letter O for zero", ALL, edit(TRAVEL, r"0", "O", after=R2), {Kind.UNKNOWN_WORD}),
    ("a code nobody knows", ALL, edit(TRAVEL, "G1", "G181", after=R2), {Kind.UNKNOWN_WORD}),
    ("an arc without a centre", ALL, edit(TRAVEL, "G1", "G2", after=R2), {Kind.SYNTAX}),
    ("travel lower", ALL, edit(LIFT, "Z12", "Z11", after=C1), {Kind.LOW_TRAVEL}),
    ("tip into the board", ALL, edit(LOWER, "Z10.2", "Z9.9", after=C1), {Kind.STANDOFF}),
    ("tip ploughs", ALL, edit(LOWER, "Z10.2", "Z10.0", after=C1), {Kind.STANDOFF}),
    ("tip too high", ALL, edit(LOWER, "Z10.2", "Z11.2", after=C1), {Kind.STANDOFF}),
    ("outside the machine", ALL, edit(TRAVEL, *add(200, "X"), after=R2), {Kind.LIMITS}),
    ("outside on the other side", ALL, edit(TRAVEL, *add(-52, "Y"), after=R2), {Kind.LIMITS}),
    ("travel ten times faster", ALL, edit(TRAVEL, *scale("F", 10), after=R2), {Kind.SPEED}),
    ("Z ten times faster", ALL, edit(LOWER, *scale("F", 10), after=R2), {Kind.SPEED}),
    ("push fifteen times faster", ALL, edit(PLUNGE, *scale("F", 15), after=R2), {Kind.SPEED}),
    ("no speed at all", ALL, edit(TRAVEL, r"F\d+", "F0", after=R2), {Kind.SYNTAX}),
    ("speeds forgotten", ALL, lambda lines: [re.sub(r" F\S+", "", line) for line in lines], {Kind.STATE}),
    (
        "a push in the wrong unit",
        NGCS,
        edit(PLUNGE, *scale("AU", 60), after=R2),
        {Kind.STROKE, Kind.VOLUME, Kind.SPEED},
    ),
    ("a wait below zero", ALL, edit(WAIT, "P", "P-", after=R2), {Kind.SYNTAX}),
    ("a wait without time", ALL, edit(WAIT, r"P\S+", "", after=R2), {Kind.SYNTAX}),
    ("milliseconds for seconds", NGCS, edit(WAIT, *scale("P", 1000), after=R2), {Kind.DWELL}),
    ("seconds for milliseconds", REPRAPS, edit(WAIT, *scale("P", 0.001), after=C1), {Kind.VOLUME}),
    (
        "all waits in the wrong unit",
        ALL,
        lambda lines: [
            re.sub(r"G4 P(\S+)", lambda m: f"G4 P{float(m[1]) * (1000 if float(m[1]) < 1 else 0.001):g}", x)
            for x in lines
        ],
        {Kind.DWELL, Kind.VOLUME},
    ),
    # a mode is wrong
    ("inches", ALL, lambda lines: [line.replace("G21", "G20") for line in lines], {Kind.LIMITS}),
    ("inches on the way", ALL, insert("G20", TRAVEL, after=C1), {Kind.LIMITS}),
    (
        "distances",
        ALL,
        lambda lines: [line.replace("G90", "G91") for line in lines],
        {Kind.STATE, Kind.LIMITS},
    ),
    ("distances on the way", ALL, insert("G91", TRAVEL, after=C1), {Kind.MISSING, Kind.LIMITS}),
    ("plunger positions for distances", ("reprap",), edit("M83", "M83", "M82"), {Kind.MISSING, Kind.VOLUME}),
    (
        "plunger distances for positions",
        ("reprap-absolute",),
        edit("M82", "M82", "M83"),
        {Kind.VOLUME, Kind.STROKE},
    ),
    ("G90 said again, the plunger's mode not", REPRAPS, insert("G90", TRAVEL, after=C1), {Kind.STATE}),
    (
        "plunger set to zero on the way",
        ("reprap-absolute",),
        insert("G92 E0", TRAVEL, after=C1),
        {Kind.VOLUME},
    ),
    (
        "plunger set to zero on the way (ngc)",
        NGCS,
        lambda lines: insert(next(x for x in lines if x.startswith("G92")), TRAVEL, after=C1)(lines),
        {Kind.VOLUME},
    ),
    ("origin moved", ALL, insert("G92 X50.5", LOWER, after=R2), {Kind.MISSING, Kind.PLACE}),
    ("origin of Z moved", ALL, insert("G92 Z12.15", LOWER, after=R2), {Kind.STANDOFF, Kind.LOW_TRAVEL}),
    ("another coordinate system", NGCS, insert("G55", TRAVEL, after=R2), {Kind.STATE}),
    ("inverse time", NGCS, insert("G93", TRAVEL, after=R2), {Kind.SPEED}),
    ("homing on the way", REPRAPS, insert("G28", TRAVEL, after=R2), {Kind.LOW_TRAVEL}),
    ("motors off on the way", REPRAPS, insert("M84", TRAVEL, after=R2), {Kind.LOW_TRAVEL}),
    ("flow scaled by the controller", REPRAPS, insert("M221 S90", TRAVEL, after=R2), {Kind.STATE}),
    ("a line that may be left out", NGCS, edit(LIFT, "^", "/", after=R2), {Kind.STATE}),
    # too much
    ("a dot twice", ALL[:1], again(R2, C1), {Kind.DOUBLED}),
    ("a bead twice", ALL[:1], again(U1, SMALL), {Kind.DOUBLED}),
    ("a push while lifted", ("reprap",), insert("G1 E0.1 F6", TRAVEL, after=R2), {Kind.STRAY}),
    (
        "lowered for nothing",
        ALL,
        lambda lines: insert("G1 Z12", R2)(insert("G1 Z10.5", R2)(insert("G1 X52 Y55", R2)(lines))),
        {Kind.LOW_TRAVEL},
    ),
    (
        "two commands on one line",
        REPRAPS,
        lambda lines: [*lines[:8], lines[8] + " " + lines[9], *lines[10:]],
        {Kind.SYNTAX},
    ),
    ("two motions on one line", NGCS, insert("G0 G1 X51", TRAVEL, after=R2), {Kind.SYNTAX}),
    ("lines below the end", NGCS, lambda lines: [*lines, "G1 X50"], {Kind.END}),
    ("garbage", ALL, insert("\x00\xff?!", TRAVEL, after=R2), {Kind.SYNTAX}),
    ("an endless comment", NGCS, insert("(never closed", TRAVEL, after=R2), {Kind.SYNTAX}),
    # cut off
    ("cut in the middle", ALL, cut(0.5), {Kind.MISSING, Kind.END}),
    ("cut near the end", ALL, cut(0.95), {Kind.END}),
    ("cut inside a line", ALL, cut_inside(0.7), {Kind.MISSING}),
    ("empty", ALL, lambda lines: [], {Kind.END}),
]


def verdict_of(good: Callable[..., Any], name: str, lines: Lines) -> Verdict:
    case = good(name)
    return verify("\n".join(lines), case.expected, case.profile)


def test_right_programs_have_no_findings(good):
    for name in (*ALL, "reprap-checked"):
        case = good(name)
        verdict = verify(case.text, case.expected, case.profile)
        assert verdict.ok, (name, verdict.findings)
        for got, wanted in zip(all_delivered(verdict), case.expected.deposits, strict=True):
            assert got.volume_ul == pytest.approx(wanted.volume_ul, rel=0.015)


@pytest.mark.parametrize(
    ("name", "change", "kinds"),
    [
        pytest.param(name, change, kinds, id=f"{what} [{name}]")
        for what, names, change, kinds in BREAKS
        for name in names
    ],
)
def test_a_broken_program_is_noticed(good, name, change, kinds):
    before = good(name).text.rstrip("\n").split("\n")
    after = change(before)
    assert after != before
    found = {finding.kind for finding in verdict_of(good, name, after).findings}
    assert found & kinds, found


def test_there_are_many_ways_of_breaking():
    assert len({what for what, *_ in BREAKS}) >= 60


# -- line numbers and checksums ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        lambda lines: [*lines[:20], *lines[21:]],
        lambda lines: [*lines[:20], lines[20], *lines[20:]],
        lambda lines: [*lines[:20], lines[21], lines[20], *lines[22:]],
        lambda lines: [*lines[:20], lines[20].replace("*", "*1"), *lines[21:]],
        lambda lines: [*lines[:20], lines[20].replace("1", "2", 1), *lines[21:]],
        lambda lines: [*lines[:20], lines[20].split("*")[0], *lines[21:]],
        lambda lines: [*lines[:20], re.sub(r"X|Z|E|P", "Y", lines[20], count=1), *lines[21:]],
        lambda lines: [f";{lines[0][1:]}", *lines[1:]],
    ],
    ids=["dropped", "twice", "swapped", "checksum", "number", "no checksum", "letter", "no first number"],
)
def test_a_checked_program_shows_any_damage(good, change):
    lines = good("reprap-checked").text.rstrip("\n").split("\n")
    verdict = verdict_of(good, "reprap-checked", change(lines))
    assert Kind.SYNTAX in {finding.kind for finding in verdict.findings}


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_changed_byte_of_a_checked_program_is_noticed(good, data):
    text = good("reprap-checked").text.rstrip("\n")
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.characters(min_codepoint=33, max_codepoint=126).filter(lambda c: c != text[place]))
    broken = text[:place] + other + text[place + 1 :]
    assert not verdict_of(good, "reprap-checked", broken.split("\n")).ok


def test_line_numbers_of_ngc_must_rise(good):
    case = good("ngc")
    lines = case.text.rstrip("\n").split("\n")
    numbered = [f"N{10 * k} {line}" for k, line in enumerate(lines[1:], start=1)]
    assert verdict_of(good, "ngc", numbered).ok
    numbered[20] = numbered[20].replace("N210", "N200")
    assert {finding.kind for finding in verdict_of(good, "ngc", numbered).findings} == {Kind.SYNTAX}


# -- by chance ---------------------------------------------------------------------------------------------


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), name=st.sampled_from(ALL))
def test_any_lost_move_is_noticed(good, data, name):
    lines = good(name).text.rstrip("\n").split("\n")
    # On the strip a push more or less does no harm: that is what it is for.
    moves = [k for k in range(lines.index(R1), len(lines)) if lines[k].startswith("G1")]
    k = data.draw(st.sampled_from(moves))
    assert not verdict_of(good, name, lines[:k] + lines[k + 1 :]).ok, lines[k]


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.data(), name=st.sampled_from(ALL), factor=st.sampled_from([0.1, 0.5, 0.9, 1.1, 2.0, 10.0, -1.0])
)
def test_any_changed_place_is_noticed(good, data, name, factor):
    lines = good(name).text.rstrip("\n").split("\n")
    start = lines.index(R1)
    moves = [
        (k, m)
        for k in range(start, len(lines))
        for m in re.finditer(r"([XYZ])(-?[\d.]+)", lines[k])
        if lines[k].startswith("G1")
    ]
    k, match = data.draw(st.sampled_from(moves))
    value = float(match[2]) * factor
    assume(not (match[1] == "Z" and 12 < value < 50))  # to travel higher than needed is not wrong
    word = f"{match[1]}{value:.6f}"
    broken = lines[k][: match.start()] + word + lines[k][match.end() :]
    assert not verdict_of(good, name, [*lines[:k], broken, *lines[k + 1 :]]).ok, broken


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), factor=st.sampled_from([0.1, 0.5, 0.8, 1.25, 2.0, 10.0, -1.0]))
def test_any_changed_push_is_noticed(good, data, factor):
    lines = good("reprap").text.rstrip("\n").split("\n")
    start = lines.index(R1)
    pushes = [k for k in range(start, len(lines)) if PLUNGE.match(lines[k])]
    k = data.draw(st.sampled_from(pushes))
    broken = re.sub(r"E(-?[\d.]+)", lambda m: f"E{float(m[1]) * factor:.6f}", lines[k])
    assert not verdict_of(good, "reprap", [*lines[:k], broken, *lines[k + 1 :]]).ok, broken


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=400), name=st.sampled_from(ALL))
def test_no_text_makes_it_fall_over(good, text, name):
    case = good(name)
    assert not verify(text, case.expected, case.profile).ok


WORDS = st.tuples(
    st.sampled_from(list("GGGGMXYZEAUFPSNTIJKRL*%(;/#[]")),
    st.one_of(
        st.sampled_from(
            [
                "",
                "0",
                "1",
                "2",
                "3",
                "4",
                "10",
                "17",
                "20",
                "28",
                "53",
                "55",
                "90",
                "91",
                "92",
                "93",
                "82",
                "83",
                "92.2",
                "92.3",
                "[1/0]",
                "#1",
                "[2**9999]",
                "acos[7]",
            ]
        ),
        st.floats(-1e12, 1e12).map(lambda x: f"{x:.3f}"),
        st.integers(-(10**30), 10**30).map(str),
    ),
).map("".join)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    lines=st.lists(st.lists(WORDS, max_size=7).map(" ".join), max_size=30),
    name=st.sampled_from(ALL),
    keep=st.integers(0, 30),
)
def test_no_mixture_of_words_makes_it_fall_over(good, lines, name, keep):
    case = good(name)
    right = case.text.split("\n")[:keep]
    assert not verify("\n".join([*right, *lines]), case.expected, case.profile).ok

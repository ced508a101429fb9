"""The demo board's programs before an outside interpreter, and broken on purpose before our own."""

import random
import re
from collections.abc import Callable

import pytest
from demo_plans import plan_of
from rs274_judge import judged, needs_rs274, ours

from pastewright.board.model import Side
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify
from pastewright.readback.text.interpret import interpret

ROTARY = {"bench-ngc-rotary-a": 3, "bench-ngc-turns-b": 4}


@pytest.mark.judge
@needs_rs274
@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("bench", ROTARY)
def test_an_ngc_program_is_accepted_outside_and_agrees_move_by_move(bench: str, side: Side, tmp_path):
    plan = plan_of(side, bench)
    taken, theirs, _ = judged(plan.program.text, tmp_path, rotary=ROTARY[bench])
    assert taken
    reading = interpret(
        plan.program.text, plan.profile.controller, plunger_letter=plan.profile.plunger.letter
    )
    assert not reading.findings
    mine = ours(reading)
    assert len(mine) == len(theirs) > 150
    assert [name for name, _ in mine] == [name for name, _ in theirs]
    # Before the first Z and XY words nobody knows the rest of the place: the judge says 0, we say unknown.
    for (_, a), (_, b) in zip(mine[2:], theirs[2:], strict=True):
        assert a == pytest.approx(b, abs=2e-4)


# -- broken on purpose ------------------------------------------------------------------------------------

Lines = list[str]
MOVE = re.compile(r"G[01] ")


def moves_of(lines: Lines, pattern: str) -> list[int]:
    found = [index for index, line in enumerate(lines) if re.match(pattern, line)]
    assert found, pattern
    return found


def middle(lines: Lines, pattern: str) -> int:
    found = moves_of(lines, pattern)
    return found[len(found) // 2]


def dropped(pattern: str) -> Callable[[Lines], Lines]:
    return lambda lines: [line for k, line in enumerate(lines) if k != middle(lines, pattern)]


def doubled(pattern: str) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        k = middle(lines, pattern)
        return [*lines[: k + 1], *lines[k:]]

    return change


def rewritten(pattern: str, old: str, new: str | Callable[[re.Match[str]], str]) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        k = middle(lines, pattern)
        line = re.sub(old, new, lines[k], count=1)
        assert line != lines[k]
        return [*lines[:k], line, *lines[k + 1 :]]

    return change


def everywhere(old: str, new: str | Callable[[re.Match[str]], str]) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        made = [re.sub(old, new, line) if MOVE.match(line) else line for line in lines]
        assert made != lines
        return made

    return change


def scaled(letter: str, factor: float) -> tuple[str, Callable[[re.Match[str]], str]]:
    return rf"{letter}(-?[\d.]+)", lambda match: f"{letter}{float(match[1]) * factor:.6f}"


def shifted(letter: str, by: float) -> tuple[str, Callable[[re.Match[str]], str]]:
    return rf"{letter}(-?[\d.]+)", lambda match: f"{letter}{float(match[1]) + by:.3f}"


def swapped(pattern: str) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        k = middle(lines, pattern)
        return [*lines[:k], lines[k + 1], lines[k], *lines[k + 2 :]]

    return change


def mode(old: str, new: str) -> Callable[[Lines], Lines]:
    def change(lines: Lines) -> Lines:
        assert old in lines
        return [new if line == old else line for line in lines if line != old or new]

    return change


def inserted(text: str) -> Callable[[Lines], Lines]:
    return lambda lines: [*lines[: len(lines) // 2], text, *lines[len(lines) // 2 :]]


TRAVEL, LOWER, LIFT = r"G0 X", r"G1 Z20\.[01]", r"G1 Z(20\.[4-9]|21|22)"
PUSH, DRAW, BEAD = r"G1 E\d", r"G1 E-", r"G1 X\S+ Y\S+ E"
BROKEN: dict[str, Callable[[Lines], Lines]] = {
    "a travel dropped": dropped(TRAVEL),
    "a lowering dropped": dropped(LOWER),
    "a lift dropped": dropped(LIFT),
    "a push dropped": dropped(PUSH),
    "a retraction dropped": dropped(DRAW),
    "a bead dropped": dropped(BEAD),
    "a push doubled": doubled(PUSH),
    "a retraction doubled": doubled(DRAW),
    "a push and its wait swapped with what follows": swapped(DRAW),
    "a travel swapped with its lowering": swapped(TRAVEL),
    "a push 20 % larger": rewritten(PUSH, *scaled("E", 1.2)),
    "a retraction 20 % smaller": rewritten(DRAW, *scaled("E", 0.8)),
    "a push of the wrong sign": rewritten(PUSH, "E", "E-"),
    "one place off by 0.3 mm": rewritten(TRAVEL, *shifted("X", 0.3)),
    "one place off by 0.3 mm in Y": rewritten(TRAVEL, *shifted("Y", -0.3)),
    "one lowering too deep": rewritten(LOWER, *shifted("Z", -0.3)),
    "one lowering too high": rewritten(LOWER, *shifted("Z", 1.0)),
    "one travel ten times faster": rewritten(TRAVEL, *scaled("F", 10)),
    "one push ten times faster": rewritten(PUSH, *scaled("F", 10)),
    "one push ten times slower": rewritten(PUSH, *scaled("F", 0.1)),
    "a bead ten times faster": rewritten(BEAD, *scaled("F", 10)),
    "all places shifted": everywhere(*shifted("X", 1.0)),
    "all places scaled": everywhere(*scaled("Y", 1.02)),
    "all plunger words scaled": everywhere(*scaled("E", 1.1)),
    "X and Y exchanged": everywhere("X(\\S+) Y(\\S+)", lambda match: f"X{match[2]} Y{match[1]}"),
    "another plunger letter": everywhere("E(-?\\d)", lambda match: f"A{match[1]}"),
    "travel at a lower height": everywhere(r"Z22\.000", "Z20.500"),
    "inches": mode("G21", "G20"),
    "no unit stated": mode("G21", ""),
    "distances for places": mode("G90", "G91"),
    "positions for the plunger": mode("M83", "M82"),
    "plunger mode not stated": mode("M83", ""),
    "a plunger zero in the middle of distances for places": inserted("G91"),
    "an origin moved on the way": inserted("G92 X0"),
    "waits in seconds": lambda lines: [re.sub(r"G4 P", "G4 S", line) for line in lines],
    "waits a thousandth": lambda lines: [re.sub(r"G4 P(\d+)", r"G4 P0.\1", line) for line in lines],
    "cut in the middle": lambda lines: lines[: len(lines) // 2],
    "cut just before the end": lambda lines: lines[: moves_of(lines, r"G0 X")[-1]],
    "an unknown word": inserted("G1 Q5"),
    "a line of noise": inserted("\x07\x02garbage"),
    "everything twice": lambda lines: lines + lines,
    "nothing": lambda lines: [],
}


def verdict_on(lines: Lines):
    plan = plan_of(Side.TOP)
    return verify("\n".join(lines) + "\n", expected_from_plan(plan.record), plan.profile)


@pytest.mark.parametrize("name", BROKEN)
def test_every_way_of_breaking_the_demo_program_is_noticed(name: str):
    lines = plan_of(Side.TOP).program.text.splitlines()
    broken = BROKEN[name](lines)
    assert broken != lines
    assert not verdict_on(broken).ok


def test_the_unbroken_program_has_no_findings():
    assert verdict_on(plan_of(Side.TOP).program.text.splitlines()).ok


@pytest.mark.parametrize("seed", range(12))
def test_any_one_move_that_is_dropped_is_noticed(seed: int):
    lines = plan_of(Side.TOP).program.text.splitlines()
    k = random.Random(seed).choice(moves_of(lines, r"G[01] "))
    assert not verdict_on(lines[:k] + lines[k + 1 :]).ok, lines[k]

"""Damaged boards through reading, and those that are read through the whole plan: an answer or an `InputError`.

A few by every run; by the thousand in the campaign.
"""

import traceback
from collections import Counter

import pytest
from mutated_boards import drawing, gerber_set, mutated_board

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import board_of_files
from pastewright.board.source.files import SourceFile
from pastewright.plan.pipeline import make_plan
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile

PROFILE = parse_profile(example_text("bench-reprap-e"), "bench.toml")
CAMPAIGN = 2100


def outcome(files: list[SourceFile]) -> str:
    """Return what became of a board: "refused", "not planned", "planned", "not verified"."""
    try:
        board = board_of_files(files, Ask(side=Side.TOP, name="logger"))
    except InputError as error:
        assert error.problems and all(problem.what for problem in error.problems)
        return "refused"
    assert all(pad.land.is_valid and pad.land.area > 0 for pad in board.pads)
    try:
        plan = make_plan(board, PROFILE)
    except InputError as error:
        assert error.problems and all(problem.what for problem in error.problems)
        return "not planned"
    return "planned" if plan.verdict.ok else "not verified"


def outcomes(seeds: range) -> Counter[str]:
    found: Counter[str] = Counter()
    broken: list[str] = []
    for seed in seeds:
        try:
            found[outcome(mutated_board(seed))] += 1
        except Exception:
            broken.append(f"seed {seed}:\n{traceback.format_exc()[-1500:]}")
    assert not broken, f"{len(broken)} of {len(seeds)} boards end in a traceback; the first:\n{broken[0]}"
    return found


@pytest.mark.parametrize("name", ["svg", "dxf", "ipc2581", "table"])
def test_the_undamaged_drawings_are_planned(name):
    assert outcome([SourceFile(name=f"logger.{name}", data=drawing(name))]) == "planned"


def test_the_undamaged_set_is_planned():
    files = [SourceFile(name=name, data=data) for name, data in gerber_set().items()]
    assert outcome(files) == "planned"


def test_a_few_damaged_boards_are_answered():
    found = outcomes(range(100_000, 100_012))
    assert sum(found.values()) == 12


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(7))
def test_thousands_of_damaged_boards_are_answered(part, capsys):
    each = CAMPAIGN // 7
    found = outcomes(range(part * each, (part + 1) * each))
    with capsys.disabled():
        print(f"\npart {part}: {dict(found)}")
    assert sum(found.values()) == each
    # Damage that refuses everything would test nothing of the plan.
    assert found["planned"] > each / 5

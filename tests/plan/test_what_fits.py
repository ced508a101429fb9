"""A board that is larger than the machine is refused before anything is planned on it."""

from dataclasses import replace

import pytest

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import board_of_files
from pastewright.board.source.files import SourceFile
from pastewright.motion.faults import check_fits
from pastewright.plan.pipeline import prepare
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile

PROFILE = parse_profile(example_text("bench-reprap-e"), "bench.toml")
X_MM = PROFILE.machine.x_max_mm - PROFILE.machine.x_min_mm
Y_MM = PROFILE.machine.y_max_mm - PROFILE.machine.y_min_mm


def test_a_board_as_large_as_the_travel_fits_either_way_round():
    check_fits((X_MM, Y_MM), PROFILE)
    check_fits((Y_MM, X_MM), PROFILE)
    with pytest.raises(InputError, match="larger than the machine's travel"):
        check_fits((X_MM + 0.01, min(X_MM, Y_MM)), PROFILE)


def test_a_plan_of_a_board_larger_than_the_travel_is_refused():
    table = b"x_mm,y_mm,diameter\n10,10,1\n20,20,1\n"
    board = board_of_files([SourceFile(name="pads.csv", data=table)], Ask(side=Side.TOP))
    assert prepare(board, PROFILE).layout.deposits
    with pytest.raises(InputError, match="frame or a panel was taken for the board"):
        prepare(replace(board, size_mm=(max(X_MM, Y_MM) + 1, 10.0)), PROFILE)

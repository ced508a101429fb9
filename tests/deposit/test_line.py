"""Lines drawn as beads: their dose from the width, the bead along them, and volumes stated by the source."""

from dataclasses import replace
from itertools import pairwise
from math import dist, pi

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.drawn.pad_table import read_table
from pastewright.board.model import Board, Side
from pastewright.board.pads.board import board_of
from pastewright.board.source.files import SourceFile
from pastewright.deposit.lay import lay
from pastewright.deposit.model import DepositKind, Layout
from pastewright.dose.doses import dose_board
from pastewright.profile.examples import example_text
from pastewright.profile.model import DoseRule
from pastewright.profile.read import parse_profile

PROFILE = parse_profile(example_text("bench-reprap-e"), "bench.toml")
RATIO = PROFILE.tuning.bead_shape_ratio


def table(*rows: str) -> Board:
    head = "x_mm,y_mm,x2_mm,y2_mm,width,height,volume_ul,ref,pin"
    data = "\n".join([head, *rows]).encode()
    ask = Ask(side=Side.TOP, name="logger")
    return board_of(read_table(SourceFile(name="pads.csv", data=data), ask), side=ask.side, name=ask.name)


def doses(board: Board, *rules: DoseRule):
    dose = replace(PROFILE.dose, rules=rules)
    return dose_board(board, dose, PROFILE.paste, bead_shape_ratio=RATIO).doses


def laid(board: Board) -> Layout:
    return lay(
        board,
        doses(board),
        tip=PROFILE.tip,
        paste=PROFILE.paste,
        tuning=PROFILE.tuning,
        settings=PROFILE.deposit,
    )


def test_a_line_is_dosed_for_its_width():
    # By hand: a bead 0.6 wide, 0.24 high and 10 long: π/4·0.4·0.36·10 + π/6·0.4·0.216 µL.
    (dose,) = doses(table("0,0,10,0,0.6,,,,"))
    assert dose.target_ul == approx(pi / 4 * RATIO * 0.36 * 10 + pi / 6 * RATIO * 0.216)
    assert "as pads.csv:2 draws it" in dose.reason


def test_a_line_becomes_one_bead_along_it_with_its_width():
    board = table("1,2,9,2,0.6,,,,", "3,5,,,1,1,,,")
    layout = laid(board)
    (bead,) = [deposit for deposit in layout.deposits if deposit.kind is DepositKind.BEAD]
    assert bead.points_mm == board.pads[[bool(pad.path_mm) for pad in board.pads].index(True)].path_mm
    assert bead.width_mm == approx(0.6, rel=1e-6)


def test_a_stated_volume_goes_before_area_and_width():
    board = table("0,0,10,0,0.6,,2.5,,", "3,5,,,1,1,0.2,R1,1")
    assert [dose.target_ul for dose in sorted(doses(board), key=lambda dose: dose.target_ul)] == [0.2, 2.5]
    assert all("as pads.csv:" in dose.reason for dose in doses(board))
    assert sum(deposit.volume_ul for deposit in laid(board).deposits) == approx(2.7, rel=1e-6)


def test_rules_have_the_last_word_on_a_stated_volume():
    board = table("3,5,,,1,1,0.4,R1,1")
    assert doses(board, DoseRule(ref="R1", scale=0.5))[0].target_ul == approx(0.2)
    assert doses(board, DoseRule(ref="R1", skip=True))[0].target_ul == 0
    assert doses(board, DoseRule(ref="R1", volume_ul=0.1))[0].target_ul == 0.1


def test_a_line_too_thin_for_the_tip_is_raised_or_cannot_be_done():
    thin = laid(table("0,0,10,0,0.05,,,,"))
    (plan,) = thin.pads
    assert "cannot be done with this tip" in plan.warnings[0]
    assert thin.warnings
    least = 1.2 * PROFILE.tip.bore_mm
    (plan,) = laid(table(f"0,0,10,0,{0.9 * least:.4f},,,,")).pads
    assert plan.warnings[0].startswith("raised to")
    assert plan.planned_ul == approx(laid(table(f"0,0,10,0,{least:.6f},,,,")).pads[0].planned_ul, rel=1e-4)


@settings(max_examples=40)
@given(
    x=st.floats(-20, 20),
    y=st.floats(-20, 20),
    length=st.floats(1, 40),
    width=st.floats(0.4, 3),
    turn=st.floats(0, 6),
)
def test_the_bead_has_the_drawn_width_and_length_wherever_it_lies(x, y, length, width, turn):
    from math import cos, sin

    row = f"{x:.6f},{y:.6f},{x + length * cos(turn):.6f},{y + length * sin(turn):.6f},{width:.6f},,,,"
    (deposit,) = laid(table(row)).deposits
    assert sum(dist(a, b) for a, b in pairwise(deposit.points_mm)) == approx(length, abs=1e-4)
    assert deposit.width_mm == approx(width, rel=1e-4)


@pytest.mark.parametrize("ratio", [0.2, 0.4, 0.8])
def test_dose_and_deposit_reckon_beads_by_one_formula(ratio):
    from pastewright.deposit.shape import bead_width_mm
    from pastewright.dose.bead import bead_volume_ul

    assert bead_width_mm(bead_volume_ul(0.7, 5.0, ratio), ratio, path_mm=5.0) == approx(0.7)

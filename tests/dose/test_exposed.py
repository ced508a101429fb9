"""Openings made from exposed copper are shrunk; those of a paste layer are the designer's own."""

from pathlib import Path

import pytest
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.model import Board, Side
from pastewright.board.read import read_board
from pastewright.dose.exposed import shrunk_openings

HEAD = "%FSLAX46Y46*%\n%MOMM*%\n%ADD11R,1X0.5*%\n%ADD12R,1.2X0.7*%\nD{}*\n"
PADS = "".join(f"X{x}000000Y{y}000000D03*\n" for x, y in ((5, 5), (8, 5), (5, 9), (8, 9))) + "M02*\n"


def board(folder: Path, *films: str) -> Board:
    for name in films:
        (folder / name).write_text(HEAD.format(12 if name.endswith("gts") else 11) + PADS)
    return read_board(folder, Ask(side=Side.TOP))


@pytest.mark.parametrize("shrink_mm", [0.0, 0.05, 0.1])
def test_the_shrink_rule_takes_that_much_off_every_edge(tmp_path: Path, shrink_mm: float):
    made = shrunk_openings(board(tmp_path, "b.gtl", "b.gts"), shrink_mm)
    assert sum(pad.aperture_area_mm2 for pad in made.pads) == approx(
        4 * (1 - 2 * shrink_mm) * (0.5 - 2 * shrink_mm)
    )


def test_a_land_too_narrow_to_shrink_gets_no_paste_and_is_named(tmp_path: Path):
    made = shrunk_openings(board(tmp_path, "b.gtl", "b.gts"), 0.25)
    assert not any(pad.apertures for pad in made.pads)
    assert any("narrower than twice the shrinkage" in p.what and p.line for p in made.problems)


def test_a_paste_layer_is_left_as_it_is(tmp_path: Path):
    made = board(tmp_path, "b.gtl", "b.gts", "b.gtp")
    assert shrunk_openings(made, 0.1) == made

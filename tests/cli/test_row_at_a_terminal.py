"""A witness row's photo at a real terminal, between two boards of a batch."""

from pathlib import Path

import pytest
from at_a_terminal import Person
from demo_plans import plan_of
from rendered_rows import record_in_batch, row_jpeg

import pastewright as pw
from pastewright.board.model import Side
from pastewright.link.barrels import new_barrel
from pastewright.link.journal import Journal
from pastewright.link.taught import TaughtKind, taught
from pastewright.profile.examples import DEMO, example_text

BOARD = "tells the other keys"
AS_SHARP = 0.03
"""A rendered row is measured so well, as in tests/tune/photo/test_row.py."""


def test_a_photo_of_the_row_is_measured_between_two_boards(tmp_path: Path) -> None:
    plan = plan_of(Side.BOTTOM)
    (tmp_path / "bench.toml").write_text(example_text(DEMO), encoding="utf-8")
    pw.write_plan(plan, tmp_path / "bottom")
    laid_mm = row_jpeg(tmp_path / "row.jpg", record_in_batch(plan))
    journal = tmp_path / "runs.db"
    book = Journal(journal)
    new_barrel(book, "A7", paste="", lot="", fill_ul=900.0, note="", now_s=0.0)
    book.close()
    words = ("batch", tmp_path / "bottom", "--boards", "2", "-p", tmp_path / "bench.toml", "--barrel", "A7")
    with Person(*words, "--port", "sim:reprap?scale=0.001", "--journal", journal) as person:
        person.sees(BOARD)
        person.types("")
        person.sees("Board 2 of 2")
        person.sees(BOARD)
        person.types("w", enter=False)
        person.sees("a photo's file")
        person.types(str(tmp_path / "no-such.jpg"))  # is told, and asked again or left
        person.sees("no-such.jpg")
        person.sees(BOARD)
        person.types("w", enter=False)
        person.sees("a photo's file")
        person.types(str(tmp_path / "row.jpg"))
        person.sees("dots were measured in the photo")
        person.sees(BOARD)
        person.types("s", enter=False)
        person.sees("All boards")
        person.types("")
        assert person.ends() == 0, person.seen
    book = Journal(journal)
    (row,) = [each.record for each in taught(book, TaughtKind.ROW)]
    book.close()
    assert row["given"] == str(tmp_path / "row.jpg")
    measured = {index: diameter for index, diameter, *_ in row["dots"]}
    assert len(measured) >= 10
    assert all(
        diameter == pytest.approx(laid_mm[index], rel=AS_SHARP) for index, diameter in measured.items()
    )

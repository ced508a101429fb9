"""The legend near lands, kept beside a plan and read again with the photos of its boards."""

import json

import pytest
from msgspec import structs

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.demo.board import write_demo
from pastewright.plan.document import board_record
from pastewright.problems import InputError
from pastewright.records.legend import LEGEND_FILE
from pastewright.work.legend import NEAR_MM, keep_legend, kept_legend


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo board's files and what is read of them."""
    folder = tmp_path_factory.mktemp("legend") / "board"
    folder.mkdir()
    write_demo(folder, "x2")
    ask = Ask(side=Side.TOP)
    return folder, read_board(folder, ask), ask


def test_what_is_printed_near_lands_is_kept_and_read_again(demo, tmp_path):
    source, board, ask = demo
    keep_legend(source, board, ask, tmp_path)
    legend = kept_legend(tmp_path / "plan.json", board_record(board))
    # The demo prints an outline round every part, and nothing over a land.
    assert len(legend.geoms) > 50
    lands = [pad.land for pad in board.pads]
    assert all(min(part.distance(land) for land in lands) <= NEAR_MM for part in legend.geoms)
    assert all(part.is_valid for part in legend.geoms)


def test_of_another_board_or_side_nothing_is_said(demo, tmp_path):
    source, board, ask = demo
    keep_legend(source, board, ask, tmp_path)
    assert kept_legend(
        tmp_path / "plan.json", structs.replace(board_record(board), inputs_sha256="0" * 64)
    ).is_empty
    assert kept_legend(
        tmp_path / "plan.json", structs.replace(board_record(board), side=Side.BOTTOM)
    ).is_empty
    assert kept_legend(tmp_path / "elsewhere" / "plan.json", board_record(board)).is_empty


def test_an_older_legend_goes_where_the_files_have_none(demo, tmp_path):
    source, board, ask = demo
    keep_legend(source, board, ask, tmp_path)
    bare = tmp_path / "bare"
    bare.mkdir()
    for file in source.iterdir():
        if "legend" not in file.name:
            (bare / file.name).write_bytes(file.read_bytes())
    keep_legend(bare, read_board(bare, ask), ask, tmp_path)
    assert not (tmp_path / LEGEND_FILE).exists()


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"format": "pastewright legend", "version": 2}'])
def test_a_spoilt_legend_is_refused_with_what_to_do(demo, tmp_path, text):
    _, board, _ = demo
    (tmp_path / LEGEND_FILE).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=LEGEND_FILE):
        kept_legend(tmp_path / "plan.json", board_record(board))


def test_rings_too_short_to_enclose_anything_are_refused(demo, tmp_path):
    source, board, ask = demo
    keep_legend(source, board, ask, tmp_path)
    data = json.loads((tmp_path / LEGEND_FILE).read_text("utf-8"))
    data["areas_mm"].append([[[0, 0], [1, 1]]])
    (tmp_path / LEGEND_FILE).write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(InputError):
        kept_legend(tmp_path / "plan.json", board_record(board))

"""`Artwork` to `Board`: the one door from what was read to what is pasted."""

from dataclasses import replace

from pastewright.board.artwork import Artwork, Judging
from pastewright.board.model import Board, Side
from pastewright.board.pads.films import PASTE
from pastewright.board.pads.films_side import films_side
from pastewright.board.pads.laid import laid_side
from pastewright.board.pads.placed import placed_board


def board_of(artwork: Artwork, *, side: Side, name: str, sha256: str = "") -> Board:
    """Return one side of the board as seen from that side; `sha256` names the bytes that were read.

    Raises `InputError` when there is nothing to paste by.
    """
    if artwork.judging is Judging.BY_COPPER:
        found = films_side(artwork, side)
    else:
        found = laid_side(artwork, artwork.layers[PASTE[side]])
    board = placed_board(found, name=name, side=side, uses=artwork.uses, sha256=sha256)
    return replace(board, problems=(*artwork.problems, *board.problems))

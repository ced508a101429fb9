"""`pastewright look`: what was read, before anything is planned."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ReadOptions, SidesName, Source


def look(
    source: Source,
    *,
    side: Annotated[SidesName, typer.Option("--side", help="The side to show.")] = SidesName.BOTH,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for the pictures [no pictures].")
    ] = None,
    files: ReadOptions,
) -> int:
    """Show what was read: files and layers, pads by kind, what was left out, and a picture."""
    from pastewright.problems import InputError
    from pastewright.report.board_svg import board_svg
    from pastewright.work.exits import DONE, WRONG_INPUT
    from pastewright.work.printing.board import print_board, print_layers, print_unread
    from pastewright.work.printing.console import print_file
    from pastewright.work.reading import load_board
    from pastewright.writing import write_text

    boards, failed = [], []
    for one in ("top", "bottom") if side is SidesName.BOTH else (side.value,):
        try:
            boards.append(load_board(source, side=one, files=files))
        except InputError as error:
            failed.append((one, error))
    if not boards:
        raise InputError(dict.fromkeys(problem for _, error in failed for problem in error.problems))
    print_layers(boards)
    for board in boards:
        print_board(board)
        if out is not None:
            picture = out / f"look-{board.side}.svg"
            write_text(picture, board_svg(board), what="the picture")
            print_file("picture", picture)
    code = DONE
    # A board may have one side only. A side that has layers which cannot be read is another matter.
    for one, failure in failed:
        there = any(str(use.role).startswith(one) and "silk" not in str(use.role) for use in boards[0].layers)
        print_unread(one, failure, there=there)
        code = WRONG_INPUT if there else code
    return code

"""A board as it was read: files, pads, paste, and what was left out."""

from collections import Counter
from collections.abc import Sequence

from rich.markup import escape

from pastewright.board.model import Board
from pastewright.counting import counted
from pastewright.problems import InputError, Problem, Severity
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems, table_of

MOST_LEFT_OUT = 10  # more hide the board; report.html lists them


def print_layers(boards: Sequence[Board]) -> None:
    """Print the files, what they were taken for, and which of them the boards use."""
    used = {use.file: use for board in boards for use in board.layers if use.used}
    headings = ("file", "taken as", "how known", "used", "note")
    table = table_of(*headings, words=headings)
    for use in (used.get(use.file, use) for use in boards[0].layers):
        table.add_row(
            escape(use.file),
            str(use.role),
            escape(use.how),
            "yes" if use.file in used else "no",
            escape(use.note),
        )
    console.print(table)


def print_board(board: Board) -> None:
    """Print one side: its pads by kind, its paste, what was left out."""
    kinds = Counter(str(pad.kind) for pad in board.pads)
    pasted = [pad for pad in board.pads if pad.apertures]
    area_mm2 = sum(pad.aperture_area_mm2 for pad in pasted)
    named = sum(1 for pad in pasted if pad.ref)
    console.print(
        f"[bold]{escape(board.name)}, {board.side} side[/]: {board.size_mm[0]:.2f} × {board.size_mm[1]:.2f} mm"
        + ("" if board.outline is not None else " (no outline; size of what is on it)")
    )
    console.print("  pads: " + ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items())))
    console.print(
        f"  paste: {area_mm2:.3f} mm² in {sum(len(pad.apertures) for pad in pasted)} apertures on {len(pasted)}"
        f" pads, from the {board.paste_origin}; {named} of these pads have a reference designator"
    )
    console.print(f"  {counted(len(board.holes), 'hole')}, {counted(len(board.fiducials), 'fiducial')}")
    for left in board.left_out[:MOST_LEFT_OUT]:
        console.print(
            f"  left out: {escape(str(left.source))}: {left.shape.area:.3f} mm², {escape(left.reason)}"
        )
    if len(board.left_out) > MOST_LEFT_OUT:
        console.print(f"  left out: … and {len(board.left_out) - MOST_LEFT_OUT} more")
    print_problems(board.problems)


def print_unread(side: str, failure: InputError, *, there: bool) -> None:
    """Print why a side was not read: an error where the files have that side, else a note."""
    console.print(f"[bold]{side} side[/]: " + ("cannot be read" if there else "nothing to show"))
    print_problems([problem if there else _softened(problem) for problem in failure.problems])


def _softened(problem: Problem) -> Problem:
    return Problem(
        what=problem.what, mend=problem.mend, severity=Severity.NOTE, file=problem.file, line=problem.line
    )

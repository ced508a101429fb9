"""`pastewright look`: what was read, before anything is planned."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape
from rich.table import Table

from pastewright.board.model import Board
from pastewright.cli.console import out as console
from pastewright.cli.console import print_problems
from pastewright.cli.exits import DONE, WRONG_INPUT
from pastewright.cli.reading import layer_overrides, load_board
from pastewright.problems import InputError, Problem, Severity, one_error
from pastewright.report.board_svg import board_svg


def look_command(
    source: Path,
    *,
    side: str,
    out: Path | None,
    layers: Sequence[str],
    units: str = "",
    columns: str = "",
) -> int:
    """Print what was read of one side or both, and draw it; returns the exit code.

    A board may have one side only. A side that has layers which cannot be read is another matter.
    """
    overrides = layer_overrides(layers)
    sides = ("top", "bottom") if side == "both" else (side,)
    boards: list[Board] = []
    failed: list[tuple[str, InputError]] = []
    for one in sides:
        try:
            boards.append(load_board(source, side=one, overrides=overrides, units=units, columns=columns))
        except InputError as error:
            failed.append((one, error))
    if not boards:
        raise InputError(dict.fromkeys(problem for _, error in failed for problem in error.problems))
    _print_layers(boards)
    for board in boards:
        _print_board(board)
        if out is not None:
            console.print(f"  picture  {escape(str(_draw(board, out)))}")
    code = DONE
    for one, failure in failed:
        there = any(str(use.role).startswith(one) and "silk" not in str(use.role) for use in boards[0].layers)
        console.print(f"[bold]{one} side[/]: " + ("cannot be read" if there else "nothing to show"))
        print_problems([problem if there else _softened(problem) for problem in failure.problems])
        code = WRONG_INPUT if there else code
    return code


def _softened(problem: Problem) -> Problem:
    return Problem(
        what=problem.what, mend=problem.mend, severity=Severity.NOTE, file=problem.file, line=problem.line
    )


def _print_layers(boards: Sequence[Board]) -> None:
    used = {use.file: use for board in boards for use in board.layers if use.used}
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("file", "taken as", "how known", "used", "note"):
        table.add_column(heading, overflow="fold")
    for use in (used.get(use.file, use) for use in boards[0].layers):
        table.add_row(
            escape(use.file),
            str(use.role),
            escape(use.how),
            "yes" if use.file in used else "no",
            escape(use.note),
        )
    console.print(table)


def _print_board(board: Board) -> None:
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
    console.print(f"  {len(board.holes)} holes, {len(board.fiducials)} fiducials")
    for left in board.left_out[:10]:
        console.print(
            f"  left out: {escape(str(left.source))}: {left.shape.area:.3f} mm², {escape(left.reason)}"
        )
    if len(board.left_out) > 10:
        console.print(f"  left out: … and {len(board.left_out) - 10} more")
    print_problems(board.problems)


def _draw(board: Board, out: Path) -> Path:
    path = out / f"look-{board.side}.svg"
    try:
        out.mkdir(parents=True, exist_ok=True)
        path.write_text(board_svg(board), encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the picture cannot be written: {error.strerror or error}",
            "Choose another --out.",
            file=str(path),
        ) from None
    return path

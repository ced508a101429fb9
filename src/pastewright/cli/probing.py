"""`pastewright probe`: the program that finds a board's height."""

from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.console import print_warnings
from pastewright.cli.exits import DONE
from pastewright.cli.reading import layer_overrides, load_board, load_profile
from pastewright.place.height.probe import probing, typed_keep_out
from pastewright.place.transform import on_bed
from pastewright.place.tray.document import fits_board, read_placement
from pastewright.problems import one_error
from pastewright.program.probing import probing_program


def probe_command(
    source: Path,
    profile_path: Path,
    *,
    side: str,
    layers: Sequence[str],
    placement: Path | None,
    grid: str,
    keep_outs: Sequence[str],
    out: Path,
) -> int:
    """Write the probing program; returns the exit code."""
    columns, rows = _grid(grid)
    parts = [typed_keep_out(word) for word in keep_outs]
    profile = load_profile(profile_path)
    board = load_board(source, side=side, overrides=layer_overrides(layers), shrink_mm=profile.dose.shrink_mm)
    where = on_bed(profile.bed).boards[0].affine
    warnings: tuple[str, ...] = ()
    if placement is not None:
        found = read_placement(placement)
        warnings = fits_board(found, board, file=str(placement))
        where = found.placements.boards[0].affine
    journey = probing(board, where, profile, columns=columns, rows=rows, keep_outs=parts)
    program = probing_program(journey, profile, board=f"{board.name}, {board.side} side")
    path = out if out.suffix else out.with_suffix(program.suffix)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(program.text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise one_error(
            f"the program cannot be written: {error.strerror or error}",
            "Choose another --out.",
            file=str(path),
        ) from None
    round_about = sum(1 for stop in journey.stops if stop.by_mm)
    over = sum(1 for stop in journey.stops[1:] if stop.over)
    console.print(
        f"[bold]{len(journey.stops)} places[/], travel at Z {journey.travel_z_mm:g} mm,"
        f" probing down to Z {journey.low_z_mm:g} mm;"
        f" {round_about} ways go round parts, {over} above them at Z {journey.safe_z_mm:g} mm"
    )
    print_warnings([*warnings, *journey.left_out])
    console.print(f"  program  {escape(str(path))}")
    console.print(
        "  Save what the controller answers, and give it to: pastewright register … --points ANSWERS"
    )
    return DONE


def _grid(word: str) -> tuple[int, int]:
    try:
        columns, rows = (int(part) for part in word.lower().split("x"))
    except ValueError:
        raise one_error(f"--grid {word!r} is not COLUMNSxROWS", "For example --grid 4x3") from None
    return columns, rows

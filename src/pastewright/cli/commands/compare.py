"""`pastewright compare`: what changed between two revisions of a board as far as paste is concerned."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ReadOptions, SideName, SideOption


def compare(
    old: Annotated[Path, typer.Argument(metavar="A", help="The board as it was: folder, zip or file.")],
    new: Annotated[Path, typer.Argument(metavar="B", help="The board as it is now.")],
    *,
    profile: Annotated[
        Path | None,
        typer.Option("--profile", "-p", help="The bench, to compare doses [without: paste areas]."),
    ] = None,
    side: SideOption = SideName.TOP,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File for the picture, an SVG [no picture].")
    ] = None,
    files: ReadOptions,
) -> int:
    """Say what changed between two revisions of a board as far as paste is concerned."""
    from pastewright.plan.compare import compare_boards
    from pastewright.report.compare_svg import compare_svg
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.printing.changes import print_changes
    from pastewright.work.printing.console import print_file, stages
    from pastewright.work.reading import load_board, load_profile
    from pastewright.writing import write_text

    bench = load_profile(profile) if profile is not None else None
    shrink_mm = bench.dose.shrink_mm if bench is not None else 0.0
    with stages(("first", "second", "comparing")) as begin:
        begin("first")
        before = load_board(old, side=side.value, files=files, shrink_mm=shrink_mm)
        begin("second")
        after = load_board(new, side=side.value, files=files, shrink_mm=shrink_mm)
        begin("comparing")
        found = compare_boards(before, after, bench)
    print_changes(found)
    if out is not None:
        write_text(out, compare_svg(before, after, found), what="the picture")
        print_file("picture", out)
    return FINDINGS if found.changes else DONE

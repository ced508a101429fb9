"""`pastewright capability`: what a batch of inspected boards says of the process, in numbers, charts and words."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import JournalOption


def capability(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FILE]...",
            help="inspection.json of each board, in their order, or one CSV of deposits [the journal's inspections].",
        ),
    ] = None,
    *,
    board: Annotated[
        list[str] | None,
        typer.Option(
            "--board", help="Of the journal's inspections: a board's name or serial; may be repeated."
        ),
    ] = None,
    low: Annotated[
        float, typer.Option("--low", min=0, max=100, help="Least volume that is good [% of the dose].")
    ] = 50,
    high: Annotated[
        float, typer.Option("--high", min=100, max=1000, help="Most volume that is good [% of the dose].")
    ] = 150,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Folder for capability.json and capability.svg [none written]."),
    ] = None,
    journal: JournalOption = None,
) -> int:
    """Say what the process is able to do: capability by class, missing and bridged, control charts, which parts fail."""
    from pastewright.learn.pictures import capability_svg
    from pastewright.learn.process import process_of
    from pastewright.problems import one_error
    from pastewright.work.capability import found_in_files, found_in_journal, process_text
    from pastewright.work.exits import DONE
    from pastewright.work.printing.capability import print_process
    from pastewright.work.printing.console import print_file
    from pastewright.writing import writing

    if files and board:
        raise one_error(
            "--board is for the journal's inspections, and files were given", "Leave one of them out."
        )
    found = found_in_files(files, journal) if files else found_in_journal(journal, board or ())
    told = process_of(found, lower=low / 100, upper=high / 100)
    print_process(told)
    if out is not None:
        with writing("the results", out, "Choose another folder with --out."):
            out.mkdir(parents=True, exist_ok=True)
            (out / "capability.json").write_text(process_text(told), encoding="utf-8")
            (out / "capability.svg").write_text(capability_svg(told), encoding="utf-8")
        for name in ("capability.json", "capability.svg"):
            print_file("wrote", out / name)
    return DONE

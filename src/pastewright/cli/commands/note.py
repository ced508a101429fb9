"""`pastewright note`: what is wrong with joints after reflow, kept, and turned into dose rules when accepted."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import JournalOption


def note(
    part: Annotated[
        str,
        typer.Argument(metavar="[PART]", help='The part, or one pin of it: "U3" or "U3-4" [list the notes].'),
    ] = "",
    defect: Annotated[
        str,
        typer.Argument(
            metavar="[DEFECT]", help="bridged, balled, stood-up, open, starved, voided, shifted or other."
        ),
    ] = "",
    *,
    board: Annotated[
        str, typer.Option("--board", help="Serial or number of the board [the last one laid].")
    ] = "",
    design: Annotated[
        str, typer.Option("--design", help="Name of the design [that of the last board laid].")
    ] = "",
    words: Annotated[str, typer.Option("--words", help="Anything to remember of it.")] = "",
    rules: Annotated[
        Path | None,
        typer.Option(
            "--rules", metavar="JOB.TOML", help="Show the dose rules that the notes ask for in this job file."
        ),
    ] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Write them into the job file.")] = False,
    journal: JournalOption = None,
) -> int:
    """Keep what is wrong with a joint after reflow; show or accept the dose rules that the notes ask for."""
    from pastewright.link.journal import Journal
    from pastewright.work.exits import DONE
    from pastewright.work.running.notes import kept, listed, proposed
    from pastewright.work.running.records import default_journal

    opened = Journal(journal or default_journal())
    try:
        if rules is not None:
            return proposed(opened, design, rules, accept=accept)
        if not part:
            listed(opened, design)
            return DONE
        kept(opened, part, defect, board=board, design=design, words=words)
    finally:
        opened.close()
    return DONE

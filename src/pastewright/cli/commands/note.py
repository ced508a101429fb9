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
    take_back: Annotated[
        bool, typer.Option("--take-back", help="Take a note back that was made before.")
    ] = False,
    journal: JournalOption = None,
) -> int:
    """Keep what is wrong with a joint after reflow; show or accept the dose rules that the notes ask for."""
    from pastewright.link.journal import Journal
    from pastewright.problems import one_error
    from pastewright.work.exits import DONE
    from pastewright.work.running.notes import kept, listed, proposed
    from pastewright.work.running.records import default_journal

    if rules is None and accept:
        raise one_error("which job file is meant was not said", "Name it: --rules job.toml --accept.")
    if rules is not None and part:
        raise one_error("a note and --rules were given", "Note first, then ask for the rules.")
    if not part and (defect or board or words or take_back):
        raise one_error(
            "which part is meant was not said", "Write for instance: pastewright note U3 bridged."
        )
    opened = Journal(journal or default_journal())
    try:
        if rules is not None:
            return proposed(opened, design, rules, accept=accept)
        if not part:
            listed(opened, design)
            return DONE
        kept(opened, part, defect, board=board, design=design, words=words, back=take_back)
    finally:
        opened.close()
    return DONE

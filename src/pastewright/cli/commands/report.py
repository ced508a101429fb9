"""`pastewright report`: all that the journal knows of a run."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import JournalOption


def report(
    run_number: Annotated[int, typer.Argument(metavar="RUN", help="Number of the run.")],
    journal: JournalOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File for the picture [beside the journal].")
    ] = None,
) -> int:
    """Tell all about a run, and draw which deposits are laid, in doubt, or to do."""
    from pastewright.link.journal import open_existing
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.printing.runs import in_doubt, print_run
    from pastewright.work.running.once import touch_up_facts
    from pastewright.work.running.records import default_journal, write_picture

    opened = open_existing(journal or default_journal())
    try:
        row = opened.run(run_number)
        doubted = in_doubt(opened.deposits(row.board))
        picture = write_picture(opened, opened.job(row.program), row, out)
        print_run(row, doubted, opened.events(row.id), picture, touch_up_facts(opened, row))
    finally:
        opened.close()
    return FINDINGS if doubted else DONE

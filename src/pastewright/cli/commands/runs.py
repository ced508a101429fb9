"""`pastewright runs`: what was run."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import JournalOption


def runs(
    journal: JournalOption = None,
    *,
    export: Annotated[
        Path | None,
        typer.Option("--export", metavar="FILE", help="Write a record per board of batches: .csv or .json."),
    ] = None,
    batch: Annotated[int | None, typer.Option("--batch", help="Only this batch in the export.")] = None,
) -> int:
    """List what was run."""
    from pastewright.link.journal import open_existing
    from pastewright.work.exits import DONE
    from pastewright.work.printing.runs import print_runs
    from pastewright.work.running.export import export_records
    from pastewright.work.running.records import default_journal

    opened = open_existing(journal or default_journal())
    try:
        if export is not None:
            export_records(opened, export, batch)
        else:
            print_runs(opened.runs())
    finally:
        opened.close()
    return DONE

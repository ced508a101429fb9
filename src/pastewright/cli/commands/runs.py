"""`pastewright runs`: what was run."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.cli.options import JournalOption


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
    from pastewright.cli.exits import DONE
    from pastewright.cli.printing.runs import print_runs
    from pastewright.cli.running.export import export_records
    from pastewright.cli.running.records import default_journal
    from pastewright.link.journal import open_existing

    opened = open_existing(journal or default_journal())
    try:
        if export is not None:
            export_records(opened, export, batch)
        else:
            print_runs(opened.runs())
    finally:
        opened.close()
    return DONE

"""`pastewright runs`: what was run."""

from pastewright.cli.options import JournalOption


def runs(journal: JournalOption = None) -> int:
    """List what was run."""
    from pastewright.cli.exits import DONE
    from pastewright.cli.printing.runs import print_runs
    from pastewright.cli.running.records import default_journal
    from pastewright.link.journal import open_existing

    opened = open_existing(journal or default_journal())
    try:
        print_runs(opened.runs())
    finally:
        opened.close()
    return DONE

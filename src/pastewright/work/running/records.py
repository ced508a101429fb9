"""The journal where nobody names one, and the picture of a run that lies beside it."""

import os
from pathlib import Path

from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import RunRow
from pastewright.report.run_svg import run_svg
from pastewright.writing import write_text


def default_journal() -> Path:
    """Return where the journal lies when nobody says: in the user's state folder."""
    base = os.environ.get("XDG_STATE_HOME", "")
    return (Path(base) if base else Path.home() / ".local" / "state") / "pastewright" / "journal.db"


def write_picture(journal: Journal, job: ProgramJob, row: RunRow, out: Path | None) -> Path:
    """Draw how the board of a run stands; returns the file, beside the journal where none was named."""
    path = out or journal.path.parent / f"run-{row.id}.svg"
    states = {one.deposit: one.state for one in journal.deposits(row.board)}
    write_text(path, run_svg(job, states), what="the picture")
    return path

"""A touch-up is laid once: what an inspection missed is no longer missing when a touch-up of it was laid.

Whatever was planned from that inspection, with `--wiped` or without, would lay on paste that stands there now. The journal
keeps every touch-up with the inspection that it was planned from.
"""

from pastewright.link.companions import Companion
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import RunRow
from pastewright.problems import one_error
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import PlanRecord
from pastewright.records.touched import TouchedRecord

TOUCH_UPS = (
    "FROM runs JOIN boards ON boards.id = runs.board JOIN programs ON programs.sha256 = boards.program"
    " WHERE runs.kind = ? AND boards.dry = 0"
)
REHEARSED = "sim:"
"""Ports at which nothing was laid: the controller was a pretended one."""


def touched_of(companion: Companion) -> TouchedRecord | None:
    """Return which board a touch-up is for, None of any other program."""
    return companion.touched if isinstance(companion, PlanRecord) else None


def check_first(journal: Journal, companion: Companion, *, port: str) -> None:
    """Raise `InputError` where a touch-up from the same inspection was begun; a rehearsal forbids none at a machine."""
    touched = touched_of(companion)
    if touched is None:
        return
    rehearsals = port.startswith(REHEARSED)
    rows = journal.rows(
        f"SELECT runs.id, runs.port {TOUCH_UPS} AND json_extract(programs.plan, '$.touched.inspection_sha256') = ?"
        " AND EXISTS (SELECT 1 FROM laid WHERE laid.run = runs.id) ORDER BY runs.id DESC",
        (str(ProgramKind.TOUCH_UP), touched.inspection_sha256),
    )
    for run, where in rows:
        if rehearsals or not str(where).startswith(REHEARSED):
            raise one_error(
                f"what this inspection missed was laid already, or begun (run {run})",
                f"If that run broke off: pastewright resume {run}. Else inspect the board anew, and touch that up.",
            )


def touch_up_facts(journal: Journal, row: RunRow) -> dict[str, str]:
    """Return what the journal knows of touch-ups about a run: which board it touched up, or which runs did so to its own."""
    touched = touched_of(journal.program(row.program)[2])
    if touched is not None:
        return {"touches up": words_of(touched)}
    runs = journal.rows(
        f"SELECT runs.id {TOUCH_UPS} AND json_extract(programs.plan, '$.touched.journal_board') = ?"
        " ORDER BY runs.id",
        (str(ProgramKind.TOUCH_UP), row.board),
    )
    return {"touched up": f"by {', '.join(f'run {run}' for (run,) in runs)}"} if runs else {}


def words_of(touched: TouchedRecord) -> str:
    """Return in words which board a touch-up is for."""
    names = [
        f"board {touched.serial}" if touched.serial else "",
        f"board {touched.board} of its tray" if touched.board and touched.board != touched.serial else "",
        f"number {touched.journal_board} in the journal" if touched.journal_board is not None else "",
    ]
    return ", ".join(filter(None, names)) or "a board that the inspection does not name"

"""Inspections in the journal: which board a name means, and what photos of it have shown."""

import json
from collections.abc import Collection

from pastewright.link.journal import Journal
from pastewright.link.taught import TaughtKind, taught, teach
from pastewright.problems import one_error
from pastewright.records.plan import PlanRecord


def board_named(journal: Journal, name: str, *, program_sha256: str) -> int:
    """Return the number, in the journal, of the board that a person names: a serial of a batch, or "3", the third one laid
    with this program. Raises `InputError` where there is none.
    """
    rows = journal.rows(
        "SELECT attempts.board FROM attempts JOIN places ON places.batch = attempts.batch"
        " AND places.place = attempts.place AND places.side = attempts.side"
        " JOIN boards ON boards.id = attempts.board WHERE places.serial = ?"
        " ORDER BY boards.program = ? DESC, attempts.id DESC",
        (name, program_sha256),
    )
    if not rows and name.isdecimal():
        rows = journal.rows(
            "SELECT id FROM boards WHERE program = ? AND number = ? ORDER BY id DESC",
            (program_sha256, int(name)),
        )
    if not rows:
        known = journal.rows("SELECT number FROM boards WHERE program = ? ORDER BY number", (program_sha256,))
        numbers = ", ".join(str(row[0]) for row in known[:12])
        raise one_error(
            f"the journal knows no board {name!r}",
            f"Name a serial of a batch, or a number: with this program were laid {numbers}."
            if numbers
            else "Nothing was laid with this program yet; leave --board out, or name the journal with --journal.",
            file=str(journal.path),
        )
    return int(rows[0][0])


def laid_by(journal: Journal, board: int) -> PlanRecord | None:
    """Return the plan by which a board was laid last, with the place where it was found for that; None where it was not."""
    rows = journal.rows(
        "SELECT CASE WHEN runs.sent = '' THEN boards.program ELSE runs.sent END FROM runs"
        " JOIN boards ON boards.id = runs.board WHERE boards.id = ? AND boards.dry = 0 ORDER BY runs.id DESC LIMIT 1",
        (board,),
    )
    plan = journal.program(rows[0][0])[2] if rows else None
    return plan if isinstance(plan, PlanRecord) else None


def keep_inspection(journal: Journal, board: int, words: str, *, record: str, now_s: float) -> None:
    """Enter what photos of a board have shown, with the last run on it; `record` is the text of inspection.json."""
    runs = journal.rows("SELECT max(id) FROM runs WHERE board = ?", (board,))
    if not runs or runs[0][0] is None:
        raise one_error(
            "nothing was ever laid on this board", "Name another with --board.", file=str(journal.path)
        )
    with journal.change() as database:
        database.execute(
            "INSERT INTO events (run, at, kind, text) VALUES (?, ?, 'inspected', ?)",
            (runs[0][0], now_s, words),
        )
    teach(journal, TaughtKind.INSPECTION, {"inspection": record}, batch=None, board=board, now_s=now_s)


def inspections_kept(journal: Journal, names: Collection[str] = ()) -> list[str]:
    """Return the text of the newest inspection of each board and side, boards in the order in which they were laid.

    `names` are boards' names or serials as their inspections tell them; none means all.
    """
    newest: dict[tuple[int, str], str] = {}
    for row in taught(journal, TaughtKind.INSPECTION):
        text = str(row.record["inspection"])
        told = json.loads(text)
        if row.board is not None and (not names or {told["board"], told["serial"]} & set(names)):
            newest[row.board, str(told["side"])] = text
    return [newest[key] for key in sorted(newest)]

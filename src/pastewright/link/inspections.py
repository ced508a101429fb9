"""Inspections in the journal: which board a name means, and what photos of it have shown."""

from pastewright.link.journal import Journal
from pastewright.problems import one_error


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


def keep_inspection(journal: Journal, board: int, words: str, *, now_s: float) -> None:
    """Enter what photos of a board have shown, with the last run on it."""
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

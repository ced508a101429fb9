"""What boards taught, in the journal: rows that were measured and what came of them, what photos of boards showed, and
joints noted after reflow, and the dose rules that came of them.

Entries are added and never changed: the newest of a kind counts, the others stay as the history. The table is made when
it is first needed, since a journal without it is as sound.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from pastewright.link.journal import Journal

TABLE = """
CREATE TABLE IF NOT EXISTS taught (
    id INTEGER PRIMARY KEY, at REAL NOT NULL, batch INTEGER, board INTEGER, what TEXT NOT NULL, record TEXT NOT NULL)
"""


class TaughtKind(StrEnum):
    """What an entry is about."""

    ROW = "row"
    NOTE = "note"
    RULE = "rule"
    INSPECTION = "inspection"


@dataclass(frozen=True, slots=True, kw_only=True)
class TaughtRow:
    """One entry; `record` is JSON-ready, `at` seconds since 1970."""

    id: int
    at: float
    batch: int | None
    board: int | None
    what: TaughtKind
    record: Mapping[str, Any]


def teach(
    journal: Journal,
    what: TaughtKind,
    record: Mapping[str, Any],
    *,
    batch: int | None,
    board: int | None,
    now_s: float,
) -> None:
    """Enter what was learned."""
    with journal.change() as db:
        db.execute(TABLE)
        db.execute(
            "INSERT INTO taught (at, batch, board, what, record) VALUES (?, ?, ?, ?, ?)",
            (now_s, batch, board, what, json.dumps(dict(record), allow_nan=False)),
        )


def taught(journal: Journal, what: TaughtKind, *, batch: int | None = None) -> list[TaughtRow]:
    """Return the entries of a kind, oldest first; of one batch, or of all."""
    if not journal.rows("SELECT name FROM sqlite_master WHERE name = 'taught'"):
        return []
    rows = journal.rows(
        "SELECT id, at, batch, board, what, record FROM taught WHERE what = ? AND (? IS NULL OR batch = ?) ORDER BY id",
        (what, batch, batch),
    )
    return [
        TaughtRow(
            id=row[0],
            at=row[1],
            batch=row[2],
            board=row[3],
            what=TaughtKind(row[4]),
            record=json.loads(row[5]),
        )
        for row in rows
    ]

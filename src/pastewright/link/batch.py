"""A batch: boards with states, kept in the journal, so that it survives whatever a run survives.

    waiting ──▶ at work ──▶ laid
       │           ├──────▶ unfinished ──▶ at work (the rest of the same board), or a new attempt
       │           └──────▶ in doubt  ──▶ laid, unfinished, bad: as a person says
       └──▶ skipped, bad

A place is one board of the batch, on one side. Each time a board is put in and begun is an attempt: a board of the journal
with its own deposits. What state a place has after a run is read from its board's deposits, never remembered apart.
Strips and witness rows lie on cards; a row that was begun is used.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.problems import one_error


class PlaceState(StrEnum):
    """How far a board of the batch has come."""

    WAITING = "waiting"
    AT_WORK = "at work"
    UNFINISHED = "unfinished"
    DOUBT = "in doubt"
    LAID = "laid"
    SKIPPED = "skipped"
    BAD = "bad"


OPEN = (PlaceState.WAITING, PlaceState.AT_WORK, PlaceState.UNFINISHED, PlaceState.DOUBT)
"""States in which something is left to do."""

SETTLED = (PlaceState.LAID, PlaceState.SKIPPED)
"""States that nobody has to look at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRow:
    """A batch; `settings` is what it was begun with, JSON-ready."""

    id: int
    name: str
    began_at: float
    ended_at: float | None
    settings: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceRow:
    """One board of a batch on one side. `boards` are its attempts in the journal, the last one counts."""

    batch: int
    place: int
    side: str
    serial: str
    state: PlaceState
    note: str
    boards: tuple[int, ...]

    @property
    def board(self) -> int | None:
        """The latest attempt, None where there was none."""
        return self.boards[-1] if self.boards else None


def begin_batch(
    journal: Journal,
    *,
    name: str,
    serials: Sequence[str],
    sides: Sequence[str],
    settings: Mapping[str, Any],
    now_s: float,
) -> BatchRow:
    """Enter a new batch with a place for each serial on each side, all of them waiting."""
    if len(set(serials)) != len(serials):
        raise one_error("two boards of the batch have the same serial", "Give each its own.")
    with journal.change() as db:
        key = db.execute(
            "INSERT INTO batches (name, began_at, settings) VALUES (?, ?, ?)",
            (name, now_s, json.dumps(dict(settings))),
        ).lastrowid
        db.executemany(
            "INSERT INTO places (batch, place, side, serial, state) VALUES (?, ?, ?, ?, ?)",
            [
                (key, place, side, serial, PlaceState.WAITING)
                for side in sides
                for place, serial in enumerate(serials, start=1)
            ],
        )
    assert key is not None
    return batch(journal, key)


def batches(journal: Journal) -> list[BatchRow]:
    """Return every batch, the latest first."""
    return [
        BatchRow(id=row[0], name=row[1], began_at=row[2], ended_at=row[3], settings=json.loads(row[4]))
        for row in journal.rows("SELECT id, name, began_at, ended_at, settings FROM batches ORDER BY id DESC")
    ]


def batch(journal: Journal, key: int | None) -> BatchRow:
    """Return a batch, or the latest that has not ended; raises `InputError` where there is none."""
    for row in batches(journal):
        if row.id == key or (key is None and row.ended_at is None):
            return row
    what = "the journal has no batch to go on with" if key is None else f"the journal has no batch {key}"
    raise one_error(what, "Begin one: pastewright batch PROGRAM --boards N.", file=str(journal.path))


def places(journal: Journal, key: int) -> list[PlaceRow]:
    """Return the places of a batch, side by side, in the order of their numbers."""
    attempts: dict[tuple[int, str], list[int]] = {}
    for place, side, board in journal.rows(
        "SELECT place, side, board FROM attempts WHERE batch = ? ORDER BY id", (key,)
    ):
        attempts.setdefault((place, side), []).append(board)
    return [
        PlaceRow(
            batch=key,
            place=row[0],
            side=row[1],
            serial=row[2],
            state=PlaceState(row[3]),
            note=row[4],
            boards=tuple(attempts.get((row[0], row[1]), ())),
        )
        for row in journal.rows(
            "SELECT place, side, serial, state, note FROM places WHERE batch = ? ORDER BY side DESC, place",
            (key,),
        )
    ]


def put(journal: Journal, row: PlaceRow, state: PlaceState, *, note: str = "") -> None:
    """Give a place another state, and add a note to it."""
    notes = "; ".join(part for part in (row.note, note) if part)
    with journal.change() as db:
        db.execute(
            "UPDATE places SET state = ?, note = ? WHERE batch = ? AND place = ? AND side = ?",
            (state, notes, row.batch, row.place, row.side),
        )


def attempt(journal: Journal, row: PlaceRow, board: int, *, now_s: float) -> None:
    """Enter that a board of the journal is begun at a place."""
    with journal.change() as db:
        if board not in row.boards:
            db.execute(
                "INSERT INTO attempts (batch, place, side, board, at) VALUES (?, ?, ?, ?, ?)",
                (row.batch, row.place, row.side, board, now_s),
            )
        db.execute(
            "UPDATE places SET state = ? WHERE batch = ? AND place = ? AND side = ?",
            (PlaceState.AT_WORK, row.batch, row.place, row.side),
        )


def one_more(journal: Journal, key: int, serial: str) -> None:
    """Add a board to a batch, on every side that it has."""
    with journal.change() as db:
        ((last,),) = db.execute("SELECT max(place) FROM places WHERE batch = ?", (key,)).fetchall()
        sides = [row[0] for row in db.execute("SELECT DISTINCT side FROM places WHERE batch = ?", (key,))]
        db.executemany(
            "INSERT INTO places (batch, place, side, serial, state) VALUES (?, ?, ?, ?, ?)",
            [(key, last + 1, side, serial, PlaceState.WAITING) for side in sides],
        )


def state_of(journal: Journal, board: int) -> PlaceState:
    """Return how a board stands, from its deposits."""
    counts = journal.counts(board)
    if counts[DepositState.STARTED]:
        return PlaceState.AT_WORK
    if counts[DepositState.TO_BE_CHECKED]:
        return PlaceState.DOUBT
    return PlaceState.UNFINISHED if counts[DepositState.NOT_STARTED] else PlaceState.LAID


def settle(journal: Journal, key: int, *, why: str, now_s: float) -> list[PlaceRow]:
    """Bring places whose board was begun up to date with its deposits; returns those that changed.

    Only where no process works on the batch: a deposit found started was interrupted, and is to be checked.
    """
    changed = []
    for row in places(journal, key):
        if row.board is None or row.state is not PlaceState.AT_WORK:
            continue
        journal.interrupted(row.board, why=why, now_s=now_s)
        state = state_of(journal, row.board)
        if state is not row.state:
            put(journal, row, state)
            changed.append(row)
    return changed


def end(journal: Journal, key: int, *, now_s: float) -> None:
    """Enter that a batch is over."""
    with journal.change() as db:
        db.execute("UPDATE batches SET ended_at = ? WHERE id = ?", (now_s, key))


def rename_barrel(journal: Journal, key: int, name: str) -> None:
    """Enter which barrel is in the machine from now on."""
    settings = {**batch(journal, key).settings, "barrel": name}
    with journal.change() as db:
        db.execute("UPDATE batches SET settings = ? WHERE id = ?", (json.dumps(settings), key))


# -- cards ----------------------------------------------------------------------------------------------


def fresh_row(journal: Journal, key: int, *, rows_a_card: int) -> tuple[int, int] | None:
    """Return (card, row) of the next fresh place on the card, rows counted from 0; None where the card is full."""
    ((card,),) = journal.rows("SELECT coalesce(max(card), 1) FROM card_rows WHERE batch = ?", (key,))
    ((used,),) = journal.rows(
        "SELECT coalesce(max(slot) + 1, 0) FROM card_rows WHERE batch = ? AND card = ?", (key, card)
    )
    return (card, used) if used < rows_a_card else None


def use_row(journal: Journal, key: int, card: int, slot: int, *, what: str, now_s: float) -> None:
    """Enter that a row of a card is used: what is laid there once is not laid upon."""
    with journal.change() as db:
        db.execute(
            "INSERT INTO card_rows (batch, card, slot, at, what) VALUES (?, ?, ?, ?, ?)",
            (key, card, slot, now_s, what),
        )


def change_card(journal: Journal, key: int, *, now_s: float) -> int:
    """Enter a fresh card; returns its number."""
    ((card,),) = journal.rows("SELECT coalesce(max(card), 1) FROM card_rows WHERE batch = ?", (key,))
    use_row(journal, key, card + 1, -1, what="put in", now_s=now_s)
    return int(card) + 1


# -- the record -----------------------------------------------------------------------------------------


def records(journal: Journal, key: int | None = None) -> list[dict[str, Any]]:
    """Return a record for every attempt of a batch (or of all), JSON-ready: when, what, by which program, how it ended."""
    by_board: dict[int, list[Any]] = {}
    for run in reversed(journal.runs()):
        by_board.setdefault(run.board, []).append(run)
    barrel_names = dict(journal.rows("SELECT id, name FROM barrels"))
    found: list[dict[str, Any]] = []
    for one in batches(journal):
        if key is not None and one.id != key:
            continue
        for row in places(journal, one.id):
            for number, board in enumerate(row.boards or (None,), start=1):
                runs = by_board.get(board, []) if board is not None else []
                counts = journal.counts(board) if board is not None else {}
                last = runs[-1] if runs else None
                opened = last.opened_at if last is not None else None
                found.append(
                    {
                        "batch": one.name,
                        "batch_id": one.id,
                        "place": row.place,
                        "side": row.side,
                        "serial": row.serial,
                        "state": str(row.state if board == row.board else PlaceState.BAD),
                        "attempt": number if board is not None else 0,
                        "runs": [run.id for run in runs],
                        "began_at": runs[0].began_at if runs else None,
                        "ended_at": last.ended_at if last is not None else None,
                        "program_sha256": last.program if last is not None else "",
                        "tip": last.tip if last is not None else "",
                        "paste": last.paste if last is not None else "",
                        "barrel": barrel_names.get(last.barrel, "") if last is not None else "",
                        "paste_age_s": last.began_at - opened if last is not None and opened else None,
                        "temperature_c": one.settings.get("temperature_c"),
                        "used_ul": sum(run.used_ul for run in runs),
                        "done": counts.get(DepositState.DONE, 0),
                        "in_doubt": counts.get(DepositState.TO_BE_CHECKED, 0),
                        "not_started": counts.get(DepositState.NOT_STARTED, 0),
                        "holds": sum(
                            kind == "phase" and text.startswith(("held", "paused"))
                            for run in runs
                            for _, kind, text in journal.events(run.id)
                        ),
                        "stops": [run.why for run in runs if run.why],
                        "note": row.note,
                    }
                )
    return found

"""Barrels: things with a name and a history. What was filled in and what the plunger swept is their account.

    new ──▶ warmed ──▶ opened ──▶ refilled … ──▶ ended         left = Σ fills − Σ sweeps

Every run of a barrel counts, and so does every purge, whatever lot or time the person types. The floor life counts
from the first opening: a refill into an opened barrel makes nothing younger.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from pastewright.link.journal import Journal
from pastewright.problems import one_error


class BarrelEvent(StrEnum):
    """What can happen to a barrel besides being used."""

    NEW = "new"
    WARMED = "warmed"
    OPENED = "opened"
    REFILLED = "refilled"
    CORRECTED = "corrected"
    ENDED = "ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelRow:
    """A barrel as the journal has it; volumes in µL, times in seconds since 1970, None for what has not happened."""

    id: int
    name: str
    paste: str
    lot: str
    note: str
    made_at: float
    warmed_at: float | None
    opened_at: float | None
    ended_at: float | None
    filled_ul: float
    used_ul: float
    doubt_ul: float
    """How far `used_ul` may be wrong: after resets and pulled cables nobody knows how far a stroke came."""
    runs: int

    @property
    def left_ul(self) -> float:
        """What is still in it, not below zero."""
        return max(self.filled_ul - self.used_ul, 0.0)


def new_barrel(
    journal: Journal, name: str, *, paste: str, lot: str, fill_ul: float, note: str, now_s: float
) -> BarrelRow:
    """Enter a new barrel; one in use of the same name is an `InputError`."""
    if not name.strip() or not name.isprintable():
        raise one_error("a barrel needs a name of one line", "Give it the number on its label, for instance.")
    if any(row.name == name and row.ended_at is None for row in barrels(journal)):
        raise one_error(
            f"there is a barrel {name!r} in use already",
            "Choose another name, or end that one first: pastewright barrel end.",
        )
    with journal.change() as db:
        key = db.execute(
            "INSERT INTO barrels (name, paste, lot, made_at, note) VALUES (?, ?, ?, ?, ?)",
            (name, paste, lot, now_s, note),
        ).lastrowid
        assert key is not None
        _event(db, key, BarrelEvent.NEW, fill_ul, "", now_s)
    return _row(journal, key)


def enter(
    journal: Journal, barrel: BarrelRow, what: BarrelEvent, *, ul: float = 0.0, note: str = "", now_s: float
) -> BarrelRow:
    """Enter what happened to a barrel; returns it as it is then."""
    with journal.change() as db:
        _event(db, barrel.id, what, ul, note, now_s)
    return _row(journal, barrel.id)


def swept(journal: Journal, barrel: BarrelRow, what: str, ul: float, *, now_s: float) -> None:
    """Enter paste that the plunger swept outside any run: a purge, running it up, a relief (below zero) [µL]."""
    with journal.change() as db:
        db.execute(
            "INSERT INTO swept (run, barrel, at, what, ul) VALUES (NULL, ?, ?, ?, ?)",
            (barrel.id, now_s, what, ul),
        )


def barrels(journal: Journal) -> list[BarrelRow]:
    """Return every barrel, the latest first."""
    return [_row(journal, row[0]) for row in journal.rows("SELECT id FROM barrels ORDER BY id DESC")]


def barrel_named(journal: Journal, name: str) -> BarrelRow:
    """Return the barrel in use of this name; raises `InputError` where there is none."""
    named = [row for row in barrels(journal) if row.name == name]
    in_use = [row for row in named if row.ended_at is None]
    if in_use:
        return in_use[0]
    known = ", ".join(row.name for row in barrels(journal) if row.ended_at is None) or "none"
    what = f"barrel {name!r} was ended" if named else f"there is no barrel {name!r}"
    raise one_error(what, f"In use: {known}. A new one: pastewright barrel new NAME.")


def history(journal: Journal, barrel: BarrelRow) -> list[tuple[float, str, float, str]]:
    """Return (time, what, µL in or out, note) of a barrel in order; runs as one line each."""
    events: Sequence[tuple[float, str, float, str]] = journal.rows(
        "SELECT at, what, ul, note FROM barrel_events WHERE barrel = ?", (barrel.id,)
    )
    used: Sequence[tuple[float, str, float, str]] = journal.rows(
        "SELECT min(at), CASE WHEN run IS NULL THEN what ELSE 'run ' || run END, -total(ul), '' FROM swept"
        " WHERE barrel = ? GROUP BY coalesce(run, -id)",
        (barrel.id,),
    )
    return sorted([*events, *used])


def _event(
    db: sqlite3.Connection, barrel: int, what: BarrelEvent, ul: float, note: str, now_s: float
) -> None:
    db.execute(
        "INSERT INTO barrel_events (barrel, at, what, ul, note) VALUES (?, ?, ?, ?, ?)",
        (barrel, now_s, what, ul, note),
    )


def _row(journal: Journal, key: int) -> BarrelRow:
    (found,) = journal.rows("SELECT id, name, paste, lot, made_at, note FROM barrels WHERE id = ?", (key,))
    first = dict(
        journal.rows("SELECT what, min(at) FROM barrel_events WHERE barrel = ? GROUP BY what", (key,))
    )
    ((filled_ul,),) = journal.rows("SELECT total(ul) FROM barrel_events WHERE barrel = ?", (key,))
    ((used_ul, doubt_ul, runs),) = journal.rows(
        "SELECT total(ul), total(doubt), count(DISTINCT run) FROM swept WHERE barrel = ?", (key,)
    )
    return BarrelRow(
        id=found[0],
        name=found[1],
        paste=found[2],
        lot=found[3],
        note=found[5],
        made_at=found[4],
        warmed_at=first.get(BarrelEvent.WARMED),
        opened_at=first.get(BarrelEvent.OPENED),
        ended_at=first.get(BarrelEvent.ENDED),
        filled_ul=filled_ul,
        used_ul=used_ul,
        doubt_ul=doubt_ul,
        runs=runs,
    )

"""The tables of the journal, and its rows as values."""

from dataclasses import dataclass
from enum import StrEnum

FORMAT = 5


class DepositState(StrEnum):
    """How far a deposit has come."""

    NOT_STARTED = "not started"
    STARTED = "started"
    DONE = "done"
    TO_BE_CHECKED = "to be checked"


FIRST_SCHEMA = f"""
CREATE TABLE programs (sha256 TEXT PRIMARY KEY, name TEXT NOT NULL, text TEXT NOT NULL, plan TEXT NOT NULL);
CREATE TABLE boards (
    id INTEGER PRIMARY KEY, program TEXT NOT NULL REFERENCES programs, name TEXT NOT NULL, side TEXT NOT NULL,
    number INTEGER NOT NULL, dry INTEGER NOT NULL, began_at REAL NOT NULL);
CREATE TABLE deposits (
    board INTEGER NOT NULL REFERENCES boards, deposit INTEGER NOT NULL, place INTEGER NOT NULL,
    pads TEXT NOT NULL, volume_ul REAL NOT NULL,
    state TEXT NOT NULL DEFAULT '{DepositState.NOT_STARTED}'
        CHECK (state IN ({", ".join(f"'{state}'" for state in DepositState)})),
    why TEXT NOT NULL DEFAULT '', run INTEGER, changed_at REAL,
    PRIMARY KEY (board, deposit)) WITHOUT ROWID;
CREATE TABLE runs (
    id INTEGER PRIMARY KEY, board INTEGER NOT NULL REFERENCES boards, began_at REAL NOT NULL, ended_at REAL,
    phase TEXT NOT NULL, why TEXT NOT NULL DEFAULT '', process INTEGER NOT NULL, port TEXT NOT NULL,
    controller TEXT NOT NULL DEFAULT '', profile TEXT NOT NULL, profile_sha256 TEXT NOT NULL, tuning TEXT NOT NULL,
    tip TEXT NOT NULL, paste TEXT NOT NULL, lot TEXT NOT NULL, opened_at REAL, fill_ul REAL NOT NULL,
    strip_ul REAL NOT NULL, strips INTEGER NOT NULL DEFAULT 0, note TEXT NOT NULL);
CREATE TABLE laid (
    run INTEGER NOT NULL REFERENCES runs, deposit INTEGER NOT NULL, volume_ul REAL NOT NULL);
CREATE TABLE events (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES runs, at REAL NOT NULL, kind TEXT NOT NULL,
    text TEXT NOT NULL);
CREATE INDEX events_of_run ON events (run);
CREATE INDEX laid_of_run ON laid (run);
CREATE INDEX runs_of_board ON runs (board);
"""

SECOND_SCHEMA = """
ALTER TABLE boards ADD COLUMN path TEXT NOT NULL DEFAULT '';
ALTER TABLE runs ADD COLUMN counts TEXT NOT NULL DEFAULT '';
ALTER TABLE runs ADD COLUMN kind TEXT NOT NULL DEFAULT 'board';
ALTER TABLE runs ADD COLUMN barrel INTEGER;
ALTER TABLE runs ADD COLUMN ul_per_unit REAL NOT NULL DEFAULT 0;
CREATE TABLE swept (
    id INTEGER PRIMARY KEY, run INTEGER REFERENCES runs, barrel INTEGER, at REAL NOT NULL, what TEXT NOT NULL,
    deposit INTEGER, ul REAL NOT NULL);
CREATE INDEX swept_by_run ON swept (run);
CREATE INDEX swept_of_barrel ON swept (barrel);
CREATE TABLE barrels (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL, paste TEXT NOT NULL, lot TEXT NOT NULL, made_at REAL NOT NULL,
    note TEXT NOT NULL DEFAULT '');
CREATE TABLE barrel_events (
    id INTEGER PRIMARY KEY, barrel INTEGER NOT NULL REFERENCES barrels, at REAL NOT NULL, what TEXT NOT NULL,
    ul REAL NOT NULL DEFAULT 0, note TEXT NOT NULL DEFAULT '');
CREATE TABLE batches (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL, began_at REAL NOT NULL, ended_at REAL, settings TEXT NOT NULL);
CREATE TABLE places (
    batch INTEGER NOT NULL REFERENCES batches, place INTEGER NOT NULL, side TEXT NOT NULL, serial TEXT NOT NULL,
    state TEXT NOT NULL, note TEXT NOT NULL DEFAULT '', placement TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (batch, place, side)) WITHOUT ROWID;
CREATE TABLE attempts (
    id INTEGER PRIMARY KEY, batch INTEGER NOT NULL, place INTEGER NOT NULL, side TEXT NOT NULL,
    board INTEGER NOT NULL REFERENCES boards, at REAL NOT NULL);
CREATE TABLE card_rows (
    id INTEGER PRIMARY KEY, batch INTEGER NOT NULL REFERENCES batches, card INTEGER NOT NULL, slot INTEGER NOT NULL,
    at REAL NOT NULL, run INTEGER, what TEXT NOT NULL);
"""

THIRD_SCHEMA = """
ALTER TABLE runs ADD COLUMN sent TEXT NOT NULL DEFAULT '';
ALTER TABLE runs ADD COLUMN boot TEXT NOT NULL DEFAULT '';
ALTER TABLE runs ADD COLUMN unsent REAL NOT NULL DEFAULT 0;
ALTER TABLE swept ADD COLUMN doubt REAL NOT NULL DEFAULT 0;
"""
"""`sent` is the program of this run where it is not its board's, `unsent` what is counted in `swept` and not out yet;
`swept.doubt` is how far its `ul` may be wrong, since nobody knows how far a stroke came [µL]."""

FOURTH_SCHEMA = "ALTER TABLE runs ADD COLUMN unsure REAL NOT NULL DEFAULT 0;"
"""How far `unsent` may be wrong once motion was broken off: nobody has told yet where it ended."""

FIFTH_SCHEMA = """
ALTER TABLE runs ADD COLUMN busy_until REAL NOT NULL DEFAULT 0;
ALTER TABLE runs ADD COLUMN at_risk REAL NOT NULL DEFAULT 0;
"""
"""Until when the machine may be at work on what it was sent, and what of the account a reset before may leave undone."""

SCHEMAS = {1: FIRST_SCHEMA, 2: SECOND_SCHEMA, 3: THIRD_SCHEMA, 4: FOURTH_SCHEMA, 5: FIFTH_SCHEMA}
"""What each format adds to the one before; a journal of an older format is brought up to date when it is opened."""

RUNS = """
SELECT runs.id, boards.id, boards.name, boards.side, boards.number, boards.dry,
    CASE WHEN runs.sent = '' THEN boards.program ELSE runs.sent END, programs.name,
    runs.began_at, runs.ended_at, runs.phase, runs.why, runs.process, runs.port, runs.controller, runs.profile,
    runs.tuning, runs.tip, runs.paste, runs.lot, runs.opened_at, runs.fill_ul, runs.strip_ul, runs.strips, runs.note,
    runs.counts, runs.kind, runs.barrel
FROM runs JOIN boards ON boards.id = runs.board JOIN programs ON programs.sha256 = boards.program
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What a run is done with, for the record. `opened_at` is when the paste was opened, None if not told."""

    port: str
    profile: str
    profile_sha256: str
    tuning: str
    tip: str
    paste: str
    lot: str
    opened_at: float | None
    fill_ul: float
    strip_ul: float
    note: str
    kind: str = "board"
    barrel: int | None = None
    sent: str = ""
    """Name of the program that is sent, where it is not the board's own."""
    ul_per_unit: float = 0.0
    """Paste that one unit behind the plunger's letter sweeps [µL], 0 where the plunger stays still."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run as the journal has it."""

    id: int
    board: int
    board_name: str
    side: str
    number: int
    dry: bool
    program: str
    program_name: str
    began_at: float
    ended_at: float | None
    phase: str
    why: str
    process: int
    port: str
    controller: str
    profile: str
    tuning: str
    tip: str
    paste: str
    lot: str
    opened_at: float | None
    fill_ul: float
    strips: int
    note: str
    kind: str
    barrel: int | None
    counts: dict[str, int]
    """How the board's deposits stood when this run ended; of a run that has not ended, how they stand now."""
    used_ul: float
    """Paste that the plunger swept in this run, settling strips included [µL]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DepositRow:
    """One deposit of a board."""

    deposit: int
    pads: tuple[str, ...]
    volume_ul: float
    state: DepositState
    why: str

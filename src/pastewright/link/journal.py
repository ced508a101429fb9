"""The journal: what was sent to which board, so that nothing is lost or laid twice, whatever happens to the host.

One SQLite file, write-ahead log, synced to disk at every change of a deposit's state. A board is one piece of work;
every connection that works on it is a run. Of each board each deposit is in exactly one state:

    not started ──▶ started ──▶ done
                       └──────▶ to be checked ──▶ not started (the person: lay it) or done (the person: it is there)

Besides, each run keeps an account of the plunger. What is about to be swept is entered with the deposit; what of that has
not gone out is marked after every write (`mark`), so that an interrupted run can be put right by what was never sent.

`started` is on the disk before the first byte of the deposit goes out; `done` follows when the controller has proved
it. A deposit found `started` when no process works on it any more was interrupted: it is to be checked.

Times are seconds since 1970 and come in as arguments.

Longer than 400 lines because one store, whose methods are single statements on its tables.
"""

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from pastewright.link.actions import Action, Done, Doubt, Entered, Noted, Send, Started, Swept
from pastewright.link.companions import Companion, companion_of_text, companion_text, job_of
from pastewright.link.job import ProgramJob, job_sha256
from pastewright.link.journal_rows import FORMAT, RUNS, SCHEMAS, DepositRow, DepositState, RunRow, Setting
from pastewright.link.phases import Phase
from pastewright.problems import InputError, one_error
from pastewright.records.thrown import is_trip

SYNCED = "FULL"
"""Each entry is on the disk before what follows it; tests, which cut no power, do without and are several times as fast."""
PATIENCE_S = 3.0
"""Another program's entry takes milliseconds; a backup that locks the file for longer must not hold the run up."""


class Journal:
    """The open journal. Every public method that changes something is one transaction, synced to disk."""

    def __init__(self, path: Path) -> None:
        """Open or create it; raises `InputError` for a file that is no journal or cannot be written."""
        self.path = path
        self._marks: sqlite3.Connection | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, isolation_level=None, timeout=PATIENCE_S)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute(f"PRAGMA synchronous = {SYNCED}")
            # Each entry goes on into the file itself, so that the file alone is whole on another computer.
            self._db.execute("PRAGMA wal_autocheckpoint = 1")
            self._db.execute("PRAGMA foreign_keys = ON")
            self._create()
        except (OSError, sqlite3.Error) as error:
            raise one_error(
                f"the journal cannot be opened: {error}", "Choose another with --journal.", file=str(path)
            ) from None

    def _create(self) -> None:
        with self.change():
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
            if version == FORMAT:
                return
            tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if version not in SCHEMAS and (version != 0 or tables):
                raise sqlite3.DatabaseError(f"this is another database, or another format ({version})")
            for added in range(version + 1, FORMAT + 1):
                for statement in SCHEMAS[added].split(";"):
                    if statement.strip():
                        self._db.execute(statement)
            self._db.execute(f"PRAGMA user_version = {FORMAT}")

    def close(self) -> None:
        """Close the file."""
        self._db.close()
        if self._marks is not None:
            self._marks.close()

    @contextmanager
    def change(self) -> Iterator[sqlite3.Connection]:
        """Give the database for one transaction: all of it or nothing, on the disk when the block is left."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield self._db
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def rows(self, question: str, values: Sequence[object] = ()) -> list[Any]:
        """Return what the database answers."""
        return self._db.execute(question, values).fetchall()

    # -- boards and runs --------------------------------------------------------------------------------

    def keep_program(self, text: str, *, name: str, companion: Companion) -> None:
        """Keep a program and its companion, whether or not it is ever laid."""
        with self.change():
            self._db.execute(
                "INSERT OR IGNORE INTO programs VALUES (?, ?, ?, ?)",
                (job_sha256(text), name, text, companion_text(companion)),
            )

    def begin_board(
        self, job: ProgramJob, *, name: str, text: str, plan: Companion, number: int, now_s: float
    ) -> int:
        """Enter a new board, all of its deposits not started; returns its id."""
        self.keep_program(text, name=name, companion=plan)
        with self.change():
            board = self._db.execute(
                "INSERT INTO boards (program, name, side, number, dry, began_at, path) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (job_sha256(text), job.board, job.side, number, job.dry, now_s, job.path_sha256),
            ).lastrowid
            assert board is not None
            self._db.executemany(
                "INSERT INTO deposits (board, deposit, place, pads, volume_ul) VALUES (?, ?, ?, ?, ?)",
                [
                    (board, laid.id, place, json.dumps(laid.pads), laid.volume_ul)
                    for place, laid in enumerate(job.deposits)
                ],
            )
        return board

    def begin_run(self, board: int, setting: Setting, *, process: int, now_s: float) -> int:
        """Enter a new run on a board; returns its id."""
        with self.change():
            run = self._db.execute(
                "INSERT INTO runs (board, began_at, phase, process, port, profile, profile_sha256, tuning, tip,"
                " paste, lot, opened_at, fill_ul, strip_ul, note, kind, barrel, ul_per_unit, sent, boot)"
                " VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
                (
                    board,
                    now_s,
                    Phase.CONNECTING,
                    process,
                    setting.port,
                    setting.profile,
                    setting.profile_sha256,
                    setting.tuning,
                    setting.tip,
                    setting.paste,
                    setting.lot,
                    setting.opened_at,
                    setting.fill_ul,
                    setting.strip_ul,
                    setting.note,
                    setting.kind,
                    setting.barrel,
                    setting.ul_per_unit,
                    setting.sent,
                    boot_id(),
                ),
            ).lastrowid
        assert run is not None
        return run

    def enter(self, run: int, actions: Iterable[Action], *, now_s: float) -> None:
        """Put what a run did into the journal, all of it or nothing, on the disk when this returns."""
        with self.change():
            board = self._db.execute("SELECT board FROM runs WHERE id = ?", (run,)).fetchone()[0]
            for action in actions:
                self._enter(run, board, action, now_s)

    def _enter(self, run: int, board: int, action: Action, now_s: float) -> None:
        if isinstance(action, Started):
            self._move(
                board, action.deposits, (DepositState.NOT_STARTED,), DepositState.STARTED, "", run, now_s
            )
            self._db.executemany(
                "INSERT INTO laid SELECT ?, deposit, volume_ul FROM deposits WHERE board = ? AND deposit = ?",
                [(run, board, deposit) for deposit in action.deposits],
            )
            for deposit, units in zip(action.deposits, action.units, strict=False):
                self._swept(run, "deposit", deposit, units, now_s)
            self._unsent(run, sum(action.units))
        elif isinstance(action, Swept):
            self._swept(run, action.what, None, action.units, now_s, doubt=action.doubt)
            self._unsent(run, action.unsent)
        elif isinstance(action, Done):
            self._move(board, action.deposits, (DepositState.STARTED,), DepositState.DONE, "", run, now_s)
        elif isinstance(action, Doubt):
            self._move(
                board,
                action.deposits,
                (DepositState.STARTED,),
                DepositState.TO_BE_CHECKED,
                action.why,
                run,
                now_s,
            )
            self._note(run, "in doubt", f"{list(action.deposits)}: {action.why}", now_s)
        elif isinstance(action, Entered):
            over = action.phase in (Phase.FINISHED, Phase.STOPPED, Phase.LOST)
            self._db.execute(
                "UPDATE runs SET phase = ?, why = ?, ended_at = ?, strips = strips + ?, busy_until = busy_until * ?"
                " WHERE id = ?",
                (
                    action.phase,
                    action.why,
                    now_s if over else None,
                    action.phase is Phase.PREPARING,
                    action.goes_on or not over,
                    run,
                ),
            )
            self._note(run, "phase", f"{action.phase}{': ' if action.why else ''}{action.why}", now_s)
            if over:
                self._close_counts(run, board)
        elif isinstance(action, Noted):
            if action.kind == "controller":
                self._db.execute("UPDATE runs SET controller = ? WHERE id = ?", (action.text, run))
            self._note(run, action.kind, action.text, now_s)

    def mark(self, run: int, sent: Send, *, now_s: float) -> None:
        """Keep what of the account of the plunger has not gone out yet, or was broken off, and how far that may be wrong.

        And how long the machine is at work on what is out, and what of that a reset meanwhile may leave undone. Not synced,
        and left out where that would wait.

        It outlives the host's end, not the end of its computer: `interrupted` believes it only where that runs on.
        """
        if self._marks is None:
            self._marks = sqlite3.connect(self.path, isolation_level=None, timeout=0.0)
            self._marks.execute("PRAGMA synchronous = NORMAL")
            self._marks.execute("PRAGMA wal_autocheckpoint = 0")  # this would sync
        with suppress(sqlite3.Error):
            self._marks.execute(
                "UPDATE runs SET unsent = ?, unsure = ?, busy_until = ?, at_risk = ? WHERE id = ?",
                (sent.unsent, sent.doubt, now_s + sent.busy_s, sent.at_risk, run),
            )

    def _unsent(self, run: int, units: float) -> None:
        self._db.execute(
            "UPDATE runs SET unsent = ?, unsure = 0, busy_until = 0, at_risk = 0 WHERE id = ?", (units, run)
        )

    def _swept(
        self, run: int, what: str, deposit: int | None, units: float, now_s: float, *, doubt: float = 0.0
    ) -> None:
        self._db.execute(
            "INSERT INTO swept (run, barrel, at, what, deposit, ul, doubt)"
            " SELECT id, barrel, ?, ?, ?, ? * ul_per_unit, ? * abs(ul_per_unit) FROM runs"
            " WHERE id = ? AND ul_per_unit != 0",
            (now_s, what, deposit, units, doubt, run),
        )

    def _close_counts(self, run: int, board: int) -> None:
        """Keep how the board stands as this run ends: later runs and decisions change the board, not this run."""
        self._db.execute("UPDATE runs SET counts = ? WHERE id = ?", (json.dumps(self._counts(board)), run))

    def _counts(self, board: int) -> dict[str, int]:
        found = dict(
            self.rows("SELECT state, count(*) FROM deposits WHERE board = ? GROUP BY state", (board,))
        )
        return {str(state): found.get(state, 0) for state in DepositState}

    def counts(self, board: int) -> dict[str, int]:
        """Return how many deposits of a board are in which state now."""
        return self._counts(board)

    def _note(self, run: int, kind: str, text: str, now_s: float) -> None:
        self._db.execute(
            "INSERT INTO events (run, at, kind, text) VALUES (?, ?, ?, ?)", (run, now_s, kind, text)
        )

    def _move(
        self,
        board: int,
        deposits: Collection[int],
        before: Sequence[DepositState],
        after: DepositState,
        why: str,
        run: int | None,
        now_s: float,
    ) -> None:
        """Change states; a deposit that is not in one of the states `before` is our own mistake.

        Of what was being thrown away on the card nobody needs to know how far it came: no pad lacks it, and it is not laid
        a second time on what may lie there.
        """
        marks = ", ".join("?" for _ in before)
        for deposit in deposits:
            if after is DepositState.TO_BE_CHECKED and self._is_trip(board, deposit):
                self._move(board, [deposit], before, DepositState.DONE, why, run, now_s)
                continue
            changed = self._db.execute(
                "UPDATE deposits SET state = ?, why = ?, run = coalesce(?, run), changed_at = ?"
                f" WHERE board = ? AND deposit = ? AND state IN ({marks})",
                (after, why, run, now_s, board, deposit, *before),
            ).rowcount
            if changed != 1:
                raise RuntimeError(f"deposit {deposit} of board {board} cannot become {after!s}")

    def _is_trip(self, board: int, deposit: int) -> bool:
        row = self._db.execute(
            "SELECT pads FROM deposits WHERE board = ? AND deposit = ?", (board, deposit)
        ).fetchone()
        return row is not None and is_trip(json.loads(row[0]))

    # -- after an interruption --------------------------------------------------------------------------

    def interrupted(self, board: int, *, why: str, now_s: float) -> tuple[int, ...]:
        """Turn every `started` deposit of a board into one to be checked; returns them.

        Only for boards that no process works on.
        """
        with self.change():
            found = tuple(
                row[0]
                for row in self._db.execute(
                    "SELECT deposit FROM deposits WHERE board = ? AND state = ? ORDER BY place",
                    (board, DepositState.STARTED),
                )
            )
            self._move(board, found, (DepositState.STARTED,), DepositState.TO_BE_CHECKED, why, None, now_s)
            open_runs = self._db.execute(
                "SELECT id, boot, unsent, unsure, busy_until, at_risk FROM runs WHERE board = ? AND ended_at IS NULL",
                (board,),
            ).fetchall()
            for run, boot, unsent, unsure, busy_until, at_risk in open_runs:
                here = boot and boot == boot_id()
                # Another computer, or the same after a power cut: the mark may be an old one, and the power may have
                # been the machine's too.
                risk = at_risk if not here or now_s < busy_until else 0.0
                if here and (unsent or unsure):
                    what = "broken off" if unsure else "entered and never sent"
                    self._swept(run, what, None, -unsent, now_s, doubt=unsure)
                elif unsent or unsure:
                    self._swept(run, "perhaps never sent", None, 0.0, now_s, doubt=abs(unsent) + unsure)
                if risk:
                    self._swept(run, "sent, perhaps not carried out", None, 0.0, now_s, doubt=risk)
                self._db.execute(
                    "UPDATE runs SET ended_at = ?, phase = ?, why = ? WHERE id = ?",
                    (now_s, Phase.LOST, why, run),
                )
                self._close_counts(run, board)
                self._note(run, "interrupted", f"{why}; in doubt: {list(found)}", now_s)
        return found

    def busy(self, now_s: float) -> list[tuple[int, str, int, float]]:
        """Return (run, port, process, seconds) where the machine may still be at work on what a run sent to it."""
        return self.rows(
            "SELECT id, port, process, busy_until - ? FROM runs WHERE busy_until > ? AND boot = ? ORDER BY id",
            (now_s, now_s, boot_id()),
        )

    def decide(
        self, board: int, deposits: Collection[int], *, is_there: bool, run: int, now_s: float
    ) -> None:
        """Enter the person's decision on deposits in doubt: they are there, or they are to be laid."""
        with self.change():
            after = DepositState.DONE if is_there else DepositState.NOT_STARTED
            words = "the person: it is there" if is_there else "the person: lay it"
            self._move(board, deposits, (DepositState.TO_BE_CHECKED,), after, words, None, now_s)
            self._note(run, "decided", f"{list(deposits)}: {words}", now_s)

    def note(self, run: int, kind: str, text: str, *, now_s: float) -> None:
        """Add one event."""
        with self.change():
            self._note(run, kind, text, now_s)

    # -- reading ----------------------------------------------------------------------------------------

    def runs(self) -> list[RunRow]:
        """Return every run, the latest first."""
        return [self._run_row(row) for row in self._db.execute(f"{RUNS} ORDER BY runs.id DESC")]

    def run(self, run: int) -> RunRow:
        """Return one run; raises `InputError` where there is none of this number."""
        row = self._db.execute(f"{RUNS} WHERE runs.id = ?", (run,)).fetchone()
        if row is None:
            raise one_error(
                f"the journal has no run {run}", "`pastewright runs` lists them.", file=str(self.path)
            )
        return self._run_row(row)

    def _run_row(self, row: Sequence[Any]) -> RunRow:
        laid_ul = self._db.execute("SELECT total(volume_ul) FROM laid WHERE run = ?", (row[0],)).fetchone()[0]
        # Runs of the first format have no account of the plunger: what they planned stands for it.
        swept, swept_ul = self._db.execute(
            "SELECT count(*), total(ul) FROM swept WHERE run = ?", (row[0],)
        ).fetchone()
        dry = bool(row[5])
        return RunRow(
            id=row[0],
            board=row[1],
            board_name=row[2],
            side=row[3],
            number=row[4],
            dry=dry,
            program=row[6],
            program_name=row[7],
            began_at=row[8],
            ended_at=row[9],
            phase=row[10],
            why=row[11],
            process=row[12],
            port=row[13],
            controller=row[14],
            profile=row[15],
            tuning=row[16],
            tip=row[17],
            paste=row[18],
            lot=row[19],
            opened_at=row[20],
            fill_ul=row[21],
            strips=row[23],
            note=row[24],
            kind=row[26],
            barrel=row[27],
            counts=json.loads(row[25]) if row[25] else self._counts(row[1]),
            used_ul=0.0 if dry else swept_ul if swept else laid_ul + row[22] * row[23],
        )

    def deposits(self, board: int) -> list[DepositRow]:
        """Return the deposits of a board in the order of its program."""
        return [
            DepositRow(
                deposit=row[0],
                pads=tuple(json.loads(row[1])),
                volume_ul=row[2],
                state=DepositState(row[3]),
                why=row[4],
            )
            for row in self._db.execute(
                "SELECT deposit, pads, volume_ul, state, why FROM deposits WHERE board = ? ORDER BY place",
                (board,),
            )
        ]

    def events(self, run: int) -> list[tuple[float, str, str]]:
        """Return (time, kind, text) of a run's events in order."""
        return self._db.execute(
            "SELECT at, kind, text FROM events WHERE run = ? ORDER BY id", (run,)
        ).fetchall()

    def program(self, sha256: str) -> tuple[str, str, Companion]:
        """Return name, text and companion of a program."""
        row = self._db.execute("SELECT name, text, plan FROM programs WHERE sha256 = ?", (sha256,)).fetchone()
        if row is None:
            raise one_error("the journal has lost this program", file=str(self.path))
        return row[0], row[1], companion_of_text(row[2], file=f"plan of {row[0]}")

    def job(self, sha256: str) -> ProgramJob:
        """Return the job of a program, read anew."""
        name, text, plan = self.program(sha256)
        return job_of(text, plan, file=name, companion_file=f"plan of {name}")

    def used_ul(self, *, lot: str, opened_at: float | None) -> float:
        """Return the paste that all runs together took out of the barrel of this lot, opened then [µL].

        Without lot and time there is no telling one barrel from another: 0.
        """
        if not lot and opened_at is None:
            return 0.0
        return sum(run.used_ul for run in self.runs() if run.lot == lot and run.opened_at == opened_at)

    def next_number(self, job: ProgramJob) -> int:
        """Return the number of the next board of a program; one planned anew goes the same way, and is counted on."""
        row = self._db.execute(
            "SELECT coalesce(max(number), 0) + 1 FROM boards"
            " WHERE (program = ? OR (path = ? AND path != '')) AND dry = 0",
            (job.sha256, job.path_sha256),
        ).fetchone()
        return int(row[0])

    def ran_in_air(self, job: ProgramJob) -> bool:
        """Whether the way of this program was ever gone dry to its end: by itself in the air, or by its dry program."""
        row = self._db.execute(
            "SELECT count(*) FROM runs JOIN boards ON boards.id = runs.board"
            " WHERE (boards.program = ? OR boards.path = ?) AND boards.dry AND runs.phase = ?",
            (job.sha256, job.path_sha256, Phase.FINISHED),
        ).fetchone()
        return bool(row[0])


def boot_id() -> str:
    """Return the name of this run of the computer, "" where the system has none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""


def open_existing(path: Path) -> Journal:
    """Open a journal that must be there already."""
    if not path.exists():
        raise InputError(
            one_error(
                "there is no journal here yet",
                "It is begun by the first `pastewright run`; or name another with --journal.",
                file=str(path),
            ).problems
        )
    return Journal(path)

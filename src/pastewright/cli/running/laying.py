"""The run itself: find out who is at the port, lay the deposits, tell how it ended."""

import json
import os
import sqlite3
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from pathlib import Path
from time import monotonic

from rich.markup import escape

from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.options import Sending
from pastewright.cli.printing.console import out as console
from pastewright.cli.running.live import View, wishes
from pastewright.cli.running.records import write_picture
from pastewright.link.bench import Bench, bench_of
from pastewright.link.cnc import CncSender
from pastewright.link.conduct import RecordLostError, conduct, unix_s
from pastewright.link.detect import Deaf, Found, NotFound, Protocol, detect
from pastewright.link.events import Sender
from pastewright.link.job import Job, chosen
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import Setting, State
from pastewright.link.port import Port, PortLostError, open_port
from pastewright.link.reprap import RepRapSender
from pastewright.link.run import Action, Doubt, Entered, Phase, Run, Started
from pastewright.problems import one_error
from pastewright.profile.model import Profile

FILE_PORT = "file:"
DIALECT_OF = {Protocol.REPRAP: "reprap", Protocol.CNC: "ngc"}


class Connection:
    """An open port whose protocol is known, or a file that takes its place."""

    def __init__(self, port: Port | None, protocol: Protocol | None) -> None:
        self.port, self.protocol = port, protocol

    def __enter__(self) -> "Connection":
        return self

    def __exit__(self, *_: object) -> None:
        if self.port is not None:
            self.port.close()


class Laying:
    """Lays the deposits of one board through one connection, with the journal kept."""

    def __init__(
        self, journal: Journal, job: Job, profile: Profile, options: Sending, opened_at: float | None
    ) -> None:
        self._journal, self._job, self._profile, self._options = journal, job, profile, options
        self._opened_at = opened_at

    def connected(self) -> Connection:
        """Return the open connection; raises `InputError` where nobody there understands the program."""
        name = self._options.port
        if name.startswith(FILE_PORT):
            return Connection(None, None)
        port = open_port(name, baud=self._options.baud or self._profile.run.baud)
        try:
            found = detect(port.read, port.write, monotonic)
            protocol = understood(found, self._job, name, self._options.baud or self._profile.run.baud)
        except PortLostError as error:
            port.close()
            raise one_error(str(error), "Check the cable.", file=name) from None
        except BaseException:
            port.close()
            raise
        return Connection(port, protocol)

    def work(self, board: int, deposits: Collection[int], connection: Connection) -> int:
        """Lay the deposits of a board; returns the exit code."""
        journal, job = self._journal, self._job
        number = journal.begin_run(board, self._setting(), process=os.getpid(), now_s=unix_s())
        bench = bench_of(self._profile)
        if connection.protocol is Protocol.CNC and self._options.port.startswith("sim:") and not bench.home:
            bench = replace(bench, home=("$X",))  # switched on locked as real ones are, with nothing to home
        if connection.port is None or connection.protocol is None:
            return self._to_file(number, board, deposits)
        run = Run(job, chosen(job, deposits), _sender(connection.protocol, bench), bench)

        def record(actions: list[Action]) -> None:
            try:
                journal.enter(number, actions, now_s=unix_s())
            except sqlite3.Error as error:
                raise RecordLostError(f"the journal cannot be written: {error}") from None

        with View(job, run) as view, wishes() as ask:
            conduct(run, connection.port, record, wishes=ask, show=view)
        return self._ended(number, run)

    def _setting(self) -> Setting:
        profile, options = self._profile, self._options
        tuning = {name: getattr(profile.tuning, name) for name in profile.tuning.__slots__}
        return Setting(
            port=options.port,
            profile=profile.name,
            profile_sha256=profile.sha256,
            tuning=json.dumps(tuning),
            tip=f"{f'{profile.tip.gauge}G, ' if profile.tip.gauge else ''}bore {profile.tip.bore_mm:g} mm",
            paste=profile.paste.name,
            lot=options.lot,
            opened_at=self._opened_at,
            fill_ul=profile.barrel.fill_ul if options.fill_ul is None else options.fill_ul,
            strip_ul=0.0 if self._job.dry else self._job.strip_ul,
            note=options.note,
        )

    def _to_file(self, number: int, board: int, deposits: Collection[int]) -> int:
        """Write the lines to a file for a card or a share; nobody watches it being carried out."""
        path = Path(self._options.port.removeprefix(FILE_PORT))
        blocks = chosen(self._job, deposits)
        try:
            path.write_text(
                "\n".join(line for block in blocks for line in block.lines) + "\n",
                encoding="ascii",
                newline="\n",
            )
        except OSError as error:
            raise one_error(
                f"it cannot be written: {error.strerror or error}", "Choose another file.", file=str(path)
            ) from None
        ids = tuple(block.deposit for block in blocks if block.deposit is not None)
        why = "carried out from a file, with nobody watching"
        self._journal.enter(
            number,
            [Entered(Phase.PREPARING), Started(ids), Doubt(ids, why), Entered(Phase.STOPPED, why)],
            now_s=unix_s(),
        )
        console.print(f"  program  {escape(str(path))}: {len(ids)} deposits")
        console.print(
            f"  The journal has them in doubt until you say: `pastewright resume {number} --in-doubt there`."
        )
        return DONE

    def _ended(self, number: int, run: Run) -> int:
        row = self._journal.run(number)
        finished = run.phase is Phase.FINISHED
        style = "bold green" if finished else "bold red"
        console.print(
            f"[{style}]{run.phase}[/] run {number}: {len(run.done)} of {run.total} deposits,"
            f" {row.used_ul:.2f} µL" + (f"; {run.repeats} lines repeated" if run.repeats else "")
        )
        doubted = row.counts[State.TO_BE_CHECKED]
        if doubted or not finished:
            picture = write_picture(self._journal, self._job, row, None)
            console.print(f"  {doubted} in doubt, {row.counts[State.NOT_STARTED]} not started")
            console.print(f"  picture  {escape(str(picture))}")
        if run.phase is Phase.LOST:
            console.print(f"  {escape(run.why)}")
            console.print(f"  {escape(_where(run, self._job))}")
        if not finished:
            console.print(f"  Look at the board, then: pastewright resume {number} --profile …")
        return DONE if finished and not doubted else FINDINGS


def _where(run: Run, job: Job) -> str:
    place = ", ".join(f"{letter} {value:.2f}" for letter, value in run.place.items() if letter in "XYZ")
    known = f"The tip was last reported at {place}." if place else "Nobody knows where the tip is."
    return (
        known
        + " It may be down in the paste: raise Z by hand or from the controller's own panel before anything"
        " moves sideways, then home."
    )


def _sender(protocol: Protocol, bench: Bench) -> Sender:
    if protocol is Protocol.CNC:
        return CncSender(locked_is_fine=bool(bench.home))
    return RepRapSender()


def understood(found: Found | NotFound, job: Job, name: str, baud: int) -> Protocol:
    """Return the protocol of the controller; raises `InputError` where it is none, or not the program's."""
    if isinstance(found, Found):
        if DIALECT_OF[found.protocol] != job.dialect:
            raise one_error(
                f"the controller speaks {found.protocol} ({found.words}), the program is written in {job.dialect}",
                "Another port, or a profile with the other dialect.",
                file=name,
            )
        return found.protocol
    messages: Mapping[Deaf, Callable[[], tuple[str, str]]] = {
        Deaf.SILENT: lambda: (
            "nothing answers here",
            "Is the controller switched on, and is this its port? `pastewright ports` lists them.",
        ),
        Deaf.GARBAGE: lambda: (
            f"what comes is no text ({found.heard[:40]!r}): the speed is wrong",
            f"{baud} baud was used; 115200 and 250000 are common. Set it with --baud or [run] baud.",
        ),
        Deaf.STRANGER: lambda: (
            f"something talks here but understands neither protocol: {found.heard[:60]!r}",
            "Is this the motion controller's port?",
        ),
    }
    what, mend = messages[found.why]()
    raise one_error(what, mend, file=name)

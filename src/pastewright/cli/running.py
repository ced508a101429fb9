"""`pastewright run` and `resume`: show what will happen, ask, stream, tell how it ended."""

import json
import os
import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from fnmatch import fnmatchcase
from pathlib import Path
from time import monotonic, time
from typing import Any

import typer
from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.journals import default_journal, write_picture
from pastewright.cli.live import View, wishes
from pastewright.cli.reading import load_profile
from pastewright.cli.verifying import MOST_BYTES
from pastewright.link.bench import Bench, bench_of
from pastewright.link.bookkeeping import PasteBook
from pastewright.link.cnc import CncSender
from pastewright.link.conduct import conduct, unix_s
from pastewright.link.detect import Deaf, Found, NotFound, Protocol, detect
from pastewright.link.events import Sender
from pastewright.link.job import Job, chosen, in_air, read_job
from pastewright.link.journal import Journal, RunRow, Setting, State, open_existing
from pastewright.link.port import Port, PortLostError, open_port
from pastewright.link.reprap import RepRapSender
from pastewright.link.run import Action, Doubt, Entered, Phase, Run, Started
from pastewright.problems import one_error
from pastewright.profile.model import Profile

FILE_PORT = "file:"
DIALECT_OF = {Protocol.REPRAP: "reprap", Protocol.CNC: "ngc"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What both commands take from the command line."""

    port: str
    baud: int | None
    journal: Path | None
    yes: bool
    lot: str
    opened: str
    note: str
    fill_ul: float | None


def run_command(
    program: Path,
    plan_file: Path,
    profile_path: Path,
    options: Options,
    *,
    dry: bool,
    from_pad: str | None,
    only: Sequence[str],
    board_number: int | None,
    even_if_unverified: bool,
) -> int:
    """Run a program on a new board; returns the exit code."""
    profile = load_profile(profile_path)
    text, document = read_text(program), _document(plan_file)
    job = read_job(text, document, file=str(program), plan_file=str(plan_file))
    _fits(job, profile, program)
    if not even_if_unverified:
        _verified(text, document, profile, program, plan_file)
    deposits = _wanted(job, document, from_pad, only)
    if dry:
        job = in_air(job, profile.travel_z_mm)
    journal = Journal(options.journal or default_journal())
    try:
        number = _board_number(journal, job, board_number)
        _show_job(job, deposits, program.name, number, document, profile)
        opened_at = _opened_at(options.opened)
        _show_paste(journal, job, deposits, profile, options, opened_at)
        _ask(_questions(profile, job, journal), options)
        session = _Session(journal, job, profile, options, opened_at)
        with session.connected() as connection:
            board = journal.begin_board(
                job, name=program.name, text=text, plan=document, number=number, now_s=unix_s()
            )
            return session.work(board, deposits, connection)
    finally:
        journal.close()


def resume_command(
    run_number: int | None, profile_path: Path, options: Options, *, in_doubt: str, even_if_running: bool
) -> int:
    """Go on with a board that was not finished; returns the exit code."""
    profile = load_profile(profile_path)
    journal = open_existing(options.journal or default_journal())
    try:
        row = _unfinished(journal, run_number)
        if row.ended_at is None and not even_if_running and _at_work(row.process):
            raise one_error(
                f"run {row.id} is still at work (process {row.process})",
                "Stop it first; --even-if-running goes on if you know that this process is something else.",
            )
        job = journal.job(row.program)
        _fits(job, profile, Path(row.program_name))
        if row.dry:
            job = in_air(job, profile.travel_z_mm)
        journal.interrupted(row.board, why="the host stopped in the middle", now_s=unix_s())
        console.print(
            f"[bold]run {row.id}[/], {escape(row.board_name)} {row.side} side, board {row.number},"
            f" {escape(row.program_name)}: {row.phase}{': ' + escape(row.why) if row.why else ''}"
        )
        _decide(journal, job, row, in_doubt, options)
        states = {deposit.deposit: deposit.state for deposit in journal.deposits(row.board)}
        deposits = {key for key, state in states.items() if state is State.NOT_STARTED}
        doubted = [key for key, state in states.items() if state is State.TO_BE_CHECKED]
        if not deposits:
            console.print(
                "Nothing is left to lay." + (f" {len(doubted)} deposits stay in doubt." if doubted else "")
            )
            return FINDINGS if doubted else DONE
        _, _, document = journal.program(row.program)
        _show_job(job, deposits, row.program_name, row.number, document, profile)
        opened_at = _opened_at(options.opened) if options.opened else row.opened_at
        options = _with_defaults(options, row)
        _show_paste(journal, job, deposits, profile, options, opened_at)
        _ask(_resume_questions(profile, job), options)
        session = _Session(journal, job, profile, options, opened_at)
        with session.connected() as connection:
            return session.work(row.board, deposits, connection)
    finally:
        journal.close()


# -- reading -------------------------------------------------------------------------------------------


def read_text(path: Path) -> str:
    """Return the text of a program; raises `InputError` for what cannot be one."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise one_error(
                f"{path.stat().st_size / 1e6:.0f} MB is too large", "Check the file.", file=str(path)
            )
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise one_error(
            f"it cannot be read: {error.strerror or error}", "Check the name.", file=str(path)
        ) from None


def _document(path: Path) -> Mapping[str, Any]:
    try:
        document = json.loads(read_text(path))
    except (json.JSONDecodeError, RecursionError) as error:
        raise one_error(
            f"this is not JSON: {error}", "Give the plan.json that `pastewright plan` wrote.", file=str(path)
        ) from None
    if not isinstance(document, dict):
        raise one_error(
            "this is no plan", "Give the plan.json that `pastewright plan` wrote.", file=str(path)
        )
    return document


def _fits(job: Job, profile: Profile, program: Path) -> None:
    if job.dialect != profile.controller.dialect or job.letter != profile.plunger.letter:
        raise one_error(
            f"the program is {job.dialect} with the plunger on {job.letter}, the profile says"
            f" {profile.controller.dialect} with {profile.plunger.letter}",
            "Give the profile that the program was planned with.",
            file=str(program),
        )


def _verified(
    text: str, document: Mapping[str, Any], profile: Profile, program: Path, plan_file: Path
) -> None:
    from pastewright.readback.expect import expected_from_plan
    from pastewright.readback.verify import verify

    verdict = verify(text, expected_from_plan(dict(document), file=str(plan_file)), profile)
    if not verdict.ok:
        first = verdict.findings[0]
        raise one_error(
            f"the program is not verified: {len(verdict.findings)} findings, the first: {first.what}",
            "Look with `pastewright verify`; --even-if-unverified runs it all the same.",
            file=str(program),
            line=first.line or None,
        )


def _wanted(job: Job, document: Mapping[str, Any], from_pad: str | None, only: Sequence[str]) -> set[int]:
    """Return the deposits to lay, from --from and --only."""
    wanted = [laid.id for laid in job.deposits]
    if from_pad is not None:
        starts = [index for index, laid in enumerate(job.deposits) if from_pad in laid.pads]
        if not starts:
            raise one_error(
                f"--from {from_pad}: no deposit lies on such a pad", f"Pads are: {_some(job.pads)}."
            )
        wanted = wanted[starts[0] :]
    if only:
        refs = {str(pad["id"]): str(pad.get("ref", "")) for pad in document["pads"]}
        unmatched = []
        chosen_pads: set[str] = set()
        for pattern in only:
            found = {
                pad
                for pad in job.pads
                if fnmatchcase(refs.get(pad, ""), pattern) or fnmatchcase(pad, pattern)
            }
            chosen_pads |= found
            if not found:
                unmatched.append(pattern)
        if unmatched:
            raise one_error(
                f"--only {', '.join(unmatched)}: no deposit lies there",
                f"Give references or pads, shell-style. There are: {_some(sorted(set(refs.values())))}.",
            )
        by_id = {laid.id: laid for laid in job.deposits}
        wanted = [deposit for deposit in wanted if chosen_pads & set(by_id[deposit].pads)]
    if not wanted:
        raise one_error("nothing is left to lay with --from and --only together", "Leave one of them out.")
    return set(wanted)


def _some(names: Sequence[str]) -> str:
    shown = [name for name in names if name][:12]
    return ", ".join(shown) + (", …" if len(names) > len(shown) else "")


def _board_number(journal: Journal, job: Job, wanted: int | None) -> int:
    if wanted is None:
        return journal.next_number(job.sha256)
    for row in journal.runs():
        if row.program == job.sha256 and row.number == wanted and not row.dry and not job.dry:
            raise one_error(
                f"board {wanted} of this program is in the journal already (run {row.id})",
                f"`pastewright resume {row.id}` goes on with it; another board has another number.",
            )
    return wanted


def _opened_at(words: str) -> float | None:
    """Return when the paste was opened [s since 1970] from "2h", "45min" or a date and time; "" is None."""
    if not words:
        return None
    text = words.strip().lower()
    for unit, seconds in (("min", 60.0), ("h", 3600.0), ("d", 86400.0)):
        if text.endswith(unit) and text.removesuffix(unit).strip().replace(".", "", 1).isdigit():
            # Whole minutes, so that "2h" said again for the same barrel a moment later may mean the same.
            return round((time() - float(text.removesuffix(unit)) * seconds) / 60) * 60.0
    try:
        return datetime.fromisoformat(words.strip()).timestamp()
    except ValueError:
        raise one_error(
            f"--opened {words!r} is no time",
            'Say how long ago ("2h", "45min", "1d") or when ("2026-05-01 09:30").',
        ) from None


# -- showing and asking --------------------------------------------------------------------------------


def _show_job(
    job: Job,
    deposits: Collection[int],
    name: str,
    number: int,
    document: Mapping[str, Any],
    profile: Profile,
) -> None:
    laid = [one for one in job.deposits if one.id in deposits]
    share = len(laid) / max(len(job.deposits), 1)
    console.print(
        f"[bold]{escape(job.board)}[/], {job.side} side, board {number}: {escape(name)} on {escape(profile.name)}"
        + (" [bold](dry: tip in the air, plunger still)[/]" if job.dry else "")
    )
    console.print(
        f"  {len(laid)} of {len(job.deposits)} deposits, {sum(one.volume_ul for one in laid):.2f} µL and"
        f" {job.strip_ul:.1f} µL for the settling strip, about {max(job.machine_s * share / 60, 0.1):.1f} min"
    )
    console.print(
        f"  travel at Z {profile.travel_z_mm:g} mm; board corner at X {profile.bed.board_x_mm:g}"
        f" Y {profile.bed.board_y_mm:g}, its surface at Z {profile.bed.board_z_mm:g}"
    )
    planned_with = str((document.get("profile") or {}).get("sha256", ""))
    if planned_with and planned_with != profile.sha256:
        console.print("[yellow]look[/] the profile has changed since this program was planned")


def _show_paste(
    journal: Journal,
    job: Job,
    deposits: Collection[int],
    profile: Profile,
    options: Options,
    opened_at: float | None,
) -> None:
    if job.dry:
        return
    fill_ul = profile.barrel.fill_ul if options.fill_ul is None else options.fill_ul
    need_ul = job.strip_ul + sum(one.volume_ul for one in job.deposits if one.id in deposits)
    book = PasteBook(
        fill_ul=fill_ul,
        used_ul=journal.used_ul(lot=options.lot, opened_at=opened_at),
        board_ul=job.paste_ul,
        strip_ul=job.strip_ul,
        opened_s=None if opened_at is None else time() - opened_at,
        floor_life_s=profile.run.floor_life_s,
    )
    console.print(
        f"  barrel: {book.left_ul:.0f} of {fill_ul:.0f} µL left"
        + (f" of lot {escape(options.lot)}" if options.lot else "")
        + f", enough for {book.boards_left} boards"
    )
    for words in book.warnings(run_s=job.machine_s, need_ul=need_ul):
        console.print(f"[yellow]look[/] {words}")


def _questions(profile: Profile, job: Job, journal: Journal) -> list[str]:
    run = profile.run
    asked = []
    if run.confirm_board:
        asked.append(f"Does the board {job.board!r} lie at its place, held fast?")
    if run.confirm_side:
        asked.append(f"Is its {job.side} side up?")
    if run.confirm_tip_clear:
        asked.append("Is the way of the tip clear, and are hands out of the gantry?")
    if not run.home:
        asked.append("Is the machine homed, and does it know where the board lies?")
    if run.confirm_air and not job.dry and not journal.ran_in_air(job.sha256):
        asked.append("The journal knows of no run of this program in the air (--dry). Run it with paste now?")
    return asked


def _resume_questions(profile: Profile, job: Job) -> list[str]:
    asked = ["Has the board not been moved since? (If it was, it must be registered anew first.)"]
    if not profile.run.home:
        asked.append("Is the machine homed again? After a reset or power cut it does not know where it is.")
    if not job.dry:
        asked.append("Is the settling strip's place free again, and the tip clean?")
    if profile.run.confirm_tip_clear:
        asked.append("Is the way of the tip clear, and are hands out of the gantry?")
    return asked


def _ask(questions: Sequence[str], options: Options) -> None:
    if options.yes:
        return
    if questions and not sys.stdin.isatty():
        raise one_error(
            "this run has questions, and there is nobody to ask",
            "Run it at a terminal, or answer them all with --yes: " + " ".join(questions),
        )
    for question in questions:
        if not typer.confirm(question):
            raise typer.Abort


def _with_defaults(options: Options, row: RunRow) -> Options:
    return Options(
        port=options.port or row.port,
        baud=options.baud,
        journal=options.journal,
        yes=options.yes,
        lot=options.lot or row.lot,
        opened=options.opened,
        note=options.note,
        fill_ul=row.fill_ul if options.fill_ul is None else options.fill_ul,
    )


# -- after an interruption -----------------------------------------------------------------------------


def _unfinished(journal: Journal, run_number: int | None) -> RunRow:
    if run_number is not None:
        return journal.run(run_number)
    for row in journal.runs():
        if row.counts[State.DONE] < sum(row.counts.values()):
            return row
    raise one_error("every board in the journal is finished", "`pastewright runs` lists them.")


def _at_work(process: int) -> bool:
    """Whether a process of this number works on a run; a number used again by another program does not count."""
    if process == os.getpid():
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    words = Path(f"/proc/{process}/cmdline")
    try:
        return b"python" in (line := words.read_bytes()) or b"pastewright" in line
    except OSError:
        return True


def _decide(journal: Journal, job: Job, row: RunRow, in_doubt: str, options: Options) -> None:
    """Show the deposits in doubt on a picture, and enter what the person says of each."""
    doubted = [one for one in journal.deposits(row.board) if one.state is State.TO_BE_CHECKED]
    if not doubted:
        return
    picture = write_picture(journal, job, row, None)
    console.print(f"[bold red]{len(doubted)} in doubt[/]: started, and nobody knows how far they came")
    console.print(f"  picture  {escape(str(picture))}")
    places = {laid.id: laid for laid in job.deposits}
    for one in doubted:
        x, y = places[one.deposit].points_mm[0]
        console.print(
            f"  {escape(', '.join(one.pads[:4]))}: {places[one.deposit].kind} at X {x:.2f} Y {y:.2f} mm of the board,"
            f" {one.volume_ul:.4f} µL ({escape(one.why)})"
        )
        answer = in_doubt
        if answer == "ask":
            if options.yes or not sys.stdin.isatty():
                answer = "leave"
            else:
                answer = typer.prompt(
                    "  is it [there], shall it be [laid], or [leave] it for now", default="leave"
                )
        answer = {"t": "there", "l": "lay", "laid": "lay"}.get(answer.strip().lower(), answer.strip().lower())
        if answer in ("there", "lay"):
            journal.decide(row.board, [one.deposit], is_there=answer == "there", run=row.id, now_s=unix_s())
    console.print()


# -- the run itself ------------------------------------------------------------------------------------


class _Connection:
    """An open port whose protocol is known, or a file that takes its place."""

    def __init__(self, port: Port | None, protocol: Protocol | None) -> None:
        self.port, self.protocol = port, protocol

    def __enter__(self) -> "_Connection":
        return self

    def __exit__(self, *_: object) -> None:
        if self.port is not None:
            self.port.close()


class _Session:
    def __init__(
        self, journal: Journal, job: Job, profile: Profile, options: Options, opened_at: float | None
    ) -> None:
        self._journal, self._job, self._profile, self._options = journal, job, profile, options
        self._opened_at = opened_at

    def connected(self) -> _Connection:
        """Return the open connection; raises `InputError` where nobody there understands the program."""
        name = self._options.port
        if not name:
            raise one_error(
                "no port was given", "Give --port; `pastewright ports` lists those of this machine."
            )
        if name.startswith(FILE_PORT):
            return _Connection(None, None)
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
        return _Connection(port, protocol)

    def work(self, board: int, deposits: Collection[int], connection: _Connection) -> int:
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
            journal.enter(number, actions, now_s=unix_s())

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

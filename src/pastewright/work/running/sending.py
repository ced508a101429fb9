"""A program on its way to the machine: read, read back, shown, asked about, laid. Every command that sends comes here."""

from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from pastewright.link.barrels import BarrelEvent, enter
from pastewright.link.bench import ul_per_unit
from pastewright.link.companions import Companion, companion_of, job_of, read_companion
from pastewright.link.conduct import unix_s
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.left_out import in_air
from pastewright.link.owner import Owner
from pastewright.link.port import check_port
from pastewright.link.ways import deposit_units
from pastewright.profile.model import Profile
from pastewright.profile.read import read_profile
from pastewright.records.sheet import SheetRecord
from pastewright.work.exits import DONE
from pastewright.work.options import Sending
from pastewright.work.reading import read_text
from pastewright.work.running.asking import paste_of, show_job, show_paste
from pastewright.work.running.checks import RunCheck, ask, run_checks
from pastewright.work.running.choice import (
    board_number_of,
    check_fits,
    check_verified,
    program_meant,
    wanted_deposits,
)
from pastewright.work.running.fresh import Today, bench_today, for_today
from pastewright.work.running.kinds import after_run, is_on_card, own_checks
from pastewright.work.running.laying import Laying, Watch, believed
from pastewright.work.running.once import check_first
from pastewright.work.running.records import default_journal


@dataclass(frozen=True, slots=True, kw_only=True)
class SendChoice:
    """What of a program is to be laid, and how."""

    dry: bool = False
    from_pad: str | None = None
    only: Sequence[str] = ()
    board_number: int | None = None
    even_if_unverified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """A program with its companion, read, found to fit the bench and read back."""

    name: str
    text: str
    companion: Companion
    job: ProgramJob


def loaded(program: Path, companion_file: Path | None, profile: Profile, *, verified: bool = True) -> Loaded:
    """Return a program ready to be sent; raises `InputError` for one that does not fit or is not verified."""
    companion_file = companion_file or companion_of(program)
    text, companion = read_text(program, what="a program"), read_companion(companion_file)
    job = job_of(text, companion, file=str(program), companion_file=str(companion_file))
    check_fits(job, profile, program)
    if verified:
        check_verified(text, job, companion, profile, program)
    if isinstance(companion, SheetRecord):  # its record does not say what the strip takes
        job = replace(job, strip_ul=deposit_units(job, job.blocks)[None] * ul_per_unit(profile))
    return Loaded(name=program.name, text=text, companion=companion, job=job)


class SendDesk(Protocol):
    """Where a person sends a program from: who is asked, which connection is used, where the run is watched."""

    watch: Watch | None

    def ask(self, checks: Sequence[RunCheck], sending: Sending) -> None:
        """Ask each question; a no, or nobody to ask, ends the work by an exception."""

    def connection(self, laying: Laying) -> AbstractContextManager[Owner | None]:
        """Give the owner of the port, None for a file."""


class AtTerminal:
    """The commands' own: questions at the terminal, and a connection of its own for each run."""

    watch: Watch | None = None

    def ask(self, checks: Sequence[RunCheck], sending: Sending) -> None:
        """Ask at the terminal."""
        ask(checks, sending)

    def connection(self, laying: Laying) -> AbstractContextManager[Owner | None]:
        """Open the port."""
        return laying.connected() or nullcontext()


def send(
    program: Path,
    companion_file: Path | None,
    profile_path: Path,
    sending: Sending,
    choice: SendChoice,
    desk: SendDesk | None = None,
) -> int:
    """Lay a program, or the one in a folder, on a new board, sheet or panel; returns the exit code."""
    desk = desk or AtTerminal()
    bench, program = read_profile(profile_path), program_meant(program)
    given = loaded(program, companion_file, bench, verified=not choice.even_if_unverified)
    deposits = wanted_deposits(given.job, given.companion, choice.from_pad, choice.only)
    job = in_air(given.job, bench.travel_z_mm) if choice.dry else given.job
    journal = Journal(sending.journal or default_journal())
    try:
        if not job.dry:
            check_first(journal, given.companion, port=sending.port)
        number = board_number_of(journal, job, choice.board_number)
        show_job(job, deposits, given.name, number, given.companion, bench)
        paste = paste_of(journal, bench, sending)
        about_paste = show_paste(job, deposits, bench, paste)
        text, companion = given.text, given.companion
        if not choice.even_if_unverified:
            now = bench_today(bench, Today(journal=journal, paste=paste))
            (text, companion, job), bench = for_today((text, companion, job), bench, now)
        check_port(sending.port)
        desk.ask(about_paste, sending)
        laying = Laying(journal, job, bench, sending, paste, kind=companion.kind, watch=desk.watch)
        with desk.connection(laying) as owner:
            if owner is not None and not laying.rehearsal:
                own, on_card = own_checks(companion), is_on_card(companion)
                checks = run_checks(bench, job, journal, owner.look(), own=own, on_card=on_card)
                desk.ask(checks, sending)
                believed(owner)
            key = journal.begin_board(
                job, name=given.name, text=text, plan=companion, number=number, now_s=unix_s()
            )
            if paste.barrel is not None and paste.barrel.opened_at is None and not job.dry:
                enter(journal, paste.barrel, BarrelEvent.OPENED, now_s=unix_s())  # paste comes out of it now
            code = laying.work(key, deposits, owner)
        if code == DONE:
            after_run(journal, journal.runs()[0].id, companion, bench, program)
        return code
    finally:
        journal.close()

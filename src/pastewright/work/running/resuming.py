"""Going on with a board that was not finished: what is in doubt is decided, what was not started is laid."""

from pathlib import Path

from pastewright.counting import counted
from pastewright.link.conduct import unix_s
from pastewright.link.journal import open_existing
from pastewright.link.journal_rows import DepositState
from pastewright.link.left_out import in_air
from pastewright.link.port import check_port
from pastewright.profile.read import read_profile
from pastewright.records.kinds import ProgramKind
from pastewright.work.exits import DONE, FINDINGS
from pastewright.work.options import Sending
from pastewright.work.printing.console import out as console
from pastewright.work.running.asking import (
    decide,
    paste_of,
    show_job,
    show_paste,
    show_unfinished,
    with_defaults,
)
from pastewright.work.running.checks import resume_checks
from pastewright.work.running.choice import check_fits, unfinished_run
from pastewright.work.running.kinds import after_run
from pastewright.work.running.laying import Laying, believed
from pastewright.work.running.records import default_journal
from pastewright.work.running.resting import let_end
from pastewright.work.running.sending import AtTerminal, SendDesk


def go_on(
    run_number: int | None,
    profile: Path,
    in_doubt: str,
    sending: Sending,
    *,
    even_if_running: bool = False,
    desk: SendDesk | None = None,
) -> int:
    """Go on with a run's board; returns the exit code."""
    desk = desk or AtTerminal()
    bench = read_profile(profile)
    journal = open_existing(sending.journal or default_journal())
    try:
        row = unfinished_run(journal, run_number, even_if_running=even_if_running)
        job = journal.job(row.program)
        check_fits(job, bench, Path(row.program_name))
        job = in_air(job, bench.travel_z_mm) if row.dry else job
        let_end(sending.port or row.port, journal)
        journal.interrupted(row.board, why="the host stopped in the middle", now_s=unix_s())
        show_unfinished(row)
        decide(journal, job, row, in_doubt, sending)
        rows = journal.deposits(row.board)
        deposits = {one.deposit for one in rows if one.state is DepositState.NOT_STARTED}
        doubted = [one for one in rows if one.state is DepositState.TO_BE_CHECKED]
        if not deposits:
            console.print(f"Nothing is left to lay; {counted(len(doubted), 'deposit')} in doubt.")
            return FINDINGS if doubted else DONE
        _, _, plan = journal.program(row.program)
        show_job(job, deposits, row.program_name, row.number, plan, bench)
        sending = with_defaults(sending, row, journal)
        paste = paste_of(journal, bench, sending, opened_at=row.opened_at)
        about_paste = show_paste(job, deposits, bench, paste)
        check_port(sending.port)
        desk.ask(about_paste, sending)
        laying = Laying(journal, job, bench, sending, paste, kind=ProgramKind(row.kind), watch=desk.watch)
        with desk.connection(laying) as owner:
            if owner is not None and not laying.rehearsal:
                desk.ask(resume_checks(bench, job, owner.look()), sending)
                believed(owner)
            code = laying.work(row.board, deposits, owner)
        if code == DONE:
            after_run(journal, journal.runs()[0].id, plan, bench, Path(row.program_name))
        return code
    finally:
        journal.close()

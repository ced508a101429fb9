"""`pastewright run` and `resume`: choose, show, ask, lay."""

from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.journals import default_journal
from pastewright.cli.run_asking import (
    ask,
    at_work,
    decide,
    resume_questions,
    run_questions,
    show_job,
    show_paste,
    unfinished_run,
    with_defaults,
)
from pastewright.cli.run_choice import (
    Options,
    board_number_of,
    check_fits,
    check_verified,
    opened_at_of,
    read_document,
    read_text,
    wanted_deposits,
)
from pastewright.cli.run_laying import Laying
from pastewright.link.conduct import unix_s
from pastewright.link.job import in_air, read_job
from pastewright.link.journal import Journal, open_existing
from pastewright.link.journal_rows import State
from pastewright.link.port import check_port
from pastewright.problems import one_error
from pastewright.profile.read import read_profile


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
    profile = read_profile(profile_path)
    text, document = read_text(program), read_document(plan_file)
    job = read_job(text, document, file=str(program), plan_file=str(plan_file))
    check_fits(job, profile, program)
    if not even_if_unverified:
        check_verified(text, document, profile, program, plan_file)
    deposits = wanted_deposits(job, document, from_pad, only)
    if dry:
        job = in_air(job, profile.travel_z_mm)
    journal = Journal(options.journal or default_journal())
    try:
        number = board_number_of(journal, job, board_number)
        show_job(job, deposits, program.name, number, document, profile)
        opened_at = opened_at_of(options.opened)
        about_paste = show_paste(journal, job, deposits, profile, options, opened_at)
        check_port(options.port)
        ask([*about_paste, *run_questions(profile, job, journal)], options)
        laying = Laying(journal, job, profile, options, opened_at)
        with laying.connected() as connection:
            board = journal.begin_board(
                job, name=program.name, text=text, plan=document, number=number, now_s=unix_s()
            )
            return laying.work(board, deposits, connection)
    finally:
        journal.close()


def resume_command(
    run_number: int | None, profile_path: Path, options: Options, *, in_doubt: str, even_if_running: bool
) -> int:
    """Go on with a board that was not finished; returns the exit code."""
    profile = read_profile(profile_path)
    journal = open_existing(options.journal or default_journal())
    try:
        row = unfinished_run(journal, run_number)
        if row.ended_at is None and not even_if_running and at_work(row.process):
            raise one_error(
                f"run {row.id} is still at work (process {row.process})",
                "Stop it first; --even-if-running goes on if you know that this process is something else.",
            )
        job = journal.job(row.program)
        check_fits(job, profile, Path(row.program_name))
        if row.dry:
            job = in_air(job, profile.travel_z_mm)
        journal.interrupted(row.board, why="the host stopped in the middle", now_s=unix_s())
        console.print(
            f"[bold]run {row.id}[/], {escape(row.board_name)} {row.side} side, board {row.number},"
            f" {escape(row.program_name)}: {row.phase}{': ' + escape(row.why) if row.why else ''}"
        )
        decide(journal, job, row, in_doubt, options)
        states = {deposit.deposit: deposit.state for deposit in journal.deposits(row.board)}
        deposits = {key for key, state in states.items() if state is State.NOT_STARTED}
        doubted = [key for key, state in states.items() if state is State.TO_BE_CHECKED]
        if not deposits:
            console.print(
                "Nothing is left to lay." + (f" {len(doubted)} deposits stay in doubt." if doubted else "")
            )
            return FINDINGS if doubted else DONE
        _, _, document = journal.program(row.program)
        show_job(job, deposits, row.program_name, row.number, document, profile)
        opened_at = opened_at_of(options.opened) if options.opened else row.opened_at
        options = with_defaults(options, row)
        about_paste = show_paste(journal, job, deposits, profile, options, opened_at)
        check_port(options.port)
        ask([*about_paste, *resume_questions(profile, job)], options)
        laying = Laying(journal, job, profile, options, opened_at)
        with laying.connected() as connection:
            return laying.work(row.board, deposits, connection)
    finally:
        journal.close()

"""`pastewright run`: choose, show, ask, lay."""

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from pastewright.cli.options import PlanFile, ProfilePath, Sending


def run(
    program: Annotated[Path, typer.Argument(help="The verified program.")],
    *,
    plan_file: PlanFile,
    profile: ProfilePath,
    dry: Annotated[
        bool, typer.Option("--dry", help="Tip in the air, plunger still: for the first run.")
    ] = False,
    from_pad: Annotated[
        str | None, typer.Option("--from", metavar="PAD", help="Begin with the deposit of this pad.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="REF", help="Only this reference or pad, shell-style. Repeat."),
    ] = None,
    board: Annotated[
        int | None, typer.Option("--board", min=1, help="Number of the board [the next].")
    ] = None,
    sending: Sending,
    even_if_unverified: Annotated[
        bool, typer.Option("--even-if-unverified", help="Run the program although the verdict has findings.")
    ] = False,
) -> int:
    """Send a program to the controller, deposit by deposit, and keep the journal."""
    from pastewright.cli.reading import read_text
    from pastewright.cli.running.asking import show_job, show_paste
    from pastewright.cli.running.checks import ask, run_checks
    from pastewright.cli.running.choice import (
        board_number_of,
        check_fits,
        check_verified,
        opened_at_of,
        wanted_deposits,
    )
    from pastewright.cli.running.laying import Laying, believed
    from pastewright.cli.running.records import default_journal
    from pastewright.link.conduct import unix_s
    from pastewright.link.job import in_air, read_job
    from pastewright.link.journal import Journal
    from pastewright.link.port import check_port
    from pastewright.profile.read import read_profile
    from pastewright.records.plan import read_plan

    bench = read_profile(profile)
    text, plan = read_text(program, what="a program"), read_plan(plan_file)
    job = read_job(text, plan, file=str(program), plan_file=str(plan_file))
    check_fits(job, bench, program)
    if not even_if_unverified:
        check_verified(text, plan, bench, program, plan_file)
    deposits = wanted_deposits(job, plan, from_pad, only or [])
    if dry:
        job = in_air(job, bench.travel_z_mm)
    journal = Journal(sending.journal or default_journal())
    try:
        number = board_number_of(journal, job, board)
        show_job(job, deposits, program.name, number, plan, bench)
        opened_at = opened_at_of(sending.opened)
        about_paste = show_paste(journal, job, deposits, bench, sending, opened_at)
        check_port(sending.port)
        ask(about_paste, sending)
        laying = Laying(journal, job, bench, sending, opened_at)
        with laying.connected() or nullcontext() as owner:
            if owner is not None and not laying.rehearsal:
                ask(run_checks(bench, job, journal, owner.look()), sending)
                believed(owner)
            key = journal.begin_board(
                job, name=program.name, text=text, plan=plan, number=number, now_s=unix_s()
            )
            return laying.work(key, deposits, owner)
    finally:
        journal.close()

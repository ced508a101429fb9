"""What a person is shown and asked before a run, and about deposits in doubt."""

import sys
from collections.abc import Collection
from dataclasses import dataclass, replace
from time import time

import typer
from rich.markup import escape

from pastewright.counting import counted
from pastewright.link.barrels import BarrelRow, barrel_named, barrels
from pastewright.link.bookkeeping import PasteBook
from pastewright.link.companions import Companion, profile_sha256_of
from pastewright.link.conduct import unix_s
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState, RunRow
from pastewright.link.left_out import height_of_ways_mm
from pastewright.profile.model import Profile
from pastewright.records.kinds import ProgramKind
from pastewright.records.thrown import is_trip
from pastewright.work.options import Sending
from pastewright.work.printing.console import out as console
from pastewright.work.running.checks import RunCheck, corner_mm, paste_checks
from pastewright.work.running.choice import opened_at_of
from pastewright.work.running.records import write_picture


def show_job(
    job: ProgramJob,
    deposits: Collection[int],
    name: str,
    number: int,
    plan: Companion,
    profile: Profile,
) -> None:
    """Print what will be laid, where, and how long it takes."""
    laid = [one for one in job.deposits if one.id in deposits]
    share = len(laid) / max(len(job.deposits), 1)
    thrown = sum(one.volume_ul for one in laid if is_trip(one.pads))
    console.print(
        f"[bold]{escape(job.board)}[/], {job.side} side, board {number}: {escape(name)} on {escape(profile.name)}"
        + (" [bold](dry: tip in the air, plunger still)[/]" if job.dry and job.paste_ul else "")
    )
    if plan.kind is ProgramKind.PROBING:
        console.print(
            f"  {len(laid)} of {counted(len(job.deposits), 'place')} to be touched, the plunger still"
        )
    else:
        console.print(
            f"  {len(laid)} of {counted(len(job.deposits), 'deposit')}, {sum(one.volume_ul for one in laid):.2f} µL"
            + (
                f" ({thrown:.1f} µL of that thrown away on the card, in line with the strip)"
                if thrown
                else ""
            )
            + f" and {job.strip_ul:.1f} µL for the settling strip"
            + (f", about {max(job.machine_s * share / 60, 0.1):.1f} min" if job.machine_s else "")
        )
    corner, travel_z_mm = corner_mm(profile, job), height_of_ways_mm(job, profile.travel_z_mm)
    as_in_profile = travel_z_mm == profile.travel_z_mm
    console.print(
        f"  travel at Z {travel_z_mm:g} mm; board corner at X {corner[0]:.4g}"
        f" Y {corner[1]:.4g}" + (f", its surface at Z {profile.bed.board_z_mm:g}" if as_in_profile else "")
    )
    planned_with = profile_sha256_of(plan)
    if planned_with and planned_with != profile.sha256:
        console.print("[yellow]look[/] the profile has changed since this program was planned")


@dataclass(frozen=True, slots=True, kw_only=True)
class PasteState:
    """What is known of the paste before a run; `barrel` None where no barrel was named."""

    fill_ul: float
    used_ul: float
    lot: str
    opened_at: float | None
    barrel: BarrelRow | None = None


def paste_of(
    journal: Journal, profile: Profile, options: Sending, *, opened_at: float | None = None
) -> PasteState:
    """Return what is known of the paste: by the named barrel's account, else by what the person types."""
    if options.barrel:
        row = barrel_named(journal, options.barrel)
        return PasteState(
            fill_ul=row.filled_ul, used_ul=row.used_ul, lot=row.lot, opened_at=row.opened_at, barrel=row
        )
    opened_at = opened_at_of(options.opened) if options.opened else opened_at
    return PasteState(
        fill_ul=profile.barrel.fill_ul if options.fill_ul is None else options.fill_ul,
        used_ul=journal.used_ul(lot=options.lot, opened_at=opened_at),
        lot=options.lot,
        opened_at=opened_at,
    )


def show_paste(
    job: ProgramJob, deposits: Collection[int], profile: Profile, paste: PasteState
) -> list[RunCheck]:
    """Print what is in the barrel; returns the questions that follow from it."""
    if job.dry:
        return []
    need_ul = job.strip_ul + sum(one.volume_ul for one in job.deposits if one.id in deposits)
    book = PasteBook(
        fill_ul=paste.fill_ul,
        used_ul=paste.used_ul,
        board_ul=job.paste_ul,
        strip_ul=job.strip_ul,
        opened_s=None if paste.opened_at is None else time() - paste.opened_at,
        floor_life_s=profile.run.floor_life_s,
        named=paste.barrel is not None,
    )
    console.print(
        f"  barrel{f' {escape(paste.barrel.name)}' if paste.barrel else ''}: {book.left_ul:.0f} of"
        f" {paste.fill_ul:.0f} µL left"
        + (f" of lot {escape(paste.lot)}" if paste.lot else "")
        + f", enough for {counted(book.boards_left, 'board')}"
    )
    for words in book.warnings(run_s=job.machine_s, need_ul=need_ul):
        console.print(f"[yellow]look[/] {words}")
    return paste_checks(book, need_ul)


def with_defaults(options: Sending, row: RunRow, journal: Journal) -> Sending:
    """Return the options, with those of the earlier run where nothing was said."""
    in_use = {barrel.id: barrel.name for barrel in barrels(journal) if barrel.ended_at is None}
    return replace(
        options,
        port=options.port or row.port,
        lot=options.lot or row.lot,
        barrel=options.barrel or in_use.get(row.barrel or 0, ""),
        fill_ul=row.fill_ul if options.fill_ul is None else options.fill_ul,
    )


def show_unfinished(row: RunRow) -> None:
    """Print which run it is that will be gone on with."""
    console.print(
        f"[bold]run {row.id}[/], {escape(row.board_name)} {row.side} side, board {row.number},"
        f" {escape(row.program_name)}: {row.phase}{': ' + escape(row.why) if row.why else ''}"
    )


def decide(journal: Journal, job: ProgramJob, row: RunRow, in_doubt: str, options: Sending) -> None:
    """Show the deposits in doubt on a picture, and enter what the person says of each."""
    doubted = [one for one in journal.deposits(row.board) if one.state is DepositState.TO_BE_CHECKED]
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

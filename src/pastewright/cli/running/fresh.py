"""A program of a board for the barrel as it is now: planned anew where the paste that is gone would cost too much."""

from dataclasses import replace

from pastewright.cli.printing.console import out as console
from pastewright.cli.running.asking import PasteState
from pastewright.link.companions import Companion
from pastewright.link.job import ProgramJob, read_job
from pastewright.profile.model import Profile
from pastewright.records.plan import PlanRecord

Sent = tuple[str, Companion, ProgramJob]
"""A program's text, the record beside it, and its blocks."""


def for_barrel(sent: Sent, bench: Profile, paste: PasteState) -> Sent:
    """Return the program as it is, or one for the barrel as it is now, read back, where deposits would be 1 % off.

    Only boards are planned anew: what a sheet lays is what tuning is told of. Raises `InputError` when the paste left is
    not enough. A new program that does not verify is not taken; the person is told.
    """
    from pastewright.plan.again import WORTH, off_by, planned_again

    text, plan, job = sent
    if not isinstance(plan, PlanRecord) or job.dry:
        return sent
    left_ul = paste.fill_ul - paste.used_ul
    if left_ul <= 0:  # the questions about paste have told
        return sent
    off = off_by(text, plan, bench, left_ul=left_ul)
    if off <= WORTH:
        return sent
    again = planned_again(plan, bench, left_ul=left_ul)
    if not again.verdict.ok:
        console.print(
            f"[yellow]look[/] with {left_ul:.0f} µL in the barrel deposits are up to {off:.1%} off, since it is as stiff as"
            f" its paste is little; a program for it does not verify ({again.verdict.findings[0].what}), so this one is sent"
        )
        return sent
    console.print(
        f"  planned anew for {left_ul:.0f} µL in the barrel, and read back: as it was planned, deposits would have been up"
        f" to {off:.1%} off"
    )
    # It goes the same way over the board, whatever its pushes are: boards are counted on, a run in the air still counts.
    fresh = replace(read_job(again.program.text, again.record), path_sha256=job.path_sha256)
    return again.program.text, again.record, fresh

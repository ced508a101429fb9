"""A board's program for the bench as it is now: planned anew where what has changed would cost too much.

    profile ──CHANGES──▶ the bench now ──▶ deposits more than 1 % off? ──▶ planned anew, read back, then sent

`run` and `batch` come here before each board. What may have changed since a program was planned is told by the functions
in `CHANGES`, one after the other: each takes a profile and `Today` and returns the profile with what it knows. They
read the journal and keep nothing in memory, so that a batch that goes on another day finds the same bench. What a
person is asked between two boards (`AFTER_BOARD`, asked by a batch at its desk) writes into the journal what a change
reads there: a photo of the witness row becomes the next board's plan by one function in each of the two.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from pastewright.link.companions import Companion
from pastewright.link.job import ProgramJob, read_job
from pastewright.link.journal import Journal
from pastewright.problems import InputError
from pastewright.profile.model import Profile, WhenToLearn
from pastewright.records.plan import PlanRecord
from pastewright.work.printing.console import out as console
from pastewright.work.running.asking import PasteState
from pastewright.work.running.board_laid import Asker, BoardLaid

Sent = tuple[str, Companion, ProgramJob]
"""A program's text, the record beside it, and its blocks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Today:
    """What may have changed since a program was planned. `batch` is its id, None for a run of its own."""

    journal: Journal
    paste: PasteState
    batch: int | None = None


Change = Callable[[Profile, Today], Profile]


def barrel_as_it_is(profile: Profile, today: Today) -> Profile:
    """Return the profile with what is left in the barrel; of an empty one the questions about paste have told."""
    from pastewright.plan.again import with_paste

    left_ul = today.paste.fill_ul - today.paste.used_ul
    return with_paste(profile, left_ul) if left_ul > 0 else profile


def what_rows_taught(profile: Profile, today: Today) -> Profile:
    """Return the profile with what the witness rows of a batch taught; of a run by itself the profile says all."""
    if today.batch is None:
        return profile
    from pastewright.work.running.learning import as_learned

    return as_learned(profile, today.journal, today.batch)


CHANGES: list[Change] = [barrel_as_it_is, what_rows_taught]


def ask_for_row(asker: Asker, laid: BoardLaid) -> None:
    """Ask for the witness row of the board just laid, where the profile wants that after each board."""
    if laid.profile.run.learn is not WhenToLearn.ON_KEY:
        from pastewright.work.running.learning import learn_row

        learn_row(asker, laid)


AFTER_BOARD: list[Callable[[Asker, BoardLaid], None]] = [ask_for_row]
"""Asked in turn after each board that was laid whole. An `InputError` is told, and the batch goes on."""


def bench_today(profile: Profile, today: Today) -> Profile:
    """Return the bench as it is now, by all that is known to change."""
    for change in CHANGES:
        profile = change(profile, today)
    return profile


def for_today(sent: Sent, planned_for: Profile, now: Profile) -> tuple[Sent, Profile]:
    """Return the program as it is, or one for the bench now, read back, where deposits would be 1 % off; and its bench.

    Only boards are planned anew: what a sheet lays is what tuning is told of. Raises `InputError` when the paste left is
    not enough. A new program with findings that the old one does not have is not taken; the person is told.
    """
    from pastewright.plan.again import WORTH, new_findings, off_by, planned_again

    text, plan, job = sent
    if not isinstance(plan, PlanRecord) or job.dry:
        return sent, planned_for
    off = off_by(text, plan, planned_for, now=now)
    if off <= WORTH:
        return sent, planned_for
    again = planned_again(plan, now)
    left_ul = now.barrel.fill_ul
    worse = new_findings(text, plan, again)
    if worse:
        console.print(
            f"[yellow]look[/] on the bench as it is now, with {left_ul:.0f} µL in the barrel, deposits are up to {off:.1%}"
            f" off; a program for it does not verify ({worse[0].what}), so this one is sent"
        )
        return sent, planned_for
    if not again.verdict.ok:
        console.print(
            f"[yellow]look[/] {again.verdict.findings[0].what}: dots rest wider by now. Plan the board anew for the next"
            " batch"
        )
    console.print(
        f"  planned anew for {left_ul:.0f} µL in the barrel, and read back: as it was planned, deposits would have been up"
        f" to {off:.1%} off"
    )
    # It goes the same way over the board, whatever its pushes are: boards are counted on, a run in the air still counts.
    fresh = replace(read_job(again.program.text, again.record), path_sha256=job.path_sha256)
    return (again.program.text, again.record, fresh), now


def ask_after(asker: Asker, laid: BoardLaid) -> None:
    """Ask what is to be asked after a board."""
    for question in AFTER_BOARD:
        try:
            question(asker, laid)
        except InputError as error:
            asker.say(str(error))

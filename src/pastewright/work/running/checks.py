"""The checks before a run: each has a name and says what to look at; a person answers, or names it as checked.

What could hurt a hand, a board or the machine, and a barrel that is empty, are answered at a terminal or by
`--assume NAME`, never by `--yes`.
"""

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import typer

from pastewright.link.bookkeeping import PasteBook
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.left_out import height_of_ways_mm
from pastewright.link.owner import Stand
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.records.thrown import is_trip
from pastewright.work.options import Sending
from pastewright.work.printing.console import out as console
from pastewright.work.yes_or_no import yes

CHECKS = {
    "place": "the tip stands where the controller says",
    "board": "the board lies at its place, held fast",
    "side": "the side to be pasted is up",
    "clear": "the way of the tip is clear, hands are out",
    "air": "the first run in the air may be left out",
    "strip": "the settling strip's place is free, the tip clean",
    "unmoved": "the board was not moved since the run ended",
    "contact": "the tip is clean, and the probe's contact answers when touched",
    "paste": "there is paste enough, whatever the account says",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCheck:
    """A question; `name` is how `--assume` calls it. `gentle`: neither safety nor an empty barrel hangs on it."""

    name: str
    question: str
    gentle: bool = False


def paste_checks(book: PasteBook, need_ul: float) -> list[RunCheck]:
    """Return what must be asked about the barrel before a run that needs `need_ul`."""
    checks = []
    if words := book.shortage(need_ul=need_ul):
        checks.append(
            RunCheck(
                name="paste",
                question=f"{words[:1].upper()}{words[1:]}. Look at the plunger: is there more in it than the account says?",
            )
        )
    if words := book.overdue():
        checks.append(
            RunCheck(
                name="life", question=f"{words[:1].upper()}{words[1:]}. Use it all the same?", gentle=True
            )
        )
    return checks


def place_check(stand: Stand, profile: Profile) -> list[RunCheck]:
    """Return the question whether the tip is where the controller says, none where it homes by itself."""
    if profile.run.home:
        return []
    told = f"The controller says that the tip stands at {stand.words}"
    if stand.known:
        return [RunCheck(name="place", question=f"{told}. Look at the machine: does it?")]
    return [
        RunCheck(
            name="place",
            question=f"{told}, but does not know: {stand.why}. Look at the machine: does the tip truly stand there?",
        )
    ]


def run_checks(
    profile: Profile,
    job: ProgramJob,
    journal: Journal,
    stand: Stand,
    *,
    own: Sequence[str] = (),
    on_card: bool = False,
) -> list[RunCheck]:
    """Return what the profile wants checked before a new board; `own` are the names of what its kind adds.

    `on_card`: it is laid on a bare card, which has no side and no pads.
    """
    run, corner = profile.run, corner_mm(profile, job)
    checks = place_check(stand, profile)
    if run.confirm_board:
        at = f"its lower left corner at X {corner[0]:.4g} Y {corner[1]:.4g}"
        lies = f"Does the board {job.board!r} lie at its place, {at}?"
        if on_card:
            width, height = job.size_mm
            lies = (
                f"Does a card of at least {width:.0f} × {height:.0f} mm for the {job.board} lie flat, {at}?"
            )
        checks.append(
            RunCheck(name="board", question=f"{lies} Push at an edge with a finger: is it held fast?")
        )
    checks += [
        _unmoved()
        if name == "unmoved"
        else _strip(profile, job)
        if name == "strip"
        else RunCheck(name=name, question=f"Look, and try it: is it so that {CHECKS[name]}?")
        for name in own
        if not (job.dry and name == "strip")
    ]
    if run.confirm_side and job.paste_ul and not on_card:
        checks.append(RunCheck(name="side", question=f"Is its {job.side} side up? {side_mark(job)}"))
    if run.confirm_tip_clear:
        checks.append(_clear(profile, job))
    if run.confirm_air and not job.dry and not journal.ran_in_air(job):
        checks.append(
            RunCheck(
                name="air",
                question="The journal knows of no run of this program in the air (--dry)."
                " Is the way of the tip known to be free all the same?",
            )
        )
    return checks


def resume_checks(profile: Profile, job: ProgramJob, stand: Stand) -> list[RunCheck]:
    """Return what must be checked before a board is gone on with."""
    checks = [*place_check(stand, profile), _unmoved()]
    if not job.dry:
        checks.append(_strip(profile, job))
    if profile.run.confirm_tip_clear:
        checks.append(_clear(profile, job))
    return checks


def corner_mm(profile: Profile, job: ProgramJob) -> tuple[float, float]:
    """Return where the lower left corner of the (first) board lies [mm]: where it was found, else in the bed's corner."""
    return job.corner_mm or (profile.bed.board_x_mm, profile.bed.board_y_mm)


def _unmoved() -> RunCheck:
    return RunCheck(
        name="unmoved",
        question="Has the board not been moved since? Look whether it still lies at its stops"
        " (if it was moved, it must be registered anew first).",
    )


def _strip(profile: Profile, job: ProgramJob) -> RunCheck:
    strip = job.strip_mm or (profile.bed.strip_x_mm, profile.bed.strip_y_mm)
    return RunCheck(
        name="strip",
        question=f"Look at X {strip[0]:.4g} Y {strip[1]:.4g} and at the tip:"
        " is the settling strip's place free again, and the tip clean?",
    )


def _clear(profile: Profile, job: ProgramJob) -> RunCheck:
    homing = "it homes first, then " if profile.run.home else ""
    travel_z_mm = height_of_ways_mm(job, profile.travel_z_mm)
    return RunCheck(
        name="clear",
        question=f"Look along the way of the tip ({homing}it travels at Z {travel_z_mm:g}): are clamps and parts"
        " lower than that, and are hands out of the gantry?",
    )


def side_mark(job: ProgramJob) -> str:
    """Say where a large deposit's pad must be seen, so that a turned board shows."""
    on_board = [laid for laid in job.deposits if not is_trip(laid.pads)]
    largest = max(on_board, key=lambda laid: laid.volume_ul)
    x, y = largest.points_mm[0]
    across = "left" if x < job.size_mm[0] / 2 else "right"
    along = "lower" if y < job.size_mm[1] / 2 else "upper"
    return f"Seen from above, pad {largest.pads[0]} must lie in the {along} {across} quarter."


def ask(checks: Sequence[RunCheck], options: Sending, *, confirm: Callable[[str], bool] = yes) -> None:
    """Ask each question; a no ends the command, and so does having nobody to ask."""
    assumed = {name.strip() for words in options.assume or () for name in words.split(",") if name.strip()}
    if unknown := assumed - set(CHECKS):
        raise one_error(
            f"--assume {', '.join(sorted(unknown))}: no check has this name",
            "There are: " + "; ".join(f"{name} ({words})" for name, words in CHECKS.items()) + ".",
        )
    open_checks = []
    for check in checks:
        if check.name in assumed:
            console.print(f"[dim]taken as checked:[/] {CHECKS[check.name]}")
        elif not (check.gentle and options.yes):
            open_checks.append(check)
    if open_checks and not sys.stdin.isatty():
        names = ",".join(check.name for check in open_checks if not check.gentle)
        words = [f"look, then name what you have checked: --assume {names}"] if names else []
        words += ["--yes answers the rest"] if any(check.gentle for check in open_checks) else []
        raise one_error(
            "this run has questions, and there is nobody to ask: "
            + " ".join(check.question for check in open_checks),
            f"Run it at a terminal, or {'; '.join(words)}.",
        )
    for check in open_checks:
        if not confirm(check.question):
            raise typer.Abort

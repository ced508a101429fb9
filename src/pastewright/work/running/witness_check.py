"""A witness row by itself: measured, judged, and what it teaches offered for the profile and for the next board."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.markup import escape

from pastewright.learn.belief import aged
from pastewright.learn.board import change_of_board
from pastewright.learn.dots import of_this_row, typed_dots
from pastewright.learn.kept import believed, row_of, trial_entry
from pastewright.learn.update import Learned, RowAnswer, learned
from pastewright.plan.again import WORTH, new_findings, planned_again
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.profile.read import read_profile
from pastewright.records.plan import PlanRecord, plan_text, read_plan
from pastewright.records.sheet import SheetRecord, read_sheet_record
from pastewright.tune.record.dots_csv import read_dots_csv
from pastewright.tune.record.measurements import DotReading
from pastewright.tune.record.profile_update import with_entry
from pastewright.work.exits import DONE, FINDINGS
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_file
from pastewright.work.reading import load_profile, read_text
from pastewright.work.running.choice import program_meant
from pastewright.work.running.row_readings import photo_words, photographed
from pastewright.work.tuning import typed_day
from pastewright.work.yes_or_no import yes
from pastewright.writing import writing


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What the person gave of a row."""

    row: Path
    profile: Path
    diameters: str
    dots: Path | None
    plan: Path
    refilled: bool
    out: Path | None
    accept: bool
    photos: tuple[Path, ...] = ()


def checked(given: Given, *, sure: Callable[[str], bool] = yes) -> int:
    """Judge a row, offer what it teaches, write what is accepted; returns the exit code, FINDINGS for a stop.

    `sure` asks whether to correct, where nothing was accepted beforehand.
    """
    profile = load_profile(given.profile)
    file = given.row / "sheet.json" if given.row.is_dir() else given.row
    record = read_sheet_record(file)
    row = row_of(record, profile, file=str(file))
    readings = _readings(given, record, file.parent)
    board = read_text(program_meant(given.plan), what="a program"), read_plan(given.plan)
    belief = aged(believed(profile), boards=1, hours=profile.drift.hours, refilled=given.refilled)
    found = learned(belief, row, readings, change_of_board(*board, profile), worth=WORTH)
    _tell(found)
    if found.answer is RowAnswer.STOP:
        return FINDINGS
    if found.answer is RowAnswer.GO:
        return DONE
    if not given.accept and not sure(f"drift {found.off:.0%}: correct?"):
        console.print("nothing is changed")
        return DONE
    entry = trial_entry(
        found.belief, profile, dated=typed_day(""), dots=sum(not dot.aside for dot in found.dots)
    )
    with writing("the profile", given.profile, "Choose a profile that can be written."):
        given.profile.write_text(with_entry(given.profile.read_text("utf-8"), entry), encoding="utf-8")
    print_file("profile", given.profile)
    return _planned(given, board, read_profile(given.profile))


def _readings(given: Given, record: SheetRecord, folder: Path) -> Sequence[DotReading]:
    """Return what was measured, one way; of photos pictures go into the folder."""
    ways = sum((given.dots is not None, bool(given.diameters), bool(given.photos)))
    if ways != 1:
        raise one_error(
            "nothing was measured of the row" if not ways else "the row was measured in more than one way",
            "Give one of --photo, --diameters and --dots.",
        )
    if given.photos:
        found = photographed(given.photos, record, pictures=folder)
        for line in photo_words(found):
            console.print(escape(line))
        return found.readings
    if given.dots is not None:
        return of_this_row(read_dots_csv(given.dots).readings, record, file=str(given.dots))
    return typed_dots(given.diameters, record)


def _tell(found: Learned) -> None:
    console.print(f"[bold]{found.answer}[/]: {escape(found.words)}")
    if found.answer is not RowAnswer.STOP:  # what is not to be believed tells nothing of a board
        console.print(f"  the board's deposits would be off by {found.off:.1%} (95th percentile)")
    for dot in found.dots:
        if dot.aside:
            console.print(f"  dot {dot.index + 1} is set aside: {dot.over:.0%} of what was expected")
    if found.answer is RowAnswer.STOP:
        console.print("  Measure once more, or lay another row; says that the same, lay a tuning sheet.")


def _planned(given: Given, board: tuple[str, PlanRecord], profile: Profile) -> int:
    """Write the board's program for the corrected bench; returns the exit code."""
    again = planned_again(board[1], profile)
    worse = new_findings(*board, again)
    if worse:
        console.print(f"  a program for it does not verify ({escape(worse[0].what)}): plan the board anew")
        return FINDINGS
    if not again.verdict.ok:
        near = escape(again.verdict.findings[0].what)
        console.print(
            f"  [yellow]look[/] {near}: dots rest wider by now. This program corrects doses; plan the board anew"
        )
    folder = given.out or given.plan.parent.with_name(f"{given.plan.parent.resolve().name}-corrected")
    program = folder / f"program{again.program.suffix}"
    with writing("the program", folder, "Choose another folder with --out."):
        folder.mkdir(parents=True, exist_ok=True)
        program.write_text(again.program.text, encoding="utf-8", newline="\n")
        (folder / "plan.json").write_text(plan_text(again.record), encoding="utf-8")
    print_file("program", program)
    print_file("plan", folder / "plan.json")
    return DONE

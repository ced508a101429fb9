"""`touch-up` from files to files: inspection, plan and bench in, program and plan.json out."""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from msgspec import structs
from rich.markup import escape

from pastewright.counting import counted
from pastewright.link.barrels import barrel_named
from pastewright.link.inspections import laid_by
from pastewright.link.journal import open_existing
from pastewright.place.tray.document import placement_for
from pastewright.plan.again import with_paste
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.records.inspection import InspectionRecord, read_inspection
from pastewright.records.plan import PlanRecord, plan_text, read_plan
from pastewright.report.results import PROGRAM_STEM
from pastewright.touchup.plan import TouchUp, touch_up
from pastewright.work.printing.console import out as console
from pastewright.work.reading import load_profile
from pastewright.work.running.records import default_journal
from pastewright.writing import writing

MOST_FINDINGS = 12  # the first tell the cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Touched:
    """What is to be touched up, and where the results go."""

    inspection: Path
    profile: Path
    plan: Path | None
    wiped: bool
    left_ul: float | None
    barrel: str
    out: Path
    even_if_unverified: bool
    journal: Path | None
    placement: Path | None = None


def touched_up(asked: Touched) -> bool:
    """Plan, write and print a touch-up; whether its program is verified."""
    inspection = read_inspection(asked.inspection)
    plan = _plan_of(asked, inspection)
    profile = load_profile(asked.profile)
    check_bench(plan, profile, str(asked.profile))
    left_ul = _left_ul(asked, profile)
    bench = profile if left_ul is None else with_paste(profile, left_ul)
    placed = None
    if asked.placement is not None:
        (placed,) = placement_for(asked.placement, plan.board).boards
    else:
        plan = _where_it_was_laid(asked, plan, inspection, profile)
    made = touch_up(plan, inspection, bench, wiped=asked.wiped, placed=placed)
    file = _written(asked, made)
    _print(made, asked, file)
    return made.verdict.ok


def _plan_of(asked: Touched, inspection: InspectionRecord) -> PlanRecord:
    """Return the plan that was inspected; raises `InputError` where another file lies there now."""
    path = asked.plan or Path(inspection.plan_file)
    if not path.exists() and not asked.plan:
        path = asked.inspection.parent.parent / path.name
    plan = read_plan(path)
    if sha256(path.read_bytes()).hexdigest() != inspection.plan_sha256:
        raise one_error(
            "this is not the plan that was inspected",
            "Give that plan.json with --plan, or inspect anew.",
            file=str(path),
        )
    return plan


def check_bench(plan: PlanRecord, profile: Profile, file: str) -> None:
    """Raise `InputError` where the plan is of another machine: places on it mean nothing here."""
    there, here = plan.profile, profile
    if (there.dialect, there.plunger_letter) != (here.controller.dialect, here.plunger.letter):
        raise one_error(
            f"the board was planned for {there.name} ({there.dialect}, plunger on {there.plunger_letter}); this profile is"
            f" {here.name} ({here.controller.dialect}, plunger on {here.plunger.letter})",
            "Give the profile of the machine that laid it.",
            file=file,
        )


def _where_it_was_laid(
    asked: Touched, plan: PlanRecord, inspection: InspectionRecord, profile: Profile
) -> PlanRecord:
    """Return the plan with the board where it was found again for its run, as batches find boards; by the journal.

    Raises `InputError` where boards are found again on this bench, and the journal does not know this one.
    """
    file = asked.journal or default_journal()
    laid = None
    if inspection.journal_board is not None and file.exists():
        opened = open_existing(file)
        try:
            laid = laid_by(opened, inspection.journal_board)
        finally:
            opened.close()
    same = laid is not None and (laid.board.name, laid.board.side) == (plan.board.name, plan.board.side)
    if laid is not None and same and len(laid.placement.boards) == len(plan.placement.boards):
        if laid.placement.boards != plan.placement.boards:
            console.print("the board is taken to lie where it was found when it was laid")
        # A batch may have been told what stands on this side besides.
        there = structs.replace(plan.placement, boards=laid.placement.boards, zones=laid.placement.zones)
        return structs.replace(plan, placement=there)
    if profile.run.find == "points":
        raise one_error(
            'on this bench every board is found anew ([run] find = "points"), and nobody knows where this one lay',
            "Inspect it with --board NAME, as the journal calls it; or find it as it lies now: pastewright register …, then"
            " give that with --placement.",
            file=str(asked.inspection),
        )
    return plan


def _left_ul(asked: Touched, profile: Profile) -> float | None:
    if not asked.barrel:
        return asked.left_ul
    opened = open_existing(asked.journal or default_journal())
    try:
        return barrel_named(opened, asked.barrel).left_ul
    finally:
        opened.close()


def _written(asked: Touched, made: TouchUp) -> Path | None:
    out = asked.out
    with writing("the results", out, "Choose another folder with --out, and no file's name."):
        out.mkdir(parents=True, exist_ok=True)
        for old in (out / f"{PROGRAM_STEM}{ending}" for ending in PROGRAM_ENDINGS):
            old.unlink(missing_ok=True)
        (out / "plan.json").write_text(plan_text(made.record), encoding="utf-8")
        if not made.verdict.ok and not asked.even_if_unverified:
            return None
        file = out / f"{PROGRAM_STEM}{made.program.suffix}"
        file.write_text(made.program.text, encoding="utf-8", newline="\n")
    return file


def _print(made: TouchUp, asked: Touched, file: Path | None) -> None:
    totals = made.record.totals
    console.print(
        f"[bold]touch-up[/] of {escape(made.record.board.name)}: {counted(totals.deposits, 'deposit')} on"
        f" {counted(totals.pads, 'pad')}, {totals.paste_ul:.3f} µL; settling strip as ever, {totals.strip_ul:.1f} µL"
    )
    for pad, why in made.choice.left:
        console.print(f"  not laid: [bold]{escape(pad)}[/] {escape(why)}")
    if made.verdict.ok:
        console.print(
            "[bold green]verified[/] read back by separate code, against the paste that stands: no findings"
        )
    else:
        console.print(f"[bold red]not verified[/] {counted(len(made.verdict.findings), 'finding')}")
        for finding in made.verdict.findings[:MOST_FINDINGS]:
            console.print(f"  line {finding.line}: {escape(finding.what)}")
    console.print(f"wrote {escape(str(asked.out / 'plan.json'))}")
    if file is not None:
        console.print(f"wrote {escape(str(file))}")
        console.print(
            f"Keep hands out of the gantry. Send it: pastewright run {escape(str(file))} --profile"
            f" {escape(str(asked.profile))}"
        )

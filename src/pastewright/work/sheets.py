"""A sheet of dots as the command and the page make it: designed, verified, with the block to weigh, and its files."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pastewright.deposit.model import Deposit
from pastewright.plan.again import deposits_in_order
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.program.model import Program
from pastewright.readback.model import Verdict
from pastewright.records.plan import read_plan
from pastewright.records.sheet import SheetRecord, sheet_text
from pastewright.tune.record.pictures import sheet_svg
from pastewright.tune.sheet.block import block_record
from pastewright.tune.sheet.design import Designed, designed
from pastewright.tune.sheet.model import write_sheet
from pastewright.tune.sheet.program import sheet_program, sheet_verdict
from pastewright.writing import writing

TO_WEIGH = ", block to weigh"
MOST_NAME = 60
SHEET, WEIGH = "sheet", "weigh"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetMade:
    """A designed sheet, its program, the verdict on it; program and record of the block to weigh, where there is one."""

    made: Designed
    program: Program
    verdict: Verdict
    weigh: tuple[Program, SheetRecord] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFiles:
    """Where the sheet's program lies, and the block's; None where there is none."""

    program: Path | None
    weigh: Path | None


def sheet_made(
    profile: Profile,
    *,
    name: str,
    seed: int,
    for_plan: Path | None = None,
    on_try: Callable[[], None] = lambda: None,
    on_program: Callable[[], None] = lambda: None,
) -> SheetMade:
    """Return a sheet designed for a bench, and for the board of a plan.json where one is given.

    Raises `InputError` for a name that is no line of 1 to 60 letters, a plan that cannot be read, and where the sheet
    does not fit the machine. A program with findings is no error: the verdict tells them.
    """
    if not name or not name.isprintable() or len(name) > MOST_NAME:
        raise one_error(
            f"the sheet's name must be one line of 1 to {MOST_NAME} letters", "Choose another name."
        )
    made = designed(profile, name=name, seed=seed, on_try=on_try, laid=_laid(for_plan))
    on_program()
    program = sheet_program(name, made.motions, made.layout, profile)
    verdict = sheet_verdict(program, made.layout, profile)
    return SheetMade(made=made, program=program, verdict=verdict, weigh=_to_weigh(made, name, profile))


def write_sheet_files(sheet: SheetMade, folder: Path) -> SheetFiles:
    """Write picture and sheet.json, and the programs that are verified, with the block's own file; old ones go.

    Raises `InputError` where the folder cannot be written.
    """
    program = folder / f"{SHEET}{sheet.program.suffix}" if sheet.verdict.ok else None
    weigh = None
    with writing("the sheet", folder, "Choose another folder, or look at its rights."):
        folder.mkdir(parents=True, exist_ok=True)
        for old in (
            folder / f"{stem}{end}" for stem in (SHEET, WEIGH) for end in (*PROGRAM_ENDINGS, ".json")
        ):
            old.unlink(missing_ok=True)
        picture = sheet_svg(sheet.made.sheet, sheet.made.layout, largest_mm=sheet.made.largest_mm)
        (folder / f"{SHEET}.svg").write_text(picture, encoding="utf-8")
        write_sheet(sheet.made.sheet, folder / f"{SHEET}.json")
        if program is not None:
            program.write_text(sheet.program.text, encoding="utf-8", newline="\n")
            if sheet.weigh is not None:
                weigh = folder / f"{WEIGH}{sheet.weigh[0].suffix}"
                weigh.write_text(sheet.weigh[0].text, encoding="utf-8", newline="\n")
                weigh.with_suffix(".json").write_text(sheet_text(sheet.weigh[1]), encoding="utf-8")
    return SheetFiles(program=program, weigh=weigh)


def _to_weigh(made: Designed, name: str, profile: Profile) -> tuple[Program, SheetRecord] | None:
    """Program and record of the block that is weighed; None where there is none, or it is not verified."""
    block = made.block
    if block is None:
        return None
    program = sheet_program(name + TO_WEIGH, block.motions, block.layout, profile)
    if not sheet_verdict(program, block.layout, profile).ok:
        return None
    return program, block_record(block, name + TO_WEIGH, profile)


def _laid(for_plan: Path | None) -> tuple[Deposit, ...]:
    """The deposits of the board that the sheet is for, in the order of its program; none without a plan."""
    return () if for_plan is None else deposits_in_order(read_plan(for_plan))

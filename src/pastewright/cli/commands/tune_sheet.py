"""`pastewright tune sheet`: design a sheet of dots for this bench, verify its program, write both and a picture."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pastewright.work.options import ProfilePath, Sending

if TYPE_CHECKING:
    from pastewright.deposit.model import Deposit
    from pastewright.profile.model import Profile
    from pastewright.program.model import Program
    from pastewright.records.sheet import SheetRecord
    from pastewright.tune.sheet.block import Block

TO_WEIGH = ", block to weigh"


def sheet(
    *,
    profile: ProfilePath,
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for the results.")] = Path("tuning-sheet"),
    name: Annotated[str, typer.Option("--name", help="What the sheet is called.")] = "sheet",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another number gives another order.")] = 1,
    for_plan: Annotated[
        Path | None,
        typer.Option("--for", help="A plan.json: the dots that this board's tolerance gains most from."),
    ] = None,
    run: Annotated[bool, typer.Option("--run", help="Lay it at once, and wait for its photos.")] = False,
    sending: Sending,
) -> int:
    """Design a sheet of dots for this bench: its verified program, sheet.json and a picture."""
    from pastewright.problems import one_error
    from pastewright.program.dialects import PROGRAM_ENDINGS
    from pastewright.tune.record.pictures import sheet_svg
    from pastewright.tune.sheet.block import block_record
    from pastewright.tune.sheet.design import TRIES, designed
    from pastewright.tune.sheet.model import write_sheet
    from pastewright.tune.sheet.program import sheet_program, sheet_verdict
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.printing.console import stages
    from pastewright.work.printing.tuning import (
        print_block,
        print_sheet,
        print_sheet_files,
        print_sheet_findings,
    )
    from pastewright.work.reading import load_profile
    from pastewright.writing import writing

    bench = load_profile(profile)
    if not name or not name.isprintable() or len(name) > 60:
        raise one_error("the sheet's name must be one line of 1 to 60 letters", "Choose another --name.")
    tries = tuple(f"order {number + 1}" for number in range(TRIES))
    with stages([*tries, "program"]) as begin:
        counted = iter(tries)
        made = designed(
            bench, name=name, seed=seed, on_try=lambda: begin(next(counted, "program")), laid=_laid(for_plan)
        )
        begin("program")
        program = sheet_program(name, made.motions, made.layout, bench)
        verdict = sheet_verdict(program, made.layout, bench)
        weigh = _to_weigh(made.block, name, bench)
        block = made.block if weigh else None
    program_file, weigh_file = (out / f"{stem}{program.suffix}" for stem in ("sheet", "weigh"))
    with writing("the sheet", out, "Choose another folder with --out."):
        out.mkdir(parents=True, exist_ok=True)
        for old in (
            out / f"{stem}{end}" for stem in ("sheet", "weigh") for end in (*PROGRAM_ENDINGS, ".json")
        ):
            old.unlink(missing_ok=True)
        (out / "sheet.svg").write_text(
            sheet_svg(made.sheet, made.layout, largest_mm=made.largest_mm), encoding="utf-8"
        )
        write_sheet(made.sheet, out / "sheet.json")
        if verdict.ok:
            program_file.write_text(program.text, encoding="utf-8", newline="\n")
            if block is not None and weigh is not None:
                _weighed(weigh_file, weigh, block_record(block, name + TO_WEIGH, bench))
    print_sheet(made, bench)
    if not verdict.ok:
        print_sheet_findings(verdict)
        return FINDINGS
    print_sheet_files(out, program_file)
    print_block(block, weigh_file)
    if not run:
        return DONE
    from pastewright.work.running.sheets import lay_sheet

    return lay_sheet(program_file, out / "sheet.json", profile, sending)


def _to_weigh(block: "Block | None", name: str, bench: "Profile") -> "Program | None":
    """Return the program of the block that is weighed; None where there is none, or it is not verified."""
    from pastewright.tune.sheet.program import sheet_program, sheet_verdict

    if block is None:
        return None
    program = sheet_program(name + TO_WEIGH, block.motions, block.layout, bench)
    return program if sheet_verdict(program, block.layout, bench).ok else None


def _weighed(file: Path, program: "Program", record: "SheetRecord") -> None:
    """Write the program of the block that is weighed, and the file beside it by which it is sent."""
    from pastewright.records.sheet import sheet_text

    file.write_text(program.text, encoding="utf-8", newline="\n")
    file.with_suffix(".json").write_text(sheet_text(record), encoding="utf-8")


def _laid(for_plan: Path | None) -> "tuple[Deposit, ...]":
    """The deposits of the board that the sheet is for, in the order of its program; none without a plan."""
    from pastewright.plan.again import deposits_in_order
    from pastewright.records.plan import read_plan

    return () if for_plan is None else deposits_in_order(read_plan(for_plan))

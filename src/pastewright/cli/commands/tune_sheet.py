"""`pastewright tune sheet`: design a sheet of dots for this bench, verify its program, write both and a picture."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ProfilePath, Sending


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
    from pastewright.tune.sheet.design import TRIES
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.printing.console import stages
    from pastewright.work.printing.tuning import (
        print_block,
        print_sheet,
        print_sheet_files,
        print_sheet_findings,
    )
    from pastewright.work.reading import load_profile
    from pastewright.work.sheets import sheet_made, write_sheet_files

    bench = load_profile(profile)
    tries = tuple(f"order {number + 1}" for number in range(TRIES))
    with stages([*tries, "program"]) as begin:
        counted = iter(tries)
        done = sheet_made(
            bench,
            name=name,
            seed=seed,
            for_plan=for_plan,
            on_try=lambda: begin(next(counted, "program")),
            on_program=lambda: begin("program"),
        )
        files = write_sheet_files(done, out)
    print_sheet(done.made, bench)
    if files.program is None:
        print_sheet_findings(done.verdict)
        return FINDINGS
    print_sheet_files(out, files.program)
    print_block(done.made.block if files.weigh else None, files.weigh)
    if not run:
        return DONE
    from pastewright.work.running.sheets import lay_sheet

    return lay_sheet(files.program, out / "sheet.json", profile, sending)

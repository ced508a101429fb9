"""`pastewright verify`: any program against a plan and a bench."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ProfilePath


def verify(
    program: Annotated[Path, typer.Argument(help="The program to read back.")],
    *,
    plan_file: Annotated[Path, typer.Option("--plan", help="The plan.json that it must carry out.")],
    profile: ProfilePath,
    board: Annotated[
        Path | None,
        typer.Option("--board", help="Fabrication files, to see whether they are still those of the plan."),
    ] = None,
) -> int:
    """Read a program back, simulate it, and compare it with its plan."""
    from pastewright.board.read import source_sha256
    from pastewright.plan.document import verdict_record
    from pastewright.readback.judge.expect import expected_from_plan
    from pastewright.readback.judge.origin import strangers
    from pastewright.readback.judge.tolerances import judged_tolerance
    from pastewright.readback.judge.verify import verify
    from pastewright.records.plan import read_plan
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.printing.console import print_warnings
    from pastewright.work.printing.plan import print_balance, print_judged_tolerance, print_verdict
    from pastewright.work.reading import load_profile, read_text

    bench = load_profile(profile)
    text = read_text(program, what="a program")
    plan = read_plan(plan_file)
    files_sha256 = source_sha256(board) if board is not None else ""
    print_warnings(strangers(text, plan, bench, files_sha256=files_sha256))
    expected = expected_from_plan(plan, file=str(plan_file))
    verdict = verify(text, expected, bench)
    print_verdict(verdict_record(verdict), of_a_kind=10)
    print_balance(verdict)
    # Of a program that lays something else nobody need ask how far that is off.
    judged = judged_tolerance(text, plan, expected, bench) if verdict.ok else None
    print_judged_tolerance(judged)
    return DONE if verdict.ok and (judged is None or judged.honest) else FINDINGS

"""`pastewright demo`: the whole job on the demo board, with files that can be looked at and changed."""

from pathlib import Path
from typing import Annotated

import typer


def demo(
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for files and results.")] = Path(
        "demo-out"
    ),
) -> int:
    """Run the whole job on the demo board, a soil-moisture logger for greenhouses."""
    from rich.markup import escape

    from pastewright.cli.commands.run import run
    from pastewright.cli.planning import Wanted, plan_board
    from pastewright.demo.board import write_demo
    from pastewright.profile.examples import DEMO, example_text
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.options import Sending
    from pastewright.work.printing.console import out as console
    from pastewright.writing import writing

    board_dir, bench, top = out / "greenhouse-logger", out / "bench.toml", out / "top"
    with writing("the demo", out, "Choose another folder with --out."):
        board_dir.mkdir(parents=True, exist_ok=True)
        write_demo(board_dir, "x2")
        bench.write_text(example_text(DEMO), encoding="utf-8")
    console.print(
        f"The demo board's fabrication files are in {escape(str(board_dir))}, the bench in {escape(str(bench))}."
    )
    good = True
    for side in ("top", "bottom"):
        console.print()
        good &= plan_board(Wanted(source=board_dir, profile=bench, side=side, out=out / side))
    if good:
        console.print()
        console.print("A rehearsal of the top side on a virtual controller:")
        rehearsal = Sending(
            port="sim:reprap?scale=0",  # moves take no time
            journal=out / "journal.db",
            yes=True,
            lot="demo",
            opened="1h",
            note="rehearsal of the demo",
        )
        code = run(top / "program.gcode", plan_file=top / "plan.json", profile=bench, sending=rehearsal)
        good = code == DONE
    console.print()
    console.print(
        f"Open {escape(str(top / 'report.html'))} in a browser; or all of it, to look at and to change:\n"
        f"  pastewright page {escape(str(out))}\n"
        "The same on your own board:\n"
        f"  pastewright plan YOUR_GERBERS.zip --profile {escape(str(bench))}"
    )
    return DONE if good else FINDINGS

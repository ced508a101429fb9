"""`pastewright demo`: the whole job on the demo board, with files that can be looked at and changed."""

from pathlib import Path

from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.planning import plan_command
from pastewright.cli.run_choice import Options
from pastewright.cli.running import run_command
from pastewright.demo.board import write_demo
from pastewright.problems import one_error
from pastewright.profile.examples import example_text

BENCH = "bench-reprap-e"
VIRTUAL_PORT = "sim:reprap?scale=0"


def demo_command(out: Path) -> int:
    """Write the demo board and bench, plan both sides, rehearse the top; returns the worst exit code."""
    board_dir, bench = out / "greenhouse-logger", out / "bench.toml"
    try:
        board_dir.mkdir(parents=True, exist_ok=True)
        write_demo(board_dir, "x2")
        bench.write_text(example_text(BENCH), encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the demo cannot be written: {error.strerror or error}",
            "Choose another folder with --out.",
            file=str(out),
        ) from None
    console.print(
        f"The demo board's fabrication files are in {escape(str(board_dir))}, the bench in {escape(str(bench))}."
    )
    codes = []
    for side in ("top", "bottom"):
        console.print()
        codes.append(
            plan_command(
                board_dir, bench, side=side, out=out / side, dry=False, layers=(), even_if_unverified=False
            )
        )
    if all(code == DONE for code in codes):
        console.print()
        codes.append(_rehearsed(out, bench))
    console.print()
    console.print(
        f"Open {escape(str(out / 'top' / 'report.html'))} in a browser. The same on your own board:\n"
        f"  pastewright plan YOUR_GERBERS.zip --profile {escape(str(bench))}"
    )
    return FINDINGS if any(code != DONE for code in codes) else DONE


def _rehearsed(out: Path, bench: Path) -> int:
    """Run the top side on a virtual controller whose moves take no time; returns the exit code."""
    console.print("A rehearsal of the top side on a virtual controller:")
    options = Options(
        port=VIRTUAL_PORT,
        baud=None,
        journal=out / "journal.db",
        yes=True,
        lot="demo",
        opened="1h",
        note="rehearsal of the demo",
        fill_ul=None,
    )
    top = out / "top"
    return run_command(
        top / "program.gcode",
        top / "plan.json",
        bench,
        options,
        dry=False,
        from_pad=None,
        only=(),
        board_number=None,
        even_if_unverified=False,
    )

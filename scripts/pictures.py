"""Renew the pictures of the README and docs, and the numbers in the README, from a plan of the demo board.

    python scripts/pictures.py           writes docs/img/*.svg and the block of numbers in README.md
    python scripts/pictures.py --check   says whether the numbers in README.md are current

A caption's claim is asserted here before its picture is written.
"""

import re
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.demo.board import write_demo
from pastewright.plan.pipeline import Plan, make_plan
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.report.plots import Scenario, pressure_svg, scenarios_svg
from pastewright.report.render import render_report

ROOT = Path(__file__).resolve().parent.parent
IMAGES = ROOT / "docs" / "img"
BLOCK = re.compile(r"(<!-- numbers: made by scripts/pictures\.py -->\n).*?(<!-- end -->)", re.DOTALL)


def demo_plan(side: Side) -> Plan:
    """The plan of one side of the demo board on the demo bench."""
    profile = parse_profile(example_text(DEMO), DEMO)
    with TemporaryDirectory() as folder:
        write_demo(Path(folder), "x2")
        board = read_board(Path(folder), Ask(side=side, name="greenhouse logger"))
    return make_plan(board, profile)


def worst_error(plan: Plan) -> float:
    """The largest share by which a simulated deposit misses its plan [-]."""
    return max(
        abs(delivered.volume_ul / deposit.volume_ul - 1) if delivered else 1.0
        for deposit, delivered in zip(plan.layout.deposits, plan.verdict.delivered, strict=True)
    )


def numbers(plans: dict[Side, Plan]) -> str:
    """The README's table of what the demo gives."""
    rows = [
        "| side | deposits | pads | paste | machine time | worst deposit, simulated |",
        "|---|---|---|---|---|---|",
    ]
    for side, plan in plans.items():
        totals = plan.record.totals
        error = worst_error(plan)
        assert plan.verdict.ok
        assert error < 0.01  # a true profile
        rows.append(
            f"| {side} | {totals.deposits} | {totals.pads} | {totals.paste_ul:.1f} µL"
            f" | {totals.machine_s / 60:.1f} min | {error:.1%} off |"
        )
    return "\n".join(rows) + "\n"


def with_numbers(readme: str, block: str) -> str:
    """README text with its block of numbers replaced."""
    made, count = BLOCK.subn(lambda match: match[1] + block + match[2], readme)
    assert count == 1
    return made


def main() -> int:
    """Write or check; exit code 1 when the README is not current."""
    plans = {side: demo_plan(side) for side in Side}
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    made = with_numbers(readme, numbers(plans))
    if "--check" in sys.argv[1:]:
        return 0 if made == readme else 1
    (ROOT / "README.md").write_text(made, encoding="utf-8")
    IMAGES.mkdir(parents=True, exist_ok=True)
    top = plans[Side.TOP]
    picture, _ = render_report(top)
    (IMAGES / "demo-top.svg").write_text(picture, encoding="utf-8")
    # Caption: between deposits the barrel rests below yield, so nothing oozes.
    assert top.bench.rest_kpa < top.bench.yield_kpa
    pressure = pressure_svg(top.verdict.trace, yield_kpa=top.bench.yield_kpa, rest_kpa=top.bench.rest_kpa)
    (IMAGES / "pressure.svg").write_text(pressure, encoding="utf-8")
    # Caption: with a true profile every deposit is within the tolerance; 30 % off in stiffness or flow, most are not.
    true, *wrong = top.scenarios
    tolerance = top.profile.verify.volume_tolerance
    assert true.low > 1 - tolerance
    assert true.high < 1 + tolerance
    assert all(case.low < 1 - tolerance or case.high > 1 + tolerance for case in wrong)
    cases = [
        Scenario(name=c.name, low=c.low, median=c.median, high=c.high, first=c.first) for c in top.scenarios
    ]
    (IMAGES / "what-if.svg").write_text(scenarios_svg(cases, tolerance=tolerance), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

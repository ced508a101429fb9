"""Plans of the demo board, made once a process for all tests that look at them."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.demo.board import Flavour, write_demo
from pastewright.dose.exposed import shrunk_openings
from pastewright.plan.pipeline import Plan, make_plan
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile


@cache
def plan_of(side: Side, bench: str = DEMO, flavour: Flavour = "x2") -> Plan:
    profile = parse_profile(example_text(bench), bench)
    with TemporaryDirectory() as folder:
        write_demo(Path(folder), flavour)
        board = shrunk_openings(
            read_board(Path(folder), Ask(side=side, name="logger")), profile.dose.shrink_mm
        )
    return make_plan(board, profile)


@cache
def plan_with_trips(*, dry: bool = False) -> Plan:
    """The demo board's top on the 1 mL bench, asked for so narrow a tolerance that there are trips to the card."""
    plan = plan_of(Side.TOP, "bench-ngc-linear-u")
    asked = replace(plan.profile, verify=replace(plan.profile.verify, tolerance=0.04))
    return make_plan(plan.board, asked, dry=dry)

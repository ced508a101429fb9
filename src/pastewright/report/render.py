"""A finished plan to its picture and its report."""

from collections.abc import Mapping, Sequence

from pastewright.board.model import Board
from pastewright.deposit.model import Layout
from pastewright.plan.pipeline import Plan
from pastewright.report.board_svg import Look, board_svg
from pastewright.report.page import report_page
from pastewright.report.plots import Scenario, pressure_svg, scenarios_svg

MOST_LOOKS = 2000


def render_report(plan: Plan) -> tuple[str, str]:
    """Return the board's picture (SVG) and the report (HTML) of a plan."""
    picture = _picture(plan, standalone=True)
    scenarios = [
        Scenario(
            name=scenario.name,
            low=scenario.low,
            median=scenario.median,
            high=scenario.high,
            first=scenario.first,
        )
        for scenario in plan.scenarios
    ]
    page = report_page(
        plan.document,
        board_svg=_picture(plan, standalone=False),
        pressure_svg=pressure_svg(
            plan.verdict.trace, yield_kpa=plan.bench.yield_kpa, rest_kpa=plan.bench.rest_kpa
        )
        if plan.verdict.trace and not plan.motions.dry
        else "",
        scenarios_svg=scenarios_svg(scenarios, tolerance=plan.profile.verify.volume_tolerance)
        if scenarios
        else "",
        scenario_words=[_words(scenario) for scenario in scenarios],
    )
    return picture, page


def _picture(plan: Plan, *, standalone: bool) -> str:
    return board_svg(
        plan.board,
        layout=plan.layout,
        targets_ul={dose.pad_id: dose.target_ul for dose in plan.doses},
        tour=plan.tour,
        looks=_looks(plan.board, plan.layout, {dose.pad_id: dose.warnings for dose in plan.doses}),
        standalone=standalone,
    )


def _looks(board: Board, layout: Layout, dose_warnings: Mapping[str, Sequence[str]]) -> list[Look]:
    """Rings around pads with warnings, the first `MOST_LOOKS` of them."""
    looks = []
    for pad, plan in zip(board.pads, layout.pads, strict=True):
        words = [*dose_warnings.get(pad.id, ()), *plan.warnings]
        if not words:
            continue
        left, low, right, high = pad.land.bounds
        radius_mm = 0.5 * max(right - left, high - low) + 0.25
        looks.append(
            Look(
                x_mm=(left + right) / 2,
                y_mm=(low + high) / 2,
                radius_mm=radius_mm,
                text=f"{pad.id}: {'; '.join(words)}",
            )
        )
    return looks[:MOST_LOOKS]


def _words(scenario: Scenario) -> str:
    return (
        f"{scenario.name}: median {scenario.median:.0%} of the plan, 5th to 95th percentile {scenario.low:.0%} to"
        f" {scenario.high:.0%}, first deposit {scenario.first:.0%}"
    )

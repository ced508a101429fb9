"""A finished plan to its picture and its report."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from msgspec import Struct

from pastewright.board.model import Board, Point
from pastewright.deposit.model import Layout
from pastewright.motion.aside import strip_width_mm
from pastewright.place.transform import Affine
from pastewright.plan.pipeline import Decided, Plan
from pastewright.plan.tolerances import reach_of, shown, tolerance_words, worst_pads
from pastewright.plunger.settle import strip_of
from pastewright.report.beside import Beside, beside_of
from pastewright.report.board_svg import BoardLook, Planned, board_svgs
from pastewright.report.page import WorstPad, report_page
from pastewright.report.plots import Scenario, pressure_svg, scenarios_svg
from pastewright.report.tolerance_svg import tolerance_svg
from pastewright.report.tray_svg import tray_svg
from pastewright.tolerance.predict import WORDS
from pastewright.uncollected import uncollected

MOST_LOOKS = 2000  # rings; more would hide the board
Skipped = Sequence[tuple[str, Sequence[Point]]]


class PlanPictures(Struct, frozen=True, kw_only=True):
    """The pictures (SVG) of what was decided: the board alone and in the report, and what its pads may be off."""

    alone: str
    in_page: str
    tolerances: str


@uncollected()
def drawn(decided: Decided, *, skipped: Skipped = ()) -> PlanPictures:
    """Return the pictures that a verdict changes nothing in.

    `skipped` are names and corners [mm, machine] of a tray's boards that are marked bad.
    """
    alone, in_page = _pictures(decided, skipped)
    return PlanPictures(alone=alone, in_page=in_page, tolerances=_tolerances(decided))


def render_report(plan: Plan, *, skipped: Skipped = ()) -> tuple[str, str]:
    """Return the picture (SVG) that stands alone, and the report (HTML) of a plan."""
    pictures = drawn(plan, skipped=skipped)
    return pictures.alone, report_of(plan, pictures)


@uncollected()
def report_of(plan: Plan, pictures: PlanPictures) -> str:
    """Return the report (HTML) of a plan with its pictures."""
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
    return report_page(
        plan.record,
        board_svg=pictures.in_page,
        pressure_svg=pressure_svg(
            plan.verdict.trace, yield_kpa=plan.bench.yield_kpa, rest_kpa=plan.bench.rest_kpa
        )
        if plan.verdict.trace and not plan.motions.dry
        else "",
        scenarios_svg=scenarios_svg(scenarios, tolerance=plan.profile.verify.volume_tolerance)
        if scenarios
        else "",
        tolerance_svg=pictures.tolerances,
        tolerance_words=tolerance_words(plan.record),
        worst=[
            WorstPad(
                id=pad.id,
                within=shown(reach_of(pad.tolerance)),
                bias=f"{100 * pad.tolerance.bias:+.1f} %",
                most=WORDS.get(pad.tolerance.most, pad.tolerance.most),
                share=f"{100 * pad.tolerance.share:.0f} %",
            )
            for pad in worst_pads(plan.record)
            if pad.tolerance is not None
        ],
        scenario_words=[_words(scenario) for scenario in scenarios],
    )


def _tolerances(plan: Decided) -> str:
    """Return the picture of what the pads of one board may be off; trays have their tables."""
    spread = plan.record.spread
    if spread is None or len(plan.placements.boards) > 1:
        return ""
    reaches = {pad.id: reach_of(pad.tolerance) for pad in plan.record.pads if pad.tolerance is not None}
    return tolerance_svg(plan.board, reaches, limit=spread.limit)


def _pictures(plan: Decided, skipped: Skipped) -> tuple[str, str]:
    """Return the picture that stands alone and the one in the report."""
    if len(plan.placements.boards) > 1 or skipped:
        return (
            _tray_picture(plan, skipped, standalone=True),
            _tray_picture(plan, skipped, standalone=False),
        )
    planned = Planned(
        layout=plan.layout,
        targets_ul={dose.pad_id: dose.target_ul for dose in plan.doses},
        tour=plan.tour,
        looks=_looks(plan.board, plan.layout, {dose.pad_id: dose.warnings for dose in plan.doses}),
        beside=_beside(plan, plan.placements.boards[0].affine.inverse()),
    )
    return board_svgs(plan.board, planned)


def _tray_picture(plan: Decided, skipped: Skipped, *, standalone: bool) -> str:
    """Return the picture of a tray; all its boards are copies of the first."""
    pads = sum(pad.board == 0 for pad in plan.layout.pads)
    first = replace(plan.board, pads=plan.board.pads[:pads])
    layout = replace(
        plan.layout,
        deposits=tuple(deposit for deposit in plan.layout.deposits if deposit.board == 0),
        pads=plan.layout.pads[:pads],
    )
    return tray_svg(
        first,
        layout,
        plan.placements,
        plan.motions,
        _beside(plan),
        targets_ul={dose.pad_id: dose.target_ul for dose in plan.doses[:pads]},
        skipped=skipped,
        standalone=standalone,
    )


def _beside(plan: Decided, back: Affine | None = None) -> Beside:
    width_mm = strip_width_mm(strip_of(plan.profile), plan.profile)
    thrown = [(row.at_mm, row.width_mm) for row in plan.record.thrown]
    return beside_of(plan.profile, plan.placements, strip_mm=width_mm, back=back, thrown=thrown)


def _looks(board: Board, layout: Layout, dose_warnings: Mapping[str, Sequence[str]]) -> list[BoardLook]:
    """Rings around pads with warnings, the first `MOST_LOOKS` of them."""
    looks = []
    for pad, plan in zip(board.pads, layout.pads, strict=True):
        words = [*dose_warnings.get(pad.id, ()), *plan.warnings]
        if not words:
            continue
        left, low, right, high = pad.land.bounds
        radius_mm = 0.5 * max(right - left, high - low) + 0.25
        looks.append(
            BoardLook(
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

"""`pastewright advise`: which tip, barrel, gearing and powder suit a board."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import shapely
from rich.markup import escape
from rich.table import Table

from pastewright.board.model import Board
from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE
from pastewright.cli.reading import layer_overrides, load_board, load_profile
from pastewright.deposit.lay import lay
from pastewright.deposit.model import Layout
from pastewright.dose.doses import dose_board
from pastewright.materials.rules import TipFit
from pastewright.plunger.advise import Advice, BenchFigures, advise
from pastewright.plunger.limits import FEW_MICROSTEPS
from pastewright.problems import one_error
from pastewright.profile.model import Profile

# Lands below the 5th percentile decide: one odd sliver of copper should not choose the tip for a board.
NARROW_SHARE = 0.05


def advise_command(
    source: Path,
    profile_path: Path,
    *,
    side: str,
    layers: Sequence[str],
    units: str = "",
    columns: str = "",
) -> int:
    """Print what the bench makes of a board's doses, and what would suit better."""
    overrides = layer_overrides(layers)
    profile = load_profile(profile_path)
    board = load_board(
        source,
        side=side,
        overrides=overrides,
        shrink_mm=profile.dose.shrink_mm,
        units=units,
        columns=columns,
    )
    doses = dose_board(
        board, profile.dose, profile.paste, bead_shape_ratio=profile.tuning.bead_shape_ratio
    ).doses
    layout = lay(
        board, doses, tip=profile.tip, paste=profile.paste, tuning=profile.tuning, settings=profile.deposit
    )
    if not layout.deposits:
        raise one_error(
            f"no pad of the {side} side gets paste", "Choose the other side with --side.", file=str(source)
        )
    volumes_ul = [deposit.volume_ul for deposit in layout.deposits]
    advice = advise(volumes_ul, profile, widest_dot_mm=_widest_dot_mm(board, profile))
    _print_board(board, layout)
    _print_bench(advice.bench, profile)
    _print_tips(advice)
    _print_barrels(advice)
    _print_gears(advice)
    return DONE


def _widest_dot_mm(board: Board, profile: Profile) -> float:
    """The widest dot that a narrow land of this board takes: its short side and the overhang allowed."""
    lands = [pad.land for pad in board.pads if pad.apertures]
    boxes = shapely.oriented_envelope(np.array(lands, dtype=object))
    sides = [_short_side_mm(box) for box in boxes]
    return float(np.quantile(sides, NARROW_SHARE)) + 2 * profile.deposit.overhang_mm


def _short_side_mm(box: shapely.Geometry) -> float:
    corners = shapely.get_coordinates(box)
    return float(np.hypot(*np.diff(corners[:3], axis=0).T).min())


def _print_board(board: Board, layout: Layout) -> None:
    forms = Counter(plan.form for plan in layout.pads if plan.deposits)
    warned = sum(1 for plan in layout.pads if plan.warnings)
    console.print(f"[bold]{escape(board.name)}, {board.side} side[/], with the tip of the profile:")
    console.print("  " + ", ".join(f"{count} × {form}" for form, count in forms.most_common()))
    console.print(f"  {warned} pads need a look; `pastewright plan` names them")


def _print_bench(bench: BenchFigures, profile: Profile) -> None:
    console.print()
    console.print(f"[bold]The bench[/] “{escape(profile.name)}”")
    coarse = bench.microsteps_smallest < FEW_MICROSTEPS
    gear = f"; a gear of {bench.gear_for_ten:.3g}:1 would give ten" if coarse else ""
    rows = [
        (
            "deposits",
            f"{bench.smallest_ul:.4f} to {bench.largest_ul:.3f} µL, half of them above {bench.median_ul:.4f}",
        ),
        (
            "one microstep",
            f"{bench.microstep_ul * 1000:.3g} nL: {bench.microsteps_smallest:.1f} in the smallest{gear}",
        ),
        ("peak pressure", f"{bench.peak_kpa:.0f} kPa of {bench.limit_kpa:.0f} that the bench stands"),
        (
            "force, torque",
            f"{bench.force_n:.0f} N, {bench.torque_nm:.3f} N·m ({bench.torque_share:.0%} of the motor's)",
        ),
        (
            "time constant",
            f"{bench.time_constant_s:.2f} s; stored volume is {bench.stored_over_dose:.0f} × the dose",
        ),
        ("settling", f"{bench.settling_ul:.1f} µL, {bench.settling_s:.0f} s before the first pad"),
        ("one barrel", f"{bench.boards_per_barrel} boards of this side"),
    ]
    for name, words in rows:
        console.print(f"  {name:<14} {words}")


def _print_tips(advice: Advice) -> None:
    # Wider tips than the narrowest wide one that fails add nothing to the choice.
    shown = [row for row in advice.tips if row.suits] or list(advice.tips)
    gauges = [row.gauge for row in shown]
    near = [row for row in advice.tips if min(gauges) - 1 <= row.gauge <= max(gauges) + 1]
    table = _table("tip", "bore mm", "bore/ball", "smallest dot µL", "peak kPa", "verdict")
    for row in near:
        table.add_row(
            f"{row.gauge}G",
            f"{row.bore_mm:.3f}",
            f"{row.tip_ratio:.1f}" + ("" if row.fit is TipFit.SAFE else f" {row.fit}"),
            f"{row.smallest_dot_ul:.4f}",
            "–" if row.peak_kpa is None else f"{row.peak_kpa:.0f}",
            _verdict(row.suits, row.why_not),
        )
    console.print()
    console.print(table)
    passing = [f"type {row.type}" for row in advice.powders if row.fit is not TipFit.CLOGS]
    console.print(f"  today's tip passes powder {', '.join(passing) or 'of no type'}")


def _print_barrels(advice: Advice) -> None:
    table = _table("barrel", "bore mm", "microsteps", "peak kPa", "force N", "boards", "verdict")
    for row in advice.barrels:
        table.add_row(
            escape(row.name),
            f"{row.bore_mm:.2f}",
            f"{row.microsteps_smallest:.1f}",
            f"{row.peak_kpa:.0f}",
            f"{row.force_n:.0f}",
            "–" if row.boards is None else str(row.boards),
            _verdict(row.suits, row.why_not),
        )
    console.print()
    console.print(table)


def _print_gears(advice: Advice) -> None:
    table = _table("gear", "microsteps", "push µL/s", "torque N·m", "verdict")
    for row in advice.gears:
        table.add_row(
            f"{row.gear:.4g}:1",
            f"{row.microsteps_smallest:.1f}",
            f"{row.push_ul_s:.3g}",
            f"{row.torque_nm:.3f}",
            _verdict(row.suits, row.why_not),
        )
    console.print()
    console.print(table)


def _table(*headings: str) -> Table:
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in headings:
        table.add_column(heading, justify="left" if heading in {"tip", "barrel", "verdict"} else "right")
    return table


def _verdict(suits: bool, why_not: str) -> str:
    return "[green]suits[/]" if suits else escape(why_not)

"""What a bench makes of a board's doses, and what would suit better, as `advise` prints it."""

from collections import Counter
from collections.abc import Sequence

from rich.markup import escape
from rich.table import Table

from pastewright.board.model import Board
from pastewright.counting import counted
from pastewright.deposit.model import Layout
from pastewright.materials.rules import TipFit
from pastewright.plan.tolerances import shown
from pastewright.plunger.advise import Advice, BenchFigures
from pastewright.plunger.limits import FEW_MICROSTEPS
from pastewright.plunger.recommend import Part, Recommendation, recommended
from pastewright.profile.model import Profile
from pastewright.tolerance.changes import BenchChange, recommended_change
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of

LEAST_TOLD_S = 0.1  # nobody notices less
SAME_BORE_MM = 0.01  # of barrels: bores of the table are given to this


def print_advice(
    board: Board, layout: Layout, advice: Advice, profile: Profile, found: Sequence[BenchChange]
) -> None:
    """Print the deposits, the bench, the tables of tips, barrels and gears, what each change would bring, and one
    recommendation: first that the bench can lay the board at all, then what it may be off.
    """
    _print_layout(board, layout)
    _print_bench(advice.bench, profile)
    _print_tips(advice, profile)
    _print_barrels(advice, profile)
    _print_gears(advice, profile)
    _print_changes(found, profile)
    one = recommended(advice, profile)
    console.print()
    if one.part is Part.NOTHING and found:
        _print_recommended_change(found, one, profile)
        return
    verb = "Keep" if one.part is Part.NOTHING else "Take"
    console.print(f"[bold]{verb} {escape(one.to)}[/]: {escape(one.why)}.")
    if found and (then := recommended_change(found, limit=profile.verify.tolerance)) is not found[0]:
        console.print(
            f"Then {escape(then.to)}: 95 of 100 deposits within {shown(then.within)} instead of"
            f" {shown(found[0].within)}, by today's tip."
        )


def _print_changes(found: Sequence[BenchChange], profile: Profile) -> None:
    if not found:
        return
    console.print()
    console.print(
        f"[bold]What deposits may be off[/], 95 of 100 of them, and what would change it"
        f" (the profile asks for {shown(profile.verify.tolerance)})"
    )
    table = table_of("with", "95 of 100 within", "pushing s", "onto the card µL", words=("with",))
    for change in found:
        table.add_row(
            escape(change.to), shown(change.within), f"{change.seconds:.0f}", f"{change.wasted_ul:.1f}"
        )
    console.print(table)


def _print_recommended_change(found: Sequence[BenchChange], why: Recommendation, profile: Profile) -> None:
    now, best = found[0], recommended_change(found, limit=profile.verify.tolerance)
    if best is now:
        held = now.within <= profile.verify.tolerance
        words = (
            "which is what the profile asks for" if held else "and nothing of the table brings it much nearer"
        )
        console.print(
            f"[bold]Keep {escape(why.to)}[/]: {escape(why.why)}; 95 of 100 deposits within {shown(now.within)}, {words}."
        )
        return
    console.print(
        f"[bold]Next: {escape(best.to)}[/]: 95 of 100 deposits within {shown(best.within)} instead of"
        f" {shown(now.within)}, {best.seconds - now.seconds:+.0f} s of pushing and"
        f" {best.wasted_ul - now.wasted_ul:+.1f} µL onto the card a board; the bench itself can stay:"
        f" {escape(why.why)}."
    )


def _print_layout(board: Board, layout: Layout) -> None:
    forms = Counter(plan.form for plan in layout.pads if plan.deposits)
    warned = sum(1 for plan in layout.pads if plan.warnings)
    console.print(f"[bold]{escape(board.name)}, {board.side} side[/], with the tip of the profile:")
    console.print("  " + ", ".join(f"{count} × {form}" for form, count in forms.most_common()))
    one = warned == 1
    console.print(
        f"  {counted(warned, 'pad')} {'needs' if one else 'need'} a look;"
        f" `pastewright plan` names {'it' if one else 'them'}"
    )


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
            f"{bench.force_n:.0f} N, {bench.torque_nm * 1000:.2g} mN·m ({_share(bench.torque_share)} of the motor's)",
        ),
        (
            "time constant",
            f"{bench.time_constant_s:.2f} s; stored volume is {bench.stored_over_dose:.0f} × the dose",
        ),
        ("settling", f"{bench.settling_ul:.1f} µL, {bench.settling_s:.0f} s before the first pad"),
        (
            "one filling",
            f"{counted(bench.boards_per_barrel, 'board')} of this side from"
            f" the {profile.barrel.fill_ul / 1000:.3g} mL in it",
        ),
    ]
    for name, words in rows:
        console.print(f"  {name:<14} {words}")


def _print_tips(advice: Advice, profile: Profile) -> None:
    # Wider tips than the narrowest wide one that fails add nothing to the choice.
    shown = [row for row in advice.tips if row.suits] or list(advice.tips)
    gauges = [row.gauge for row in shown]
    near = [
        row
        for row in advice.tips
        if min(gauges) - 1 <= row.gauge <= max(gauges) + 1 or row.gauge == profile.tip.gauge
    ]
    table = _table("tip", "bore mm", "bore/ball", "smallest dot µL", "peak kPa", "verdict")
    for row in near:
        table.add_row(
            _today(f"{row.gauge}G", row.gauge == profile.tip.gauge),
            f"{row.bore_mm:.3f}",
            f"{row.tip_ratio:.1f}" + ("" if row.fit is TipFit.SAFE else f" {row.fit}"),
            f"{row.smallest_dot_ul:.4f}",
            "–" if row.peak_kpa is None else f"{row.peak_kpa:.0f}",
            _verdict(row.suits, row.why_not, row.slower_s),
        )
    console.print()
    console.print(table)
    passing = [f"type {row.type}" for row in advice.powders if row.fit is not TipFit.CLOGS]
    console.print(f"  today's tip passes powder {', '.join(passing) or 'of no type'}")


def _print_barrels(advice: Advice, profile: Profile) -> None:
    table = _table("barrel", "bore mm", "microsteps", "peak kPa", "force N", "boards, full", "verdict")
    for row in advice.barrels:
        table.add_row(
            _today(row.name, abs(row.bore_mm - profile.barrel.bore_mm) < SAME_BORE_MM),
            f"{row.bore_mm:.2f}",
            f"{row.microsteps_smallest:.1f}",
            f"{row.peak_kpa:.0f}",
            f"{row.force_n:.0f}",
            "–" if row.boards is None else str(row.boards),
            _verdict(row.suits, row.why_not, row.slower_s),
        )
    console.print()
    console.print(table)


def _print_gears(advice: Advice, profile: Profile) -> None:
    table = _table("gear", "microsteps", "push µL/s", "torque mN·m", "verdict")
    for row in advice.gears:
        table.add_row(
            _today(f"{row.gear:.4g}:1", row.gear == profile.plunger.gear),
            f"{row.microsteps_smallest:.1f}",
            f"{row.push_ul_s:.3g}",
            f"{row.torque_nm * 1000:.2g}",
            _verdict(row.suits, row.why_not, row.slower_s),
        )
    console.print()
    console.print(table)


def _table(*headings: str) -> Table:
    return table_of(*headings, words=("tip", "barrel", "gear", "verdict"))


def _verdict(suits: bool, why_not: str, slower_s: float) -> str:
    if not suits:
        return escape(why_not)
    return "[green]suits[/]" + (f", largest dot {slower_s:.1f} s slower" if slower_s >= LEAST_TOLD_S else "")


def _share(share: float) -> str:
    return "under 1%" if share < 0.01 else f"{share:.0%}"


def _today(words: str, today: bool) -> str:
    return escape(words) + (" [bold]today[/]" if today else "")

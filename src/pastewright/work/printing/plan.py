"""A plan and its verdict, as `plan`, `verify` and `demo` print them."""

from math import inf
from pathlib import Path

from rich.markup import escape

from pastewright.counting import clock_words, counted
from pastewright.plan.pipeline import Plan
from pastewright.plan.thrown import thrown_words
from pastewright.plan.tolerances import shown, tolerance_words
from pastewright.readback.judge.tolerances import JudgedTolerance
from pastewright.readback.model import Verdict
from pastewright.records.plan import FindingRecord, TotalsRecord, VerdictRecord
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_warnings


def _of_bound(totals: TotalsRecord) -> str:
    """How near the machine time is to its bound."""
    if totals.machine_bound_s <= 0:
        return ""
    return f", {totals.machine_s / totals.machine_bound_s:.2f} × the least possible"


def print_summary(plan: Plan, out: Path, program_file: Path | None, *, every_warning: bool = False) -> None:
    """Print what a person wants to know first: totals, what needs a look, the verdict, where the files are."""
    totals = plan.record.totals
    gain_s = totals.travel_s - totals.travel_bound_s
    board = plan.board
    console.print(
        f"[bold]{escape(board.name)}[/]: {escape(board.in_words)}; paste from the {board.paste_origin}"
    )
    console.print(
        f"  {counted(totals.deposits, 'deposit')} on {counted(totals.pads, 'pad')},"
        f" {totals.paste_ul:.2f} µL of paste ({totals.paste_mg:.1f} mg),"
        f" {clock_words(totals.machine_s)} on the machine{_of_bound(totals)}"
    )
    strips = plan.record.placement.strips
    if not plan.motions.dry:
        (x, y), (to_x, _) = strips[0].from_mm, strips[0].to_mm
        count = "settling strip" if len(strips) == 1 else f"first of {len(strips)} settling strips"
        chosen = ", a place chosen by this plan" if plan.profile.bed.strip_open else ""
        console.print(
            f"  {count} from X {x:.1f} to {to_x:.1f} at Y {y:.1f} mm{chosen}: have a card there;"
            f" {totals.strip_ul:.2f} µL ({totals.strip_mg:.1f} mg)" + (" in all" if len(strips) > 1 else "")
        )
        if words := thrown_words(plan.record):
            console.print(f"  {words}")
    console.print(
        f"  travel {totals.travel_mm:.0f} mm in {totals.travel_s:.1f} s; no order by size saves more than {gain_s:.1f} s"
    )
    if words := tolerance_words(plan.record):
        console.print(f"  {words}")
    pad_words = [f"{pad.id}: {words}" for pad in plan.record.pads for words in pad.warnings]
    print_warnings([*plan.record.warnings, *pad_words], every=every_warning)
    print_verdict(plan.record.verdict)
    if program_file is None:
        console.print("  The program was not written; --even-if-unverified writes it all the same.")
    else:
        console.print(f"  program  {escape(str(program_file))}" + (" (dry run)" if plan.motions.dry else ""))
    console.print(f"  report   {escape(str(out / 'report.html'))}")
    console.print(
        "  "
        + (
            "This program lays no paste: the tip stays up, the plunger still."
            if plan.motions.dry
            else "First run in the air with --dry."
        )
        + " Keep hands out of the gantry; see the cautions in the report."
    )


def print_verdict(verdict: VerdictRecord, *, of_a_kind: int = 4) -> None:
    """Print the verdict, how many findings there are of each kind, and the first few of each."""
    if verdict.ok:
        console.print("[bold green]verified[/] read back and simulated by separate code: no findings")
        return
    findings = verdict.findings
    # A wrong word in the first lines is followed by a hundred deposits that get nothing: show the cause beside them.
    kinds: dict[str, list[FindingRecord]] = {}
    for item in findings:
        kinds.setdefault(item.kind, []).append(item)
    console.print(
        f"[bold red]not verified[/] {counted(len(findings), 'finding')}: "
        + ", ".join(f"{len(items)} {escape(kind)}" for kind, items in kinds.items())
    )
    for kind, items in sorted(kinds.items(), key=lambda pair: min(item.line or inf for item in pair[1])):
        for item in items[:of_a_kind]:
            line = f"line {item.line}: " if item.line else ""
            console.print(f"  {line}{escape(kind)}: {escape(item.what)}")
        if len(items) > of_a_kind:
            console.print(f"  … and {len(items) - of_a_kind} more: {escape(kind)}")


def print_judged_tolerance(judged: JudgedTolerance | None) -> None:
    """Print what the pads may be off by the read-back's own simulation, against the plan's claim and the profile's limit."""
    if judged is None:
        return
    asked = f"the profile asks for {shown(judged.limit)}"
    held = "" if judged.holds else f"; {judged.beyond} of {counted(judged.pads, 'pad')} are beyond"
    console.print(
        f"  95 of 100 pads within {shown(judged.reached)} by simulation of the program; the plan says"
        f" {shown(judged.claimed)}, {asked}{held}"
    )
    if not judged.honest:
        console.print(
            "[bold red]not so[/] the plan claims a better tolerance than its program has; plan the board anew"
        )


def print_balance(verdict: Verdict) -> None:
    """Print where the paste of a program that was read back stays, and how long it takes."""
    console.print(
        f"  paste out {verdict.out_ul:.3f} µL = swept {verdict.swept_ul:.3f} − stored {verdict.stored_ul:.3f};"
        f" {verdict.machine_s:.0f} s at most, from anywhere to the park position"
    )

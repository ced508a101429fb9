"""Sheets, photos, fits and their history, as the tuning commands print them."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from rich.markup import escape

from pastewright.counting import counted
from pastewright.problems import Problem, Severity
from pastewright.profile.model import Profile
from pastewright.readback.model import Verdict
from pastewright.tune.fit.fitted import Estimate, Fitted
from pastewright.tune.fit.verdicts import TuneVerdict
from pastewright.tune.record.capability import Capability
from pastewright.tune.record.profile_update import drift_rows
from pastewright.tune.sheet.block import Block
from pastewright.tune.sheet.design import Designed
from pastewright.tune.sheet.promise import (
    MOST_DOUBT,
    STIFFNESS_ASKED,
    Promise,
    pressure_words,
    second_sheet_of,
    words_of,
    words_of_pads,
)
from pastewright.tune.sheet.sizes import OF_TOLERANCE
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_file, print_problems, table_of

# Stress and what is made of it stand in Pa in the profile and in the history, and so they do here.
SHOWN_UNITS = {"kPa": ("Pa", 1000.0), "kPa·sⁿ": ("Pa·sⁿ", 1000.0)}
MOST_FINDINGS = 10  # the first tell the cause


def print_sheet(made: Designed, profile: Profile) -> None:
    """Print what a sheet lays, for how unknown a bench it is made, and what it brings the board that it is for."""
    sheet, recipe = made.sheet, made.recipe
    points = [point for deposit in made.layout.deposits for point in deposit.points_mm]
    wide = max(x for x, _ in points) + sheet.pitch_mm
    high = max(y for _, y in points) + sheet.pitch_mm
    console.print(
        f"[bold]{escape(sheet.name)}[/] {counted(len(sheet.dots), 'dot')} of {recipe.doses_ul[0]:.3g} to"
        f" {recipe.doses_ul[-1]:.3g} µL, {counted(len(sheet.beads), 'bead')}, {wide:.0f} × {high:.0f} mm,"
        f" {made.motions.machine_s / 60:.0f} min"
    )
    console.print(
        f"  made for a bench that may be off by a factor of {recipe.doubt:g} in stiffness and in flow; dots up to"
        f" {made.largest_mm:.1f} mm wide do not touch"
    )
    if made.apart:
        console.print(
            f"  {counted(len(made.apart), 'other bench', 'other benches')} explained the last sheet as well; this one sets"
            f" them apart from the fitted one by {', '.join(f'{sigmas:.1f}' for sigmas in made.apart)} standard errors"
        )
    _print_sizes(made, profile)
    if recipe.limited:
        print_problems(
            [
                Problem(
                    what="larger doses are left out: on a stiffer bench they could pass what barrel and motor stand",
                    mend="After this sheet the bench is known better; a second one goes further.",
                    severity=Severity.WARNING,
                )
            ]
        )


def _print_sizes(made: Designed, profile: Profile) -> None:
    """Print what sheets of other lengths would have brought the board that this one is made for."""
    if not made.sizes:
        return
    limit = profile.verify.tolerance
    console.print(
        f"  made for a board, of which the profile asks ±{limit:.0%}; by what this bench is known of, scatter not counted,"
        " 95 of 100 of its deposits are within"
    )
    for size in made.sizes:
        here = "  <- this one" if size.rows == made.sheet.rows else ""
        what = f"{size.dots} dots, {size.seconds / 60:.1f} min" if size.rows else "no sheet"
        within = "±100 % or more" if size.within >= 1 else f"±{size.within:.1%}"
        console.print(f"    {what}: {within}{here}")
    bare = made.sizes[0].within
    if bare <= OF_TOLERANCE * limit:
        console.print("  The bench is known well enough for this board; a sheet would bring little.")


def print_sheet_findings(verdict: Verdict) -> None:
    """Print why a sheet's program is not written."""
    console.print(
        f"[bold red]not verified[/] {counted(len(verdict.findings), 'finding')}; the program is not written"
    )
    for finding in verdict.findings[:MOST_FINDINGS]:
        console.print(f"  line {finding.line}: {escape(finding.kind)}: {escape(finding.what)}")


def print_sheet_files(folder: Path, program_file: Path) -> None:
    """Print what was written, and what to do with the sheet."""
    console.print("[bold green]verified[/] read back and simulated by separate code: no findings")
    print_file("program", program_file)
    console.print(
        f"  picture  {escape(str(folder / 'sheet.svg'))}, what should appear; print nothing on the sheet"
    )
    console.print(
        "  Lay it on white paper or a bare panel fixed at the board's place, take a photo from above with all dots in"
        f" it, then: pastewright tune read {escape(str(folder / 'sheet.json'))} PHOTO"
    )


def print_block(block: Block | None, program_file: Path | None) -> None:
    """Print how to weigh the block: it brings most of what dots alone cannot tell."""
    if block is None or program_file is None:
        console.print(
            "  No block to weigh: barrel or bed are too small for one that a scale of 0.01 g could tell."
        )
        return
    print_file("to weigh", program_file)
    console.print(
        f"  Weigh a bare card on a scale of 0.01 g, lay {block.dots} dots of {block.dose_ul:.3g} µL on it with this program,"
        f" weigh again: about {block.mass_mg / 1000:.2f} g more. Tell the fit: --block-mg"
    )


def print_promise(promise: Promise, pads: Mapping[str, float]) -> None:
    """Print what a board may expect of the fit, and whether another sheet is asked for first.

    `pads` of a board have the size of their smallest deposit [µL]; there may be none.
    """
    console.print(f"  {escape(words_of(promise))}")
    if pads:
        console.print(f"  {escape(words_of_pads(promise, pads))}")
    console.print(f"  {pressure_words(promise)}")
    if promise.asks_for_second:
        console.print(f"  [yellow]second sheet[/] {escape(second_sheet_of(promise))}")
    if promise.pressure_doubt >= MOST_DOUBT:
        console.print(f"  [yellow]stiffness[/] {escape(STIFFNESS_ASKED)}")


def print_fit(fitted: Fitted, said: Sequence[TuneVerdict], able: Capability | None) -> None:
    """Print the constants that were fitted, how well, and what follows from them."""
    console.print(
        f"[bold]fitted[/] {counted(fitted.measured, 'dot')}, {fitted.missing} missing; two thirds of the volumes are within"
        f" {fitted.spread:.1%} of the model, {fitted.before:.0%} before"
    )
    table = table_of("constant", "fitted", "95 %", "was", "", words=("constant", ""))
    for estimate in fitted.estimates:
        table.add_row(
            escape(_words(estimate, fitted)),
            _number(estimate.value, estimate),
            f"{_number(estimate.low, estimate)} … {_number(estimate.high, estimate)}",
            _number(estimate.prior, estimate),
            "held: the dots cannot tell" if estimate.held else "",
        )
    console.print(table)
    if fitted.left_out:
        worst = max(fitted.left_out, key=lambda row: row.rms)
        mean = (
            sum(row.rms**2 * row.dots for row in fitted.left_out) / sum(row.dots for row in fitted.left_out)
        ) ** 0.5
        console.print(
            f"  rows left out in turn are predicted within {mean:.1%} (rms); the worst, row {worst.row},"
            f" within {worst.rms:.1%}"
        )
    if able is not None:
        console.print(
            f"  capability against 50 to 150 % of the dose: mean {able.mean:.1%}, spread {able.sigma:.1%},"
            f" Cp {able.cp:.2f}, Cpk {able.cpk:.2f} ({able.cpk_low:.2f} to {able.cpk_high:.2f})"
        )
    for verdict in said:
        mark = "[yellow]change[/]" if verdict.grave else "[dim]note[/]"
        console.print(f"  {mark} {escape(verdict.words)}")


def _words(estimate: Estimate, fitted: Fitted) -> str:
    several = max((dot.sheet for dot in fitted.dots), default=0) > 0
    where = f", sheet {estimate.sheet + 1}" if estimate.sheet is not None and several else ""
    return estimate.constant.words + where


def _number(value: float, estimate: Estimate) -> str:
    unit, factor = SHOWN_UNITS.get(estimate.constant.unit, (estimate.constant.unit, 1.0))
    return f"{value * factor:.3g}" + (f" {unit}" if unit else "")


def print_fit_files(plot: Path, profile: Path | None, dated: str) -> None:
    """Print what was written, and whether the profile has changed."""
    print_file("plot", plot)
    if profile is None:
        console.print("  The profile is as it was (--no-write).")
        return
    console.print(
        f"  profile  {escape(str(profile))} has a further \\[\\[tuning.history]] of {dated}; it holds from now on"
    )


def print_history(profile: Profile) -> None:
    """Print what earlier sheets taught, and which of it holds."""
    rows = drift_rows(profile.history)
    names = [name for name in rows[0] if any(row[name] for row in rows)]
    table = table_of(*names, words=names)
    for row in rows:
        table.add_row(*(escape(row[name]) for name in names))
    console.print(table)
    for words in profile.tuned:
        console.print(f"  {escape(words)}")

"""`pastewright plan`: read, plan, write five files, say what matters."""

import csv
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.console import print_warnings, stages
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.reading import layer_overrides, load_board, load_profile
from pastewright.plan.document import PAD_COLUMNS, pad_rows
from pastewright.plan.pipeline import Plan, make_plan
from pastewright.problems import one_error
from pastewright.report.render import render_report

STAGES = ("reading", "doses", "deposits", "order", "motions", "program", "verdict", "what if", "report")
PROGRAM_STEM = "program"


def plan_command(
    source: Path,
    profile_path: Path,
    *,
    side: str,
    out: Path,
    dry: bool,
    layers: Sequence[str],
    even_if_unverified: bool,
) -> int:
    """Plan one side and write the results into `out`; returns the exit code."""
    overrides = layer_overrides(layers)
    with stages(STAGES) as begin:
        begin("reading")
        profile = load_profile(profile_path)
        board = load_board(source, side=side, overrides=overrides, shrink_mm=profile.dose.shrink_mm)
        plan = make_plan(board, profile, dry=dry, on_stage=begin)
        begin("report")
        program_file = write_results(plan, out, even_if_unverified=even_if_unverified)
    print_summary(plan, out, program_file)
    return DONE if plan.verdict.ok else FINDINGS


def write_results(plan: Plan, out: Path, *, even_if_unverified: bool) -> Path | None:
    """Write plan.json, pads.csv, board.svg, report.html and the program; returns the program's path.

    A program with findings is not written, and one left there by an earlier plan is removed, so that what lies
    beside plan.json always belongs to it.
    """
    picture, page = render_report(plan)
    try:
        out.mkdir(parents=True, exist_ok=True)
        for old in (out / f"{PROGRAM_STEM}.gcode", out / f"{PROGRAM_STEM}.ngc"):
            old.unlink(missing_ok=True)
        (out / "plan.json").write_text(_json(plan.document), encoding="utf-8")
        _write_csv(out / "pads.csv", pad_rows(plan.document))
        (out / "board.svg").write_text(picture, encoding="utf-8")
        (out / "report.html").write_text(page, encoding="utf-8")
        if not plan.verdict.ok and not even_if_unverified:
            return None
        program_file = out / f"{PROGRAM_STEM}{plan.program.suffix}"
        program_file.write_text(plan.program.text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise one_error(
            f"the results cannot be written: {error.strerror or error}",
            "Choose another folder with --out.",
            file=str(error.filename or out),
        ) from None
    return program_file


def _json(document: Mapping[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n"


def _write_csv(path: Path, rows: Sequence[Mapping[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, PAD_COLUMNS)
        writer.writeheader()
        writer.writerows(rows)


def print_summary(plan: Plan, out: Path, program_file: Path | None) -> None:
    """Print what a person wants to know first: totals, what needs a look, the verdict, where the files are."""
    totals = plan.document["totals"]
    gain_s = totals["travel_s"] - totals["travel_bound_s"]
    board = plan.board
    console.print(
        f"[bold]{escape(board.name)}[/], {board.side} side, {board.size_mm[0]:.1f} × {board.size_mm[1]:.1f} mm,"
        f" paste from the {board.paste_origin}"
    )
    console.print(
        f"  {totals['deposits']} deposits on {totals['pads']} pads, {totals['paste_ul']:.2f} µL of paste,"
        f" {_duration(totals['machine_s'])} on the machine"
    )
    console.print(
        f"  travel {totals['travel_mm']:.0f} mm in {totals['travel_s']:.1f} s; no order is shorter than"
        f" {totals['travel_bound_mm']:.0f} mm, and none saves more than {gain_s:.1f} s"
    )
    pad_words = [f"{pad['id']}: {words}" for pad in plan.document["pads"] for words in pad["warnings"]]
    print_warnings([*plan.document["warnings"], *pad_words])
    print_verdict(plan.document["verdict"])
    if program_file is None:
        console.print("  The program was not written; --even-if-unverified writes it all the same.")
    else:
        console.print(f"  program  {escape(str(program_file))}" + (" (dry run)" if plan.motions.dry else ""))
    console.print(f"  report   {escape(str(out / 'report.html'))}")
    console.print(
        "  First run in the air with --dry. Keep hands out of the gantry; see the cautions in the report."
    )


def print_verdict(verdict: Mapping[str, Any], *, most: int = 15) -> None:
    """Print the verdict and its first findings."""
    if verdict["ok"]:
        console.print("[bold green]verified[/] read back and simulated by separate code: no findings")
        return
    findings = verdict["findings"]
    console.print(f"[bold red]not verified[/] {len(findings)} findings")
    for item in findings[:most]:
        line = f"line {item['line']}: " if item["line"] else ""
        console.print(f"  {line}{escape(item['kind'])}: {escape(item['what'])}")
    if len(findings) > most:
        console.print(f"  … and {len(findings) - most} more in plan.json")


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{int(seconds // 60)} min {seconds % 60:.0f} s"

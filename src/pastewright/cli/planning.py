"""`pastewright plan`: read, plan, write five files, say what matters."""

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf
from pathlib import Path
from typing import Any

from rich.markup import escape

from pastewright.board.model import Board, Side
from pastewright.cli.console import out as console
from pastewright.cli.console import print_warnings, stages
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.reading import layer_overrides, load_board, load_job, load_profile
from pastewright.place.transform import Placements
from pastewright.place.tray.document import fits_board, read_placement
from pastewright.plan.document import PAD_COLUMNS, pad_rows
from pastewright.plan.pipeline import Plan, make_plan
from pastewright.problems import one_error
from pastewright.report.render import Skipped, render_report

STAGES = ("reading", "doses", "deposits", "order", "motions", "program", "verdict", "what if", "report")
PROGRAM_STEM = "program"


def plan_command(
    source: Path,
    profile_path: Path,
    *,
    side: str | None,
    out: Path | None,
    dry: bool,
    layers: Sequence[str],
    even_if_unverified: bool,
    placement: Path | None = None,
    tray: Path | None = None,
    units: str = "",
    columns: str = "",
    job_path: Path | None = None,
) -> int:
    """Plan one side and write the results into `out`; returns the exit code.

    Without a `side` the job's is planned, else the top.
    """
    overrides = layer_overrides(layers)
    job = load_job(source, job_path)
    side = side or str(job.side or Side.TOP)
    out = out or Path(f"paste-plan-{side}" + ("-dry" if dry else ""))
    if tray is not None:
        from pastewright.cli.traying import tray_command

        if placement is not None:
            raise one_error(
                "--placement and --tray are both given", "A tray file says where each board lies."
            )
        return tray_command(
            source,
            profile_path,
            side=side,
            out=out,
            dry=dry,
            overrides=overrides,
            even_if_unverified=even_if_unverified,
            tray_path=tray,
            units=units,
            columns=columns,
            job=job,
        )
    with stages(STAGES) as begin:
        begin("reading")
        profile = load_profile(profile_path)
        board = load_board(
            source,
            side=side,
            overrides=overrides,
            shrink_mm=profile.dose.shrink_mm,
            units=units,
            columns=columns,
        )
        where = _placed(placement, board) if placement is not None else None
        plan = make_plan(board, profile, dry=dry, placements=where, job=job, on_stage=begin)
        begin("report")
        program_file = write_results(plan, out, even_if_unverified=even_if_unverified)
    print_summary(plan, out, program_file)
    return DONE if plan.verdict.ok else FINDINGS


def _placed(path: Path, board: Board) -> Placements:
    found = read_placement(path)
    warnings = fits_board(found, board, file=str(path))
    first, *others = found.placements.boards
    if others:
        raise one_error(
            f"this placement has {1 + len(others)} boards", "For several boards give --tray.", file=str(path)
        )
    return Placements(boards=(replace(first, warnings=(*warnings, *first.warnings)),))


def write_results(plan: Plan, out: Path, *, even_if_unverified: bool, skipped: Skipped = ()) -> Path | None:
    """Write plan.json, pads.csv, board.svg, report.html and the program; returns the program's path.

    A program with findings is not written, and one left there by an earlier plan is removed, so that what lies
    beside plan.json always belongs to it.
    """
    picture, page = render_report(plan, skipped=skipped)
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
            f"the results cannot be written here: {error.strerror or error}",
            "Choose another folder with --out, and no file's name.",
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
        f"  {_count(totals['deposits'], 'deposit')} on {_count(totals['pads'], 'pad')},"
        f" {totals['paste_ul']:.2f} µL of paste,"
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
        "  "
        + (
            "This program lays no paste: the tip stays up, the plunger still."
            if plan.motions.dry
            else "First run in the air with --dry."
        )
        + " Keep hands out of the gantry; see the cautions in the report."
    )


def print_verdict(verdict: Mapping[str, Any], *, of_a_kind: int = 4) -> None:
    """Print the verdict, how many findings there are of each kind, and the first few of each."""
    if verdict["ok"]:
        console.print("[bold green]verified[/] read back and simulated by separate code: no findings")
        return
    findings = verdict["findings"]
    # A wrong word in the first lines is followed by a hundred deposits that get nothing: show the cause beside them.
    kinds: dict[str, list[Mapping[str, Any]]] = {}
    for item in findings:
        kinds.setdefault(item["kind"], []).append(item)
    console.print(
        f"[bold red]not verified[/] {_count(len(findings), 'finding')}: "
        + ", ".join(f"{len(items)} {escape(kind)}" for kind, items in kinds.items())
    )
    for kind, items in sorted(kinds.items(), key=lambda pair: min(item["line"] or inf for item in pair[1])):
        for item in items[:of_a_kind]:
            line = f"line {item['line']}: " if item["line"] else ""
            console.print(f"  {line}{escape(kind)}: {escape(item['what'])}")
        if len(items) > of_a_kind:
            console.print(f"  … and {len(items) - of_a_kind} more: {escape(kind)}")


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{int(seconds // 60)} min {seconds % 60:.0f} s"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")

"""`pastewright plan --tray`: several boards, in as many programs as the barrel asks for."""

from collections.abc import Mapping
from pathlib import Path

from rich.markup import escape

from pastewright.board.model import LayerRole
from pastewright.cli.console import out as console
from pastewright.cli.console import print_warnings, stages
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.placing import print_heights, print_registration, tip_tolerance
from pastewright.cli.planning import STAGES, print_summary, write_results
from pastewright.cli.reading import load_board, load_profile
from pastewright.job.model import NO_JOB, Job
from pastewright.place.tray.panel import PlacedTray, place_tray, read_tray
from pastewright.plan.pipeline import prepare
from pastewright.plan.tray import plan_tray


def tray_command(
    source: Path,
    profile_path: Path,
    *,
    side: str,
    out: Path,
    dry: bool,
    overrides: Mapping[str, LayerRole],
    even_if_unverified: bool,
    tray_path: Path,
    units: str = "",
    columns: str = "",
    job: Job = NO_JOB,
) -> int:
    """Plan a tray and write each program's results into `out`; returns the exit code."""
    with stages(STAGES) as begin:
        begin("reading")
        profile = load_profile(profile_path)
        tray = read_tray(tray_path)
        board = load_board(
            source,
            side=side,
            overrides=overrides,
            shrink_mm=profile.dose.shrink_mm,
            units=units,
            columns=columns,
        )
        placed = place_tray(tray, board, bed=profile.bed, tip=tip_tolerance(profile))
        prepared = prepare(board, profile, job=job, on_stage=begin)
        plans = plan_tray(
            prepared, placed.placements, profile, each=tray.each, dry=dry, job=job, on_stage=begin
        )
        begin("report")
        folders = [out] if len(plans) == 1 else [out / f"program-{k}" for k in range(1, len(plans) + 1)]
        files = [
            write_results(
                plan, folder, even_if_unverified=even_if_unverified, skipped=tuple(placed.skipped.items())
            )
            for plan, folder in zip(plans, folders, strict=True)
        ]
    _print_tray(placed)
    if len(plans) > 1 and not tray.each:
        boards = "; then ".join(", ".join(one.name for one in plan.placements.boards) for plan in plans)
        console.print(
            f"[bold]{len(plans)} programs[/]: boards {escape(boards)}. Fill the barrel and clean the strip before each."
        )
    for plan, folder, file in zip(plans, folders, files, strict=True):
        print_summary(plan, folder, file)
    return DONE if all(plan.verdict.ok for plan in plans) else FINDINGS


def _print_tray(placed: PlacedTray) -> None:
    for name, found in placed.registrations.items():
        print_registration(found, name=name)
    for name, heights in placed.heights.items():
        print_heights(heights, name=name if name == "tray" else f"board {name}")
    print_warnings(placed.warnings)
    if placed.skipped:
        console.print(f"  marked bad and skipped: {escape(', '.join(placed.skipped))}")

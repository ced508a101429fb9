"""One board planned, or a tray of boards: the same wishes, the same files, the same words.

What only trays and placements need is imported where they are met.
"""

from pathlib import Path

from msgspec import Struct
from rich.markup import escape

from pastewright.job.model import NO_JOB, Job
from pastewright.place.transform import Placements
from pastewright.plan.pipeline import STAGES, decide, prepare
from pastewright.report.results import judge_and_write
from pastewright.work.legend import keep_legend
from pastewright.work.options import ReadOptions
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import stages
from pastewright.work.printing.plan import print_summary
from pastewright.work.reading import AS_FILES_SAY, ask_of, load_board, load_profile


class Wanted(Struct, frozen=True, kw_only=True):
    """What is to be planned, and where the results go."""

    source: Path
    profile: Path
    side: str
    out: Path
    files: ReadOptions = AS_FILES_SAY
    job: Job = NO_JOB
    dry: bool = False
    even_if_unverified: bool = False
    every_warning: bool = False


def plan_board(wanted: Wanted, placement: Path | None = None) -> bool:
    """Plan one board, write and print its results; whether its program is verified."""
    where: Placements | None = None
    with stages(STAGES) as begin:
        begin("reading")
        profile = load_profile(wanted.profile)
        board = load_board(
            wanted.source, side=wanted.side, files=wanted.files, shrink_mm=profile.dose.shrink_mm
        )
        if placement is not None:
            from pastewright.place.tray.document import placement_for

            where = placement_for(placement, board)
        decided = decide(board, profile, dry=wanted.dry, placements=where, job=wanted.job, on_stage=begin)
        plan, program_file = judge_and_write(
            decided, wanted.out, even_if_unverified=wanted.even_if_unverified, on_stage=begin
        )
        keep_legend(wanted.source, board, ask_of(wanted.side, wanted.files), wanted.out)
    print_summary(plan, wanted.out, program_file, every_warning=wanted.every_warning)
    return plan.verdict.ok


def plan_boards(wanted: Wanted, tray_file: Path) -> bool:
    """Plan a tray, in as many programs as the barrel asks for; whether all of them are verified."""
    from pastewright.place.tray.file import read_tray
    from pastewright.place.tray.panel import place_tray
    from pastewright.plan.tray import decide_tray
    from pastewright.work.placing import tip_tolerance
    from pastewright.work.printing.placing import print_tray

    with stages(STAGES) as begin:
        begin("reading")
        profile = load_profile(wanted.profile)
        tray = read_tray(tray_file)
        board = load_board(
            wanted.source, side=wanted.side, files=wanted.files, shrink_mm=profile.dose.shrink_mm
        )
        placed = place_tray(tray, board, bed=profile.bed, tip=tip_tolerance(profile))
        prepared = prepare(board, profile, job=wanted.job, on_stage=begin)
        decided = decide_tray(
            prepared,
            placed.placements,
            profile,
            each=tray.each,
            dry=wanted.dry,
            job=wanted.job,
            on_stage=begin,
        )
        out = wanted.out
        folders = [out] if len(decided) == 1 else [out / f"program-{k}" for k in range(1, len(decided) + 1)]
        skipped = tuple(placed.skipped.items())
        made = [
            judge_and_write(
                each,
                folder,
                even_if_unverified=wanted.even_if_unverified,
                skipped=skipped,
                on_stage=begin,
            )
            for each, folder in zip(decided, folders, strict=True)
        ]
        keep_legend(wanted.source, board, ask_of(wanted.side, wanted.files), *folders)
    plans, files = zip(*made, strict=True)
    print_tray(placed)
    if len(plans) > 1 and not tray.each:
        boards = "; then ".join(", ".join(one.name for one in plan.placements.boards) for plan in plans)
        console.print(
            f"[bold]{len(plans)} programs[/]: boards {escape(boards)}. Fill the barrel and clean the strip before each."
        )
    for plan, folder, file in zip(plans, folders, files, strict=True):
        print_summary(plan, folder, file, every_warning=wanted.every_warning)
    return all(plan.verdict.ok for plan in plans)

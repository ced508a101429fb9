"""`inspect` from files to files: plan and photos in, inspection.json, .csv and .html out, an entry in the journal."""

import csv
import re
import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import numpy as np

from pastewright.inspect.document import COLUMNS, InspectedBoard, csv_rows, inspection_record
from pastewright.inspect.find import FoundBoard, find_board
from pastewright.inspect.frames import frames_of, on_board
from pastewright.inspect.picture import BoardPicture, board_picture
from pastewright.inspect.read import Findings, findings_of
from pastewright.job.limits import limits_of_record
from pastewright.job.read import read_job
from pastewright.link.inspections import board_named, keep_inspection
from pastewright.link.journal import open_existing
from pastewright.photo.file import Photo, read_photo
from pastewright.problems import InputError, Severity, one_error
from pastewright.records.inspection import InspectionRecord, inspection_text
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import PlanRecord, read_plan
from pastewright.report.inspection import ShownFinding, inspection_page, shown_findings
from pastewright.work.legend import kept_legend
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems
from pastewright.work.printing.inspection import inspection_words, print_inspection
from pastewright.work.running.records import default_journal
from pastewright.writing import writing

KEPT = "bare-board"  # folder beside plan.json, of photos of the board before pasting
MOST_PHOTOS = 400
"""Frames of a large board at 30 px/mm; each is held in memory as pixels. Own choice."""

Also = Callable[[Sequence[ShownFinding]], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What is to be looked at, and where the results go."""

    plan: Path
    photos: tuple[Path, ...]
    frames: Path | None
    board: str
    side: str
    job: Path | None
    out: Path
    journal: Path | None
    before: tuple[Path, ...] = ()


def folder_of(board: str) -> str:
    """Return the folder of a board's inspection, beside its plan: its own, so that it is not touched up by another's."""
    name = re.sub(r"[^\w.()+-]", "-", board)
    return f"inspection-{name}" if name else "inspection"


def looked_at(asked: Looked, *, also: Also | None = None) -> InspectionRecord:
    """Inspect, write and print; returns the record. `also` gets what is shown of it, once it is written."""
    plan = read_plan(asked.plan)
    if asked.side and asked.side != str(plan.board.side):
        raise one_error(
            f"the plan is for the {plan.board.side} side, --side says {asked.side}",
            "Give the plan of the side in the photos.",
            file=str(asked.plan),
        )
    if plan.dry:
        raise one_error(
            "a dry program lays no paste", "Give the plan of the program that laid it.", file=str(asked.plan)
        )
    if plan.kind is ProgramKind.TOUCH_UP:
        raise one_error(
            "this plan is a touch-up's: it does not tell what else should stand on the board",
            "Give the plan.json of the program that laid the board; what was touched up is seen as well.",
            file=str(asked.plan),
        )
    if (
        asked.out.exists() and not asked.out.is_dir()
    ):  # told before a photo is looked at, which takes its time
        raise one_error(
            "the results cannot be written: this is a file",
            "Choose another folder with --out.",
            file=str(asked.out),
        )
    in_tray = len({pad.board for pad in plan.pads}) > 1
    picture = board_picture(plan, asked.board, legend=kept_legend(asked.plan, plan.board))
    journal_board = None if in_tray or not asked.board else _journal_board(asked, plan)
    tray_board = asked.board if in_tray else ""
    bare = _bare(asked, plan, tray_board)
    findings = _read(asked, plan, picture, tray_board, bare)
    inspection = inspection_record(
        findings,
        plan,
        InspectedBoard(
            plan_file=str(asked.plan),
            plan_sha256=sha256(asked.plan.read_bytes()).hexdigest(),
            at=datetime.now(UTC).isoformat(timespec="seconds"),
            serial=asked.board,
            journal_board=journal_board,
            before=", ".join(found.photo.name for found in bare),
        ),
    )
    shown = shown_findings(inspection, findings)
    files = _written(asked.out, inspection, shown)
    if also is not None:
        also(shown)
    if journal_board is not None:
        opened = open_existing(asked.journal or default_journal())
        try:
            words = f"{inspection_words(inspection)}; {files[0]}"
            keep_inspection(
                opened, journal_board, words, record=inspection_text(inspection), now_s=time.time()
            )
        finally:
            opened.close()
    print_problems(findings.warnings)
    print_inspection(inspection, files)
    return inspection


def bare_kept(asked: Looked) -> int:
    """Keep the photos of the bare board (`before`) beside the plan, once it is found on each; returns how many they are.

    Raises `InputError` for one that does not show it.
    """
    plan = read_plan(asked.plan)
    tray_board = asked.board if len({pad.board for pad in plan.pads}) > 1 else ""
    return len(_bare(asked, plan, tray_board))


def _bare(asked: Looked, plan: PlanRecord, tray_board: str) -> tuple[FoundBoard, ...]:
    """Return photos of the bare board as found: those given, which are then kept beside the plan for the next boards, or
    those that were kept. A given one must show the board; a kept one that no longer can be read is left out.
    """
    kept = asked.plan.parent / KEPT
    there = asked.before or (sorted(kept.iterdir()) if kept.is_dir() else ())
    if not there:
        return ()
    picture = board_picture(plan, tray_board, bare=True)
    if asked.before:
        found = tuple(find_board(read_photo(path), picture) for path in asked.before)
        with writing("the photos of the bare board", kept, "Make the plan's folder writable."):
            kept.mkdir(exist_ok=True)
            for path in asked.before:
                if path.resolve() != (kept / path.name).resolve():
                    shutil.copyfile(path, kept / path.name)
        console.print(f"kept for the next boards: {kept}", markup=False)
        return found
    shown: list[FoundBoard] = []
    for path in there:
        try:
            shown.append(find_board(read_photo(path), picture))
            console.print(f"compared with the bare board in {path}", markup=False)
        except InputError as error:
            print_problems([replace(one, severity=Severity.WARNING) for one in error.problems])
    return tuple(shown)


def _read(
    asked: Looked, plan: PlanRecord, picture: BoardPicture, tray_board: str, bare: tuple[FoundBoard, ...]
) -> Findings:
    """Return the findings of all photos and frames."""
    limits = limits_of_record(plan.inspection) if asked.job is None else read_job(asked.job).inspection
    frames = frames_of(asked.frames) if asked.frames is not None else {}
    paths = [*asked.photos, *frames]
    if not paths:
        raise one_error("no photo was given", "Name one or more photos, or a list of frames with --frames.")
    if len(paths) > MOST_PHOTOS:
        raise one_error(f"{len(paths)} photos are too many; at most {MOST_PHOTOS} are read at once")
    near = {str(path): np.asarray(on_board(place, plan, tray_board)) for path, place in frames.items()}
    photos: list[Photo] = [read_photo(path) for path in paths]

    def begun(name: str) -> None:
        console.print(f"looking at {name}", markup=False)

    return findings_of(picture, photos, limits, begun, near, bare)


def _journal_board(asked: Looked, plan: PlanRecord) -> int:
    """Return the board's number in the journal, before any photo is read."""
    opened = open_existing(asked.journal or default_journal())
    try:
        return board_named(opened, asked.board, program_sha256=plan.program_sha256)
    finally:
        opened.close()


def _written(folder: Path, inspection: InspectionRecord, shown: Sequence[ShownFinding]) -> tuple[Path, ...]:
    names = ("inspection.json", "inspection.csv", "inspection.html")
    json_file, csv_file, page_file = (folder / name for name in names)
    page = inspection_page(inspection, shown)
    with writing("the results", folder, "Choose another folder with --out, and no file's name."):
        folder.mkdir(parents=True, exist_ok=True)
        json_file.write_text(inspection_text(inspection), encoding="utf-8")
        with csv_file.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS)
            writer.writeheader()
            writer.writerows(csv_rows(inspection))
        page_file.write_text(page, encoding="utf-8")
    return json_file, csv_file, page_file

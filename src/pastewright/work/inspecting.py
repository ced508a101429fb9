"""`inspect` from files to files: plan and photos in, inspection.json, .csv and .html out, an entry in the journal."""

import csv
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import numpy as np

from pastewright.inspect.document import COLUMNS, InspectedBoard, csv_rows, inspection_record
from pastewright.inspect.frames import frames_of, on_board
from pastewright.inspect.picture import BoardPicture, board_picture
from pastewright.inspect.read import Findings, findings_of
from pastewright.job.read import read_job
from pastewright.link.inspections import board_named, keep_inspection
from pastewright.link.journal import open_existing
from pastewright.photo.file import Photo, read_photo
from pastewright.problems import one_error
from pastewright.records.inspection import InspectionRecord, inspection_text
from pastewright.records.plan import PlanRecord, read_plan
from pastewright.report.inspection import inspection_page
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems
from pastewright.work.printing.inspection import inspection_words, print_inspection
from pastewright.work.running.records import default_journal
from pastewright.writing import writing

MOST_PHOTOS = 400
"""Frames of a large board at 30 px/mm; each is held in memory as pixels. Own choice."""


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


def looked_at(asked: Looked) -> InspectionRecord:
    """Inspect, write and print; returns the record."""
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
    in_tray = len({pad.board for pad in plan.pads}) > 1
    picture = board_picture(plan, asked.board)
    journal_board = None if in_tray or not asked.board else _journal_board(asked, plan)
    findings = _read(asked, plan, picture, asked.board if in_tray else "")
    inspection = inspection_record(
        findings,
        plan,
        InspectedBoard(
            plan_file=str(asked.plan),
            plan_sha256=sha256(asked.plan.read_bytes()).hexdigest(),
            at=datetime.now(UTC).isoformat(timespec="seconds"),
            serial=asked.board,
            journal_board=journal_board,
        ),
    )
    files = _written(asked.out, inspection, findings)
    if journal_board is not None:
        opened = open_existing(asked.journal or default_journal())
        try:
            words = f"{inspection_words(inspection)}; {files[0]}"
            keep_inspection(opened, journal_board, words, now_s=time.time())
        finally:
            opened.close()
    print_problems(findings.warnings)
    print_inspection(inspection, files)
    return inspection


def _read(asked: Looked, plan: PlanRecord, picture: BoardPicture, tray_board: str) -> Findings:
    """Return the findings of all photos and frames."""
    limits = read_job(asked.job).inspection if asked.job is not None else None
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

    if limits is None:
        return findings_of(picture, photos, begun=begun, near_mm=near)
    return findings_of(picture, photos, limits, begun, near)


def _journal_board(asked: Looked, plan: PlanRecord) -> int:
    """Return the board's number in the journal, before any photo is read."""
    opened = open_existing(asked.journal or default_journal())
    try:
        return board_named(opened, asked.board, program_sha256=plan.program_sha256)
    finally:
        opened.close()


def _written(folder: Path, inspection: InspectionRecord, findings: Findings) -> tuple[Path, ...]:
    names = ("inspection.json", "inspection.csv", "inspection.html")
    json_file, csv_file, page_file = (folder / name for name in names)
    page = inspection_page(inspection, findings)
    with writing("the results", folder, "Choose another folder with --out, and no file's name."):
        folder.mkdir(parents=True, exist_ok=True)
        json_file.write_text(inspection_text(inspection), encoding="utf-8")
        with csv_file.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS)
            writer.writeheader()
            writer.writerows(csv_rows(inspection))
        page_file.write_text(page, encoding="utf-8")
    return json_file, csv_file, page_file

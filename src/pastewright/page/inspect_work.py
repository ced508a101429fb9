"""Inspection for the page, in a worker process: the same functions as the commands, and what they found to look at."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import pi
from pathlib import Path
from typing import Any

from pastewright.inspect.document import verdict_counts, wipe_list
from pastewright.inspect.frames import frames_of
from pastewright.learn.advice import advice
from pastewright.learn.pictures import capability_svg
from pastewright.learn.process import DefectRate, process_of
from pastewright.page.board_view import um
from pastewright.page.listed import PLAN_FILE
from pastewright.page.workers import Tell
from pastewright.problems import one_error
from pastewright.records.inspection import InspectionRecord, read_inspection
from pastewright.records.plan import PlanRecord, read_plan
from pastewright.report.inspection import ShownFinding
from pastewright.work.capability import found_in_files, process_text
from pastewright.work.inspecting import Looked, bare_kept, looked_at
from pastewright.work.printing.console import printed_by
from pastewright.work.running.witness_check import Given, checked
from pastewright.work.touching_up import Touched, touched_up
from pastewright.writing import writing

INSPECTION_FILE, CROPS, CAPABILITY = "inspection.json", "crops", "capability"
FRAMES_ENDING = ".csv"
MEND = "Look at the folder's rights."


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoWork:
    """Photos of a board, the plan that laid it, and where the results go. `board` is its serial or number, "" without."""

    plan: Path
    photos: tuple[Path, ...]
    board: str
    job: Path | None
    out: Path
    journal: Path


def inspect_into(asked: PhotoWork, tell: Tell) -> bytes:
    """Inspect photos into files, as `pastewright inspect`, with a crop of each finding; returns the view."""
    tell("looking at the photos", 0, 2)

    def crops(shown: Sequence[ShownFinding]) -> None:
        tell("findings", 1, 2)
        folder = asked.out / CROPS
        with writing("the crops", folder, MEND):
            folder.mkdir(parents=True, exist_ok=True)
            for old in folder.iterdir():
                old.unlink()
            for one in shown:
                if one.photo:
                    (folder / f"{one.number}.jpg").write_bytes(one.photo)
                (folder / f"{one.number}.svg").write_text(str(one.plan_svg), encoding="utf-8")

    photos, frames = frames_apart(asked.photos)
    looked = replace(_looked(asked), photos=photos, frames=frames)
    printed_by(lambda: looked_at(looked, also=crops))
    return inspection_view(asked.plan, asked.out, tell)


def bare_into(asked: PhotoWork, tell: Tell) -> bytes:
    """Keep photos of the bare board beside its plan, as `pastewright inspect --before` does; returns how many."""
    tell("looking for the board", 0, 1)
    count, _ = printed_by(lambda: bare_kept(replace(_looked(asked), before=asked.photos)))
    return json.dumps({"kept": count}).encode()


def _looked(asked: PhotoWork) -> Looked:
    return Looked(
        plan=asked.plan / PLAN_FILE,
        photos=(),
        frames=None,
        board=asked.board,
        side="",
        job=asked.job,
        out=asked.out,
        journal=asked.journal,
    )


def frames_apart(files: Sequence[Path]) -> tuple[tuple[Path, ...], Path | None]:
    """Return the photos that no list of frames names, and the list (a .csv), None where none was sent.

    Raises `InputError` for two lists, and for one that names a file which was not sent with it: a list that came from a
    browser leads nowhere else.
    """
    lists = [file for file in files if file.suffix.lower() == FRAMES_ENDING]
    if not lists:
        return tuple(files), None
    if len(lists) > 1:
        raise one_error("more than one list of frames was sent", "Send one list with its frames.")
    named = frames_of(lists[0])
    if missing := sorted(path.name for path in named if path not in files):
        raise one_error(
            f"the list names {', '.join(missing[:5])}, which was not sent with it",
            "Choose the list and all its frames together.",
            file=lists[0].name,
        )
    return tuple(file for file in files if file not in named and file != lists[0]), lists[0]


def inspection_view(plan: Path, folder: Path, tell: Tell) -> bytes:
    """Return the JSON of an inspection: verdicts by deposit, findings, what to wipe, and the lands they lie on."""
    tell("opening", 1, 2)
    record, inspection = read_plan(plan / PLAN_FILE), read_inspection(folder / INSPECTION_FILE)
    crops = folder / CROPS
    view = {
        "board": inspection.board,
        "side": str(inspection.side),
        "serial": inspection.serial,
        "at": inspection.at,
        "size": record.board.size_mm,
        "lands": _lands(record, inspection),
        "counts": [[str(verdict), count] for verdict, count in verdict_counts(inspection).most_common()],
        "photos": [
            {"file": Path(each.file).name, "px_per_mm": each.px_per_mm, "pads": each.pads}
            for each in inspection.photos
        ],
        "deposits": [
            {
                "pad": one.pad,
                "ref": one.ref,
                "pin": one.pin,
                "at": [um(one.x_mm), um(one.y_mm)],
                "d": um(2 * (one.planned_area_mm2 / pi) ** 0.5),
                "verdict": str(one.verdict),
                "why": one.why,
                "wipe": one.wipe,
                "planned": one.planned_ul,
                "volume": one.volume_ul,
                "sd": one.volume_sd_ul,
                "outline": [um(value) for point in one.outline_mm for value in point],
                "crop": (crops / f"{number}.jpg").is_file(),
                "drawn": (crops / f"{number}.svg").is_file(),
            }
            for number, one in enumerate(inspection.deposits)
        ],
        "wipe": [{"part": part, "pins": list(pins)} for part, pins in wipe_list(inspection)],
        "warnings": list(inspection.warnings),
    }
    return json.dumps(view, separators=(",", ":")).encode()


def _lands(record: PlanRecord, inspection: InspectionRecord) -> list[list[list[int]]]:
    """Return the rings of the lands on the board that was looked at [µm]; of a tray the first one, or the one named."""
    names = {pad.board for pad in record.pads}
    board = inspection.serial if inspection.serial in names else record.placement.boards[0].name
    return [
        [[um(value) for point in ring for value in point] for ring in pad.land_mm]
        for pad in record.pads
        if pad.land_mm and pad.board in ("", board)
    ]


def touch_up_into(asked: Touched, tell: Tell) -> bytes:
    """Plan a touch-up and write it, as `pastewright touch-up`; returns what was said, and whether it can be sent."""
    tell("planning the touch-up", 0, 1)
    good, said = printed_by(lambda: touched_up(asked))
    return json.dumps({"ok": good, "said": _lines(said)}).encode()


def capability_of(files: Sequence[Path], folder: Path, journal: Path, tell: Tell) -> bytes:
    """Return what all inspected boards say of the process, as `pastewright capability`; writes its file and picture."""
    tell("reading the inspections", 0, 2)
    if not files:
        raise one_error("no board was inspected yet", "Inspect one first; five give a chart.")
    told = process_of(found_in_files(files, journal))
    tell("picture", 1, 2)
    with writing("the results", folder, MEND):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{CAPABILITY}.json").write_text(process_text(told), encoding="utf-8")
        (folder / f"{CAPABILITY}.svg").write_text(capability_svg(told), encoding="utf-8")
    view: dict[str, Any] = {
        "boards": list(told.boards),
        "deposits": told.deposits,
        "classes": [
            {
                "kind": one.kind,
                "volumes": one.able.count if one.able else 0,
                "mean": one.able.mean if one.able else None,
                "sigma": one.able.sigma if one.able else None,
                "cpk": [one.able.cpk, one.able.cpk_low, one.able.cpk_high] if one.able else None,
                "missing": _share(one.missing),
                "bridged": _share(one.bridged),
                "not_seen": one.not_seen,
            }
            for one in told.classes
        ],
        "charts": len(told.charts),
        "advice": list(advice(told)),
    }
    return json.dumps(view, separators=(",", ":")).encode()


def _share(rate: DefectRate | None) -> list[float] | None:
    return None if rate is None else [rate.share, rate.low, rate.high]


def row_checked(given: Given, tell: Tell) -> bytes:
    """Judge a witness row, as `pastewright witness check`; writes only what was accepted beforehand."""
    tell("judging the row", 0, 1)
    offered: list[str] = []

    def sure(words: str) -> bool:
        offered.append(words)
        return False

    code, said = printed_by(lambda: checked(given, sure=sure))
    return json.dumps({"code": code, "offered": bool(offered), "said": _lines(said)}).encode()


def _lines(printed: str) -> list[str]:
    """Return the lines that were printed: files by their names alone, and no next command, since the page has buttons."""
    lines = [line.strip() for line in printed.splitlines() if line.strip()]
    told = [line for line in lines if not line.startswith("wrote ") and "pastewright " not in line]
    return [_WRITTEN.sub(lambda found: f"Written: {Path(found[1]).name}", line) for line in told]


_WRITTEN = re.compile(r"^\w+ +(/.+)$")
"""A line about a file, as `print_file` prints it."""

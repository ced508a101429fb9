"""Tuning for the page, in a worker process: the same functions as `pastewright tune`, and what they found to look at."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pastewright.page.answers import problem_rows
from pastewright.page.desk import DOTS_FILE, SHEET_FILE
from pastewright.page.workers import Tell
from pastewright.photo.file import read_photo
from pastewright.problems import one_error
from pastewright.profile.read import read_profile
from pastewright.scripting import read_sheet
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.photo.overlay import overlay_png
from pastewright.tune.photo.read import measure_photos, merged
from pastewright.tune.record.dots_csv import dots_csv, read_dots_csv
from pastewright.tune.record.measurements import DotState, Measurements
from pastewright.tune.record.pictures import residuals_svg
from pastewright.tune.sheet.model import Sheet
from pastewright.tune.sheet.promise import told_of
from pastewright.work.sheets import WEIGH, sheet_made, write_sheet_files
from pastewright.work.tuning import FitAsked, fit_text, sheets_fitted
from pastewright.writing import writing

RESIDUALS_FILE, FIT_FILE = "residuals.svg", "fit.json"
LEFT_OUT = "left out by hand"
MEND = "Look at the folder's rights."


def design_into(bench: Path, folder: Path, name: str, seed: int, for_plan: Path | None, tell: Tell) -> bytes:
    """Design a sheet for a bench, or for the board of a plan, and write its files into a folder of its own.

    Another `seed` gives another order. Returns what the page shows of it; raises `InputError` where its program is not
    verified, and writes nothing then.
    """
    tell("trying orders of dots", 0, 2)
    done = sheet_made(
        read_profile(bench),
        name=name,
        seed=seed,
        for_plan=for_plan,
        on_program=lambda: tell("program, read back", 1, 2),
    )
    if not done.verdict.ok:
        first = done.verdict.findings[0]
        raise one_error(
            f"the sheet's program is not verified: {first.what}",
            "Mend the bench under Bench: what the finding says tells where.",
            line=first.line or None,
        )
    write_sheet_files(done, folder)
    return sheet_view(folder, tell)


def sheet_view(folder: Path, tell: Tell) -> bytes:
    """Return the JSON of a sheet with what was measured of it, as far as it was."""
    tell("opening", 0, 1)
    sheet = read_sheet(folder / SHEET_FILE)
    measured = read_dots_csv(folder / DOTS_FILE) if (folder / DOTS_FILE).is_file() else None
    return _view(sheet, measured, folder)


def read_into(folder: Path, photos: Sequence[Path], tell: Tell) -> bytes:
    """Measure the dots on photos; writes dots.csv and a picture of each photo with what was measured."""
    sheet = read_sheet(folder / SHEET_FILE)
    loaded = []
    for number, photo in enumerate(photos):
        tell(f"opening {photo.name}", number, 2 * len(photos))
        loaded.append(read_photo(photo))
    begun = iter(range(len(photos), 2 * len(photos)))
    readings, warnings = measure_photos(
        sheet,
        loaded,
        lambda file: tell(f"measuring {Path(file).name}", next(begun, len(photos)), 2 * len(photos)),
    )
    with writing("what was measured", folder, MEND):
        for old in folder.glob("overlay-*.png"):
            old.unlink()
        for number, reading in enumerate(readings, start=1):
            (folder / f"overlay-{number}.png").write_bytes(overlay_png(sheet, reading))
        measured = merged(sheet, readings, warnings)
        (folder / DOTS_FILE).write_text(dots_csv(sheet, measured), encoding="utf-8")
    return _view(sheet, measured, folder)


def leave_out(folder: Path, index: int) -> bytes:
    """Leave a dot out of what was measured, by hand; returns the view."""
    sheet = read_sheet(folder / SHEET_FILE)
    measured = read_dots_csv(folder / DOTS_FILE)
    readings = tuple(
        replace(
            reading,
            state=DotState.REFUSED,
            why=LEFT_OUT,
            diameter_mm=None,
            area_mm2=None,
            sigma_mm=None,
            aspect=None,
        )
        if dot.index == index and reading.state is DotState.MEASURED
        else reading
        for dot, reading in zip(sheet.dots, measured.readings, strict=True)
    )
    if readings == measured.readings:
        raise one_error(f"the dot {index} was not measured", "Choose one that was.")
    kept = replace(measured, readings=readings)
    with writing("what was measured", folder / DOTS_FILE, MEND):
        (folder / DOTS_FILE).write_text(dots_csv(sheet, kept), encoding="utf-8")
    return _view(sheet, kept, folder)


def fit_of(bench: Path, folders: Sequence[Path], asked: FitAsked, tell: Tell) -> bytes:
    """Return the JSON of the constants that explain sheets, the verdicts on the bench, and the entry for its profile.

    The plot and fit.json go beside the first sheet, as the command puts them.
    """
    steps = ("reading", "fitting", "verdicts")
    tell(steps[0], 0, len(steps))
    done = sheets_fitted(
        folders, read_profile(bench), asked, lambda step: tell(step, steps.index(step), len(steps))
    )
    with writing("the fit", folders[0], MEND):
        (folders[0] / RESIDUALS_FILE).write_text(residuals_svg(done.fitted), encoding="utf-8")
        (folders[0] / FIT_FILE).write_text(fit_text(done), encoding="utf-8")
    view = {
        "sheets": [folder.name for folder in folders],
        "constants": _constants(done.fitted),
        "spread": done.fitted.spread,
        "measured": done.fitted.measured,
        "missing": done.fitted.missing,
        "verdicts": [
            *({"words": words, "grave": grave} for words, grave in told_of(done.promise)),
            *({"words": each.words, "grave": each.grave} for each in done.said),
        ],
        "entry": done.entry,
    }
    return json.dumps(view, separators=(",", ":")).encode()


def _constants(fitted: Fitted) -> list[dict[str, Any]]:
    return [
        {
            "words": each.constant.words,
            "unit": each.constant.unit,
            "value": each.value,
            "low": each.low,
            "high": each.high,
            "held": bool(each.held),
        }
        for each in fitted.estimates
    ]


def _pictures(folder: Path) -> int:
    return len(list(folder.glob("overlay-*.png")))


def _weigh(sheet: Sheet, folder: Path) -> dict[str, Any] | None:
    """What the block to weigh beside a sheet is; None without one."""
    block = sheet.process.get("block")
    if not isinstance(block, dict) or not (folder / f"{WEIGH}.json").is_file():
        return None
    return {"dots": block.get("dots"), "dose": block.get("dose_ul")}


def _view(sheet: Sheet, measured: Measurements | None, folder: Path) -> bytes:
    readings = measured.readings if measured is not None else [None] * len(sheet.dots)
    dots = [
        {
            "index": dot.index,
            "x": dot.x_mm,
            "y": dot.y_mm,
            "dose": dot.dose_ul,
            "role": str(dot.role.value),
            "state": "" if reading is None else str(reading.state.value),
            "why": "" if reading is None else reading.why,
            "d": None if reading is None else reading.diameter_mm,
        }
        for dot, reading in zip(sheet.dots, readings, strict=True)
    ]
    view = {
        "name": sheet.name,
        "dots": dots,
        "weigh": _weigh(sheet, folder),
        "pictures": _pictures(folder),
        "read": measured is not None,
        "warnings": problem_rows(measured.warnings) if measured is not None else [],
    }
    return json.dumps(view, separators=(",", ":")).encode()

"""Tuning for the page, in a worker process: the same functions as `pastewright tune`, and what they found to look at."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pastewright.page.answers import problem_rows
from pastewright.page.workers import Tell
from pastewright.photo.file import read_photo
from pastewright.problems import one_error
from pastewright.profile.read import read_profile
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.scripting import design_sheet, read_sheet, write_program, write_sheet
from pastewright.tune.fit.constants import with_constants
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import fit_sheets
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.fit.verdicts import verdicts
from pastewright.tune.photo.overlay import overlay_png
from pastewright.tune.photo.read import measure_photos, merged
from pastewright.tune.record.dots_csv import dots_csv, read_dots_csv
from pastewright.tune.record.measurements import DotState, Measurements
from pastewright.tune.record.pictures import residuals_svg
from pastewright.tune.record.profile_update import tuning_entry
from pastewright.tune.sheet.model import Sheet
from pastewright.tune.sheet.promise import promise_of, told_of
from pastewright.writing import writing

SHEET_FILE, DOTS_FILE, RESIDUALS_FILE = "sheet.json", "dots.csv", "residuals.svg"
LEFT_OUT = "left out by hand"
MEND = "Look at the folder's rights."


def design_into(bench: Path, folder: Path, name: str, tell: Tell) -> bytes:
    """Design a sheet for a bench and write sheet.json and its verified program; returns what the page shows of it."""
    tell("trying orders of dots", 0, 2)
    made = design_sheet(read_profile(bench), name=name)
    tell("writing", 1, 2)
    with writing("the sheet", folder, MEND):
        folder.mkdir(parents=True, exist_ok=True)
        # What was measured belongs to the sheet before this one.
        for old in (DOTS_FILE, RESIDUALS_FILE, *(f"sheet{ending}" for ending in PROGRAM_ENDINGS)):
            (folder / old).unlink(missing_ok=True)
    write_sheet(made.sheet, folder / SHEET_FILE)
    write_program(made, folder / f"sheet{made.program.suffix}")
    return sheet_view(folder, tell)


def sheet_view(folder: Path, tell: Tell) -> bytes:
    """Return the JSON of a sheet with what was measured of it, as far as it was."""
    tell("opening", 0, 1)
    sheet = read_sheet(folder / SHEET_FILE)
    measured = read_dots_csv(folder / DOTS_FILE) if (folder / DOTS_FILE).is_file() else None
    return _view(sheet, measured, _pictures(folder))


def read_into(folder: Path, photos: Sequence[Path], tell: Tell) -> bytes:
    """Measure the dots on photos; writes dots.csv and a picture of each photo with what was measured."""
    sheet = read_sheet(folder / SHEET_FILE)
    loaded = []
    for number, photo in enumerate(photos):
        tell(f"opening {photo.name}", number, 2 * len(photos))
        loaded.append(read_photo(photo))
    begun = iter(range(len(photos), 2 * len(photos)))
    readings, warnings = measure_photos(
        sheet, loaded, lambda name: tell(f"measuring {name}", next(begun, len(photos)), 2 * len(photos))
    )
    with writing("what was measured", folder, MEND):
        for old in folder.glob("overlay-*.png"):
            old.unlink()
        for number, reading in enumerate(readings, start=1):
            (folder / f"overlay-{number}.png").write_bytes(overlay_png(sheet, reading))
        measured = merged(sheet, readings, warnings)
        (folder / DOTS_FILE).write_text(dots_csv(sheet, measured), encoding="utf-8")
    return _view(sheet, measured, _pictures(folder))


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
    return _view(sheet, kept, _pictures(folder))


def fit_of(bench: Path, folder: Path, day: str, tell: Tell) -> bytes:
    """Return the JSON of the constants that explain a sheet, the verdicts on the bench, and the entry for its profile."""
    tell("reading", 0, 3)
    profile = read_profile(bench)
    sheet = read_sheet(folder / SHEET_FILE)
    evidence = [Evidence(sheet, read_dots_csv(folder / DOTS_FILE), profile, file=folder.name)]
    tell("fitting", 1, 3)
    fitted = fit_sheets(evidence, profile)
    tell("verdicts", 2, 3)
    promise = promise_of(fitted, with_constants(profile, fitted.lasting))
    said = verdicts(fitted, profile, evidence)
    entry = tuning_entry(fitted, profile, dated=day, sheets=[sheet.name], promise=promise)
    with writing("the fit", folder, MEND):
        (folder / RESIDUALS_FILE).write_text(residuals_svg(fitted), encoding="utf-8")
    view = {
        "constants": _constants(fitted),
        "spread": fitted.spread,
        "measured": fitted.measured,
        "missing": fitted.missing,
        "verdicts": [
            *({"words": words, "grave": grave} for words, grave in told_of(promise)),
            *({"words": each.words, "grave": each.grave} for each in said),
        ],
        "entry": entry,
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


def _view(sheet: Sheet, measured: Measurements | None, pictures: int) -> bytes:
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
        "pictures": pictures,
        "read": measured is not None,
        "warnings": problem_rows(measured.warnings) if measured is not None else [],
    }
    return json.dumps(view, separators=(",", ":")).encode()

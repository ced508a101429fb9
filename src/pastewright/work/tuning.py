"""Sheets and photos as the tuning commands take them, and what a fit leaves as fit.json."""

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import Profile
from pastewright.profile.tuned import bench_key, paste_key, tip_key
from pastewright.records.plan import read_plan
from pastewright.tune.fit.constants import Group, with_constants
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import MEASURED_STIFFNESS_SD, fit_sheets
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.fit.verdicts import TuneVerdict, verdicts
from pastewright.tune.fit.weighing import WeighedBlock
from pastewright.tune.record.capability import LEAST_VALUES, Capability, capability
from pastewright.tune.record.dots_csv import read_dots_csv
from pastewright.tune.record.profile_update import tuning_entry
from pastewright.tune.sheet.model import Sheet, read_sheet
from pastewright.tune.sheet.promise import Promise, promise_of

MOST_SHEETS = 8  # each adds its own constants to the least squares; more are a mistake of the shell
DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FitAsked:
    """What a person says of sheets beside their photos: the day, the paste's lot and temperature [°C], the mass of the
    first sheet's block [mg], the stiffness as measured [N/mm], whether the profile's dot shape was, the smallest dose
    that is needed [µL].
    """

    dated: str
    lot: str = ""
    temperature_c: float | None = None
    block_mg: float | None = None
    stiffness_n_mm: float | None = None
    shape_stated: bool = False
    smallest_ul: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetsFitted:
    """A fit with all that is said of it, and the entry that teaches it to the profile."""

    fitted: Fitted
    said: Sequence[TuneVerdict]
    able: Capability | None
    promise: Promise
    entry: dict[str, object]


def sheets_fitted(
    folders: Sequence[Path], bench: Profile, asked: FitAsked, begin: Callable[[str], None]
) -> SheetsFitted:
    """Return the fit of sheets that were read; `begin` is told each stage. InputError for what cannot be fitted."""
    sheets, evidence = opened_sheets(folders, bench)
    block, stiffness = asked.block_mg, asked.stiffness_n_mm
    blocks = [] if block is None else [weighed_block(sheets[0], block, bench, str(folder_of(folders[0])))]
    priors = {} if stiffness is None else {"frame_stiffness_n_mm": (stiffness, MEASURED_STIFFNESS_SD)}
    begin("fitting")
    fitted = fit_sheets(evidence, bench, shape_stated=asked.shape_stated, blocks=blocks, priors=priors)
    begin("verdicts")
    promise = promise_of(fitted, with_constants(bench, fitted.lasting))
    entry = tuning_entry(
        fitted,
        bench,
        dated=asked.dated,
        sheets=[sheet.name for sheet in sheets],
        lot=asked.lot,
        temperature_c=asked.temperature_c,
        promise=promise,
        scale="weighed" if fitted.weighed else "shape" if asked.shape_stated else "travel",
    )
    return SheetsFitted(
        fitted=fitted,
        said=verdicts(fitted, bench, evidence, smallest_ul=asked.smallest_ul),
        able=sheet_capability(fitted, sheets),
        promise=promise,
        entry=entry,
    )


def typed_day(word: str) -> str:
    """Return the day of an option, today where it is empty."""
    if word and not DATE.fullmatch(word):
        raise one_error(f"{word!r} is not a date", "Write it as 2025-03-14.")
    return word or date.today().isoformat()


def sheet_capability(fitted: Fitted, sheets: Sequence[Sheet]) -> Capability | None:
    """Return the capability of volume over what the model expects of each dot; None with too few dots.

    Sheets lay many different dots on purpose, so that what spreads is measured over modelled volume.
    """
    shares = [dot.measured_ul / dot.model_ul for dot in fitted.dots]
    return capability(shares) if len(shares) >= LEAST_VALUES and sheets else None


def opened_sheets(folders: Sequence[Path], profile: Profile) -> tuple[list[Sheet], list[Evidence]]:
    """Return the sheets of folders and what was measured on each; InputError where one is of another bench."""
    if len(folders) > MOST_SHEETS:
        raise one_error(f"{len(folders)} sheets are too many; at most {MOST_SHEETS} are fitted together")
    sheets: list[Sheet] = []
    evidence: list[Evidence] = []
    problems: list[Problem] = []
    for given in folders:
        folder = folder_of(given)
        sheet = read_sheet(folder / "sheet.json")
        dots = given if given.suffix == ".csv" else folder / "dots.csv"
        measurements = read_dots_csv(dots)
        if any(sheet == other for other in sheets):
            raise one_error("this sheet is given twice", "Give each sheet once.", file=str(folder))
        problems += _of_another_bench(sheet, profile, str(folder))
        if problems:
            continue
        sheets.append(sheet)
        evidence.append(Evidence(sheet, measurements, profile, file=str(folder)))
    if problems:
        raise InputError(problems)
    return sheets, evidence


def _of_another_bench(sheet: Sheet, profile: Profile, file: str) -> list[Problem]:
    """Return what says that a sheet was laid with another bench, paste or tip than the profile's."""
    own = (
        ("bench", "bench_key", bench_key(profile)),
        ("paste", "paste_key", paste_key(profile.paste)),
        ("tip", "tip_key", tip_key(profile.tip)),
    )
    return [
        Problem(
            what=f"the sheet was laid with another {word} ({sheet.process[name]}); the profile has {value}",
            mend="Fit it with the profile it was laid with; what it tells would be wrong in this one.",
            file=file,
        )
        for word, name, value in own
        if sheet.process.get(name, value) != value
    ]


def smallest_deposits(file: Path) -> dict[str, float]:
    """Return the size of each pad's smallest deposit [µL] in a plan.json, by the pad's id."""
    return {
        pad.id: min(deposit.total_ul for deposit in pad.deposits)
        for pad in read_plan(file).pads
        if pad.deposits
    }


def weighed_block(sheet: Sheet, mass_mg: float, profile: Profile, file: str) -> WeighedBlock:
    """Return the block of a sheet with its mass; InputError where the sheet has none."""
    block = sheet.process.get("block")
    if not isinstance(block, dict):
        raise one_error(
            "the sheet has no block to weigh",
            "Design the sheet again with pastewright tune sheet.",
            file=file,
        )
    return WeighedBlock(block, mass_mg, profile, file=file)


def folder_of(given: Path) -> Path:
    """Return the folder that is meant by a folder or by a file in it."""
    return given.parent if given.suffix in (".csv", ".json") else given


def fit_text(done: SheetsFitted) -> str:
    """Return the text of fit.json."""
    fitted, able = done.fitted, done.able
    data = {
        "format": "pastewright tuning fit",
        "version": 1,
        "constants": [
            {
                "name": e.constant.name,
                "unit": e.constant.unit,
                "value": e.value,
                "low": e.low,
                "high": e.high,
                "prior": e.prior,
                "held": e.held,
                **({"sheet": e.sheet} if e.constant.group is Group.SHEET else {}),
            }
            for e in fitted.estimates
        ],
        "spread": fitted.spread,
        "spread_before": fitted.before,
        "measured": fitted.measured,
        "missing": fitted.missing,
        "rows_left_out": [
            {"sheet": r.sheet, "row": r.row, "dots": r.dots, "rms": r.rms, "bias": r.bias}
            for r in fitted.left_out
        ],
        "capability": {name: getattr(able, name) for name in able.__dataclass_fields__} if able else None,
        "verdicts": [
            {"name": v.name, "words": v.words, "number": v.number, "grave": v.grave} for v in done.said
        ],
        "dots": [
            {
                "sheet": d.sheet,
                "index": d.index,
                "row": d.row,
                "model_ul": d.model_ul,
                "measured_ul": d.measured_ul,
                "pull": d.pull,
            }
            for d in fitted.dots
        ],
        "entry": done.entry,
    }
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"

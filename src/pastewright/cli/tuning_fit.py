"""`pastewright tune fit` and `tune history`: sheets that were read to constants in the profile, and their drift."""

import json
import re
from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape
from rich.table import Table

from pastewright.cli.console import out as console
from pastewright.cli.console import print_problems
from pastewright.cli.exits import DONE
from pastewright.cli.reading import load_profile
from pastewright.problems import Problem, Severity, one_error
from pastewright.profile.model import Profile
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.tune.fit.constants import Group
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import Estimate, Fitted, fit_sheets
from pastewright.tune.fit.verdicts import TuneVerdict, verdicts
from pastewright.tune.record.capability import LEAST_VALUES, Capability, capability
from pastewright.tune.record.dots_csv import read_dots_csv
from pastewright.tune.record.pictures import drift_svg, residuals_svg
from pastewright.tune.record.profile_update import drift_rows, tuning_entry, with_entry
from pastewright.tune.sheet.model import Sheet, read_sheet

MOST_SHEETS = 8
DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def tune_fit_command(
    folders: Sequence[Path],
    profile_path: Path,
    *,
    out: Path | None,
    dated: str,
    lot: str,
    temperature_c: float | None,
    shape_stated: bool,
    smallest_ul: float | None,
    write: bool,
) -> int:
    """Fit the sheets in `folders` (each with sheet.json and dots.csv), say what was found, write it into the profile."""
    profile = load_profile(profile_path)
    if not DATE.fullmatch(dated):
        raise one_error(f"{dated!r} is not a date", "Write it as 2025-03-14.")
    if len(folders) > MOST_SHEETS:
        raise one_error(f"{len(folders)} sheets are too many; at most {MOST_SHEETS} are fitted together")
    sheets, evidence, problems = _opened(folders, profile)
    print_problems(problems)
    fitted = fit_sheets(evidence, profile, shape_stated=shape_stated)
    said = verdicts(fitted, profile, evidence, smallest_ul=smallest_ul)
    able = sheet_capability(fitted, sheets)
    _tell(fitted, said, able)
    place = out or _folder(folders[0])
    scale = "weighed" if fitted.weighed else "shape" if shape_stated else "travel"
    entry = tuning_entry(
        fitted,
        profile,
        dated=dated,
        sheets=[sheet.name for sheet in sheets],
        lot=lot,
        temperature_c=temperature_c,
        scale=scale,
    )
    try:
        place.mkdir(parents=True, exist_ok=True)
        (place / "residuals.svg").write_text(residuals_svg(fitted), encoding="utf-8")
        (place / "fit.json").write_text(_json(fitted, said, able, entry), encoding="utf-8")
        if write:
            text = profile_path.read_text(encoding="utf-8")
            profile_path.write_text(with_entry(text, entry), encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the results cannot be written: {error.strerror or error}",
            "Choose another folder with --out.",
            file=str(error.filename or place),
        ) from None
    console.print(f"  plot     {escape(str(place / 'residuals.svg'))}")
    if write:
        console.print(
            f"  profile  {escape(str(profile_path))} has a further \\[\\[tuning.history]] of {dated}; it holds from now on"
        )
    else:
        console.print("  The profile is as it was (--no-write).")
    return DONE


def tune_history_command(profile_path: Path, *, out: Path | None) -> int:
    """List the trials of a profile, say which of their constants hold, and plot their drift into `out`."""
    profile = load_profile(profile_path)
    if not profile.history:
        console.print(
            "This profile has no tuning yet. Begin with: pastewright tune sheet --profile "
            + escape(str(profile_path))
        )
        return DONE
    rows = drift_rows(profile.history)
    table = Table(box=None, pad_edge=False)
    for name in rows[0]:
        if any(row[name] for row in rows):
            table.add_column(name)
    for row in rows:
        table.add_row(*(escape(row[str(column.header)]) for column in table.columns))
    console.print(table)
    for words in profile.tuned:
        console.print(f"  {escape(words)}")
    if out is not None:
        try:
            out.mkdir(parents=True, exist_ok=True)
            (out / "drift.svg").write_text(drift_svg(profile.history), encoding="utf-8")
        except OSError as error:
            raise one_error(
                f"the plot cannot be written: {error.strerror or error}",
                "Choose another folder with --out.",
                file=str(error.filename or out),
            ) from None
        console.print(f"  plot     {escape(str(out / 'drift.svg'))}")
    return DONE


def sheet_capability(fitted: Fitted, sheets: Sequence[Sheet]) -> Capability | None:
    """Return the capability of volume over what the model expects of each dot; None with too few dots.

    Sheets lay many different dots on purpose, so that what spreads is measured over modelled volume.
    """
    shares = [dot.measured_ul / dot.model_ul for dot in fitted.dots]
    return capability(shares) if len(shares) >= LEAST_VALUES and sheets else None


def _opened(folders: Sequence[Path], profile: Profile) -> tuple[list[Sheet], list[Evidence], list[Problem]]:
    sheets: list[Sheet] = []
    evidence: list[Evidence] = []
    problems: list[Problem] = []
    for given in folders:
        folder = _folder(given)
        sheet = read_sheet(folder / "sheet.json")
        dots = given if given.suffix == ".csv" else folder / "dots.csv"
        measurements = read_dots_csv(dots)
        if any(sheet == other for other in sheets):
            raise one_error("this sheet is given twice", "Give each sheet once.", file=str(folder))
        for name, own in (("paste_key", paste_key(profile.paste)), ("tip_key", tip_key(profile.tip))):
            laid = sheet.process.get(name)
            if laid is not None and laid != own:
                problems.append(
                    Problem(
                        what=f"the sheet was laid with {laid}; the profile has {own}",
                        mend="Fit it with the profile it was laid with.",
                        severity=Severity.WARNING,
                        file=str(folder),
                    )
                )
        sheets.append(sheet)
        evidence.append(Evidence(sheet, measurements, profile, file=str(folder)))
    return sheets, evidence, problems


def _folder(given: Path) -> Path:
    return given.parent if given.suffix in (".csv", ".json") else given


def _tell(fitted: Fitted, said: Sequence[TuneVerdict], able: Capability | None) -> None:
    console.print(
        f"[bold]fitted[/] {fitted.measured} dots, {fitted.missing} missing; two thirds of the volumes are within"
        f" {fitted.spread:.1%} of the model, {fitted.before:.0%} before"
    )
    table = Table(box=None, pad_edge=False)
    for name in ("constant", "fitted", "95 %", "was", ""):
        table.add_column(name, justify="left" if name in ("constant", "") else "right")
    for estimate in fitted.estimates:
        table.add_row(
            escape(_words(estimate, fitted)),
            _number(estimate.value, estimate),
            f"{_number(estimate.low, estimate)} … {_number(estimate.high, estimate)}",
            _number(estimate.prior, estimate),
            "held: the dots cannot tell" if estimate.held else "",
        )
    console.print(table)
    if fitted.left_out:
        worst = max(fitted.left_out, key=lambda row: row.rms)
        mean = (
            sum(row.rms**2 * row.dots for row in fitted.left_out) / sum(row.dots for row in fitted.left_out)
        ) ** 0.5
        console.print(
            f"  rows left out in turn are predicted within {mean:.1%} (rms); the worst, row {worst.row},"
            f" within {worst.rms:.1%}"
        )
    if able is not None:
        console.print(
            f"  capability against 50 to 150 % of the dose: mean {able.mean:.1%}, spread {able.sigma:.1%},"
            f" Cp {able.cp:.2f}, Cpk {able.cpk:.2f} ({able.cpk_low:.2f} to {able.cpk_high:.2f})"
        )
    for verdict in said:
        mark = "[yellow]change[/]" if verdict.grave else "[dim]note[/]"
        console.print(f"  {mark} {escape(verdict.words)}")


def _words(estimate: Estimate, fitted: Fitted) -> str:
    several = max((dot.sheet for dot in fitted.dots), default=0) > 0
    where = f", sheet {estimate.sheet + 1}" if estimate.sheet is not None and several else ""
    return estimate.constant.words + where


def _number(value: float, estimate: Estimate) -> str:
    unit = f" {estimate.constant.unit}" if estimate.constant.unit else ""
    return f"{value:.3g}{unit}"


def _json(
    fitted: Fitted, said: Sequence[TuneVerdict], able: Capability | None, entry: dict[str, object]
) -> str:
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
        "verdicts": [{"name": v.name, "words": v.words, "number": v.number, "grave": v.grave} for v in said],
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
        "entry": entry,
    }
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"

"""`dots.csv`: a sheet's measurements as a table, to a file and back.

Lines before the header begin with # and hold the sheet's name and the weighing.
"""

import csv
import io
import math
from pathlib import Path

from pastewright.problems import InputError, Problem, one_error
from pastewright.tune.photo.read import parse_weighed
from pastewright.tune.record.measurements import DotReading, DotState, Measurements
from pastewright.tune.sheet.model import Sheet

COLUMNS = (
    "index",
    "row",
    "column",
    "role",
    "dose_ul",
    "state",
    "why",
    "x_mm",
    "y_mm",
    "diameter_mm",
    "area_mm2",
    "sigma_mm",
    "aspect",
    "photos",
    "shared_sd",
)
_NUMBERS = ("x_mm", "y_mm", "diameter_mm", "area_mm2", "sigma_mm", "aspect")
_LAST = "shared_sd"  # older tables end before it
MOST_BYTES = 5_000_000


def dots_csv(sheet: Sheet, measurements: Measurements) -> str:
    """Return the table as text."""
    text = io.StringIO()
    text.write(f"# sheet: {measurements.sheet}\n")
    if measurements.weighed is not None:
        text.write(f"# weighed: {measurements.weighed.dots} dots = {measurements.weighed.mass_mg:g} mg\n")
    table = csv.writer(text, lineterminator="\n")
    table.writerow(COLUMNS)
    for dot, reading in zip(sheet.dots, measurements.readings, strict=True):
        numbers = [getattr(reading, name) for name in _NUMBERS]
        table.writerow(
            [
                dot.index,
                "" if dot.is_odd else dot.row,
                "" if dot.is_odd else dot.column,
                dot.role.value,
                f"{dot.dose_ul:.6g}",
                reading.state.value,
                reading.why,
                *("" if number is None else f"{number:.5f}" for number in numbers),
                reading.photos,
                "" if reading.shared_sd is None else f"{reading.shared_sd:.5f}",
            ]
        )
    return text.getvalue()


def read_dots_csv(path: Path) -> Measurements:
    """Read dots.csv; raises InputError with every faulty line. Facts of the photos are not in it."""
    file = str(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise one_error(f"the file is larger than {MOST_BYTES} bytes", file=file)
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise one_error(
            f"the table of dots cannot be read: {error.strerror}",
            "Give the dots.csv that `pastewright tune read` wrote.",
            file=file,
        ) from error
    except UnicodeDecodeError as error:
        raise one_error("this is not text", "Give the dots.csv of a sheet.", file=file) from error
    sheet, weighed = "", None
    start = next((place for place, line in enumerate(lines) if not line.startswith("#")), len(lines))
    for line in lines[:start]:
        if line.startswith("# sheet:"):
            sheet = line.partition(":")[2].strip()
        elif line.startswith("# weighed:"):
            weighed = parse_weighed(line.partition(":")[2])
    header = next(csv.reader(lines[start : start + 1]), [])
    absent = [name for name in ("index", "state", "diameter_mm", "sigma_mm") if name not in header]
    if absent:
        raise one_error(
            f"the table has no column {', '.join(absent)}",
            "Give the dots.csv that `pastewright tune read` wrote.",
            file=file,
            line=start + 1,
        )
    problems: list[Problem] = []
    readings: list[DotReading] = []
    for number, cells in enumerate(csv.reader(lines[start + 1 :]), start=start + 2):
        if not cells:
            continue
        try:
            readings.append(_reading(dict(zip(header, cells, strict=True))))
        except ValueError as error:
            problems.append(Problem(what=str(error), mend="Read the photos again.", file=file, line=number))
    if len({reading.index for reading in readings}) != len(readings):
        problems.append(
            Problem(what="two lines have the same index", mend="Read the photos again.", file=file)
        )
    if problems:
        raise InputError(problems)
    return Measurements(sheet=sheet, readings=tuple(readings), photos=(), weighed=weighed)


def _reading(row: dict[str, str]) -> DotReading:
    values = {name: _number(row.get(name, ""), name) for name in (*_NUMBERS, _LAST)}
    state = row["state"]
    if state not in set(DotState):
        raise ValueError(f"state is {state!r}, not one of {', '.join(DotState)}")
    diameter, sigma = values["diameter_mm"], values["sigma_mm"]
    measured = DotState(state) is DotState.MEASURED
    if measured and (diameter is None or diameter <= 0 or sigma is None or sigma < 0):
        raise ValueError("a measured dot needs a diameter above zero and its error")
    shared = values[_LAST]
    if shared is not None and not 0 <= shared < 1:
        raise ValueError(f"{_LAST} is {row[_LAST]!r}, not a share from 0 to 1")
    if not measured and diameter is not None:
        raise ValueError(f"a dot that is {state} has no diameter")
    return DotReading(
        index=_whole(row["index"], "index"),
        state=DotState(state),
        why=row.get("why", ""),
        photos=_whole(row.get("photos") or "1", "photos"),
        **values,
    )


def _number(text: str, name: str) -> float | None:
    if not text.strip():
        return None
    try:
        number = float(text)
    except ValueError:
        raise ValueError(f"{name} is {text!r}, not a number") from None
    if not math.isfinite(number):
        raise ValueError(f"{name} is {text!r}, not a number")
    return number


def _whole(text: str, name: str) -> int:
    if not text.strip().isdecimal():
        raise ValueError(f"{name} is {text!r}, not a whole number")
    return int(text)

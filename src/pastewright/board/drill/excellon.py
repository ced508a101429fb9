"""An Excellon or XNC drill file to `DrillFile`: holes and slots in mm, plated or not.

Two passes: the first takes the text apart into statements and gathers what is said of units and tools; the
second, once the number format is settled (`number_format`), walks the statements and drills. Written from
the XNC format specification and common practice of drill exports; the quirks met are named where handled.
"""

import re
from collections.abc import Iterable, Sequence
from pathlib import PurePosixPath

import numpy as np

from pastewright.board.artwork import Drill, DrillFile
from pastewright.board.drill.number_format import (
    NumberFormat,
    ToolRow,
    candidates,
)
from pastewright.board.drill.report import is_report_of, read_report
from pastewright.board.drill.scan import DrillScan, scanned
from pastewright.board.drill.walk import DrillWalk, ToolChange
from pastewright.board.source.files import SourceFile
from pastewright.board.source.sniff import HEAD_BYTES, FileKind, kind_of, text_of
from pastewright.near import NearPlaces
from pastewright.problems import InputError, Problem, Severity, one_error

_MEND_UNIT = "Export drills with METRIC or INCH in the header, or put the drill report beside the file."
_MEND_FORMAT = (
    "Export drills with decimal points or with the number format in the header, or put the drill report "
    "beside the file."
)
_REPORT_BYTES = 2**20
"""Drill reports are a page or two; more of a file is not looked at."""
_MIN_DIAMETER_MM, _MAX_DIAMETER_MM = 0.01, 60.0
"""No drill is thinner, no cutter of a board thicker (from memory: 0.05 mm is the thinnest sold)."""
_LARGEST_PANEL_MM = 650.0  # common practice: production panels end at 24 in, 610 mm
_SMALLEST_SPREAD_MM = 2.0
"""Holes of one board lie further apart than this in all, else the number format was misread."""


def read_excellon(data: bytes, file: str, *, companions: tuple[SourceFile, ...] = ()) -> DrillFile:
    """Return the holes and slots of an Excellon or XNC file [mm, file].

    `companions` are files beside it; reports among them are asked for a unit, number format or tool that
    the file lacks. Each routed segment and each chord of a routed arc is one slot. What had to be assumed
    is a warning in `problems`; raises `InputError` when the file cannot be read without guessing.
    """
    if kind_of(data[:HEAD_BYTES]) is FileKind.GERBER:
        mend = "Export the drills as Excellon, or say on the command line which layer this file is."
        raise one_error("is a Gerber file, not an Excellon drill file", mend, file=file)
    scan = scanned(text_of(data), file)
    if not scan.started:
        what = (
            "is empty"
            if not data.strip()
            else "is no Excellon drill file: neither header, tool nor hole in it"
        )
        raise one_error(what, "Export the drills again, or leave the file out.", file=file)
    _ask_companions(scan, companions)
    if scan.numbers and scan.stated.unit_mm is None:
        scan.say(Severity.ERROR, None, "says neither INCH nor METRIC, so sizes are unknown", _MEND_UNIT)
    for conflict in dict.fromkeys(scan.stated.conflicts):
        scan.say(Severity.ERROR, None, conflict, _MEND_FORMAT)
    _stop_on_errors(scan.problems)
    drills = _drilled(scan)
    if not scan.ended:
        scan.say(
            Severity.WARNING,
            None,
            "has no end of program (M30); it may have been cut short",
            "Compare the number of holes with the design.",
        )
    _stop_on_errors(scan.problems)
    return _drill_file(scan, drills)


def _stop_on_errors(problems: Iterable[Problem]) -> None:
    problems = tuple(problems)
    if any(problem.severity is Severity.ERROR for problem in problems):
        raise InputError(problems)


def _ask_companions(scan: DrillScan, companions: Sequence[SourceFile]) -> None:
    """Fill what is unsaid from reports beside the file; what was taken is a note, a disagreement a warning."""
    for number, row in scan.stated.tools.items():
        scan.tools.setdefault(number, row)
    used = {each.number for each in scan.statements if isinstance(each, ToolChange) and each.number}
    base = PurePosixPath(scan.file.replace("\\", "/")).name
    for companion in companions:
        if companion.ignored or not is_report_of(base, companion.base_name, companion.data[:HEAD_BYTES]):
            continue
        report = read_report(text_of(companion.data[:_REPORT_BYTES]), base)
        if scan.stated.decimal or all("." in text for text in scan.numbers):
            report.digits = report.zeros = None  # numbers with points need neither
        taken = scan.stated.fill_from(report)
        for number in sorted(used & report.tools.keys()):
            if number not in scan.tools:
                scan.tools[number] = report.tools[number]
                taken.append(f"tool T{number}")
            elif scan.tools[number].plated is None:
                scan.tools[number].plated = report.tools[number].plated
        if taken:
            scan.say(Severity.NOTE, None, f"takes {', '.join(taken)} from the report {companion.name}")


def _drilled(scan: DrillScan) -> list[Drill]:
    """Return the drills by the format that fits; problems go to the scan."""
    if not scan.numbers:
        return []
    tool_texts = [row.text for row in scan.tools.values() if not row.unit_mm]
    choice = candidates(scan.stated, scan.numbers, tool_texts)
    if not choice.formats:
        longest = max(len(text) for text in scan.numbers)
        scan.say(
            Severity.ERROR, None, f"has numbers of {longest} digits that fit no number format", _MEND_FORMAT
        )
        return []
    results = [(each, *_walked(scan, each)) for each in choice.formats]
    taken = results[0]
    if choice.assumed:
        fitting = [result for result in results if _plausible(result[1])]
        if len(results) > 1:
            if choice.customary and results[0] in fitting:
                taken = results[0]
            elif len(fitting) == 1:
                taken = fitting[0]
            else:
                names = "; ".join(str(result[0]) for result in (fitting or results)[:4])
                which = "several fit" if fitting else "none gives a plausible board"
                scan.say(Severity.ERROR, None, f"{choice.assumed}; {which}: {names}", _MEND_FORMAT)
                return []
        scan.say(
            Severity.WARNING,
            None,
            f"{choice.assumed}; read as {taken[0]}{_extent(taken[1])}",
            "Check that holes and pads meet in the picture. " + _MEND_FORMAT,
        )
    scan.problems.extend(taken[2])
    return taken[1]


def _walked(scan: DrillScan, number_format: NumberFormat) -> tuple[list[Drill], list[Problem]]:
    walk = DrillWalk(number_format, file=scan.file, incremental=scan.stated.incremental)
    walk.run(scan.statements)
    problems = list(walk.problems)
    sizes: dict[int, float] = {}  # by id of the row: rows stay alive in the scan
    without_size: set[int] = set()
    drills: list[Drill] = []
    for cut in walk.cuts:
        change = cut.tool
        if change is not None:
            row = change.row or scan.tools.get(change.number)
        else:
            row = next(iter(scan.tools.values())) if len(scan.tools) == 1 else None
        if row is None:
            key = -1 if change is None else change.number
            if key not in without_size:
                without_size.add(key)
                what = (
                    "drills before any tool is chosen" if change is None else f"tool T{key} has no diameter"
                )
                mend = "Export with a tool table in the header, or put the drill report beside the file."
                problems.append(Problem(what=what, mend=mend, file=scan.file, line=cut.line))
            continue
        if id(row) not in sizes:
            doubt, sizes[id(row)] = _diameter_mm(row, number_format, scan)
            if doubt:
                problems.append(doubt)
        drills.append(
            Drill(
                x_mm=cut.x_mm,
                y_mm=cut.y_mm,
                diameter_mm=sizes[id(row)],
                line=cut.line,
                slot_to_mm=cut.to,
                plated=row.plated,
            )
        )
    return drills, problems


def _diameter_mm(row: ToolRow, number_format: NumberFormat, scan: DrillScan) -> tuple[Problem | None, float]:
    """Return a tool's diameter [mm], and what is wrong or doubtful about it."""
    unit_mm = row.unit_mm or number_format.unit_mm
    size, problem = float(row.text) * unit_mm, None
    if "." not in row.text and not row.unit_mm and not 0.05 <= size <= 12.0:
        size = number_format.value_mm(row.text)
        what = f"tool diameter {row.text} has no point; read as {size:.4g} mm"
        problem = Problem(
            what=what, mend=_MEND_FORMAT, severity=Severity.WARNING, file=scan.file, line=row.line
        )
    if not _MIN_DIAMETER_MM <= size <= _MAX_DIAMETER_MM:
        what = (
            f"tool diameter is {size:.4g} mm; {_MIN_DIAMETER_MM} to {_MAX_DIAMETER_MM:.0f} mm can be drilled"
        )
        mend = "Check the units of the tool table."
        return Problem(what=what, mend=mend, file=scan.file, line=row.line), max(size, 0.0)
    return problem, size


def _ends(drills: Sequence[Drill]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return the places of all holes and both ends of all slots: N×2, mm."""
    starts = [(drill.x_mm, drill.y_mm) for drill in drills]
    return np.array(starts + [drill.slot_to_mm for drill in drills if drill.slot_to_mm is not None])


def _extent(drills: Sequence[Drill]) -> str:
    if not drills:
        return ""
    ends = _ends(drills)
    (x0, y0), (x1, y1) = ends.min(axis=0), ends.max(axis=0)
    return f": holes from ({x0:.2f}, {y0:.2f}) to ({x1:.2f}, {y1:.2f}) mm"


def _plausible(drills: Sequence[Drill]) -> bool:
    """Return whether the holes could be a board's: of its size, and not on top of one another."""
    if not drills:
        return False
    ends = _ends(drills)
    spread = float(np.ptp(ends, axis=0).max())
    if np.abs(ends).max() > 3 * _LARGEST_PANEL_MM or spread > _LARGEST_PANEL_MM:
        return False
    holes = [drill for drill in drills if drill.slot_to_mm is None]
    if len(holes) < 2:
        return True
    if spread < _SMALLEST_SPREAD_MM:
        return False
    centres = np.unique(np.array([(hole.x_mm, hole.y_mm) for hole in holes]), axis=0)
    if len(centres) < 2:
        return True
    gaps = NearPlaces(centres).some(centres, 2)[0][:, 1]
    smallest = min(hole.diameter_mm for hole in holes)
    return float(np.mean(gaps < smallest)) < 0.05


_PLATED_NAME = re.compile(
    r"(?<![a-z])(n(?:on)?[-_ ]?pth|npt|non[-_ ]?plated?|unplated|(pth|plated|(?:blind|buried|micro)?[-_ ]?vias?))(?![a-z])",
    re.I,
)


def _drill_file(scan: DrillScan, drills: list[Drill]) -> DrillFile:
    """Return the file as a value; each drill's plating from its tool, else from the file."""
    function = scan.attributes.get("FileFunction", ("",))[0].lower()
    whole: bool | None = {"plated": True, "nonplated": False}.get(function)
    if whole is None and function != "mixedplating":
        match = _PLATED_NAME.search(PurePosixPath(scan.file.replace("\\", "/")).name)
        whole = None if match is None else match[2] is not None
    settled = tuple(
        drill if drill.plated is not None or whole is None else _with_plating(drill, whole)
        for drill in drills
    )
    kinds = {drill.plated for drill in settled}
    return DrillFile(
        file=scan.file,
        drills=settled,
        plated=kinds.pop() if len(kinds) == 1 else None if kinds else whole,
        attributes=scan.attributes,
        problems=tuple(scan.problems),
    )


def _with_plating(drill: Drill, plated: bool) -> Drill:
    return Drill(
        x_mm=drill.x_mm,
        y_mm=drill.y_mm,
        diameter_mm=drill.diameter_mm,
        line=drill.line,
        slot_to_mm=drill.slot_to_mm,
        plated=plated,
    )

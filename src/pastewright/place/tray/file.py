"""Text of a tray file to a `Tray`, or to every problem in it at once; checked as the profile is, by a key table.

    [grid]                      boards named "1", "2", … row by row from the lower left
    columns = 3
    rows = 2
    pitch_x_mm = 60.0
    pitch_y_mm = 48.0

    [[board]]                   another board, or with the name of one of the grid a change to it
    name = "5"
    bad = true

All keys with their meaning stand in `keys.toml` beside this file.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pastewright.board.model import Point
from pastewright.place.fiducials.points import FoundPoint, numbers_of, point_of_data, probe_of_data
from pastewright.place.height.heights import Probe
from pastewright.place.transform import Pair, Wipe
from pastewright.problems import InputError, Problem
from pastewright.profile.keys import sections_of
from pastewright.profile.read import opened, toml_text
from pastewright.profile.values import Table, Values, WrongValueError

MOST_BOARDS = 200
"""More boards than any panel has; own choice, so that a typing error cannot ask for a million."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayBoard:
    """One place of the tray. `at_mm` is the lower left corner of the turned board's box [tray]."""

    name: str
    at_mm: Point
    turn_deg: float = 0.0
    bad: bool = False
    fiducials: tuple[FoundPoint, ...] = ()
    probes: tuple[Probe, ...] = ()
    line: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tray:
    """A tray as its file has it. `at_mm` is where its corner lies [machine], None for the bed's corner."""

    file: str
    boards: tuple[TrayBoard, ...]
    at_mm: Point | None = None
    turn_deg: float = 0.0
    fiducials: tuple[Pair, ...] = ()
    probes: tuple[Probe, ...] = ()
    each: bool = False
    settle: bool = False
    strip_step_mm: float = 2.0
    wipe: Wipe | None = None


def read_tray(path: Path) -> Tray:
    """Return the tray of a TOML file; InputError gathers what is wrong with it."""
    give = "Give a TOML file; see docs/placement.md."
    return parse_tray(toml_text(path, "tray file", give, "Check the name."), str(path))


def parse_tray(text: str, file: str) -> Tray:
    """Return the tray in `text`; `file` is the name that messages carry."""
    document, reader = opened(text, file, sections_of("pastewright.place.tray"))
    tables, rows = reader.tables(document), reader.rows(document, "board")
    tray = _TrayReader(Values(file=file, tables=tables, rules=rows), document, reader.problems).tray()
    if reader.problems:
        raise InputError(sorted(reader.problems, key=lambda problem: problem.line or 0))
    return tray


class _TrayReader:
    """Goes through the checked tables of one tray and adds what they say to `problems`; what was wrong counts as 0."""

    def __init__(self, values: Values, document: Mapping[str, Any], problems: list[Problem]) -> None:
        self.values = values
        self.document = document
        self.problems = problems

    def tray(self) -> Tray:
        top, about = self.values[""], self.values["tray"]
        boards = self._boards()
        at = None
        if about.given & {"x_mm", "y_mm"}:
            at = (self._number(about, "x_mm"), self._number(about, "y_mm"))
        tray = Tray(
            file=self.values.file,
            boards=boards,
            at_mm=at,
            turn_deg=self._number(about, "turn_deg"),
            fiducials=self._tray_fiducials(about),
            probes=self._probes(about),
            each=top.values.get("programs") == "each",
            settle=top.values.get("settle") is True,
            strip_step_mm=self._number(top, "strip_step_mm"),
            wipe=self._wipe(),
        )
        if not self.problems and not boards:
            self._add(top, "", "there is no board in this tray", "Write [grid] or [[board]].")
        return tray

    def _boards(self) -> tuple[TrayBoard, ...]:
        found = {board.name: board for board in self._grid()}
        seen: set[str] = set()
        for row in self.values.rules:
            if row.given & {"name"} and "name" not in row.values:
                continue
            name = row.values["name"] or str(len(found) + 1)
            if not isinstance(name, str) or "/" in name:
                self._add(row, "name", f"name is {name!r}", "A board's name is text without a slash.")
                continue
            if name in seen:
                self._add(row, "name", f"there are two boards {name}", "Give each another name.")
            seen.add(name)
            old = found.get(name)
            found[name] = TrayBoard(
                name=name,
                at_mm=(
                    self._number(row, "x_mm", None if old is None else old.at_mm[0]),
                    self._number(row, "y_mm", None if old is None else old.at_mm[1]),
                ),
                turn_deg=self._number(row, "turn_deg", 0.0 if old is None else old.turn_deg),
                bad=row.values.get("bad") is True,
                fiducials=tuple(self._fiducials(row)),
                probes=self._probes(row),
                line=row.lines[""],
            )
        if len(found) > MOST_BOARDS:
            what = f"{len(found)} boards are too many"
            self._add(self.values[""], "", what, f"A tray has {MOST_BOARDS} at most.")
        return tuple(found.values())

    def _grid(self) -> list[TrayBoard]:
        if "grid" not in self.document:
            return []
        grid = self.values["grid"]
        columns, rows = (int(self._number(grid, name)) for name in ("columns", "rows"))
        if columns * rows > MOST_BOARDS:
            what = f"{columns * rows} boards are too many"
            self._add(grid, "", what, f"A tray has {MOST_BOARDS} at most.")
            return []
        dx = self._number(grid, "pitch_x_mm", 0.0 if columns == 1 else None)
        dy = self._number(grid, "pitch_y_mm", 0.0 if rows == 1 else None)
        x, y, turn = (self._number(grid, name) for name in ("x_mm", "y_mm", "turn_deg"))
        return [
            TrayBoard(
                name=str(row * columns + column + 1),
                at_mm=(x + column * dx, y + row * dy),
                turn_deg=turn,
                line=grid.lines[""],
            )
            for row in range(rows)
            for column in range(columns)
        ]

    def _fiducials(self, row: Table) -> Iterator[FoundPoint]:
        for one in self._tables(row):
            point = point_of_data(
                one, file=self.values.file, line=row.lines["fiducials"], problems=self.problems
            )
            if point is not None:
                yield point

    def _tray_fiducials(self, about: Table) -> tuple[Pair, ...]:
        pairs = []
        for k, one in enumerate(self._tables(about), start=1):
            at, found = numbers_of(one.get("at_mm"), 2), numbers_of(one.get("found_mm"), 2)
            if at is None or found is None:
                mend = "For example { at_mm = [0.0, 0.0], found_mm = [30.1, 30.0] }"
                what = "a tray's fiducial needs at_mm = [x, y] and found_mm = [x, y]"
                self._add(about, "fiducials", what, mend)
                continue
            name = one.get("name", f"T{k}")
            pairs.append(Pair(name=str(name), from_mm=(at[0], at[1]), to_mm=(found[0], found[1])))
        return tuple(pairs)

    def _tables(self, row: Table) -> list[Mapping[str, Any]]:
        """The tables in the list of fiducials of a section."""
        found = self._list(row, "fiducials")
        if all(isinstance(one, Mapping) for one in found):
            return list(found)
        self._add(row, "fiducials", "fiducials is no list of { … }", "See docs/placement.md.")
        return []

    def _probes(self, row: Table) -> tuple[Probe, ...]:
        file, line = self.values.file, row.lines["probes"]
        probes = [
            probe_of_data(one, file=file, line=line, problems=self.problems)
            for one in self._list(row, "probes")
        ]
        return tuple(probe for probe in probes if probe is not None)

    def _wipe(self) -> Wipe | None:
        if "wipe" not in self.document:
            return None
        wipe = self.values["wipe"]
        start, end = (self._list(wipe, name) for name in ("from_mm", "to_mm"))
        z_mm, strokes = self._number(wipe, "z_mm"), self._number(wipe, "strokes")
        if not start or not end or start == end:
            self._add(wipe, "", "a wipe needs from_mm = [x, y] and another to_mm = [x, y]", "")
            return None
        return Wipe(from_mm=start, to_mm=end, z_mm=z_mm, strokes=int(strokes))

    # ---- values that may have been wrong: told already, so they count as nothing here

    def _number(self, table: Table, name: str, default: float | None = None) -> float:
        try:
            value = table.maybe_number(name)
        except WrongValueError:
            return 0.0
        value = default if value is None else value
        if value is None:
            self._add(table, name, f"{name} is missing", f"Write {name} = a number.")
            return 0.0
        return value

    def _list(self, table: Table, name: str) -> tuple[Any, ...]:
        try:
            return table.maybe_tuple(name) or ()
        except WrongValueError:
            return ()

    def _add(self, table: Table, name: str, what: str, mend: str) -> None:
        self.problems.append(self.values.problem(table, name, what, mend))

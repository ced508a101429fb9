"""A tray file to the placements of its boards: step and repeat, turned copies, any list of places, bad ones skipped.

programs = "one"            # one program for the tray, or "each": one for each board
settle = true               # a settling strip before each board, not only the first
strip_step_mm = 2.0         # how far one strip lies from the next, in Y

[tray]                      # where the tray's own corner lies, if no fiducials say it
x_mm = 30.0
y_mm = 30.0
turn_deg = 0.0
fiducials = [{ at_mm = [0.0, 0.0], found_mm = [30.1, 30.0] }, …]
probes = [[x, y, z], …]     # heights of the whole panel [machine]

[grid]                      # boards named "1", "2", … row by row from the lower left
columns = 3
rows = 2
pitch_x_mm = 60.0
pitch_y_mm = 48.0

[[board]]                   # another board, or with the name of one of the grid a change to it
name = "5"
x_mm = 60.0                 # lower left corner of the (turned) board's box, in tray coordinates
y_mm = 48.0
turn_deg = 180.0
bad = false
fiducials = [{ name = "F1", found_mm = [103.1, 53.4] }, …]     # its own; then the tray's do not count
probes = [[x, y, z], …]

[wipe]
from_mm = [10.0, 60.0]
to_mm = [10.0, 80.0]
z_mm = 1.8
strokes = 2
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isfinite
from pathlib import Path
from re import search
from typing import Any

from shapely.geometry import Polygon

from pastewright.board.model import Board, Point
from pastewright.place.fiducials.points import (
    FoundPoint,
    board_places,
    numbers_of,
    pairs_of,
    point_of_data,
    probe_of_data,
)
from pastewright.place.fiducials.register import DEFAULT_LIMITS, Limits, Registration, register
from pastewright.place.height.heights import Heights, Probe, TipTolerance, box_of, measured_heights
from pastewright.place.surface import Surface, flat
from pastewright.place.transform import (
    Affine,
    Pair,
    Placement,
    Placements,
    Step,
    Wipe,
    affine,
    corners_mm,
    turned_into_place,
)
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.lines import key_lines
from pastewright.profile.model import Bed

MOST_BYTES = 2_000_000
MOST_BOARDS = 200
# Boards may overlap by rounding, not by more [mm²].
OVERLAP_MM2 = 0.5
TOP_KEYS = {"programs", "settle", "strip_step_mm", "tray", "grid", "board", "wipe", "name"}
TRAY_KEYS = {"x_mm", "y_mm", "turn_deg", "fiducials", "probes"}
GRID_KEYS = {"columns", "rows", "pitch_x_mm", "pitch_y_mm", "x_mm", "y_mm", "turn_deg"}
BOARD_KEYS = {"name", "x_mm", "y_mm", "turn_deg", "bad", "fiducials", "probes"}
WIPE_KEYS = {"from_mm", "to_mm", "z_mm", "strokes"}


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedTray:
    """The boards to paste, the corners of those skipped by name [mm, machine], and how well each was found."""

    placements: Placements
    skipped: Mapping[str, tuple[Point, ...]]
    registrations: Mapping[str, Registration]
    heights: Mapping[str, Heights]
    warnings: tuple[str, ...] = ()


def read_tray(path: Path) -> Tray:
    """Return the tray of a TOML file; InputError gathers what is wrong with it."""
    try:
        if path.is_dir() or path.stat().st_size > MOST_BYTES:
            raise one_error(
                "this is not a tray file", "Give a TOML file; see docs/placement.md.", file=str(path)
            )
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise one_error(
            "this is not text", "Give a TOML file; see docs/placement.md.", file=str(path)
        ) from None
    except OSError as error:
        raise one_error(
            f"the tray cannot be read: {error.strerror or error}", "Check the name.", file=str(path)
        ) from None
    return parse_tray(text, str(path))


def parse_tray(text: str, file: str) -> Tray:
    """Return the tray in a text."""
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        line = search(r"line (\d+)", str(error))
        raise one_error(
            f"not valid TOML: {error}", "", file=file, line=int(line.group(1)) if line else None
        ) from None
    return _Reader(document, text, file).tray()


class _Reader:
    """Goes through a tray document and gathers problems; one reader reads one file."""

    def __init__(self, document: Mapping[str, Any], text: str, file: str) -> None:
        self.document = document
        self.file = file
        self.lines = key_lines(text)
        self.problems: list[Problem] = []

    def tray(self) -> Tray:
        self._unknown(self.document, TOP_KEYS)
        about = self._table("tray", TRAY_KEYS)
        boards = self._boards()
        programs = self.document.get("programs", "one")
        if programs not in ("one", "each"):
            self._add(
                f"programs is {programs!r}",
                'Write "one" (for the tray) or "each" (for each board).',
                "programs",
            )
        at = None
        if "x_mm" in about or "y_mm" in about:
            at = (self._number(about, "x_mm", "tray"), self._number(about, "y_mm", "tray"))
        tray = Tray(
            file=self.file,
            boards=boards,
            at_mm=at,
            turn_deg=self._number(about, "turn_deg", "tray", default=0.0),
            fiducials=self._panel_fiducials(about),
            probes=self._probes(about, "tray"),
            each=programs == "each",
            settle=self._flag(self.document, "settle"),
            strip_step_mm=self._number(self.document, "strip_step_mm", default=2.0),
            wipe=self._wipe(),
        )
        if not self.problems and not boards:
            self._add("there is no board in this tray", "Write [grid] or [[board]].")
        if self.problems:
            raise InputError(sorted(self.problems, key=lambda problem: problem.line or 0))
        return tray

    def _boards(self) -> tuple[TrayBoard, ...]:
        found: dict[str, TrayBoard] = {board.name: board for board in self._grid()}
        rows = self.document.get("board", [])
        if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
            self._add("board is no list of tables", "Write each as [[board]].", "board")
            return tuple(found.values())
        seen: set[str] = set()
        for number, row in enumerate(rows):
            self._unknown(row, BOARD_KEYS, "board", number)
            name = row.get("name", str(len(found) + 1))
            if not isinstance(name, str) or not name or "/" in name:
                self._add(f"name is {name!r}", "A board's name is text without a slash.", "board", number)
                continue
            if name in seen:
                self._add(f"there are two boards {name}", "Give each another name.", "board", number)
            seen.add(name)
            old = found.get(name)
            x = self._number(row, "x_mm", "board", number, default=None if old is None else old.at_mm[0])
            y = self._number(row, "y_mm", "board", number, default=None if old is None else old.at_mm[1])
            turn = 0.0 if old is None else old.turn_deg
            found[name] = TrayBoard(
                name=name,
                at_mm=(x, y),
                turn_deg=self._number(row, "turn_deg", "board", number, default=turn),
                bad=self._flag(row, "bad", "board", number),
                fiducials=self._fiducials(row, number),
                probes=self._probes(row, "board", number),
                line=self._line("board", number),
            )
        if len(found) > MOST_BOARDS:
            self._add(f"{len(found)} boards are too many", f"A tray has {MOST_BOARDS} at most.")
        return tuple(found.values())

    def _grid(self) -> list[TrayBoard]:
        if "grid" not in self.document:
            return []
        grid = self._table("grid", GRID_KEYS)
        counts = [grid.get("columns"), grid.get("rows")]
        if not all(isinstance(c, int) and not isinstance(c, bool) and 0 < c <= MOST_BOARDS for c in counts):
            self._add("columns and rows must be whole numbers above zero", "For example columns = 3.", "grid")
            return []
        columns, rows = int(grid["columns"]), int(grid["rows"])
        if columns * rows > MOST_BOARDS:
            self._add(f"{columns * rows} boards are too many", f"A tray has {MOST_BOARDS} at most.", "grid")
            return []
        dx = self._number(grid, "pitch_x_mm", "grid", default=0.0 if columns == 1 else None)
        dy = self._number(grid, "pitch_y_mm", "grid", default=0.0 if rows == 1 else None)
        x, y = (self._number(grid, key, "grid", default=0.0) for key in ("x_mm", "y_mm"))
        turn = self._number(grid, "turn_deg", "grid", default=0.0)
        return [
            TrayBoard(
                name=str(row * columns + column + 1),
                at_mm=(x + column * dx, y + row * dy),
                turn_deg=turn,
                line=self._line("grid"),
            )
            for row in range(rows)
            for column in range(columns)
        ]

    def _fiducials(self, row: Mapping[str, Any], number: int) -> tuple[FoundPoint, ...]:
        found = []
        for one in self._list(row, "fiducials", "board", number):
            point = point_of_data(
                one, file=self.file, line=self._line("board", number, "fiducials"), problems=self.problems
            )
            if point is not None:
                found.append(point)
        return tuple(found)

    def _panel_fiducials(self, about: Mapping[str, Any]) -> tuple[Pair, ...]:
        pairs = []
        for k, one in enumerate(self._list(about, "fiducials", "tray"), start=1):
            at, found = numbers_of(one.get("at_mm"), 2), numbers_of(one.get("found_mm"), 2)
            if at is None or found is None:
                mend = "For example { at_mm = [0.0, 0.0], found_mm = [30.1, 30.0] }"
                self._add(
                    "a tray's fiducial needs at_mm = [x, y] and found_mm = [x, y]", mend, "tray", "fiducials"
                )
                continue
            name = one.get("name", f"T{k}")
            pairs.append(Pair(name=str(name), from_mm=(at[0], at[1]), to_mm=(found[0], found[1])))
        return tuple(pairs)

    def _list(self, row: Mapping[str, Any], key: str, *path: str | int) -> list[Mapping[str, Any]]:
        rows = row.get(key, [])
        if isinstance(rows, list) and all(isinstance(one, Mapping) for one in rows):
            return rows
        self._add(f"{key} is no list of {{ … }}", "See docs/placement.md.", *path, key)
        return []

    def _probes(self, row: Mapping[str, Any], *path: str | int) -> tuple[Probe, ...]:
        values = row.get("probes", [])
        if not isinstance(values, list):
            self._add("probes is no list", "Write probes = [[x, y, z], …].", *path, "probes")
            return ()
        line = self._line(*path, "probes")
        probes = [probe_of_data(value, file=self.file, line=line, problems=self.problems) for value in values]
        return tuple(probe for probe in probes if probe is not None)

    def _wipe(self) -> Wipe | None:
        if "wipe" not in self.document:
            return None
        data = self._table("wipe", WIPE_KEYS)
        start, end = numbers_of(data.get("from_mm"), 2), numbers_of(data.get("to_mm"), 2)
        strokes = data.get("strokes", 1)
        if start is None or end is None or start == end:
            self._add("a wipe needs from_mm = [x, y] and another to_mm = [x, y]", "", "wipe")
            return None
        if not isinstance(strokes, int) or isinstance(strokes, bool) or not 1 <= strokes <= 100:
            self._add(f"strokes is {strokes!r}; it must be 1 to 100", "", "wipe", "strokes")
            strokes = 1
        z = self._number(data, "z_mm", "wipe")
        return Wipe(from_mm=(start[0], start[1]), to_mm=(end[0], end[1]), z_mm=z, strokes=strokes)

    def _table(self, name: str, keys: set[str]) -> Mapping[str, Any]:
        found = self.document.get(name, {})
        if not isinstance(found, Mapping):
            self._add(f"{name} is no table", f"Write [{name}] on a line of its own.", name)
            return {}
        self._unknown(found, keys, name)
        return found

    def _number(
        self, row: Mapping[str, Any], key: str, *path: str | int, default: float | None = None
    ) -> float:
        value = row.get(key, default)
        good = isinstance(value, int | float) and not isinstance(value, bool)
        if not good or not isfinite(value) or abs(value) > 1e5:
            what = f"{key} is missing" if value is None else f"{key} is {value!r}, not a length or angle"
            self._add(what, f"Write {key} = a number.", *path, key)
            return 0.0
        return float(value)

    def _flag(self, row: Mapping[str, Any], key: str, *path: str | int) -> bool:
        value = row.get(key, False)
        if not isinstance(value, bool):
            self._add(f"{key} is {value!r}", "Write true or false.", *path, key)
        return value is True

    def _unknown(self, row: Mapping[str, Any], keys: set[str], *path: str | int) -> None:
        for key in row:
            if key not in keys:
                self._add(f"{key} is not known here", f"There are: {', '.join(sorted(keys))}.", *path, key)

    def _line(self, *path: str | int) -> int | None:
        return next((self.lines[path[:k]] for k in range(len(path), 0, -1) if path[:k] in self.lines), None)

    def _add(self, what: str, mend: str, *path: str | int) -> None:
        self.problems.append(Problem(what=what, mend=mend, file=self.file, line=self._line(*path)))


def place_tray(
    tray: Tray, board: Board, *, bed: Bed, tip: TipTolerance, limits: Limits = DEFAULT_LIMITS
) -> PlacedTray:
    """Return where every good board of the tray lies.

    A board with fiducials of its own is where they were found; the others are where the tray's fiducials, or its
    corner, put them. Probes of a board count before those of the tray. Raises `InputError` with the reasons.
    """
    registrations: dict[str, Registration] = {}
    heights: dict[str, Heights] = {}
    tray_step = _tray_step(tray, board, bed, limits, registrations)
    good = [one for one in tray.boards if not one.bad]
    if not good:
        raise one_error("every board of this tray is marked bad", "Nothing is to be pasted.", file=tray.file)
    maps = {one.name: _steps(one, tray, tray_step, board, limits, registrations) for one in good}
    corners = {name: corners_mm(board.size_mm, _composed(steps)) for name, steps in maps.items()}
    _apart(corners, tray)
    panel = None
    if tray.probes:
        every = [tuple(corner) for four in corners.values() for corner in four.tolist()]
        panel = measured_heights(tray.probes, box_mm=box_of(every), tip=tip, file=tray.file)
        heights["tray"] = panel
    placed = []
    warnings = [f"{name}: {words}" for name, found in registrations.items() for words in found.warnings]
    warnings += [f"{name}: {words}" for name, probed in heights.items() for words in probed.warnings]
    for one in good:
        surface: Surface = flat(bed.board_z_mm)
        if one.probes:
            own = measured_heights(one.probes, box_mm=box_of(corners[one.name]), tip=tip, file=tray.file)
            heights[one.name], surface = own, own.surface
            warnings.extend(f"board {one.name}: {words}" for words in own.warnings)
        elif panel is not None:
            surface = panel.surface
        placed.append(Placement(name=one.name, steps=maps[one.name], surface=surface))
    return PlacedTray(
        placements=Placements(
            boards=tuple(placed), settle=tray.settle, strip_step_mm=tray.strip_step_mm, wipe=tray.wipe
        ),
        skipped={one.name: _corners(one, tray_step, board) for one in tray.boards if one.bad},
        registrations=registrations,
        heights=heights,
        warnings=tuple(warnings),
    )


def _tray_step(
    tray: Tray, board: Board, bed: Bed, limits: Limits, registrations: dict[str, Registration]
) -> Step:
    if not tray.fiducials:
        x, y = tray.at_mm or (bed.board_x_mm, bed.board_y_mm)
        return Step(what="tray on the bed", affine=affine(turn_deg=tray.turn_deg, shift_mm=(x, y)))
    # The error that counts is that at the far corners of the boards.
    far = [
        (f"corner {k} of board {one.name}", (float(x), float(y)))
        for one in tray.boards
        if not one.bad
        for k, (x, y) in enumerate(
            corners_mm(
                board.size_mm, turned_into_place(board.size_mm, turn_deg=one.turn_deg, at_mm=one.at_mm)
            ),
            1,
        )
    ]
    found = register(
        tray.fiducials, pads=far, limits=replace(limits, turned_deg=tray.turn_deg), file=tray.file
    )
    registrations["tray"] = found
    return found.step("tray's fiducials")


def _steps(
    one: TrayBoard,
    tray: Tray,
    tray_step: Step,
    board: Board,
    limits: Limits,
    registrations: dict[str, Registration],
) -> tuple[Step, ...]:
    on_tray = Step(
        what="place in the tray",
        affine=turned_into_place(board.size_mm, turn_deg=one.turn_deg, at_mm=one.at_mm),
    )
    if not one.fiducials:
        return on_tray, tray_step
    expected = on_tray.affine.then(tray_step.affine)
    pads = [
        (pad.id, (float(pad.land.centroid.x), float(pad.land.centroid.y)))
        for pad in board.pads
        if pad.apertures
    ]
    try:
        found = register(
            pairs_of(one.fiducials, board_places(board)),
            pads=pads,
            limits=replace(limits, turned_deg=expected.turn_deg),
            file=tray.file,
        )
    except InputError as error:
        raise InputError(
            replace(problem, what=f"board {one.name}: {problem.what}", line=problem.line or one.line)
            for problem in error.problems
        ) from None
    registrations[f"board {one.name}"] = found
    return (found.step("fiducials of the board"),)


def _corners(one: TrayBoard, tray_step: Step, board: Board) -> tuple[Point, ...]:
    place = turned_into_place(board.size_mm, turn_deg=one.turn_deg, at_mm=one.at_mm)
    return tuple((float(x), float(y)) for x, y in corners_mm(board.size_mm, place.then(tray_step.affine)))


def _composed(steps: Sequence[Step]) -> Affine:
    whole = Affine()
    for step in steps:
        whole = whole.then(step.affine)
    return whole


def _apart(corners: Mapping[str, Any], tray: Tray) -> None:
    problems = []
    lines = {one.name: one.line for one in tray.boards}
    shapes = {name: Polygon(four) for name, four in corners.items()}
    for (name, shape), (other, other_shape) in combinations(shapes.items(), 2):
        if shape.intersects(other_shape) and shape.intersection(other_shape).area > OVERLAP_MM2:
            problems.append(
                Problem(
                    what=f"boards {name} and {other} lie on top of each other by"
                    f" {shape.intersection(other_shape).area:.1f} mm²",
                    mend="Mend their places, the pitch, or the points they were found by.",
                    file=tray.file,
                    line=lines[other],
                )
            )
    if problems:
        raise InputError(problems[:20])

"""Statements of a drill file to holes and slots [mm]: modes, moves, arcs and repeats, as a machine would run them.

Nothing here knows of headers, units or tool tables: those are `excellon`'s and `number_format`'s.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum, auto

from pastewright.board.drill.number_format import NumberFormat, ToolRow
from pastewright.board.model import Point
from pastewright.problems import Problem, Severity

MAX_CUTS = 500_000
"""Holes and cuts of one file; panels have some ten thousand (common practice)."""
MAX_COORDINATE_MM = 10_000.0
"""Far beyond any panel (610 mm, common practice): the number format was misread."""
MAX_PROBLEMS = 50
"""Told one by one: what fits a screen."""
_CHORD_ERROR_MM = 0.01  # a slot's side may be off by this; ten times finer than routers place it
_ARC_MISMATCH_MM = (
    0.05  # how far an arc's end may be off its circle: four-digit rounding in inch and then some
)


@dataclass(frozen=True, slots=True)
class ToolChange:
    """T with a number; `row` is the tool as it was defined at this place, None when it was not yet."""

    line: int
    number: int
    row: ToolRow | None


@dataclass(frozen=True, slots=True)
class Statement:
    """One line of the body as letters with their numbers' texts, in order."""

    line: int
    words: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Cut:
    """A hole, or a slot to `to` [mm, file], and the tool that makes it."""

    x_mm: float
    y_mm: float
    line: int
    tool: ToolChange | None
    to: Point | None = None


class _Mode(Enum):
    DRILL = auto()
    MOVE = auto()
    LINE = auto()
    ARC_CW = auto()
    ARC_CCW = auto()


# G words that change nothing about where holes are.
_IDLE_G = {4, 7, 8, 9, 40, 80}
_CANNED_G = {32: "a routed circle", 33: "a routed circle", 82: "a row of holes", 83: "a row of holes",
             84: "a circle of holes", 86: "a canned cycle", 87: "a slot by steps"}  # fmt: skip
# Drilling by camera, which moves no hole.
_VISION_G = {34, 35, 36, 37, 38, 39}
_ROUT_MODES = {0: _Mode.MOVE, 1: _Mode.LINE, 2: _Mode.ARC_CW, 3: _Mode.ARC_CCW}


class DrillWalk:
    """One run over the statements. `cuts` and `problems` are the result; `run` is called once."""

    def __init__(self, number_format: NumberFormat, *, file: str, incremental: bool) -> None:
        self.cuts: list[Cut] = []
        self.problems: list[Problem] = []
        self.ended = False
        self._format = number_format
        self._file = file
        self._incremental = incremental
        self._x = self._y = 0.0
        self._origin = (0.0, 0.0)
        self._mode = _Mode.DRILL
        self._down = False
        self._plunged_line: int | None = None
        self._tool: ToolChange | None = None
        self._pattern: _Pattern | None = None
        self._said: set[str] = set()
        self._plunges = False
        self._stop_ends = True

    def run(self, statements: Sequence[Statement | ToolChange]) -> None:
        """Drill all statements up to the end of the program."""
        self._plunges = any(isinstance(each, Statement) and ("M", "15") in each.words for each in statements)
        last = max((n for n, each in enumerate(statements) if _goes(each)), default=-1)
        for number, statement in enumerate(statements):
            # M00 is the end on old machines, and a stop for the operator on others: then there is more to drill.
            self._stop_ends = number >= last
            if isinstance(statement, ToolChange):
                self._tool_up()
                self._tool = statement if statement.number else None
                continue
            self._step(statement)
            if self.ended:
                break
            if len(self.cuts) > MAX_CUTS:
                self._wrong(statement.line, f"makes more than {MAX_CUTS} holes", "Check the repeats.")
            if len(self.problems) >= MAX_PROBLEMS:
                self._say(Severity.ERROR, statement.line, "has too many problems; reading stops here", "")
                break
        self._tool_up()
        if self._pattern is not None and self._pattern.end is None:
            self._say(Severity.WARNING, self._pattern.line, "a pattern (M25) starts and never ends", "")

    def _say(self, severity: Severity, line: int, what: str, mend: str) -> None:
        self.problems.append(Problem(what=what, mend=mend, severity=severity, file=self._file, line=line))

    def _wrong(self, line: int, what: str, mend: str) -> None:
        self._say(Severity.ERROR, line, what, mend)

    def _say_once(self, line: int, what: str, mend: str) -> None:
        if what not in self._said:
            self._said.add(what)
            self._say(Severity.WARNING, line, what, mend)

    def _step(self, statement: Statement) -> None:
        """Carry out one line."""
        words, line = statement.words, statement.line
        if words[0][0] == "R" and words[0][1].isdigit():
            self._repeat(int(words[0][1][:9]), words[1:], line)
            return
        splits = [i for i, (letter, text) in enumerate(words) if letter == "G" and text.lstrip("0") == "85"]
        if splits:
            self._slot(words[: splits[0]], words[splits[0] + 1 :], line)
            return
        letters = dict(words)
        moves = "X" in letters or "Y" in letters
        for letter, text in words:
            if letter == "G":
                moves = self._g_word(_code(text), letters, line) and moves
            elif letter == "M":
                moves = self._m_word(_code(text), letters, line) and moves
            if self.ended:
                return
        if moves:
            self._go(letters, line)

    def _g_word(self, code: int, letters: dict[str, str], line: int) -> bool:
        """Set a mode; return whether coordinates of the line are still to be gone to."""
        if code in _ROUT_MODES:
            if self._mode is _Mode.DRILL:
                self._down = False
            self._mode = _ROUT_MODES[code]
        elif code in (5, 81):
            self._tool_up()
            self._mode = _Mode.DRILL
        elif code in (90, 91):
            self._incremental = code == 91
        elif code in (92, 93):
            x, y = self._value(letters, "X", line) or 0.0, self._value(letters, "Y", line) or 0.0
            self._origin = (self._origin[0] + x, self._origin[1] + y)
            if x or y:
                self._say_once(line, "moves its origin (G93); holes are shifted by it", "Check the picture.")
            return False
        elif code in (41, 42):
            self._say_once(
                line,
                "asks for cutter compensation (G41/G42), which is not applied; routed slots are taken at their middle",
                "Export slots without cutter compensation.",
            )
        elif code in _CANNED_G:
            self._wrong(
                line, f"uses G{code:02d}, {_CANNED_G[code]}, which is not read", "Export holes one by one."
            )
            return False
        elif code in _VISION_G:
            return False
        elif code not in _IDLE_G:
            self._say_once(
                line, f"uses G{code:02d}, which is not known; it is passed over", "Check the picture."
            )
        return code != 4

    def _m_word(self, code: int, letters: dict[str, str], line: int) -> bool:
        """Carry out an M word; return whether coordinates of the line are still to be gone to."""
        if code == 30 or (code == 0 and self._stop_ends):
            self.ended = True
        elif code == 15:
            self._down, self._plunged_line = True, line
        elif code in (16, 17):
            self._tool_up()
        elif code == 25:
            self._pattern = _Pattern(line=line, start=len(self.cuts))
        elif code == 1:
            if self._pattern is not None and self._pattern.end is None:
                self._pattern.end = len(self.cuts)
        elif code == 2:
            self._repeat_pattern(1, letters, line)
            return False
        elif code == 8:
            self._pattern = None
        elif code in (70, 80, 90):
            self._wrong(line, f"mirrors or swaps axes (M{code}), which is not read", "Export without it.")
            return False
        elif code in (97, 98):
            self._say_once(line, f"drills text (M{code}), which is left out", "")
            return False
        return True

    def _value(self, letters: dict[str, str], letter: str, line: int) -> float | None:
        text = letters.get(letter)
        if text is None:
            return None
        value = self._format.value_mm(text)
        if abs(value) > MAX_COORDINATE_MM:
            self._wrong(
                line,
                f"{letter}{text} is {value:.4g} mm; no board reaches {MAX_COORDINATE_MM:.0f} mm",
                "Check the units and the number format of the export.",
            )
            return 0.0
        return value

    def _target(self, letters: dict[str, str], line: int) -> Point:
        """Return where the line's X and Y lead, without going there; what is not given stays."""
        x, y = self._value(letters, "X", line), self._value(letters, "Y", line)
        if self._incremental:
            return self._x + (x or 0.0), self._y + (y or 0.0)
        x0, y0 = self._origin
        return (self._x if x is None else x + x0), (self._y if y is None else y + y0)

    def _go(self, letters: dict[str, str], line: int) -> None:
        start, end = (self._x, self._y), self._target(letters, line)
        self._x, self._y = end
        if self._mode is _Mode.DRILL:
            self._cut(end, line)
        elif self._mode is not _Mode.MOVE:
            if not self._down and self._plunges:
                self._say_once(
                    line, "routes with the tool up (no M15 before); nothing is cut", "Check the picture."
                )
                return
            if not self._down:
                self._say_once(
                    line, "routes without ever lowering the tool (M15); taken as cut", "Check the picture."
                )
            points = [end]
            if self._mode in (_Mode.ARC_CW, _Mode.ARC_CCW):
                points = self._arc(start, end, letters, line)
            self._plunged_line = None
            for point in points:
                self.cuts.append(Cut(*start, line, self._tool, None if point == start else point))
                start = point

    def _cut(self, at: Point, line: int, to: Point | None = None) -> None:
        self.cuts.append(Cut(*at, line, self._tool, to))

    def _tool_up(self) -> None:
        """Raise the tool; where it was lowered and never moved, it has made a hole."""
        if self._down and self._plunged_line is not None:
            self._cut((self._x, self._y), self._plunged_line)
        self._down, self._plunged_line = False, None

    def _slot(self, before: Sequence[tuple[str, str]], after: Sequence[tuple[str, str]], line: int) -> None:
        """X..Y..G85X..Y..: a slot from the first to the second place."""
        first, second = dict(before), dict(after)
        if not {"X", "Y"} & second.keys():
            self._wrong(line, "a slot (G85) has no end", "Export again.")
            return
        start = self._target(first, line)
        self._x, self._y = start
        end = self._target(second, line)
        self._x, self._y = end
        self._cut(start, line, None if start == end else end)

    def _arc(self, start: Point, end: Point, letters: dict[str, str], line: int) -> list[Point]:
        """Return the chords' ends of an arc by radius A (never over 180°) or by centre I, J from the start."""
        clockwise = self._mode is _Mode.ARC_CW
        dx, dy = end[0] - start[0], end[1] - start[1]
        span = math.hypot(dx, dy)
        radius = self._value(letters, "A", line)
        if radius is not None:
            radius = abs(radius)
            if span == 0.0 or span > 2 * (radius + _ARC_MISMATCH_MM):
                self._wrong(
                    line, f"an arc of radius {radius:.4g} mm cannot span {span:.4g} mm", "Export again."
                )
                return [end]
            radius = max(radius, span / 2)
            rise = math.sqrt(max(radius**2 - (span / 2) ** 2, 0.0)) * (1 if clockwise else -1)
            centre = (
                (start[0] + end[0]) / 2 + rise * dy / span,
                (start[1] + end[1]) / 2 - rise * dx / span,
            )
        elif "I" in letters or "J" in letters:
            i, j = self._value(letters, "I", line) or 0.0, self._value(letters, "J", line) or 0.0
            centre, radius = (start[0] + i, start[1] + j), math.hypot(i, j)
            off = abs(math.hypot(end[0] - centre[0], end[1] - centre[1]) - radius)
            if radius == 0.0 or off > _ARC_MISMATCH_MM:
                self._wrong(line, f"an arc ends {off:.3g} mm off its circle", "Export again.")
                return [end]
        else:
            self._wrong(line, "an arc has neither radius (A) nor centre (I, J)", "Export again.")
            return [end]
        from_rad = math.atan2(start[1] - centre[1], start[0] - centre[0])
        turn_rad = math.atan2(end[1] - centre[1], end[0] - centre[0]) - from_rad
        turn_rad = -((-turn_rad) % math.tau) if clockwise else turn_rad % math.tau
        if span == 0.0:
            turn_rad = -math.tau if clockwise else math.tau
        step_rad = 2 * math.acos(max(1 - _CHORD_ERROR_MM / radius, 0.0)) if radius > _CHORD_ERROR_MM else 1.0
        count = max(1, min(720, math.ceil(abs(turn_rad) / step_rad)))
        angles = [from_rad + turn_rad * k / count for k in range(1, count)]
        return [(centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in angles] + [end]

    def _repeat(self, times: int, words: Sequence[tuple[str, str]], line: int) -> None:
        """R5X..Y..: the last hole again, five times, each a step further. R5M02X..Y..: the pattern so."""
        letters = dict(words)
        if len(self.cuts) + times > MAX_CUTS:
            self._wrong(line, f"repeats {times} times; {MAX_CUTS} holes are the limit", "Check the repeats.")
            return
        if _code(letters.get("M", "")) == 2:
            self._repeat_pattern(times, letters, line)
            return
        dx, dy = self._value(letters, "X", line) or 0.0, self._value(letters, "Y", line) or 0.0
        if not self.cuts:
            self._wrong(line, "repeats a hole before there is one", "Export again.")
            return
        last = self.cuts[-1]
        for k in range(1, times + 1):
            to = None if last.to is None else (last.to[0] + k * dx, last.to[1] + k * dy)
            self._cut((last.x_mm + k * dx, last.y_mm + k * dy), line, to)
        self._x, self._y = self._x + times * dx, self._y + times * dy

    def _repeat_pattern(self, times: int, letters: dict[str, str], line: int) -> None:
        """M02X..Y..: what stands between M25 and M01, again, further on from its last copy."""
        pattern = self._pattern
        if pattern is None:
            # Old programs (FMAT,1) end with a bare M02.
            self.ended = "X" not in letters and "Y" not in letters
            if not self.ended:
                self._wrong(
                    line, "repeats a pattern (M02) that was never begun (M25)", "Export holes one by one."
                )
            return
        if {"M70", "M80", "M90"} & {f"M{text}" for letter, text in letters.items() if letter == "M"}:
            self._wrong(line, "repeats a pattern mirrored, which is not read", "Export holes one by one.")
            return
        pattern.end = len(self.cuts) if pattern.end is None else pattern.end
        copied = self.cuts[pattern.start : pattern.end]
        if len(self.cuts) + times * len(copied) > MAX_CUTS:
            self._wrong(line, f"repeats a pattern past {MAX_CUTS} holes", "Check the repeats.")
            return
        step = self._value(letters, "X", line) or 0.0, self._value(letters, "Y", line) or 0.0
        for _ in range(times):
            pattern.x_mm, pattern.y_mm = pattern.x_mm + step[0], pattern.y_mm + step[1]
            for cut in copied:
                to = None if cut.to is None else (cut.to[0] + pattern.x_mm, cut.to[1] + pattern.y_mm)
                self.cuts.append(
                    Cut(cut.x_mm + pattern.x_mm, cut.y_mm + pattern.y_mm, cut.line, cut.tool, to)
                )


@dataclass(slots=True)
class _Pattern:
    line: int
    start: int
    end: int | None = None
    x_mm: float = field(default=0.0)
    y_mm: float = field(default=0.0)


def _goes(statement: Statement | ToolChange) -> bool:
    return isinstance(statement, Statement) and any(letter in "XY" for letter, _ in statement.words)


def _code(text: str) -> int:
    return int(text) if text.isdigit() and len(text) < 5 else -1

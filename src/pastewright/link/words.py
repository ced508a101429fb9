"""Lines of a program to what the wire needs and what the words say: modes, and where tip and plunger end up.

This is no interpreter: it follows just enough to restate the modes before any line and to know where a line ends.
Positions are in the program's own coordinates, X Y Z in mm, the plunger in its letter's unit.
"""

import re
from dataclasses import dataclass, field

_COMMENT = re.compile(r"\([^)]*\)")
_TAIL = re.compile(r";.*|\*\s*\d+\s*$")
_NUMBER = re.compile(r"^\s*N\s*\d+\s*", re.IGNORECASE)
_WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
_FREE_TEXT = re.compile(r"^M\s*11[78]\b")
_LINE_NUMBER = re.compile(r"^M\s*110\b", re.IGNORECASE)
_INCH_MM = 25.4


class UnreadableError(ValueError):
    """A line that uses what this scan cannot follow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Modal:
    """The modes in force before a line; None where the program has not said.

    `motion` is 0 or 1 (G0, G1), `feed` the last F in G94, `others` further modal words in the order first said
    (plane, path, work offset). `place` holds the letters whose position is known.
    """

    units_mm: float | None = None
    absolute: bool | None = None
    plunger_absolute: bool | None = None
    inverse_time: bool | None = None
    motion: int | None = None
    feed: float | None = None
    others: tuple[str, ...] = ()
    place: dict[str, float] = field(default_factory=dict)


def rows_of(text: str) -> list[str]:
    """Return the lines of a program: they end where the read-back ends them, at the line feed alone.

    Python's own splitting knows ten more ends of a line, and would send as a line of its own what was read as a comment.
    """
    rows = [row.removesuffix("\r") for row in text.split("\n")]
    return rows if rows[-1] else rows[:-1]


def wire_line(text: str) -> str:
    """Return what of a line goes out: no comment, number, checksum, tape mark or M110, single spaces; "" if nothing."""
    if _FREE_TEXT.match(text.strip()):
        return " ".join(text.split(";")[0].split())
    bare = _NUMBER.sub("", _TAIL.sub("", _COMMENT.sub("", text)))
    bare = " ".join(bare.split())
    # Line numbers belong to the sender: a program that sets them would leave it and the controller at odds.
    return "" if bare == "%" or _LINE_NUMBER.match(bare) else bare.upper()


def words_of(line: str) -> list[tuple[str, float]]:
    """Return the words of a wire line, letter and number; raises `UnreadableError` for expressions."""
    if _FREE_TEXT.match(line):
        return [("M", 117.0)]
    if any(mark in line for mark in "#[]="):
        raise UnreadableError("it holds a parameter or an expression")
    return [(letter, float(number)) for letter, number in _WORD.findall(line)]


class Scan:
    """Follows the words of a program line by line; `modal()` is what holds now.

    `own_mode` tells that M82/M83 rule the plunger (letter E); otherwise it follows G90/G91 as the axes do.
    """

    def __init__(self, letter: str, modal: Modal | None = None) -> None:
        begin = modal or Modal()
        self.letter = letter
        self.own_mode = letter == "E"
        self.axes = frozenset({"X", "Y", "Z", letter})
        self.place = dict(begin.place)
        self.moved: frozenset[str] = frozenset()
        """Letters of the axes that the last line moved."""
        self._units_mm = begin.units_mm
        self._absolute = begin.absolute
        self._plunger_absolute = begin.plunger_absolute
        self._inverse_time = begin.inverse_time
        self._motion = begin.motion
        self._feed = begin.feed
        self._others = begin.others

    @property
    def feed(self) -> float | None:
        """The last F in G94, None where none was said."""
        return self._feed

    @property
    def inverse_time(self) -> bool:
        """Whether F is how often a minute the line's move fits (G93)."""
        return bool(self._inverse_time)

    @property
    def rapid(self) -> bool:
        """Whether lines move by G0."""
        return self._motion == 0

    def modal(self) -> Modal:
        """Return the modes in force now."""
        return Modal(
            units_mm=self._units_mm,
            absolute=self._absolute,
            plunger_absolute=self._plunger_absolute,
            inverse_time=self._inverse_time,
            motion=self._motion,
            feed=self._feed,
            others=self._others,
            place=dict(self.place),
        )

    def line(self, line: str) -> None:
        """Take in one wire line."""
        values: dict[str, float] = {}
        feed: float | None = None
        special = ""
        self.moved = frozenset()
        words = words_of(line)
        for letter, value in words:
            if letter in ("G", "M"):
                special = self._code(letter, round(value * 10)) or special
            elif letter in self.axes:
                values[letter] = value * (self._units_mm or 1.0)
            elif letter == "F":
                feed = value
        if feed is not None and not self._inverse_time:
            self._feed = feed
        if special == "offset":
            self.place.update(values)
        elif special == "home":
            for letter in [letter for letter, _ in words if letter in "XYZ"] or list("XYZ"):
                self.place.pop(letter, None)
        elif values and not special and self._motion is not None:
            self.moved = frozenset(values)
            for letter, value in values.items():
                if self._is_absolute(letter):
                    self.place[letter] = value
                elif letter in self.place:
                    self.place[letter] += value

    def _is_absolute(self, letter: str) -> bool:
        if letter == self.letter and self.own_mode and self._plunger_absolute is not None:
            return self._plunger_absolute
        return self._absolute is not False

    def _code(self, letter: str, code: int) -> str:
        """Take in a G or M word; returns what else than moving its line does, "" for nothing else."""
        if letter == "M":
            if code in (820, 830):
                self._plunger_absolute = code == 820
                return ""
            return "other"
        if code in (0, 10):
            self._motion = code // 10
        elif code in (20, 30):
            raise UnreadableError("it holds an arc (G2, G3)")
        elif code in (200, 210):
            self._units_mm = _INCH_MM if code == 200 else 1.0
        elif code in (900, 910):
            self._absolute = code == 900
        elif code in (930, 940):
            self._inverse_time = code == 930
        elif code in _OTHER_MODES:
            group = _OTHER_MODES[code]
            kept = [word for word in self._others if _OTHER_MODES[round(float(word[1:]) * 10)] != group]
            self._others = (*kept, f"G{code / 10:g}")
        elif code == 920:
            return "offset"
        elif code == 280:
            return "home"
        else:
            return "other"
        return ""


# Modal groups of NIST RS274/NGC (NISTIR 6556, table 4) that are restated as they were said.
_OTHER_MODES = {
    **dict.fromkeys((170, 180, 190), "plane"),
    **dict.fromkeys((540, 550, 560, 570, 580, 590), "offset"),
    **dict.fromkeys((610, 611, 640), "path"),
    **dict.fromkeys((400,), "radius"),
    **dict.fromkeys((490,), "length"),
}


def restated(modal: Modal, letter: str, *, own_mode: bool) -> list[str]:
    """Return the lines that bring the modes before a line back into force, the plunger's position last.

    One command a line, as printer controllers want it. Moves nothing: G92 only renames where the plunger stands.
    """
    lines: list[str] = []
    if modal.units_mm is not None:
        lines.append("G21" if modal.units_mm == 1.0 else "G20")
    lines += modal.others
    if modal.absolute is not None:
        lines.append("G90" if modal.absolute else "G91")
    if modal.inverse_time is not None:
        lines.append("G93" if modal.inverse_time else "G94")
    if own_mode and modal.plunger_absolute is not None:
        lines.append("M82" if modal.plunger_absolute else "M83")
    if letter in modal.place:
        lines.append(f"G92 {letter}{number(modal.place[letter] / (modal.units_mm or 1.0))}")
    if modal.feed is not None and not modal.inverse_time:
        lines.append(f"G1 F{number(modal.feed)}")
    elif modal.motion == 1:
        lines.append("G1")
    if modal.motion == 0:
        lines.append("G0")
    return lines


def number(value: float) -> str:
    """Return a number as words want it: plain decimals, none of them for nothing."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text

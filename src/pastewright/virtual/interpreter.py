"""Words to moves: a small G-code interpreter, enough for positions, distances, feeds and units.

It knows X, Y, Z and any of E A B C U V W. Positions are kept as the controller believes them ("machine"
coordinates); G92 lays an offset over them. What a line answers is for the protocols to say.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from pastewright.virtual.pace import AXES, Pace, Stretch, paced, stretch_of
from pastewright.virtual.state import PLUNGER_LETTERS, ROTARY_LETTERS, AxisLimit, VirtualModes

ALL_LETTERS = AXES + PLUNGER_LETTERS
MM_PER_INCH = 25.4  # exact by definition, NIST SP 811 appendix B

LARGEST_NUMBER = 1e9

_COMMENT = re.compile(r"\([^)]*\)|;.*|\(.*")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)")


class BadLineError(Exception):
    """A line that cannot be understood; `code` is the small-CNC protocol's number for why."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"error:{code}")


def without_comments(text: str) -> str:
    """Return the line without `(…)` and `;…`, and without spaces at its ends."""
    if ";" in text or "(" in text:
        text = _COMMENT.sub("", text)
    return text.strip()


def words_of(text: str, *, bare: bool) -> list[tuple[str, float | None]]:
    """Return (letter, number) pairs of a line without comments.

    `bare`: a letter may stand alone, as in `G28 X` (its number is None). Raises BadLineError 1 where a letter is
    missing, 2 where a number is, or where it is beyond all measure.
    """
    if not text.isascii():
        raise BadLineError(1)
    text = "".join(text.split()).upper()
    words: list[tuple[str, float | None]] = []
    at = 0
    while at < len(text):
        letter = text[at]
        if not ("A" <= letter <= "Z"):
            raise BadLineError(1)
        number = _NUMBER.match(text, at + 1)
        if number:
            value = float(number.group())
            if abs(value) > LARGEST_NUMBER:
                raise BadLineError(2)
            words.append((letter, value))
            at = number.end()
        elif bare:
            words.append((letter, None))
            at += 1
        else:
            raise BadLineError(2)
    return words


def code_of(letter: str, number: float | None) -> str:
    """Return the usual spelling of a command word: G1, G92.1, M400."""
    return letter if number is None else f"{letter}{number:g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualStep:
    """One straight move: how far each axis goes, and how; `stretch` is None where nothing moves."""

    way: Mapping[str, float]
    stretch: Stretch | None

    @property
    def pace(self) -> Pace:
        """From rest to rest."""
        return paced(self.stretch)

    def scaled(self, share: float) -> dict[str, float]:
        """Return the way of the first `share` [0..1] of it."""
        return {letter: share * part for letter, part in self.way.items()}


class Interpreter:
    """Modal state, offsets and the planned position. `e_has_own_mode`: M82 and M83 rule E, as on printers."""

    def __init__(self, *, limits: Mapping[str, AxisLimit], e_has_own_mode: bool, first_feed: float) -> None:
        self._limits = limits
        self._e_has_own_mode = e_has_own_mode
        self._first_feed = first_feed
        self.position: dict[str, float] = {}
        self.offset: dict[str, float] = {}
        self.modal = VirtualModes()
        self.forget()

    def forget(self) -> None:
        """Return to the state of power-on: every axis at 0, no offsets, first modes."""
        self.position = dict.fromkeys(AXES, 0.0)
        self.first_modes()

    def first_modes(self) -> None:
        """Return to the first modes and take the offsets back; positions stay."""
        self.offset = {}
        self.modal = VirtualModes(feed=self._first_feed)

    def set(
        self,
        *,
        inches: bool | None = None,
        relative: bool | None = None,
        plunger_relative: bool | None = None,
        inverse_time: bool | None = None,
        motion: str | None = None,
        feed: float | None = None,
    ) -> None:
        """Change the modes that are given."""
        was = self.modal
        self.modal = replace(
            was,
            inches=was.inches if inches is None else inches,
            relative=was.relative if relative is None else relative,
            plunger_relative=was.plunger_relative if plunger_relative is None else plunger_relative,
            inverse_time=was.inverse_time if inverse_time is None else inverse_time,
            motion=was.motion if motion is None else motion,
            feed=was.feed if feed is None else feed,
        )

    def length(self, letter: str, number: float) -> float:
        """Return `number` in mm, or as it is for an axis that turns."""
        return number * MM_PER_INCH if self.modal.inches and letter not in ROTARY_LETTERS else number

    def set_feed(self, number: float) -> None:
        """Take an F word [per min]; in inverse time it is one over the minutes and has no length in it."""
        self.set(feed=number if self.modal.inverse_time else self.length("X", number))

    def rename_here(self, places: Mapping[str, float]) -> None:
        """Call the planned position `places` from now on (G92)."""
        for letter, number in places.items():
            self.offset[letter] = self.position.get(letter, 0.0) - self.length(letter, number)

    def work(self, letter: str) -> float:
        """Return the planned position as the program counts it."""
        return self.position.get(letter, 0.0) - self.offset.get(letter, 0.0)

    def step(self, places: Mapping[str, float], *, rapid: bool, machine: bool = False) -> VirtualStep:
        """Return the straight move to `places`, and plan it: the position is there from now on.

        `rapid` goes as fast as the axes can; `machine` counts positions without offsets (G53). The feed of inverse
        time is one over the minutes of the move.
        """
        step = self.step_ahead(places, rapid=rapid, machine=machine)
        self.plan(step)
        return step

    def plan(self, step: VirtualStep) -> None:
        """Let the position be behind a step from now on."""
        for letter, part in step.way.items():
            self.position[letter] = self.position.get(letter, 0.0) + part

    def step_ahead(self, places: Mapping[str, float], *, rapid: bool, machine: bool = False) -> VirtualStep:
        """Return the straight move to `places` without planning it."""
        way: dict[str, float] = {}
        for letter, number in places.items():
            value = self.length(letter, number)
            at = self.position.get(letter, 0.0)
            if machine:
                way[letter] = value - at
            elif self._counts_from_here(letter):
                way[letter] = value
            else:
                way[letter] = value + self.offset.get(letter, 0.0) - at
        feed = seconds = None
        if not rapid and self.modal.feed > 0:
            if self.modal.inverse_time:
                seconds = 60 / self.modal.feed
            else:
                feed = self.modal.feed / 60
        return VirtualStep(way=way, stretch=stretch_of(way, feed=feed, seconds=seconds, limits=self._limits))

    def _counts_from_here(self, letter: str) -> bool:
        if letter == "E" and self._e_has_own_mode:
            return self.modal.plunger_relative
        return self.modal.relative

"""One line of the small-CNC protocol to its commands and values, or to the number of what is wrong with it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypedDict

from pastewright.virtual.interpreter import ALL_LETTERS, BadLineError, code_of, words_of
from pastewright.virtual.state import VirtualModes

BAD_STATEMENT, NOT_IDLE, LOCKED, TOO_LONG, JOG_TOO_FAR, BAD_JOG = 3, 8, 9, 11, 15, 16
UNSUPPORTED, SAME_GROUP, NO_FEED, TWO_MOTIONS, TWICE, NO_AXIS, MISSING_VALUE = 20, 21, 22, 24, 25, 26, 28

GROUPS: Mapping[str, str] = {
    **dict.fromkeys(("G0", "G1", "G38.2", "G38.3", "G80"), "motion"),
    **dict.fromkeys(("G4", "G28", "G53", "G92", "G92.1"), "once"),
    **dict.fromkeys(("G17", "G18", "G19"), "plane"),
    **dict.fromkeys(("G90", "G91"), "distance"),
    **dict.fromkeys(("G93", "G94"), "feed"),
    **dict.fromkeys(("G20", "G21"), "units"),
    "G40": "radius",
    "G49": "length",
    "G54": "coordinates",
    **dict.fromkeys(("G61", "G61.1", "G64"), "path"),
    **dict.fromkeys(("M0", "M1", "M2", "M30"), "stopping"),
    **dict.fromkeys(("M3", "M4", "M5"), "spindle"),
    **dict.fromkeys(("M7", "M8", "M9"), "coolant"),
}
"""Commands and their modal groups: two of one group in a line contradict each other."""


class Modes(TypedDict, total=False):
    """What a command sets in `VirtualModes`."""

    inches: bool
    relative: bool
    inverse_time: bool


MODES: Mapping[str, Modes] = {
    "G20": {"inches": True},
    "G21": {"inches": False},
    "G90": {"relative": False},
    "G91": {"relative": True},
    "G93": {"inverse_time": True},
    "G94": {"inverse_time": False},
}

PROBES = ("G38.2", "G38.3")
"""Towards a contact: the first takes none for an alarm, the second does not."""

_VALUES = frozenset("FNPST" + ALL_LETTERS)
_IN_JOGS = frozenset(("units", "distance"))


@dataclass(frozen=True, slots=True, kw_only=True)
class CncBlock:
    """A line understood: commands by modal group, values by letter, axis words among them."""

    commands: Mapping[str, str]
    values: Mapping[str, float]
    text: str

    @property
    def places(self) -> dict[str, float]:
        """The axis words."""
        return {letter: self.values[letter] for letter in ALL_LETTERS if letter in self.values}

    @property
    def line(self) -> int | None:
        """The N word."""
        return int(self.values["N"]) if "N" in self.values else None


def block_of(text: str, *, modal: VirtualModes) -> CncBlock:
    """Return what a line without comments says under the modes `modal`.

    Raises BadLineError with the protocol's number where it contradicts itself or lacks something.
    """
    commands, values = _sorted_out(words_of(text, bare=False))
    block = CncBlock(commands=commands, values=values, text=_without_number(text))
    _check(block, modal)
    return block


def _check(block: CncBlock, modal: VirtualModes) -> None:
    commands, values, places = block.commands, block.values, block.places
    once = commands.get("once")
    if once == "G4":
        if "P" not in values:
            raise BadLineError(MISSING_VALUE)
        return
    if once == "G92" and not places:
        raise BadLineError(NO_AXIS)
    if once in ("G28", "G92", "G92.1"):
        if places and "motion" in commands:
            raise BadLineError(TWO_MOTIONS)
        return
    motion = commands.get("motion", modal.motion)
    if places and motion == "G80":
        raise BadLineError(SAME_GROUP)
    inverse = commands.get("feed", "G93" if modal.inverse_time else "G94") == "G93"
    changed = "feed" in commands and inverse != modal.inverse_time
    standing = 0.0 if inverse or changed else modal.feed
    if motion in PROBES and "motion" in commands and not places:
        raise BadLineError(NO_AXIS)
    if motion in ("G1", *PROBES) and places and values.get("F", standing) <= 0:
        raise BadLineError(NO_FEED)


def jog_of(text: str) -> CncBlock:
    """Return what a jog line says behind its `$J=`: axis words, its own feed, units and distance mode, no more.

    Raises BadLineError with the protocol's number.
    """
    commands, values = _sorted_out(words_of(text, bare=False))
    block = CncBlock(commands=commands, values=values, text=f"$J={text}")
    others = {group for group, code in commands.items() if group not in _IN_JOGS and code != "G53"}
    if others or not set(values) <= {"F", "N", *ALL_LETTERS}:
        raise BadLineError(BAD_JOG)
    if not block.places:
        raise BadLineError(NO_AXIS)
    if values.get("F", 0.0) <= 0:
        raise BadLineError(NO_FEED)
    return block


def _sorted_out(words: list[tuple[str, float | None]]) -> tuple[dict[str, str], dict[str, float]]:
    """Return commands by modal group and values by letter; raises BadLineError for what cannot stand together."""
    commands: dict[str, str] = {}
    values: dict[str, float] = {}
    for letter, number in words:
        if letter in "GM":
            code = code_of(letter, number)
            group = GROUPS.get(code)
            if group is None:
                raise BadLineError(UNSUPPORTED)
            if group in commands:
                raise BadLineError(SAME_GROUP)
            commands[group] = code
        elif letter not in _VALUES or number is None:
            raise BadLineError(UNSUPPORTED)
        elif letter in values:
            raise BadLineError(TWICE)
        else:
            values[letter] = number
    return commands, values


def _without_number(text: str) -> str:
    """Return the line without its N word."""
    if text[:1] not in "Nn":
        return text
    return text[1:].lstrip().lstrip("0123456789").lstrip()

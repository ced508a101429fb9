"""The two program languages: what they call things, and which modes a program states before it relies on them.

| | reprap | ngc |
|---|---|---|
| comment | `; text` | `(text)`, no brackets inside, line up to 256 characters |
| wait | `G4 P`, milliseconds | `G4 P`, seconds |
| G0 | goes at F, like G1 | goes as fast as the axes can, F has no part in it |
| plunger words | E: M82 positions, M83 distances; other letters: G90 | as all axes: G90 |
| F, tip moving | mm/min along X, Y, Z | the same; or with G93 one over the minutes of the move |
| F, plunger alone | numbers behind its letter per minute | the same: mm/min, or degrees/min of a rotary letter |

Sources: ngc is RS274/NGC as in T. R. Kramer et al., "The NIST RS274/NGC Interpreter, Version 3", NISTIR 6556
(2000), sections 3.3 (lines), 3.4 and table 4 (modes), 3.5.4 (dwell), 3.5.18 and 2.1.2.5 (feed). reprap is what
printer controllers publish of their language. Notes are told apart from commands, since a line with a checksum
holds no comment.
"""

from collections.abc import Callable, Mapping

from msgspec import Struct

from pastewright.profile.model import DialectName, PlungerMode

LONGEST_LINE = 256
"""Characters of a line of RS274/NGC, NISTIR 6556 section 3.3.1; kept in both languages."""

LARGEST_LINE_NUMBER = 99_999
"""Of RS274/NGC, NISTIR 6556 section 3.3.3; printer controllers count further."""


class Command(Struct, frozen=True, kw_only=True):
    """A line that the controller acts on, and why it is there; the note comes before it on a line of its own."""

    text: str
    note: str = ""


class Dialect(Struct, frozen=True, kw_only=True):
    """A language. `rapid_has_feed`: whether G0 needs F. `most_lines`: how far line numbers go, 0 for any."""

    suffix: str
    comment: Callable[[str], str]
    dwell: Callable[[float], str]
    rapid_has_feed: bool
    most_lines: int
    first: Callable[[bool], tuple[Command, ...]]
    opening: Callable[[str, PlungerMode], tuple[Command, ...]]
    closing: Callable[[str], tuple[Command, ...]]


_MARKS = str.maketrans({"µ": "u", "μ": "u", "(": "[", ")": "]", ";": ",", "*": "x", "%": "percent"})


def plain(text: str) -> str:
    """Return text that any controller's comment can hold: one line of ASCII, without brackets or other marks."""
    text = " ".join(text.split()).translate(_MARKS)
    if text.isascii() and text.isprintable():
        return text
    return "".join(letter if " " <= letter <= "~" else "?" for letter in text)


def _semicolon(text: str) -> str:
    return f"; {plain(text)}"[:LONGEST_LINE].rstrip()


def _brackets(text: str) -> str:
    return f"({plain(text)[: LONGEST_LINE - 2]})"


def _milliseconds(seconds: float) -> str:
    return f"G4 P{max(1, round(seconds * 1000))}"


def _seconds(seconds: float) -> str:
    return f"G4 P{seconds:.4f}"


def _reprap_first(numbered: bool) -> tuple[Command, ...]:
    return (Command(text="M110 N0", note="line numbers start from here"),) if numbered else ()


def _reprap_opening(letter: str, mode: PlungerMode) -> tuple[Command, ...]:
    commands = [
        Command(text="G21", note="lengths in millimetres"),
        Command(text="G90", note="X, Y and Z are positions"),
    ]
    if letter == "E":
        # After G90, since some controllers let it change the mode of E and some do not.
        if mode is PlungerMode.RELATIVE:
            commands.append(Command(text="M83", note="E is a distance"))
        else:
            commands.append(Command(text="M82", note="E is a position"))
        commands.append(
            Command(text="M302 P1", note="let E move cold, a controller may refuse it without a hot nozzle")
        )
    commands.append(Command(text=f"G92 {letter}0", note=f"{letter} counts from where the plunger stands"))
    return tuple(commands)


def _reprap_closing(letter: str) -> tuple[Command, ...]:
    return (
        Command(
            text="M400",
            note="wait until all has ended. The motors stay on: they hold the height and the plunger",
        ),
    )


def _ngc_first(numbered: bool) -> tuple[Command, ...]:
    return ()


def _ngc_opening(letter: str, mode: PlungerMode) -> tuple[Command, ...]:
    return (
        Command(text="G21 G90 G94", note="millimetres, positions, F per minute"),
        Command(
            text="G17 G40 G49 G80",
            note="plane XY, no cutter or tool length compensation, no cycle",
        ),
        Command(text="G54", note="coordinate system 1, whose origin the profile's places count from"),
        Command(text="G61.1", note="exact stop: every move ends before the next begins, as it was planned"),
        Command(text=f"G92 {letter}0", note=f"{letter} counts from where the plunger stands"),
    )


def _ngc_closing(letter: str) -> tuple[Command, ...]:
    return (
        Command(text="G92.1", note=f"take the offset of {letter} back, so that the next program finds none"),
        Command(
            text="M2",
            note="end of program. Nothing switches motors off: they hold the height and the plunger",
        ),
    )


DIALECTS: Mapping[DialectName, Dialect] = {
    DialectName.REPRAP: Dialect(
        suffix=".gcode",
        comment=_semicolon,
        dwell=_milliseconds,
        rapid_has_feed=True,
        most_lines=0,
        first=_reprap_first,
        opening=_reprap_opening,
        closing=_reprap_closing,
    ),
    DialectName.NGC: Dialect(
        suffix=".ngc",
        comment=_brackets,
        dwell=_seconds,
        rapid_has_feed=False,
        most_lines=LARGEST_LINE_NUMBER,
        first=_ngc_first,
        opening=_ngc_opening,
        closing=_ngc_closing,
    ),
}

PROGRAM_ENDINGS = tuple(dialect.suffix for dialect in DIALECTS.values())
"""How the names of programs end."""

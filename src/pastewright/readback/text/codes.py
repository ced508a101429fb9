"""What a dialect is made of: its codes, which of them shut each other out, and how its words are meant.

The tables themselves are in `reprap` and `ngc`; `interpret` acts on them.
"""

from collections.abc import Mapping
from enum import Enum, StrEnum
from typing import NamedTuple

from msgspec import Struct


class Effect(Enum):
    """What a code does to the machine that is simulated here."""

    RAPID = 0
    FEED = 1
    ARC_CW = 2
    ARC_CCW = 3
    DWELL = 4
    UNITS = 5
    DISTANCE = 6
    PLUNGER_MODE = 7
    PLANE = 8
    FEED_MODE = 9
    SET_OFFSET = 10
    CLEAR_OFFSET = 11
    SUSPEND_OFFSET = 12
    RESTORE_OFFSET = 13
    COORDINATES = 14
    MACHINE_COORDINATES = 15
    DATA = 16
    HOME = 17
    MOTION_OFF = 18
    MOTORS_OFF = 19
    LINE_NUMBER = 20
    PERCENT = 21
    END = 22
    NOTHING = 23


class ModalGroup(StrEnum):
    """Modal groups: a line may hold one code of each (NISTIR 6556 table 4; M82/M83 are not in it)."""

    ONE_SHOT = "0"
    MOTION = "1"
    PLANE = "2"
    DISTANCE = "3"
    ARC_DISTANCE = "4"
    FEED_MODE = "5"
    UNITS = "6"
    CUTTER = "7"
    LENGTH = "8"
    RETURN = "10"
    COORDINATES = "12"
    PATH = "13"
    STOP = "M4"
    TOOL = "M6"
    SPINDLE = "M7"
    COOLANT = "M8"
    OVERRIDE = "M9"
    PLUNGER = "plunger"
    OTHER = "other"


class Code(NamedTuple):
    """One code: what it does, its group, the letters it may use beside the axes, and the value it sets."""

    act: Effect
    group: ModalGroup
    letters: frozenset[str] = frozenset()
    value: float = 0.0
    axes: bool = False


class CodeTable(Struct, frozen=True, kw_only=True):
    """One manner of writing programs.

    `codes` are keyed by letter and ten times the number, as in ("G", 921). `dwell_p_s` is the length of G4
    P1 [s]; `dwell_s_word` tells whether S gives seconds. `rapid_feeds`: G0 moves at F, as G1 does.
    `one_command`: a line holds one code and motion codes must be repeated on each line. `scaled_letters` are
    those of the plunger that G20 turns into inches. `own_plunger_mode` are those that M82/M83 rule, not
    G90/G91. `must_state` names what a program has to state before it moves anything.
    """

    codes: Mapping[tuple[str, int], Code]
    dwell_p_s: float
    dwell_s_word: bool
    rapid_feeds: bool
    one_command: bool
    scaled_letters: frozenset[str]
    own_plunger_mode: frozenset[str]
    free_letters: frozenset[str]
    must_state: tuple[str, ...]


MOTIONS = frozenset({Effect.RAPID, Effect.FEED, Effect.ARC_CW, Effect.ARC_CCW})
ARCS = frozenset({Effect.ARC_CW, Effect.ARC_CCW})
ARC_LETTERS = frozenset("IJKR")


def letters(text: str) -> frozenset[str]:
    """Return the letters of `text` as a set."""
    return frozenset(text)

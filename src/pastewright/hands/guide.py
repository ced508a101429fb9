"""Guided work as a conversation without a screen: what is told, asked and done comes out, what came of it goes in.

A guide is a generator. It yields one of the requests below and is sent the answer named with it; what it returns at its
end is its result. Whoever plays it (the command line, the page, a test) has a person and a machine; the guide has neither.

    request            what the player does                                   answer
    Tell               shows words; a caution is shown as one                 None
    Confirm            asks yes or no                                         bool; a no to a caution ends the work
    Number             asks for a number within bounds                        float
    Choice             asks for one of a few words                            str
    Steer              lets the person move by keys until they confirm        Spot
    Act                carries moves out, all within reach                    Spot
    Feel               lowers the tip until the probe's contact closes        Spot of the contact, or None
    Look               finds one mark in the camera's picture                its middle in pixels
    Keep               writes values into the profile                         Profile
"""

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pastewright.hands.moves import Move
from pastewright.profile.keys import Value


@dataclass(frozen=True, slots=True, kw_only=True)
class Tell:
    """Words to show."""

    words: str
    caution: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirm:
    """A yes or a no; `safety` ones are never answered by an option, and `name` is what a script says it has checked."""

    question: str
    name: str
    safety: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A number in a unit, between two bounds; `name` is what a script calls it."""

    question: str
    name: str
    unit: str
    low: float
    high: float
    default: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One of some words; the first is the usual one."""

    question: str
    name: str
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Steer:
    """The person moves along `axes` ("XYZ", "P" the plunger) until satisfied; `touching` lets Z below the surface."""

    question: str
    axes: str = "XYZ"
    touching: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """Moves to carry out, in order."""

    moves: tuple[Move, ...]
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feel:
    """Down until the contact closes, no deeper than `low_mm` [mm], at a speed [mm/s]."""

    low_mm: float
    speed_mm_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look with the camera at the mark nearest to the middle of its picture."""

    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """Values by path, in the profile's units, to write into its file."""

    values: Mapping[str, Value] = field(default_factory=dict)


Request = Tell | Confirm | Number | Choice | Steer | Act | Feel | Look | Keep
Result = TypeVar("Result")
Guide = Generator[Request, Any, Result]
"""Requests out, answers in, a result at the end. The answers' types follow the requests', as the table above has it."""


class GivenUpError(Exception):
    """The person, or what was measured, ended the work; the message says why. The player makes safe."""

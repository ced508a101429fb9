"""A board that has just been laid, and where a person is asked about it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from pastewright.link.batch import PlaceRow
from pastewright.link.journal import Journal
from pastewright.profile.model import Profile
from pastewright.records.sheet import SheetRecord
from pastewright.tune.record.measurements import DotReading

Newest = tuple[float, float]
"""The way from older rows on a card to newer ones [mm]; (0, 0) where there is one row only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowGiven:
    """What a person gave of a witness row: `words` as typed, or the names of photos; what its dots measured."""

    words: str
    readings: Sequence[DotReading]


class Asker(Protocol):
    """Where a person is asked between two boards; the desk of a batch is one."""

    def key(self, words: str) -> str:
        """Say something and return the key pressed: "enter" or a letter."""

    def confirm(self, question: str) -> bool:
        """Ask for a yes."""

    def line(self, words: str) -> str:
        """Ask for a line; "" where Enter was pressed."""

    def measured(self, place: int, record: SheetRecord, newest: Newest) -> RowGiven | None:
        """Ask what was measured of the witness row of a board, by its place in the batch; None where nothing was.

        Raises `InputError` for what cannot be read.
        """

    def say(self, words: str) -> None:
        """Say something."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardLaid:
    """A board of a batch that has just been laid whole: `board` is its id in the journal, `place` where in the batch."""

    journal: Journal
    place: PlaceRow
    board: int
    profile: Profile
    """The bench that it was laid for."""

"""A board that has just been laid, and where a person is asked about it."""

from dataclasses import dataclass
from typing import Protocol

from pastewright.link.batch import PlaceRow
from pastewright.link.journal import Journal
from pastewright.profile.model import Profile


class Asker(Protocol):
    """Where a person is asked between two boards; the desk of a batch is one."""

    def key(self, words: str) -> str:
        """Say something and return the key pressed: "enter" or a letter."""

    def line(self, words: str) -> str:
        """Ask for a line; "" where Enter was pressed."""

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

"""A tour of the deposits."""

from dataclasses import dataclass
from typing import Protocol

from msgspec import Struct

from pastewright.board.model import Point


class Stop(Protocol):
    """What a tour goes to: a deposit, or a whole board; one point, or a path that is gone along either way."""

    @property
    def index(self) -> int:
        """The name of it."""
        ...

    @property
    def points_mm(self) -> tuple[Point, ...]:
        """Its point or path [mm]."""
        ...


class Visit(Struct, frozen=True, kw_only=True):
    """One deposit in the tour, by its index; `backwards` lays a bead from its last point to its first."""

    deposit: int
    backwards: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tour:
    """The tour. `travel_mm` and `travel_s` are of the hops between deposits alone: the way from the settling strip to
    the first deposit included, and to the end where one was given; beads themselves not, lifts only where `order` was
    told their time. No order of the same deposits (of each class, where classes follow each other) is quicker
    than `bound_s`, whatever the heuristic found. The tour is made for time: the shortest way would be up to a fifth
    shorter, but slower.
    """

    visits: tuple[Visit, ...]
    travel_mm: float
    travel_s: float
    bound_s: float

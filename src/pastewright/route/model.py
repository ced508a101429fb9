"""A tour of the deposits."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One deposit in the tour, by its index; `backwards` lays a bead from its last point to its first."""

    deposit: int
    backwards: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """The tour. `travel_mm` and `travel_s` are of the hops between deposits alone (the way from the settling
    strip to the first deposit included, beads themselves and lifts not); no order of the same deposits can
    go below the `bound`s, whatever the heuristic found.
    """

    visits: tuple[Visit, ...]
    travel_mm: float
    travel_s: float
    bound_mm: float
    bound_s: float

"""The timed list of moves."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from msgspec import Struct


class Step(StrEnum):
    """What a move is for."""

    RAISE = "raise"  # the very first move: straight up to travel height, wherever the tip is
    TRAVEL = "travel"  # XY at travel height
    LOWER = "lower"
    PUSH = "push"  # plunger forward (with backlash taken up); the tip stands, or runs into its bead
    DWELL = "dwell"
    LAY = "lay"  # XY and plunger together: the bead itself
    RETRACT = "retract"  # plunger back; the tip stands, or runs out of its bead
    LIFT = "lift"
    WIPE = "wipe"  # XY along the wiping pad, tip down on it


class Move(Struct, frozen=True, kw_only=True):
    """One move to (`x_mm`, `y_mm`, `z_mm`) [machine], plunger at `plunger_mm` when it ends.

    `plunger_mm` is the commanded position along the screw from the program's start, forward positive, a whole
    number of microsteps, backlash included. `speed_mm_s` is of the tip along its path, or of the plunger where it
    pushes or retracts, or 0 for a dwell. `duration_s` counts acceleration. `deposit` is the index of the
    deposit it belongs to, None for settling, travelling and parking.
    """

    step: Step
    x_mm: float
    y_mm: float
    z_mm: float
    plunger_mm: float
    speed_mm_s: float
    duration_s: float
    deposit: int | None = None


class Trip(Struct, frozen=True, kw_only=True):
    """So many like the visit that follows, or paste at its steady flow for so long [s], thrown away at a place [mm,
    machine]. `deposit` is the trip's own number, `volume_ul` what lies there.
    """

    deposit: int
    place_mm: tuple[float, float]
    count: int
    steady_s: float = 0.0
    volume_ul: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Away:
    """Trips by the number of the visit that they come before, and what 95 of 100 deposits are within on an afternoon's
    bench [-]; 0: not worked out. `beyond`: that is more than the profile asks for. `why_none`: why no trip was looked at.
    """

    trips: Mapping[int, Trip]
    error: float = 0.0
    beyond: bool = False
    why_none: str = ""


NO_TRIPS = Away(trips={})


@dataclass(frozen=True, slots=True, kw_only=True)
class Motions:
    """The whole journey; `sections` are pairs (index of first move, heading) such as the settling strip. `thrown_ul` is
    what is thrown away at the end of each strip, `strip_ul` what a strip takes before that. `nearest` are of beads
    across rows, by deposit: what is laid nearest to each pad, in the order of its shares, over an even part. `away` are the
    trips to the card.
    """

    moves: tuple[Move, ...]
    sections: tuple[tuple[int, str], ...]
    machine_s: float
    travel_mm: float
    swept_ul: float
    strip_ul: float = 0.0
    dry: bool = False
    thrown_ul: float = 0.0
    nearest: Mapping[int, tuple[float, ...]] = field(default_factory=dict)
    away: Away = NO_TRIPS
    warnings: tuple[str, ...] = ()

"""What a hand can tell the machine to do: straight moves, pushes of the plunger, waits. All of it is values.

Places are those of the tip in the program's coordinates [mm], Z upwards; the plunger is told in mm forward, whatever
letter and unit the controller has for it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import sqrt

AXES = "XYZ"
PLUNGER = "P"
"""The name of the plunger where people name an axis; its letter on the controller is the profile's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place of the tip [mm]."""

    x_mm: float
    y_mm: float
    z_mm: float

    def axis_mm(self, axis: str) -> float:
        """Return the coordinate of "X", "Y" or "Z" [mm]."""
        return {"X": self.x_mm, "Y": self.y_mm, "Z": self.z_mm}[axis]

    @property
    def words(self) -> str:
        """The place for people, to 0.01 mm."""
        return f"X {self.x_mm:.2f}  Y {self.y_mm:.2f}  Z {self.z_mm:.2f}"


def spot_of(position: Mapping[str, float]) -> Spot | None:
    """Return the place in a controller's position by letter, None where one of X, Y, Z is missing."""
    if not all(axis in position for axis in AXES):
        return None
    return Spot(x_mm=position["X"], y_mm=position["Y"], z_mm=position["Z"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Go:
    """A straight move of the tip to places by axis [mm], at a speed along the way [mm/s]; other axes stay."""

    to_mm: Mapping[str, float]
    speed_mm_s: float
    words: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Push:
    """The plunger by so many mm, forward above zero, at a speed [mm/s]."""

    by_mm: float
    speed_mm_s: float
    words: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """Everything stands for so long [s]."""

    seconds: float


Move = Go | Push | Wait


def after(spot: Spot, move: Move) -> Spot:
    """Return where the tip is behind a move."""
    if not isinstance(move, Go):
        return spot
    return Spot(
        x_mm=move.to_mm.get("X", spot.x_mm),
        y_mm=move.to_mm.get("Y", spot.y_mm),
        z_mm=move.to_mm.get("Z", spot.z_mm),
    )


def pushes_s(moves: Iterable[Move]) -> float:
    """Return how long the plunger's ways and the waits among some moves take [s], ramps left out."""
    return sum(
        abs(move.by_mm) / move.speed_mm_s if isinstance(move, Push) else move.seconds
        for move in moves
        if isinstance(move, Push | Wait)
    )


def length_mm(spot: Spot, move: Go) -> float:
    """Return how far a move goes [mm]."""
    return sqrt(sum((value - spot.axis_mm(axis)) ** 2 for axis, value in move.to_mm.items()))

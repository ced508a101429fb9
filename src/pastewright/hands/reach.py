"""Where a hand may bring the tip: the machine's travel, and nothing below the known surface.

    z_max ─────────────────────────┐
          free                     │   x_min … x_max, y_min … y_max everywhere
    travel height ─ ─ ─ ─ ─ ─ ─ ─ ─┤   above it: any step; below it: level steps of `LEVEL_STEP_MM` at most
          near the board           │
    surface ───────────────────────┘   the floor; only touching off goes on below it, down to z_min

Every move of a hand passes `kept`, which gives it back or says why not; `ended` is the same for one press of a key,
which is shortened to the limit instead.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from pastewright.hands.moves import AXES, Go, Move, Push, Spot, after
from pastewright.problems import InputError, Problem
from pastewright.profile.model import Profile

SAME_MM = 1e-6
"""Rounding of sums of steps, far below any microstep."""
LEVEL_STEP_MM = 1.0
"""Longest level step while the tip is below travel height: about a tip's own width, seen before it hits (a choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Lowest and highest places by axis [mm], travel height [mm], and how far the plunger may be from where it began."""

    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]
    travel_z_mm: float
    stroke_mm: float
    touching: bool = False

    def range_mm(self, axis: str) -> tuple[float, float]:
        """Return the lowest and highest place of "X", "Y" or "Z" [mm]."""
        at = AXES.index(axis)
        return self.low_mm[at], self.high_mm[at]

    def holds(self, spot: Spot) -> bool:
        """Tell whether a place lies within."""
        return all(
            self.range_mm(axis)[0] - SAME_MM <= spot.axis_mm(axis) <= self.range_mm(axis)[1] + SAME_MM
            for axis in AXES
        )

    def limit_words(self, axis: str, *, low: bool) -> str:
        """Say which end of an axis this is, for people."""
        value = self.range_mm(axis)[0 if low else 1]
        if axis == "Z" and low and not self.touching:
            return f"the known surface is at Z {value:g} mm; only touch-off goes below it"
        return f"{axis} ends at {value:g} mm"


def reach_of(profile: Profile, *, surface_z_mm: float | None = None, touching: bool = False) -> Reach:
    """Return the reach of a bench. `surface_z_mm` is the highest place of a measured surface, where there is one.

    `touching`: the surface is what is looked for, so Z may go down to the end of its axis.
    """
    machine = profile.machine
    surface_mm = max(profile.bed.board_z_mm, profile.bed.board_z_mm if surface_z_mm is None else surface_z_mm)
    floor_mm = machine.z_min_mm if touching else max(machine.z_min_mm, surface_mm)
    return Reach(
        low_mm=(machine.x_min_mm, machine.y_min_mm, floor_mm),
        high_mm=(machine.x_max_mm, machine.y_max_mm, machine.z_max_mm),
        travel_z_mm=surface_mm + profile.bed.clearance_mm,
        stroke_mm=profile.plunger.stroke_mm,
        touching=touching,
    )


def kept(moves: Iterable[Move], at: Spot, reach: Reach) -> tuple[Move, ...]:
    """Return the moves if all of them stay within reach and no level one is long near the board.

    An axis that is beyond its end already may come back. Raises `InputError` with everything that does not.
    """
    problems: list[Problem] = []
    moves, pushed_mm = tuple(moves), 0.0
    for move in moves:
        pushed_mm += move.by_mm if isinstance(move, Push) else 0.0
        if isinstance(move, Go):
            problems.extend(_beyond(at, move, reach))
        elif isinstance(move, Push) and abs(pushed_mm) > reach.stroke_mm + SAME_MM:
            problems.append(
                Problem(
                    what=f"the plunger cannot go {abs(pushed_mm):g} mm; its stroke is {reach.stroke_mm:g} mm",
                    mend="Ask for less, or mend [plunger] stroke_mm.",
                )
            )
        at = after(at, move)
    if problems:
        raise InputError(problems)
    return moves


def _beyond(at: Spot, move: Go, reach: Reach) -> Iterable[Problem]:
    for axis, value in move.to_mm.items():
        low, high = reach.range_mm(axis)
        before = at.axis_mm(axis)
        if value < low - SAME_MM and value < before:
            yield Problem(
                what=f"{axis} {value:g} mm is out of reach: {reach.limit_words(axis, low=True)}",
                mend="Go less far, or mend [machine] or [bed] of the profile.",
            )
        elif value > high + SAME_MM and value > before:
            yield Problem(
                what=f"{axis} {value:g} mm is out of reach: {reach.limit_words(axis, low=False)}",
                mend="Go less far, or mend [machine] of the profile.",
            )
    if is_long_level(at, move, reach):
        yield Problem(
            what=f"the tip is at Z {at.z_mm:g} mm, below travel height; a level move of more than {LEVEL_STEP_MM:g} mm"
            " could drag it over the board",
            mend=f"Lift it to Z {reach.travel_z_mm:g} mm first.",
        )


def is_long_level(at: Spot, move: Go, reach: Reach) -> bool:
    """Tell whether a move goes far sideways while the tip is below travel height."""
    low = min(at.z_mm, after(at, move).z_mm) < reach.travel_z_mm - SAME_MM
    far = max(
        (abs(value - at.axis_mm(axis)) for axis, value in move.to_mm.items() if axis in "XY"), default=0.0
    )
    return low and far > LEVEL_STEP_MM + SAME_MM

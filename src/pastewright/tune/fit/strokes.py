"""`Motions` to what the plunger is told for each deposit: strokes and waits, the sheet's own record of them and back.

    deposit = (wait, push, wait, retract)            a dot: travel and lowering, push, dwell, retraction
            = (wait, push, lay, …, lay, retract)     a bead, one stroke a leg

A stroke is a trapezoid in time: it covers `delta_mm` (commanded, backlash included, forward positive) in `seconds`,
with ramps of `rise_s` at both ends. A wait has no way. What lies between two deposits belongs to the later one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import dist, isfinite, sqrt
from typing import Any

from pastewright.motion.model import Motions, Step
from pastewright.problems import one_error
from pastewright.profile.model import Profile

# The strip's place among the deposits.
STRIP = -1

DIGITS = 7

MEND = "Use the sheet.json that was written with the sheet."


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One stretch of the plunger's time; `delta_mm` is 0 for a wait."""

    delta_mm: float
    seconds: float
    rise_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What the plunger does for one deposit, the way there included; `index` is the sheet's, STRIP for the strip."""

    index: int
    strokes: tuple[Stroke, ...]

    @property
    def idle_s(self) -> float:
        """How long the plunger stands before it begins [s]."""
        return self.strokes[0].seconds if self.strokes[0].delta_mm == 0 else 0.0

    @property
    def seconds(self) -> float:
        """How long the turn lasts [s]."""
        return sum(stroke.seconds for stroke in self.strokes)


def turns_of(motions: Motions, profile: Profile) -> tuple[Turn, ...]:
    """Return what the plunger does, turn by turn in the order of laying; the settling strip is the first."""
    turns: list[Turn] = []
    strokes: list[Stroke] = []
    owner: int | None = None
    plunger, place = 0.0, (0.0, 0.0)
    for move in motions.moves:
        delta = move.plunger_mm - plunger
        mine = STRIP if move.deposit is None else move.deposit
        if delta != 0 and owner is not None and mine != owner:
            # The tail of waits after the last stroke is the next deposit's way there.
            last = max(index for index, stroke in enumerate(strokes) if stroke.delta_mm != 0)
            turns.append(Turn(index=owner, strokes=tuple(strokes[: last + 1])))
            strokes = strokes[last + 1 :]
        if delta != 0:
            owner = mine
            if move.step is Step.LAY:
                rise = _rise(
                    dist(place, (move.x_mm, move.y_mm)), move.speed_mm_s, profile.machine.accel_xy_mm_s2
                )
            else:
                rise = _rise(abs(delta), move.speed_mm_s, profile.plunger.accel_mm_s2)
            strokes.append(Stroke(delta_mm=delta, seconds=move.duration_s, rise_s=rise))
        elif move.duration_s > 0:
            if strokes and strokes[-1].delta_mm == 0:
                joined = strokes.pop()
                strokes.append(Stroke(delta_mm=0.0, seconds=joined.seconds + move.duration_s))
            else:
                strokes.append(Stroke(delta_mm=0.0, seconds=move.duration_s))
        plunger, place = move.plunger_mm, (move.x_mm, move.y_mm)
    last = max((index for index, stroke in enumerate(strokes) if stroke.delta_mm != 0), default=-1)
    if owner is not None and last >= 0:
        turns.append(Turn(index=owner, strokes=tuple(strokes[: last + 1])))
    return tuple(turns)


def _rise(way_mm: float, speed_mm_s: float, accel_mm_s2: float) -> float:
    """Time of a ramp [s]: v/a, or √(D/a) where the speed is not reached."""
    return min(speed_mm_s / accel_mm_s2, sqrt(way_mm / accel_mm_s2))


def turns_data(turns: Sequence[Turn]) -> list[dict[str, Any]]:
    """Return turns as JSON-ready data: strokes are [delta_mm, seconds, rise_s]."""
    return [
        {
            "index": turn.index,
            "strokes": [
                [round(s.delta_mm, DIGITS), round(s.seconds, DIGITS), round(s.rise_s, DIGITS)]
                for s in turn.strokes
            ],
        }
        for turn in turns
    ]


def turns_from_data(process: Mapping[str, Any], *, file: str = "") -> tuple[Turn, ...]:
    """Return the turns that a sheet's `process` records; InputError where they are malformed."""
    rows = process.get("turns")
    try:
        if not isinstance(rows, list) or not rows:
            raise ValueError("none are there")
        turns = tuple(
            Turn(
                index=int(row["index"]),
                strokes=tuple(
                    Stroke(delta_mm=float(delta), seconds=float(seconds), rise_s=float(rise))
                    for delta, seconds, rise in row["strokes"]
                ),
            )
            for row in rows
        )
        numbers = [v for t in turns for s in t.strokes for v in (s.delta_mm, s.seconds, s.rise_s)]
        if not all(isfinite(value) for value in numbers):
            raise ValueError("a stroke is not a number")
        if any(s.seconds < 0 or s.rise_s < 0 for t in turns for s in t.strokes):
            raise ValueError("a stroke lasts less than no time")
        if any(not t.strokes or t.strokes[-1].delta_mm == 0 for t in turns):
            raise ValueError("a turn does not end with a stroke")
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise one_error(
            f"the sheet's record of the plunger's strokes is not usable: {error}", MEND, file=file
        ) from None
    return turns

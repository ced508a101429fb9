"""Motions to the least time that the same lifts, sweeps and hops can take at the bench's limits.

Every axis makes its ways as fast as it may, each stroke of the plunger in one go, and whatever the paste does not forbid
goes on at once:

    lowering ║ press ┄┄┄┄┄┄┄┐                          ┌┄┄┄┄┄┄┄ draw ║ lifting
                            └ rest of the push · wait · first of the retraction ┘

What must be done while the tip stands is the rest of a push behind its press and the first of a retraction before its
draw, as parts of whole strokes: a controller that does not stop between them is no faster. A bead is walked as its paste
asks for. The way over the board is that of the motions; what a better order could save is told apart (`route.bound`).
Nothing here is taken from how the moves were made or timed but ways and waits.
"""

from dataclasses import dataclass
from math import sqrt

from pastewright.motion.model import Motions, Move, Step
from pastewright.profile.model import Profile


def least_time_s(motions: Motions, profile: Profile) -> float:
    """Return a time [s] that no controller can beat with the same lifts, sweeps, waits and hops."""
    machine, drive = profile.machine, profile.plunger
    across = _Limits(machine.speed_xy_mm_s, machine.accel_xy_mm_s2)
    upright = _Limits(machine.speed_z_mm_s, machine.accel_z_mm_s2)
    plunger = _Limits(drive.speed_mm_s, drive.accel_mm_s2)
    total = 0.0
    for stroke in _strokes(motions.moves):
        total += sum(across.whole_s(way) for way in stroke.hops_mm)
        total += (
            upright.whole_s(stroke.down_mm) + upright.whole_s(stroke.up_mm) + stroke.waits_s + stroke.aside_s
        )
        forward, back = stroke.press_mm + stroke.push_mm, stroke.retract_mm + stroke.draw_mm
        # The last of a stroke mirrors its first. A walk begins and ends at rest, and the plunger in step with it.
        total += plunger.first_s(forward, stroke.push_mm) + stroke.walked_s
        total += max(plunger.first_s(forward, stroke.press_mm) - upright.whole_s(stroke.down_mm), 0.0)
        total += plunger.first_s(back, stroke.retract_mm)
        total += max(plunger.first_s(back, stroke.draw_mm) - upright.whole_s(stroke.up_mm), 0.0)
    return total


@dataclass(frozen=True, slots=True)
class _Limits:
    """Speed [mm/s] and acceleration [mm/s²] of an axis."""

    speed: float
    accel: float

    def whole_s(self, way_mm: float) -> float:
        """Least time from rest to rest [s]: the textbook's trapezoid or triangle."""
        top = min(self.speed, sqrt(self.accel * way_mm))
        return way_mm / top + top / self.accel if way_mm > 0 else 0.0

    def first_s(self, whole_mm: float, part_mm: float) -> float:
        """Least time for the first `part_mm` of a stroke that goes on, and rests after `whole_mm` [s]."""
        part_mm = min(part_mm, whole_mm)
        if part_mm <= 0:
            return 0.0
        top = min(self.speed, sqrt(self.accel * whole_mm))
        rise_mm = top**2 / (2 * self.accel)
        if part_mm <= rise_mm:
            return sqrt(2 * part_mm / self.accel)
        if part_mm <= whole_mm - rise_mm:
            return top / self.accel + (part_mm - rise_mm) / top
        return self.whole_s(whole_mm) - sqrt(2 * (whole_mm - part_mm) / self.accel)


@dataclass(slots=True)
class _Stroke:
    """Ways [mm] and waits [s] from one lift to the next: hops, down, press, push, walk, retract, draw, up;
    `aside_s` is what has no other bound than itself: raising from nobody knows where, wiping.
    """

    hops_mm: list[float]
    down_mm: float = 0.0
    press_mm: float = 0.0
    push_mm: float = 0.0
    waits_s: float = 0.0
    walked_s: float = 0.0
    aside_s: float = 0.0
    retract_mm: float = 0.0
    draw_mm: float = 0.0
    up_mm: float = 0.0


def _strokes(moves: tuple[Move, ...]) -> list[_Stroke]:
    found = [_Stroke(hops_mm=[])]
    before: Move | None = None
    for move in moves:
        here = found[-1]
        swept = move.plunger_mm - (before.plunger_mm if before is not None else 0.0)
        rise = move.z_mm - before.z_mm if before is not None else 0.0
        if move.step in (Step.LIFT, Step.RAISE):
            if before is None:
                here.aside_s += move.duration_s  # from nobody knows where
            here.up_mm += rise
            here.draw_mm += -swept
        elif move.step is Step.TRAVEL:
            if before is not None and before.step in (Step.LIFT, Step.RAISE):
                here = _Stroke(hops_mm=[])
                found.append(here)
            here.hops_mm.append(_across(before, move))
        elif move.step is Step.LOWER:
            if here.up_mm > 0:
                here = _Stroke(hops_mm=[])
                found.append(here)
            here.down_mm += -rise
            here.press_mm += swept
        elif move.step is Step.PUSH:
            here.push_mm += swept
        elif move.step is Step.RETRACT:
            here.retract_mm += -swept
        elif move.step is Step.LAY:
            here.walked_s += move.duration_s
        elif move.step is Step.DWELL:
            here.waits_s += move.duration_s
        else:
            here.aside_s += move.duration_s
        before = move
    return found


def _across(before: Move | None, move: Move) -> float:
    """The longer of the two axes' ways [mm]; both go at once."""
    if before is None:
        return 0.0
    return max(abs(move.x_mm - before.x_mm), abs(move.y_mm - before.y_mm))

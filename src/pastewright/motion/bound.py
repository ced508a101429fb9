"""Motions to the least time that the same lifts, sweeps and hops can take at the bench's limits.

Every axis makes its ways as fast as it may, each stroke of the plunger in one go, and whatever the paste does not forbid
goes on at once:

    lowering ║ press ┄┄┄┄┄┄┄┐                          ┌┄┄┄┄┄┄┄ draw ║ lifting
                            └ rest of the push · wait · first of the retraction ┘

What must be done while the tip stands is the rest of a push behind its press and the first of a retraction before its
draw, as parts of whole strokes: a controller that does not stop between them is no faster. A bead is walked as its paste
asks for, and a lift that breaks a thread of paste off is as slow as the profile asks. The way over the board is that of the
motions; what a better order could save is told apart (`route.bound`).
Nothing here is taken from how the moves were made or timed but ways and waits.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.motion.model import Motions, Move, Step
from pastewright.profile.model import Profile

Floats = NDArray[np.float64]

TINY_MM = 1e-12  # no way at all; it only keeps zeros out of quotients


def least_time_s(motions: Motions, profile: Profile) -> float:
    """Return a time [s] that no controller can beat with the same lifts, sweeps, waits and hops."""
    machine, drive = profile.machine, profile.plunger
    across = _Limits(machine.speed_xy_mm_s, machine.accel_xy_mm_s2)
    upright = _Limits(machine.speed_z_mm_s, machine.accel_z_mm_s2)
    plunger = _Limits(drive.speed_mm_s, drive.accel_mm_s2)
    strokes = _strokes(motions.moves, lift_mm_s=machine.speed_z_mm_s)
    hops, down, up, press, push, retract, draw = (
        np.array(ways)
        for ways in (
            [way for stroke in strokes for way in stroke.hops_mm],
            [stroke.down_mm for stroke in strokes],
            [stroke.up_mm for stroke in strokes],
            [stroke.press_mm for stroke in strokes],
            [stroke.push_mm for stroke in strokes],
            [stroke.retract_mm for stroke in strokes],
            [stroke.draw_mm for stroke in strokes],
        )
    )
    forward, back = press + push, retract + draw
    down_s, up_s = upright.whole_s(down), upright.whole_s(up)
    # The last of a stroke mirrors its first. A walk begins and ends at rest, and the plunger in step with it.
    each_s = (
        down_s
        + up_s
        + plunger.first_s(forward, push)
        + np.maximum(plunger.first_s(forward, press) - down_s, 0.0)
        + plunger.first_s(back, retract)
        + np.maximum(plunger.first_s(back, draw) - up_s, 0.0)
    )
    fixed_s = sum(stroke.waits_s + stroke.aside_s + stroke.walked_s for stroke in strokes)
    return float(across.whole_s(hops).sum() + each_s.sum() + fixed_s)


@dataclass(frozen=True, slots=True)
class _Limits:
    """Speed [mm/s] and acceleration [mm/s²] of an axis; ways are arrays, and so are times."""

    speed: float
    accel: float

    def whole_s(self, way_mm: Floats) -> Floats:
        """Least time from rest to rest [s]: the textbook's trapezoid or triangle."""
        far = np.maximum(way_mm, TINY_MM)
        top = np.minimum(self.speed, np.sqrt(self.accel * far))
        return np.where(way_mm > 0, far / top + top / self.accel, 0.0)

    def first_s(self, whole_mm: Floats, part_mm: Floats) -> Floats:
        """Least time for the first `part_mm` of a stroke that goes on, and rests after `whole_mm` [s]."""
        part_mm = np.minimum(part_mm, whole_mm)
        whole, part = np.maximum(whole_mm, TINY_MM), np.maximum(part_mm, 0.0)
        top = np.minimum(self.speed, np.sqrt(self.accel * whole))
        rise_mm = top**2 / (2 * self.accel)
        rising_s = np.sqrt(2 * part / self.accel)
        running_s = top / self.accel + (part - rise_mm) / top
        falling_s = self.whole_s(whole) - np.sqrt(2 * np.maximum(whole - part, 0.0) / self.accel)
        met = [part_mm <= 0, part <= rise_mm, part <= whole - rise_mm]
        return np.select(met, [np.zeros_like(part), rising_s, running_s], falling_s)


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


def _strokes(moves: tuple[Move, ...], *, lift_mm_s: float) -> list[_Stroke]:
    found = [_Stroke(hops_mm=[])]
    before: Move | None = None
    for move in moves:
        here = found[-1]
        swept = move.plunger_mm - (before.plunger_mm if before is not None else 0.0)
        rise = move.z_mm - before.z_mm if before is not None else 0.0
        step = _counted_as(move, swept, lift_mm_s)
        if step in (Step.LIFT, Step.RAISE):
            if before is None:
                here.aside_s += move.duration_s  # from nobody knows where
            here.up_mm += rise
            here.draw_mm += -swept
        elif step is Step.TRAVEL:
            if before is not None and before.step in (Step.LIFT, Step.RAISE):
                here = _Stroke(hops_mm=[])
                found.append(here)
            here.hops_mm.append(_across(before, move))
        elif step is Step.LOWER:
            if here.up_mm > 0:
                here = _Stroke(hops_mm=[])
                found.append(here)
            here.down_mm += -rise
            here.press_mm += swept
        elif step is Step.PUSH:
            here.push_mm += swept
        elif step is Step.RETRACT:
            here.retract_mm += -swept
        elif step is Step.LAY:
            here.walked_s += move.duration_s
        elif step is Step.DWELL:
            here.waits_s += move.duration_s
        else:
            here.aside_s += move.duration_s
        before = move
    return found


def _counted_as(move: Move, swept: float, lift_mm_s: float) -> Step:
    """A lift that is slower than the axis, with the plunger still, is a wait: a thread of paste breaks."""
    slow = move.step is Step.LIFT and swept == 0 and move.speed_mm_s < lift_mm_s
    return Step.DWELL if slow else move.step


def _across(before: Move | None, move: Move) -> float:
    """The longer of the two axes' ways [mm]; both go at once."""
    if before is None:
        return 0.0
    return max(abs(move.x_mm - before.x_mm), abs(move.y_mm - before.y_mm))

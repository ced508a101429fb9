"""`Motions` to the turns that the chain of deposits is made of: what the motor does for each strip, dot and bead."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.motion.model import Motions, Step
from pastewright.plunger.answer import Turns
from pastewright.profile.model import Profile

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LaidTurns:
    """Turns in the order they are laid, the deposit of each (None for a strip), and how long the plunger stood
    before it [s].
    """

    deposits: tuple[int | None, ...]
    turns: Turns
    idle_s: Floats


@dataclass(slots=True)
class _Turn:
    """A turn as its moves come: ways [mm] and times [s] of push, middle and retraction."""

    deposit: int | None
    idle_s: float
    way_mm: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    seconds: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    speed_mm_s: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])


def laid_by(motions: Motions, profile: Profile, volumes_ul: Mapping[int, float]) -> LaidTurns:
    """Return the turns of a journey; `volumes_ul` are what each deposit is to lay, by its index."""
    found = _turns(motions)
    way = np.array([turn.way_mm for turn in found])
    seconds = np.array([turn.seconds for turn in found])
    accel = profile.plunger.accel_mm_s2
    rise = np.array(
        [
            [
                min(speed / accel, sqrt(abs(mm) / accel))
                for speed, mm in zip(t.speed_mm_s, t.way_mm, strict=True)
            ]
            for t in found
        ]
    )
    rise[:, 1] = 0.0
    net = way.sum(axis=1) * profile.barrel.area_mm2 * profile.tuning.gain
    volume = np.array(
        [
            volumes_ul.get(-1 if t.deposit is None else t.deposit, n)
            for t, n in zip(found, net.tolist(), strict=True)
        ]
    )
    return LaidTurns(
        tuple(turn.deposit for turn in found),
        Turns(way_mm=way, seconds=seconds, rise_s=np.minimum(rise, seconds / 2), volume_ul=volume),
        np.array([turn.idle_s for turn in found]),
    )


def _turns(motions: Motions) -> list[_Turn]:
    """Each turn begins with a push that follows a retraction, or that is another deposit's, where there was nothing to
    draw back; what the plunger does between is its middle.
    """
    found: list[_Turn] = []
    idle, before, here = 0.0, 0.0, None
    for move in motions.moves:
        way = move.plunger_mm - before
        before = move.plunger_mm
        if way > 0 and (here is None or here.way_mm[2] < 0 or here.deposit != move.deposit):
            here = _Turn(move.deposit, idle)
            found.append(here)
        if here is None or (way == 0 and here.way_mm[2] < 0):
            idle += move.duration_s
            continue
        if way < 0:
            slot = 2
        elif way == 0 or move.step is Step.LAY:
            slot = 1
        else:
            slot = 0
        here.way_mm[slot] += way
        here.seconds[slot] += move.duration_s
        # Where the tip moves too, its own speed is told; ramps of the time are then near enough.
        here.speed_mm_s[slot] = max(
            here.speed_mm_s[slot], move.speed_mm_s if move.step is not Step.LAY else 0.0
        )
        idle = 0.0
    return found

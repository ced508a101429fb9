"""`Motions` to the turns that the chain of deposits is made of: what the motor does for each strip, dot and bead."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.motion.model import Motions, Move, Step
from pastewright.plunger.answer import DRAW, MIDDLE, PRESS, PUSH, RETRACT, STROKES, Turns
from pastewright.plunger.structure import stood_between
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

    def stood_s(self, flow_index: float) -> Floats:
        """How long paste stood before it flowed for each turn [s], with the still part of pushes and retractions."""
        seconds = self.turns.seconds
        before = np.vstack([np.zeros(len(STROKES)), seconds[:-1]])
        still_s = self.idle_s + seconds[:, PRESS] + before[:, DRAW]
        return stood_between(still_s, seconds[:, PUSH], before[:, RETRACT], flow_index)


@dataclass(slots=True)
class _Turn:
    """A turn as its moves come: ways [mm], times and ramps [s] of its strokes."""

    deposit: int | None
    idle_s: float
    way_mm: list[float] = field(default_factory=lambda: [0.0] * len(STROKES))
    seconds: list[float] = field(default_factory=lambda: [0.0] * len(STROKES))
    rise_s: list[float] = field(default_factory=lambda: [0.0] * len(STROKES))

    @property
    def drawn_back(self) -> bool:
        return self.way_mm[RETRACT] < 0 or self.way_mm[DRAW] < 0


def laid_by(motions: Motions, profile: Profile, volumes_ul: Mapping[int, float]) -> LaidTurns:
    """Return the turns of a journey; `volumes_ul` are what each deposit is to lay, by its index."""
    found = _turns(motions, profile)
    way = np.array([turn.way_mm for turn in found])
    seconds = np.array([turn.seconds for turn in found])
    rise = np.array([turn.rise_s for turn in found])
    rise[:, MIDDLE] = 0.0
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


def _turns(motions: Motions, profile: Profile) -> list[_Turn]:
    """Each turn begins with a push that follows a retraction, or that is another deposit's, where there was nothing to
    draw back; what the plunger does between is its middle.
    """
    found: list[_Turn] = []
    idle, before, height, here = 0.0, 0.0, 0.0, None
    for move in motions.moves:
        way, up = move.plunger_mm - before, abs(move.z_mm - height)
        before, height = move.plunger_mm, move.z_mm
        if way > 0 and (here is None or here.drawn_back or here.deposit != move.deposit):
            here = _Turn(move.deposit, idle)
            found.append(here)
        if here is None or (way == 0 and here.drawn_back):
            idle += move.duration_s
            continue
        slot = _slot(move, way, here)
        here.way_mm[slot] += way
        here.seconds[slot] += move.duration_s
        here.rise_s[slot] = max(here.rise_s[slot], _ramp_s(move, abs(way), up, profile))
        idle = 0.0
    return found


def _slot(move: Move, way_mm: float, here: _Turn) -> int:
    """Which stroke of its turn a move is part of."""
    if way_mm < 0:
        return DRAW if move.step is Step.LIFT else RETRACT
    if way_mm > 0 and move.step is Step.LOWER:
        return PRESS
    if move.step is Step.PUSH and here.way_mm[PUSH] == 0:
        return PUSH
    return MIDDLE  # what is fed while the tip stands at a bead's end, too


def _ramp_s(move: Move, way_mm: float, up_mm: float, profile: Profile) -> float:
    """One ramp of a move [s]: of the plunger alone, or of the tip going up or down with it."""
    length, accel = way_mm, profile.plunger.accel_mm_s2
    if move.step in (Step.LOWER, Step.LIFT):
        length, accel = up_mm, min(profile.machine.accel_z_mm_s2, accel * up_mm / way_mm)
    return min(move.speed_mm_s / accel, sqrt(length / accel))

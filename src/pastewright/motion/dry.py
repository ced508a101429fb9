"""Motions to the same journey in the air: plunger still, tip at travel height, for the first run on a bench."""

from dataclasses import replace
from math import dist

from msgspec import structs

from pastewright.motion.model import Motions, Move, Step
from pastewright.profile.model import Profile


def dry(motions: Motions, profile: Profile) -> Motions:
    """Return the journey with every height the travel height and the plunger where it began.

    Lowering and lifting fall away. Where the plunger alone would move, the tip waits as long, and where the tip runs
    into or out of a bead it takes about as long, so that the pace over the board is the real one and can be
    followed by eye.
    """
    # Above a board that rises the journey goes higher than the profile says.
    z_mm = max((move.z_mm for move in motions.moves), default=profile.travel_z_mm)
    moves: list[Move] = []
    begins: list[int] = []  # where each old move begins among the new ones
    place: tuple[float, float] | None = None
    for move in motions.moves:
        before, place = place, (move.x_mm, move.y_mm)
        begins.append(len(moves))
        if move.step in (Step.LOWER, Step.LIFT):
            continue
        if move.step in (Step.PUSH, Step.RETRACT):
            way_mm = dist(before, place) if before is not None else 0.0
            if way_mm > 0:
                move = structs.replace(move, step=Step.LAY, speed_mm_s=way_mm / move.duration_s)
            else:
                move = structs.replace(move, step=Step.DWELL, speed_mm_s=0.0)
        moves.append(structs.replace(move, z_mm=z_mm, plunger_mm=0.0))
    return replace(
        motions,
        moves=tuple(moves),
        sections=tuple((begins[index], heading) for index, heading in motions.sections),
        machine_s=sum(move.duration_s for move in moves),
        swept_ul=0.0,
        dry=True,
    )

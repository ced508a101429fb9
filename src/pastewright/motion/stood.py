"""A journey to how long paste stood before each deposit: what stiffens it (`plunger.structure`)."""

import numpy as np
from numpy.typing import NDArray

from pastewright.motion.model import Motions, Step
from pastewright.plunger.structure import stood_between

# Steps in which paste flows; in a retraction it does in part.
FLOWING = (Step.PUSH, Step.DWELL, Step.LAY)


def stood_s(motions: Motions, flow_index: float) -> NDArray[np.float64]:
    """Return how long paste stood before it flowed for each deposit [s], in the order they are laid."""
    rows: dict[int, tuple[float, float, float]] = {}
    flowed: set[int | None] = {None}
    idle, back = 0.0, 0.0
    for move in motions.moves:
        here = move.deposit
        if move.step is Step.RETRACT:
            back += move.duration_s
        elif move.step not in FLOWING:
            idle += move.duration_s
        if here is not None and here not in flowed:
            rows[here] = (idle, move.duration_s if move.step is Step.PUSH else 0.0, back)
        if move.step in FLOWING:
            flowed.add(here)
            idle, back = 0.0, 0.0
    idles, pushes, backs = np.array(list(rows.values())).reshape(-1, 3).T
    return stood_between(idles, pushes, backs, flow_index)

"""A drawn photo of the demo board as its plan pastes it, with two faults: FB1-1 is missing, R2's pads are joined."""

import cv2
from drawn_boards import board_photo

from pastewright.records.plan import PlanRecord

MIDDLE_MM = (14.0, 26.0)
MISSING, JOINED = "FB1-1", ("R2-1", "R2-2")


_drawn: dict[str, bytes] = {}
"""By what is laid where: several tests look at the same photo, which takes seconds to draw."""


def pasted_png(plan: PlanRecord) -> bytes:
    """PNG of a part of the top side, some fifty pads."""
    laid = repr(plan.pads)
    if laid not in _drawn:
        _drawn[laid] = _png(plan)
    return _drawn[laid]


def _png(plan: PlanRecord) -> bytes:
    first = {pad.id: pad.deposits[0] for pad in plan.pads if pad.deposits}
    photo = board_photo(
        plan,
        middle_mm=MIDDLE_MM,
        left_out=frozenset({first[MISSING].id}),
        joined=((first[JOINED[0]].points_mm[0], first[JOINED[1]].points_mm[0]),),
    )
    good, data = cv2.imencode(".png", cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2BGR))
    assert good
    return data.tobytes()

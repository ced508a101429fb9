"""What a thermal land gets: its own form where that is level and lies clear, else a pattern that is (`balanced`)."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from msgspec import structs
from shapely.geometry import MultiPolygon, Polygon

from pastewright.board.model import Pad
from pastewright.deposit.balanced import (
    MOST_IMBALANCE,
    LevelGround,
    balanced_field,
    imbalance,
    merged_panes,
)
from pastewright.deposit.frame import Frame
from pastewright.deposit.grids import FIELD_DOTS
from pastewright.deposit.laid import LaidPad
from pastewright.deposit.limits import FormChoice, FormLimits, Piece
from pastewright.deposit.model import Balance
from pastewright.near import NearPlaces
from pastewright.records.kinds import Form

RUN_TOGETHER_MM = 0.1
"""Dots of one land nearer than this meet when the part is set on them; the gap that different nets must keep."""


def levelled(
    pad: Pad,
    own: LaidPad,
    areas: Sequence[Polygon],
    *,
    frame: Frame,
    holes: Sequence[Polygon],
    volume_ul: float,
    limits: FormLimits,
) -> LaidPad:
    """Return what is laid on a thermal land, with its balance.

    `own` is what its `areas` (panes, or the land or its opening) get by themselves; `frame` and `holes` are those of
    the land, or of the one opening. A form of its own stays where it has no warnings, no more dots than a land needs,
    and the paste's centre near the pad's.
    """
    panes: list[Polygon] = [part for area in areas for part in shapely.get_parts(frame.to_local(area))]
    whole = frame.to_local(pad.land if len(areas) > 1 else areas[0])
    left: object = whole
    if holes:
        left = whole.difference(frame.to_local(shapely.union_all(list(holes)).buffer(limits.overhang_mm)))
    free = left if isinstance(left, Polygon | MultiPolygon) else Polygon()
    middle = MultiPolygon(panes).centroid
    centre = middle if len(areas) > 1 else whole.centroid
    ground = LevelGround(
        free=free, centre_mm=(float(centre.x), float(centre.y)), half_width_mm=frame.short_mm / 2
    )
    pieces = [
        replace(piece, points_mm=tuple(_local(frame, at.to_board(*point)) for point in piece.points_mm))
        for at, choice in own.parts
        for piece in choice.pieces
    ]
    off = imbalance(pieces, ground)
    astray = len(areas) > 1 and own.form is not Form.PANES
    if own.warnings or astray or off > MOST_IMBALANCE or _too_many(pieces):
        choice = _pattern(panes, volume_ul, ground, limits)
        if choice is not None:
            pieces, off = list(choice.pieces), imbalance(choice.pieces, ground)
            own = LaidPad(form=choice.form, parts=((frame, choice),), reason=choice.reason, warnings=())
    balance = Balance(
        centre_mm=frame.to_board(*ground.centre_mm), half_width_mm=ground.half_width_mm, imbalance=off
    )
    if off > MOST_IMBALANCE:
        words = (
            f"the paste's centre lies {100 * off:.0f} % of the half width beside the pad's ({100 * MOST_IMBALANCE:g} %"
            " are allowed): the part may lean; fill or tent the holes, or set the openings otherwise"
        )
        own = structs.replace(own, warnings=(*own.warnings, words))
    return structs.replace(own, balance=balance)


def _pattern(
    panes: Sequence[Polygon], volume_ul: float, ground: LevelGround, limits: FormLimits
) -> FormChoice | None:
    if ground.free.is_empty:
        return None
    merged = merged_panes(panes, volume_ul, ground, limits) if len(panes) > 1 else None
    return merged or balanced_field(volume_ul, ground, limits)


def _too_many(pieces: Sequence[Piece]) -> bool:
    """Tell whether there are more dots than a land needs, so near each other that they run together anyway."""
    if len(pieces) <= FIELD_DOTS:
        return False
    at = np.array([piece.points_mm[0] for piece in pieces])
    nearest_mm = NearPlaces(at).some(at, 2)[0][:, 1]
    return bool((nearest_mm - max(piece.width_mm for piece in pieces)).min() < RUN_TOGETHER_MM)


def _local(frame: Frame, at_mm: tuple[float, float]) -> tuple[float, float]:
    dx, dy = at_mm[0] - frame.x_mm, at_mm[1] - frame.y_mm
    return dx * frame.ux + dy * frame.uy, dy * frame.ux - dx * frame.uy

"""Pads whose form is wished: dots, or a bead along the pad, where that holds the whole dose; else as they would be laid."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import shapely
from msgspec import structs
from shapely.geometry import Polygon

from pastewright.board.model import Board, Pad, PadKind
from pastewright.deposit.forms import whole_dose
from pastewright.deposit.frame import Frame
from pastewright.deposit.laid import LaidPad
from pastewright.deposit.limits import FormChoice, FormLimits
from pastewright.deposit.model import DepositKind, PadPlan
from pastewright.deposit.odd import footprint, lies_within
from pastewright.deposit.singly import hole_shape
from pastewright.dose.model import Dose
from pastewright.job.model import FormWish, LaidAs
from pastewright.records.kinds import Form

KINDS = {LaidAs.DOTS: DepositKind.DOT, LaidAs.BEAD: DepositKind.BEAD}


def as_wished(
    laid: Mapping[int, LaidPad],
    wishes: Mapping[int, FormWish],
    board: Board,
    doses: Sequence[Dose],
    limits: FormLimits,
) -> dict[int, LaidPad]:
    """Return what each pad gets, those with a wish in the form that is wished; a wish that cannot be met is told."""
    found = dict(laid)
    for index, wish in wishes.items():
        kind = KINDS.get(wish.laid_as)
        if kind is None or index not in laid:
            continue
        own = laid[index]
        if all(piece.kind is kind for _, choice in own.parts for piece in choice.pieces):
            continue
        new = _wished(own, kind, board, index, doses[index].target_ul, limits)
        if isinstance(new, str):
            words = f"wished as {_words(wish)}, and laid as usual: {new}"
            found[index] = structs.replace(own, warnings=(*own.warnings, words))
        else:
            found[index] = new
    return found


def rowless(wishes: Mapping[int, FormWish], plans: Sequence[PadPlan]) -> Iterator[int]:
    """Yield the pads that are wished in a bead across a row, get paste, and lie in none."""
    for index, wish in wishes.items():
        if wish.laid_as is LaidAs.ROW and plans[index].deposits and plans[index].form is not Form.ROW_BEAD:
            yield index


def _words(wish: FormWish) -> str:
    return "a bead" if wish.laid_as is LaidAs.BEAD else str(wish.laid_as)


def _wished(
    own: LaidPad, kind: DepositKind, board: Board, index: int, volume_ul: float, limits: FormLimits
) -> LaidPad | str:
    """Return a pad laid by deposits of a kind, or why it cannot be."""
    pad = board.pads[index]
    if pad.path_mm:
        return "its land was drawn as a line, which a bead follows"
    if own.balance is not None:
        return "a thermal land is laid level about its middle"
    holes = [] if pad.kind is PadKind.THROUGH_HOLE else _holes(board, pad)
    parts: list[tuple[Frame, FormChoice]] = []
    for frame, choice in own.parts:
        share_ul = volume_ul if len(own.parts) == 1 else choice.volume_ul
        new = whole_dose(frame.long_mm, frame.short_mm, share_ul, limits, frozenset({kind}))
        if new is None or not lies_within(new, frame.to_local(pad.land), limits.overhang_mm):
            return "none holds the dose within the land with this tip"
        covered = shapely.union_all([footprint(piece) for piece in new.pieces])
        if any(covered.intersects(frame.to_local(hole)) for hole in holes):
            return "it would lie over a hole in the land"
        parts.append((frame, replace(new, reason=f"{_form_words(new)}, as the job wishes")))
    if len(parts) == 1:
        return LaidPad(form=parts[0][1].form, parts=tuple(parts), reason=parts[0][1].reason, warnings=())
    reason = f"in each of {len(parts)} panes {parts[0][1].reason}"
    return structs.replace(own, parts=tuple(parts), reason=reason)


def _holes(board: Board, pad: Pad) -> list[Polygon]:
    shapes = [hole_shape(hole) for hole in board.holes]
    return [shape for shape in shapes if shape.intersects(pad.land)]


def _form_words(choice: FormChoice) -> str:
    count, width_mm = len(choice.pieces), choice.pieces[0].width_mm
    if choice.form in (Form.BEAD, Form.SERPENTINE):
        return f"a bead {width_mm:.2f} mm wide" + (" to and fro" if choice.form is Form.SERPENTINE else "")
    return f"{count} dots {width_mm:.2f} mm wide" if count > 1 else f"one dot {width_mm:.2f} mm wide"

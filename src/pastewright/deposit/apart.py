"""Pads whose paste would meet that of another net: mended where it can be, in the order of what it costs.

1. inwards: the pad's deposits move away from the neighbour, within the land and its overhang;
2. narrower: another form of the same dose, such as a row of dots or a bead, that reaches less far to that side;
3. trimmed: less paste, no less than the stated share of the dose, and only where that is enough.

Each step takes only pads that are still too near, and is taken back where it brings a pad nearer to another one.
What remains is told with the one change that would mend it: a finer tip, or the share of the dose that would do.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from math import dist, hypot

import numpy as np
import shapely
from msgspec import Struct, structs

from pastewright.board.model import Pad, PadKind
from pastewright.deposit.bridging import Near
from pastewright.deposit.forms import attempt
from pastewright.deposit.frame import Frame
from pastewright.deposit.laid import LaidPad
from pastewright.deposit.limits import EPS, FormChoice, FormLimits, Piece, bead_piece, dot_piece, finer_tip
from pastewright.deposit.model import Deposit, DepositKind
from pastewright.deposit.odd import footprint
from pastewright.deposit.shape import bead_volume_ul
from pastewright.records.kinds import Form

RECTANGLE_FILL = 0.9
"""Lands that fill less of their least rectangle get no other form by its sides alone, as when forms are chosen."""

PLAIN = frozenset({Form.DOT, Form.DOT_ROW, Form.BEAD, Form.DOT_FIELD})

LayOut = Callable[[Mapping[int, LaidPad]], tuple[Sequence[Deposit], Sequence[Near]]]
"""Lays the pads out and tells which deposits are too near."""


class Press(Struct, frozen=True, kw_only=True):
    """One neighbour too near: which way leads away from it [mm, board, length 1], and by how much this pad must yield."""

    away: tuple[float, float]
    need_mm: float
    other: int


class Yielding(Struct, frozen=True, kw_only=True):
    """What pads may do: their lands and doses, the bench, and the gap that must remain."""

    pads: Sequence[Pad]
    targets_ul: Sequence[float]
    limits: FormLimits
    gap_mm: float
    kept: Collection[int] = ()
    """Pads whose form is wished: they may move and get less, and stay what they are."""


def kept_apart(
    laid: dict[int, LaidPad], fixed: frozenset[int], lay_out: LayOut, yielding: Yielding
) -> dict[int, LaidPad]:
    """Return the pads with what could be mended; `fixed` are pads whose paste lies in a bead across a row."""
    for step in (_inwards, _narrower):
        presses = _presses(laid, fixed, *lay_out(laid), yielding)
        if not presses:
            return laid
        moved = {
            index: new
            for index, pressed in presses.items()
            if (new := step(index, laid[index], pressed, yielding)) is not None
        }
        laid = _unless_worse(laid, moved, presses, fixed, lay_out, yielding)
    return _trimmed(laid, _presses(laid, fixed, *lay_out(laid), yielding), yielding)


def mend_words(one: int, other: int, gap_mm: float, laid: Mapping[int, LaidPad], yielding: Yielding) -> str:
    """Return the one change that would mend a pair that is left too near."""
    lacking_mm = yielding.gap_mm - gap_mm
    both = [index for index in (one, other) if index in laid and _yields(index, laid[index], yielding)]

    def possible(finer: FormLimits) -> bool:
        return bool(both) and all(
            _reshaped(laid[index], lacking_mm / len(both), yielding.targets_ul[index], finer) is not None
            for index in both
        )

    tip = finer_tip(possible, yielding.limits) if both else "no tip of the table could"
    if not tip.startswith("no tip"):
        return f"{tip} lay it narrower"
    widths = [max(p.width_mm for _, c in laid[i].parts for p in c.pieces) for i in (one, other) if i in laid]
    if widths and lacking_mm < sum(widths):
        share = (1 - lacking_mm / sum(widths)) ** 3
        return f"{100 * share:.0f} % of the dose on both would leave the gap: set it by a rule, or place more exactly"
    return "set less paste by a rule, or place more exactly"


def _yields(index: int, own: LaidPad, yielding: Yielding) -> bool:
    """Tell whether a pad's paste may be changed: not balanced, drawn, over a hole, or in several areas."""
    pad = yielding.pads[index]
    return len(own.parts) == 1 and own.balance is None and not pad.path_mm and pad.kind is PadKind.SURFACE


def _presses(
    laid: Mapping[int, LaidPad],
    fixed: frozenset[int],
    deposits: Sequence[Deposit],
    near: Sequence[Near],
    yielding: Yielding,
) -> dict[int, list[Press]]:
    place = {pad.id: index for index, pad in enumerate(yielding.pads)}
    found: dict[int, list[Press]] = defaultdict(list)
    for pair in near:
        sides = (deposits[pair.one], deposits[pair.other])
        owners = [place[side.shares[0].pad_id] for side in sides]
        free = [
            len(side.shares) == 1
            and owner not in fixed
            and owner in laid
            and _yields(owner, laid[owner], yielding)
            for side, owner in zip(sides, owners, strict=True)
        ]
        if not any(free):
            continue
        way = shapely.get_coordinates(shapely.shortest_line(*(_path(side) for side in sides)))
        dx, dy = (way[0] - way[-1]).tolist()
        length = hypot(dx, dy)
        if length < EPS:
            continue
        need_mm = (yielding.gap_mm - pair.gap_mm) / sum(free)
        for k, sign in ((0, 1.0), (1, -1.0)):
            if free[k]:
                away = (sign * dx / length, sign * dy / length)
                found[owners[k]].append(Press(away=away, need_mm=need_mm, other=owners[1 - k]))
    return found


def _path(deposit: Deposit) -> shapely.Geometry:
    if deposit.kind is DepositKind.DOT:
        return shapely.Point(deposit.points_mm[0])
    return shapely.LineString(deposit.points_mm)


def _local(frame: Frame, away: tuple[float, float]) -> tuple[float, float]:
    return away[0] * frame.ux + away[1] * frame.uy, away[1] * frame.ux - away[0] * frame.uy


def _with(own: LaidPad, choice: FormChoice) -> LaidPad:
    return structs.replace(
        own,
        form=choice.form,
        parts=((own.parts[0][0], choice),),
        reason=choice.reason,
        warnings=choice.warnings,
    )


def _inwards(index: int, own: LaidPad, presses: Sequence[Press], yielding: Yielding) -> LaidPad | None:
    """The same deposits, moved away from the neighbours as far as the land allows."""
    frame, choice = own.parts[0]
    ways = np.array([_local(frame, press.away) for press in presses])
    needs = np.array([[press.need_mm] for press in presses])
    wanted = (ways * needs).max(axis=0, initial=0.0) + (ways * needs).min(axis=0, initial=0.0)
    room = frame.to_local(yielding.pads[index].land).buffer(yielding.limits.overhang_mm + 1e-6, quad_segs=16)
    for share in (1.0, 0.5):
        du, dv = (share * wanted).tolist()
        pieces = tuple(
            replace(piece, points_mm=tuple((u + du, v + dv) for u, v in piece.points_mm))
            for piece in choice.pieces
        )
        if hypot(du, dv) > 1e-3 and room.contains(shapely.union_all([footprint(piece) for piece in pieces])):
            return _with(
                own, replace(choice, pieces=pieces, reason=f"{choice.reason}, moved away from a neighbour")
            )
    return None


def _narrower(index: int, own: LaidPad, presses: Sequence[Press], yielding: Yielding) -> LaidPad | None:
    """Another form of the same dose that reaches less far across the land."""
    frame, choice = own.parts[0]
    if index in yielding.kept or choice.form not in PLAIN or frame.fill < RECTANGLE_FILL or choice.warnings:
        return None
    sideways = [
        press for press in presses if abs(_local(frame, press.away)[1]) > abs(_local(frame, press.away)[0])
    ]
    if len(sideways) < len(presses):
        return None
    need_mm = max(press.need_mm for press in sideways)
    new = _reshaped(own, need_mm, yielding.targets_ul[index], yielding.limits)
    return (
        None
        if new is None
        else _with(own, replace(new, reason=f"{new.reason}; wider would come too near a neighbour"))
    )


def _reshaped(own: LaidPad, need_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """A form whole in its dose that reaches less far across by `need_mm` on either side; None where there is none."""
    frame, choice = own.parts[0]
    before_mm = _reach_mm(choice)
    # The form may use the overhang: the land is taken narrower by what it must keep back from there.
    short_mm = 2 * (before_mm - need_mm - limits.overhang_mm)
    if short_mm <= limits.overhang_mm or frame.fill < RECTANGLE_FILL:
        return None
    new = attempt(frame.long_mm, min(short_mm, frame.short_mm), volume_ul, limits)
    kept = new.possible and not new.warnings and _reach_mm(new) <= before_mm - need_mm + EPS
    low = max((piece.height_mm for piece in new.pieces), default=0.0) <= limits.tall_mm
    return new if kept and low else None


def _reach_mm(choice: FormChoice) -> float:
    return max(abs(v) + piece.width_mm / 2 for piece in choice.pieces for _, v in piece.points_mm)


def _unless_worse(
    laid: dict[int, LaidPad],
    moved: Mapping[int, LaidPad],
    presses: Mapping[int, Sequence[Press]],
    fixed: frozenset[int],
    lay_out: LayOut,
    yielding: Yielding,
) -> dict[int, LaidPad]:
    """The pads after a step, without the changes that leave a pad, or its neighbour, with less room than before."""
    new = {**laid, **moved}
    after = _presses(new, fixed, *lay_out(new), yielding)

    def worst(found: Mapping[int, Sequence[Press]], index: int) -> float:
        return max((press.need_mm for press in found.get(index, ())), default=0.0)

    worse = {
        index
        for index in moved
        if worst(after, index) > worst(presses, index) + EPS
        or any(
            worst(after, press.other) > worst(presses, press.other) + EPS for press in after.get(index, ())
        )
    }
    return {**new, **{index: laid[index] for index in worse}}


def _trimmed(
    laid: dict[int, LaidPad], presses: Mapping[int, Sequence[Press]], yielding: Yielding
) -> dict[int, LaidPad]:
    """The pads with less paste where that is enough on both sides and within the stated share of the dose."""
    less = {
        index: new
        for index, pressed in presses.items()
        if (new := _less(index, laid[index], pressed, yielding)) is not None
    }
    # In vain where the neighbour cannot do its half; what falls out may take others with it.
    while True:
        vain = {
            index
            for index in less
            if any(press.other in presses and press.other not in less for press in presses[index])
        }
        if not vain:
            return {**laid, **less}
        less = {index: new for index, new in less.items() if index not in vain}


def _less(index: int, own: LaidPad, presses: Sequence[Press], yielding: Yielding) -> LaidPad | None:
    _, choice = own.parts[0]
    need_mm = max(press.need_mm for press in presses)
    pieces: list[Piece] = []
    for piece in choice.pieces:
        width_mm = piece.width_mm - 2 * need_mm
        dot = piece.kind is DepositKind.DOT
        least_mm = yielding.limits.least_dot_mm if dot else yielding.limits.least_bead_mm
        if width_mm < least_mm - EPS:
            return None
        if dot:
            volume_ul = piece.volume_ul * (width_mm / piece.width_mm) ** 3
            pieces.append(dot_piece(piece.points_mm[0], volume_ul, yielding.limits))
        else:
            path_mm = sum(dist(one, other) for one, other in pairwise(piece.points_mm))
            volume_ul = bead_volume_ul(width_mm, path_mm, yielding.limits.bead_ratio)
            pieces.append(bead_piece(piece.points_mm, volume_ul, width_mm, yielding.limits))
    share = sum(piece.volume_ul for piece in pieces) / yielding.targets_ul[index]
    if share < yielding.limits.trim_to - EPS:
        return None
    others = ", ".join(sorted({yielding.pads[press.other].id for press in presses})[:3])
    words = f"trimmed to {100 * share:.0f} % of its dose, to keep clear of {others}"
    return _with(own, replace(choice, pieces=tuple(pieces), warnings=(*choice.warnings, words)))

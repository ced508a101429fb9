"""What each pad gets by itself: forms in the frames of its areas, clear of holes."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from math import inf

import numpy as np
import shapely
from msgspec import structs
from shapely.geometry import LineString, MultiPolygon, Polygon

from pastewright.board.model import Board, Hole, Pad, PadKind
from pastewright.board.model import Point as PlanePoint
from pastewright.deposit.forms import choose
from pastewright.deposit.frame import BOARD_FRAME, Frame, frames
from pastewright.deposit.laid import LaidPad
from pastewright.deposit.limits import EPS, FormChoice, FormLimits
from pastewright.deposit.line import along_line
from pastewright.deposit.odd import choose_odd, fit_odd, lies_within
from pastewright.deposit.thermal import levelled
from pastewright.dose.model import Dose
from pastewright.records.kinds import Form

# Lands that fill less of their least rectangle are checked as drawn: rounded rectangles of the usual corner ratio
# 0.25 fill 0.946, circles 0.785.
_RECTANGLE_FILL = 0.9


# One aperture that opens less than this share of its land says where on the land the paste belongs.
_PARTIAL_OPENING = 0.6


# Paste for a hole may be printed beyond its land; it draws back in reflow (IPC-7525 on intrusive reflow, from memory).
HOLE_OVERHANG_MM = 0.3


class Chooser:
    """Chooses forms; equal lands with equal doses are chosen for once."""

    def __init__(self, bench: FormLimits) -> None:
        self.bench = bench
        # Paste over a hole may pile up: it goes into the hole.
        self._hole = replace(
            bench, overhang_mm=max(bench.overhang_mm, HOLE_OVERHANG_MM), tall_mm=inf, spread=inf
        )
        self._known: dict[tuple[int, float, bool], FormChoice] = {}
        self._clear: dict[tuple[int, float, bytes], FormChoice | None] = {}

    def choice(self, area: Polygon, frame: Frame, volume_ul: float, *, over_hole: bool = False) -> FormChoice:
        """Return the form for a dose on an area, chosen once for all areas alike."""
        # A femtolitre is far below what any plunger resolves; equal pads differ by less in rounding.
        name = (frame.shape, round(volume_ul, 9), over_hole)
        if name not in self._known:
            fresh = self._fresh(area, frame, name[1], over_hole=over_hole)
            self._known[name] = fresh if over_hole else self._told_if_tall(fresh)
        return self._known[name]

    def _told_if_tall(self, choice: FormChoice) -> FormChoice:
        high_mm = max(piece.height_mm for piece in choice.pieces)
        if high_mm <= self.bench.tall_mm + EPS:
            return choice
        words = (
            f"stands {high_mm:.2f} mm high, {self.bench.tall_mm:g} mm is the limit: less paste by a rule, or a"
            " finer tip that lays more dots"
        )
        return replace(choice, warnings=(*choice.warnings, words))

    def _fresh(self, area: Polygon, frame: Frame, volume_ul: float, *, over_hole: bool) -> FormChoice:
        bench = self._hole if over_hole else self.bench
        choice = choose(frame.long_mm, frame.short_mm, volume_ul, bench)
        if frame.fill >= _RECTANGLE_FILL and not area.interiors:
            return choice
        local = frame.to_local(area)
        if choice.possible and lies_within(choice, local, bench.overhang_mm):
            return choice
        odd = choose_odd(local, volume_ul, bench)
        return odd if odd.possible or choice.possible else choice

    def clear_of(
        self, area: Polygon, frame: Frame, holes: Sequence[Polygon], volume_ul: float
    ) -> FormChoice | None:
        """Return a form that keeps clear of holes; None when only a form over them meets the dose."""
        keep_out = frame.to_local(shapely.union_all(list(holes)).buffer(self.bench.overhang_mm))
        place = np.round(shapely.get_coordinates(keep_out), 3).tobytes()
        name = (frame.shape, round(volume_ul, 9), place)
        if name not in self._clear:
            left = frame.to_local(area).difference(keep_out)
            self._clear[name] = None
            if isinstance(left, Polygon | MultiPolygon) and not left.is_empty:
                fit = fit_odd(left, name[1], self.bench)
                self._clear[name] = None if fit is None else self._told_if_tall(fit)
        return self._clear[name]


def _areas(pad: Pad) -> list[Polygon]:
    """Where on a pad its paste belongs: window panes, a small opening, or the whole land."""
    if pad.kind is PadKind.THROUGH_HOLE or not pad.apertures:
        return [Polygon(pad.land.exterior)] if pad.kind is PadKind.THROUGH_HOLE else [pad.land]
    if len(pad.apertures) > 1 or pad.aperture_area_mm2 < _PARTIAL_OPENING * pad.land.area:
        return [aperture.shape for aperture in pad.apertures]
    return [pad.land]


def lay_singly(board: Board, doses: Sequence[Dose], chooser: Chooser) -> dict[int, LaidPad]:
    """What each pad gets by itself, by its place in the board; pads without a dose are left out."""
    pasted = [index for index, dose in enumerate(doses) if dose.target_ul > 0]
    wanted = [index for index in pasted if not board.pads[index].path_mm]
    areas = [_areas(board.pads[index]) for index in wanted]
    # Frames of all areas, then of the whole lands of pads with several areas, which may have to do instead.
    flat = [area for group in areas for area in group]
    spare = [board.pads[index].land for index, group in zip(wanted, areas, strict=True) if len(group) > 1]
    found = frames([*flat, *spare])
    holes = _holes_in([*flat, *spare], board.holes)
    laid: dict[int, LaidPad] = {}
    begin, instead = 0, len(flat)
    for index, group in zip(wanted, areas, strict=True):
        pad, volume_ul = board.pads[index], doses[index].target_ul
        end = begin + len(group)
        parts = _parts(
            pad, group, found[begin:end], volume_ul, chooser, [holes.get(k, []) for k in range(begin, end)]
        )
        own = _of_areas(parts)
        if len(group) > 1 and own.warnings:
            land, at = [pad.land], slice(instead, instead + 1)
            whole = _of_areas(_parts(pad, land, found[at], volume_ul, chooser, [holes.get(instead, [])]))
            if not whole.warnings:
                own = structs.replace(whole, reason=f"{whole.reason}; not pane by pane: {own.warnings[0]}")
        if pad.kind is PadKind.THERMAL:
            k = instead if len(group) > 1 else begin
            own = levelled(
                pad,
                own,
                group,
                frame=found[k],
                holes=holes.get(k, []),
                volume_ul=volume_ul,
                limits=chooser.bench,
            )
        instead += len(group) > 1
        laid[index] = own
        begin = end
    lines = [index for index in pasted if board.pads[index].path_mm]
    laid.update({index: _line(board.pads[index], doses[index].target_ul, chooser.bench) for index in lines})
    return dict(sorted(laid.items()))


def _line(pad: Pad, volume_ul: float, bench: FormLimits) -> LaidPad:
    """A bead along the line that the pad was drawn as."""
    choice = along_line(pad.path_mm, pad.path_width_mm, volume_ul, bench)
    return LaidPad(
        form=choice.form, parts=((BOARD_FRAME, choice),), reason=choice.reason, warnings=choice.warnings
    )


def _parts(
    pad: Pad,
    areas: Sequence[Polygon],
    area_frames: Sequence[Frame],
    volume_ul: float,
    chooser: Chooser,
    holes: Sequence[Sequence[Polygon]],
) -> list[tuple[Frame, FormChoice]]:
    """A form for each area of a pad; the dose is split by area."""
    over_hole = pad.kind is PadKind.THROUGH_HOLE
    total_mm2 = sum(area.area for area in areas)
    parts = []
    for area, frame, pierced in zip(areas, area_frames, holes, strict=True):
        share_ul = volume_ul * area.area / total_mm2 if len(areas) > 1 else volume_ul
        clear = chooser.clear_of(area, frame, pierced, share_ul) if pierced and not over_hole else None
        if clear is not None:
            choice = replace(clear, reason=f"{clear.reason}, clear of holes")
        else:
            choice = chooser.choice(area, frame, share_ul, over_hole=over_hole)
            if over_hole:
                choice = replace(choice, reason=f"{choice.reason}, over the hole")
            elif pierced:
                words = "paste lies over a hole in the land and may be drawn in: fill or tent it, or lay more by a rule"
                choice = replace(choice, warnings=(*choice.warnings, words))
        parts.append((frame, choice))
    return parts


def _of_areas(parts: list[tuple[Frame, FormChoice]]) -> LaidPad:
    if len(parts) == 1:
        choice = parts[0][1]
        return LaidPad(form=choice.form, parts=tuple(parts), reason=choice.reason, warnings=choice.warnings)
    reasons = Counter(choice.reason for _, choice in parts)
    if len(reasons) == 1:
        reason = f"in each of {len(parts)} panes {parts[0][1].reason}"
    else:
        reason = "; ".join(f"in {count} of {len(parts)} panes {words}" for words, count in reasons.items())
    doubts = Counter(words for _, choice in parts for words in choice.warnings)
    warnings = tuple(f"in {count} of {len(parts)} panes: {words}" for words, count in doubts.items())
    return LaidPad(form=Form.PANES, parts=tuple(parts), reason=reason, warnings=warnings)


def _holes_in(areas: Sequence[Polygon], holes: Sequence[Hole]) -> dict[int, list[Polygon]]:
    """The holes that pierce each area, by the area's place."""
    if not holes or not areas:
        return {}
    shapes = [hole_shape(hole) for hole in holes]
    area, hole = shapely.STRtree(shapes).query(np.array(areas, dtype=object), predicate="intersects")
    found: dict[int, list[Polygon]] = defaultdict(list)
    for k, h in sorted(zip(area.tolist(), hole.tolist(), strict=True)):
        found[k].append(shapes[h])
    return found


def hole_shape(hole: Hole) -> Polygon:
    """Return the ground of a hole or slot [mm, board]."""
    at: PlanePoint = (hole.x_mm, hole.y_mm)
    path = LineString([at, hole.slot_to_mm]) if hole.slot_to_mm is not None else shapely.Point(at)
    shape: Polygon = path.buffer(hole.diameter_mm / 2)
    return shape

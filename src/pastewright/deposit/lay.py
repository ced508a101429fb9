"""`Board` and doses to `Layout`: which dots and beads lay the doses down, and what cannot be done and why.

Each pad is first given a form of its own (`forms`, `odd`). Rows of pads whose single deposits would bridge then
get one bead across (`rows`). Last, every deposit is checked against its neighbours (`bridging`).
Deposits stay clear of holes, except those of paste-in-hole. Plungers and programs are left to later stages.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon

from pastewright.board.model import Board, Hole, Pad, PadKind
from pastewright.board.model import Point as PlanePoint
from pastewright.deposit.bridging import Near, near_deposits, touched_lands
from pastewright.deposit.forms import Form, FormChoice, FormLimits, Piece, choose, limits
from pastewright.deposit.frame import BOARD_FRAME, Frame, frames
from pastewright.deposit.line import along_line
from pastewright.deposit.model import Deposit, DepositKind, Layout, PadPlan, Share
from pastewright.deposit.odd import choose_odd, fit_odd, lies_within
from pastewright.deposit.rows import RowBead, Single, find_rows
from pastewright.dose.model import Dose
from pastewright.materials.model import Paste, Tip
from pastewright.materials.rules import LEAST_TIP_RATIO, TipFit, tip_fit, tip_ratio
from pastewright.profile.model import DepositSettings, Tuning

# Lands that fill less of their least rectangle are checked as drawn: rounded rectangles of the usual corner ratio
# 0.25 fill 0.946, circles 0.785.
_RECTANGLE_FILL = 0.9
# One aperture that opens less than this share of its land says where on the land the paste belongs.
_PARTIAL_OPENING = 0.6
# Paste for a hole may be printed beyond its land; it draws back in reflow (IPC-7525 on intrusive reflow, from memory).
HOLE_OVERHANG_MM = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Laid:
    """What a pad gets by itself: pieces with the frames they stand in."""

    form: Form
    parts: tuple[tuple[Frame, FormChoice], ...]
    reason: str
    warnings: tuple[str, ...]

    @property
    def possible(self) -> bool:
        return all(choice.possible for _, choice in self.parts)


class _Chooser:
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
        # A femtolitre is far below what any plunger resolves; equal pads differ by less in rounding.
        name = (frame.shape, round(volume_ul, 9), over_hole)
        if name not in self._known:
            self._known[name] = self._fresh(area, frame, name[1], over_hole=over_hole)
        return self._known[name]

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
                self._clear[name] = fit_odd(left, name[1], self.bench)
        return self._clear[name]


def lay(
    board: Board,
    doses: Sequence[Dose],
    *,
    tip: Tip,
    paste: Paste,
    tuning: Tuning,
    settings: DepositSettings,
) -> Layout:
    """Return the deposits of a board; `doses` are those of its pads, in order (else ValueError).

    Volumes of a pad's shares add up to its planned volume; what was trimmed, raised, cannot be done or may bridge
    is told in the pad's warnings.
    """
    if [dose.pad_id for dose in doses] != [pad.id for pad in board.pads]:
        raise ValueError("doses are not those of the board's pads, in order")
    bench = limits(tip=tip, paste=paste, tuning=tuning, settings=settings)
    chooser = _Chooser(bench)
    laid = _lay_singly(board, doses, chooser)
    lands = [pad.land for pad in board.pads]
    singles = [
        Single(
            index=index,
            pad=board.pads[index],
            frame=own.parts[0][0],
            target_ul=doses[index].target_ul,
            choice=own.parts[0][1],
        )
        for index, own in laid.items()
        if len(own.parts) == 1 and board.pads[index].kind is PadKind.SURFACE and not board.pads[index].path_mm
    ]
    rows = find_rows(singles, lands, settings=settings, limits=bench)
    deposits, plans = _collect(board, laid, rows.rows)
    notes: dict[int, list[str]] = defaultdict(list)
    for index, words in rows.refused.items():
        notes[index].append(words)
    pairs = _note_bridges(board, lands, deposits, notes, settings)
    plans = [
        replace(plan, warnings=(*plan.warnings, *notes[index])) if index in notes else plan
        for index, plan in enumerate(plans)
    ]
    failed = sum(not own.possible for index, own in laid.items() if plans[index].form is not Form.ROW_BEAD)
    return Layout(
        deposits=tuple(deposits),
        pads=tuple(plans),
        warnings=tuple(_summary(tip, paste, settings, failed=failed, pairs=pairs)),
    )


def _areas(pad: Pad) -> list[Polygon]:
    """Where on a pad its paste belongs: window panes, a small opening, or the whole land."""
    if pad.kind is PadKind.THROUGH_HOLE or not pad.apertures:
        return [Polygon(pad.land.exterior)] if pad.kind is PadKind.THROUGH_HOLE else [pad.land]
    if len(pad.apertures) > 1 or pad.aperture_area_mm2 < _PARTIAL_OPENING * pad.land.area:
        return [aperture.shape for aperture in pad.apertures]
    return [pad.land]


def _lay_singly(board: Board, doses: Sequence[Dose], chooser: _Chooser) -> dict[int, _Laid]:
    """What each pad gets by itself, by its place in the board; pads without a dose are left out."""
    pasted = [index for index, dose in enumerate(doses) if dose.target_ul > 0]
    wanted = [index for index in pasted if not board.pads[index].path_mm]
    areas = [_areas(board.pads[index]) for index in wanted]
    # Frames of all areas, then of the whole lands of pads with several areas, which may have to do instead.
    flat = [area for group in areas for area in group]
    spare = [board.pads[index].land for index, group in zip(wanted, areas, strict=True) if len(group) > 1]
    found = frames([*flat, *spare])
    holes = _holes_in([*flat, *spare], board.holes)
    laid: dict[int, _Laid] = {}
    begin, instead = 0, len(flat)
    for index, group in zip(wanted, areas, strict=True):
        pad, volume_ul = board.pads[index], doses[index].target_ul
        end = begin + len(group)
        parts = _parts(
            pad, group, found[begin:end], volume_ul, chooser, [holes.get(k, []) for k in range(begin, end)]
        )
        own = _of_areas(parts)
        if len(group) > 1:
            if own.warnings:
                land, at = [pad.land], slice(instead, instead + 1)
                whole = _of_areas(_parts(pad, land, found[at], volume_ul, chooser, [holes.get(instead, [])]))
                if not whole.warnings:
                    own = replace(whole, reason=f"{whole.reason}; not pane by pane: {own.warnings[0]}")
            instead += 1
        laid[index] = own
        begin = end
    lines = [index for index in pasted if board.pads[index].path_mm]
    laid.update({index: _line(board.pads[index], doses[index].target_ul, chooser.bench) for index in lines})
    return dict(sorted(laid.items()))


def _line(pad: Pad, volume_ul: float, bench: FormLimits) -> _Laid:
    """A bead along the line that the pad was drawn as."""
    choice = along_line(pad.path_mm, pad.path_width_mm, volume_ul, bench)
    return _Laid(
        form=choice.form, parts=((BOARD_FRAME, choice),), reason=choice.reason, warnings=choice.warnings
    )


def _parts(
    pad: Pad,
    areas: Sequence[Polygon],
    area_frames: Sequence[Frame],
    volume_ul: float,
    chooser: _Chooser,
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


def _of_areas(parts: list[tuple[Frame, FormChoice]]) -> _Laid:
    if len(parts) == 1:
        choice = parts[0][1]
        return _Laid(form=choice.form, parts=tuple(parts), reason=choice.reason, warnings=choice.warnings)
    reasons = Counter(choice.reason for _, choice in parts)
    if len(reasons) == 1:
        reason = f"in each of {len(parts)} panes {parts[0][1].reason}"
    else:
        reason = "; ".join(f"in {count} of {len(parts)} panes {words}" for words, count in reasons.items())
    doubts = Counter(words for _, choice in parts for words in choice.warnings)
    warnings = tuple(f"in {count} of {len(parts)} panes: {words}" for words, count in doubts.items())
    return _Laid(form=Form.PANES, parts=tuple(parts), reason=reason, warnings=warnings)


def _holes_in(areas: Sequence[Polygon], holes: Sequence[Hole]) -> dict[int, list[Polygon]]:
    """The holes that pierce each area, by the area's place."""
    if not holes or not areas:
        return {}
    shapes = [_hole_shape(hole) for hole in holes]
    area, hole = shapely.STRtree(shapes).query(np.array(areas, dtype=object), predicate="intersects")
    found: dict[int, list[Polygon]] = defaultdict(list)
    for k, h in sorted(zip(area.tolist(), hole.tolist(), strict=True)):
        found[k].append(shapes[h])
    return found


def _hole_shape(hole: Hole) -> Polygon:
    at: PlanePoint = (hole.x_mm, hole.y_mm)
    path = LineString([at, hole.slot_to_mm]) if hole.slot_to_mm is not None else shapely.Point(at)
    shape: Polygon = path.buffer(hole.diameter_mm / 2)
    return shape


def _collect(
    board: Board, laid: dict[int, _Laid], rows: Sequence[RowBead]
) -> tuple[list[Deposit], list[PadPlan]]:
    """Deposits in the order of the pads that first get them, and the plan of every pad."""
    row_of = {index: row for row in rows for index in row.members}
    row_deposit: dict[tuple[int, ...], int] = {}
    deposits: list[Deposit] = []
    plans: list[PadPlan] = []
    for index, pad in enumerate(board.pads):
        row = row_of.get(index)
        if row is not None:
            if row.members not in row_deposit:
                row_deposit[row.members] = len(deposits)
                deposits.append(_row_deposit(row, board, len(deposits)))
            plans.append(
                PadPlan(
                    pad_id=pad.id,
                    planned_ul=row.shares_ul[row.members.index(index)],
                    form=Form.ROW_BEAD,
                    reason=row.reason,
                    deposits=(row_deposit[row.members],),
                    warnings=row.warnings,
                )
            )
        elif index in laid:
            own = laid[index]
            begin = len(deposits)
            deposits.extend(_deposits(pad, own, begin))
            plans.append(
                PadPlan(
                    pad_id=pad.id,
                    planned_ul=sum(deposit.volume_ul for deposit in deposits[begin:]),
                    form=own.form,
                    reason=own.reason,
                    deposits=tuple(range(begin, len(deposits))),
                    warnings=own.warnings,
                )
            )
        else:
            plans.append(PadPlan(pad_id=pad.id, planned_ul=0.0, form=Form.NONE, reason="", deposits=()))
    return deposits, plans


def _deposits(pad: Pad, own: _Laid, begin: int) -> list[Deposit]:
    pieces = [(frame, piece) for frame, choice in own.parts for piece in choice.pieces]
    return [_deposit(pad, frame, piece, index) for index, (frame, piece) in enumerate(pieces, start=begin)]


def _deposit(pad: Pad, frame: Frame, piece: Piece, index: int) -> Deposit:
    return Deposit(
        index=index,
        kind=piece.kind,
        points_mm=tuple(frame.to_board(u, v) for u, v in piece.points_mm),
        volume_ul=piece.volume_ul,
        width_mm=piece.width_mm,
        height_mm=piece.height_mm,
        shares=(Share(pad_id=pad.id, volume_ul=piece.volume_ul),),
    )


def _row_deposit(row: RowBead, board: Board, index: int) -> Deposit:
    return Deposit(
        index=index,
        kind=DepositKind.BEAD,
        points_mm=row.points_mm,
        volume_ul=sum(row.shares_ul),
        width_mm=row.width_mm,
        height_mm=row.height_mm,
        shares=tuple(
            Share(pad_id=board.pads[member].id, volume_ul=volume_ul)
            for member, volume_ul in zip(row.members, row.shares_ul, strict=True)
        ),
    )


def _note_bridges(
    board: Board,
    lands: Sequence[Polygon],
    deposits: Sequence[Deposit],
    notes: dict[int, list[str]],
    settings: DepositSettings,
) -> int:
    """Add bridging warnings to the pads they are about; returns the number of pairs of pads."""
    place = {pad.id: index for index, pad in enumerate(board.pads)}
    members = [[place[share.pad_id] for share in deposit.shares] for deposit in deposits]
    nets = [frozenset(board.pads[index].net for index in group) for group in members]
    worst: dict[tuple[int, int], float] = {}

    def keep(one: int, other: int, gap_mm: float) -> None:
        pair = (min(one, other), max(one, other))
        worst[pair] = min(gap_mm, worst.get(pair, inf))

    for near in near_deposits(
        deposits, nets, gap_mm=settings.bridge_gap_mm, error_mm=settings.placement_error_mm
    ):
        keep(*_nearest_pads(near, members, deposits, board), near.gap_mm)
    after = f"after {settings.placement_error_mm:g} mm placement error"
    for (one, other), gap_mm in sorted(worst.items()):
        between = (
            f"{gap_mm:.3f} mm between their deposits {after}"
            if gap_mm > 0
            else f"their deposits may overlap by {-gap_mm:.3f} mm {after}"
        )
        for index, across in ((one, other), (other, one)):
            notes[index].append(
                f"may bridge to {board.pads[across].id}: {between}, the limit is"
                f" {settings.bridge_gap_mm:g} mm"
            )
    for near in touched_lands(
        deposits,
        nets,
        lands,
        land_ids=[pad.id for pad in board.pads],
        land_nets=[pad.net for pad in board.pads],
        error_mm=settings.placement_error_mm,
    ):
        index = _nearest_member(members[near.one], board.pads[near.other].land.centroid.coords[0], board)
        pair = (min(index, near.other), max(index, near.other))
        if pair in worst:
            continue
        worst[pair] = near.gap_mm
        notes[index].append(f"may bridge to {board.pads[near.other].id}: paste reaches its land {after}")
    return len(worst)


def _nearest_pads(
    near: Near, members: Sequence[Sequence[int]], deposits: Sequence[Deposit], board: Board
) -> tuple[int, int]:
    """The two pads that a close pair of deposits is about; of a row, the member nearest to the other deposit."""
    one = _nearest_member(members[near.one], deposits[near.other].points_mm[0], board)
    centre = board.pads[one].land.centroid.coords[0]
    other = _nearest_member(members[near.other], centre, board)
    return _nearest_member(members[near.one], board.pads[other].land.centroid.coords[0], board), other


def _nearest_member(group: Sequence[int], at_mm: tuple[float, ...], board: Board) -> int:
    if len(group) == 1:
        return group[0]
    point = shapely.Point(at_mm)
    return min(group, key=lambda index: (board.pads[index].land.distance(point), index))


def _summary(tip: Tip, paste: Paste, settings: DepositSettings, *, failed: int, pairs: int) -> list[str]:
    """Warnings about the board as a whole."""
    words = []
    fit = tip_fit(tip.bore_mm, paste.powder)
    if fit is TipFit.CLOGS:
        words.append(
            f"the {tip.bore_mm:g} mm bore is only {tip_ratio(tip.bore_mm, paste.powder):.1f} of the paste's largest"
            f" particles across, {LEAST_TIP_RATIO:g} is the least: take a wider tip or a finer powder"
        )
    if failed:
        pads = "1 pad" if failed == 1 else f"{failed} pads"
        words.append(f"{pads} cannot be done within the limits; see there why, and which tip could")
    if pairs:
        pads = "1 pair" if pairs == 1 else f"{pairs} pairs"
        words.append(
            f"{pads} of pads may bridge: less than {settings.bridge_gap_mm:g} mm remains between their deposits"
            f" after {settings.placement_error_mm:g} mm placement error"
        )
    return words

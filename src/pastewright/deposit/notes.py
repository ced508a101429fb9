"""What is said of pads whose deposits may run together, and of the board as a whole."""

from collections.abc import Sequence
from math import inf

import shapely
from shapely.geometry import Polygon

from pastewright.board.model import Board
from pastewright.deposit.bridging import Near, near_deposits, touched_lands
from pastewright.deposit.model import Deposit
from pastewright.materials.model import Paste, Tip
from pastewright.materials.rules import LEAST_TIP_RATIO, TipFit, tip_fit, tip_ratio
from pastewright.profile.model import DepositSettings


def note_bridges(
    board: Board,
    lands: Sequence[Polygon],
    deposits: Sequence[Deposit],
    notes: dict[int, list[str]],
    settings: DepositSettings,
) -> int:
    """Add a bridging warning to the first pad of each pair; returns the number of pairs of pads."""
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
        # Said once, with the first of the two.
        notes[one].append(
            f"may bridge to {board.pads[other].id}: {between}, the limit is {settings.bridge_gap_mm:g} mm"
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


def board_warnings(
    tip: Tip, paste: Paste, settings: DepositSettings, *, failed: int, pairs: int
) -> list[str]:
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

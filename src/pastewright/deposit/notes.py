"""What is said of pads whose deposits may run together, and of the board as a whole."""

from collections import defaultdict
from collections.abc import Callable, Sequence
from math import inf

import shapely
from shapely.geometry import Polygon

from pastewright.board.model import Board
from pastewright.deposit.bridging import Near, near_deposits, touched_lands
from pastewright.deposit.model import Bridge, Deposit
from pastewright.materials.model import Paste, Tip
from pastewright.materials.rules import LEAST_TIP_RATIO, TipFit, tip_fit, tip_ratio
from pastewright.profile.model import DepositSettings


def nets_of(board: Board, deposits: Sequence[Deposit]) -> list[frozenset[str]]:
    """Return the nets of the pads that each deposit lies on."""
    net = {pad.id: pad.net for pad in board.pads}
    return [frozenset(net[share.pad_id] for share in deposit.shares) for deposit in deposits]


def note_bridges(
    board: Board,
    lands: Sequence[Polygon],
    deposits: Sequence[Deposit],
    notes: dict[int, list[str]],
    settings: DepositSettings,
    *,
    mend: Callable[[int, int, float], str],
) -> dict[int, list[Bridge]]:
    """Add a bridging warning to the first pad of each pair; return what was told, by the place of that pad.

    `mend` gives the one change that would mend a pair, from the pads' places and the gap that is left [mm].
    """
    place = {pad.id: index for index, pad in enumerate(board.pads)}
    members = [[place[share.pad_id] for share in deposit.shares] for deposit in deposits]
    nets = nets_of(board, deposits)
    worst: dict[tuple[int, int], float] = {}
    for near in near_deposits(
        deposits, nets, gap_mm=settings.bridge_gap_mm, error_mm=settings.placement_error_mm
    ):
        one, other = _nearest_pads(near, members, deposits, board)
        pair = (min(one, other), max(one, other))
        worst[pair] = min(near.gap_mm, worst.get(pair, inf))
    after = f"after {settings.placement_error_mm:g} mm placement error"
    found: dict[int, list[Bridge]] = defaultdict(list)
    for (one, other), gap_mm in sorted(worst.items()):
        between = (
            f"{gap_mm:.3f} mm between their deposits {after}"
            if gap_mm > 0
            else f"their deposits may overlap by {-gap_mm:.3f} mm {after}"
        )
        bridge = Bridge(other=board.pads[other].id, gap_mm=gap_mm, mend=mend(one, other, gap_mm))
        found[one].append(bridge)
        # Said once, with the first of the two.
        limit = f"the limit is {settings.bridge_gap_mm:g} mm"
        notes[one].append(f"may bridge to {bridge.other}: {between}, {limit}; {bridge.mend}")
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
        if pair not in worst:
            worst[pair] = near.gap_mm
            bridge = Bridge(
                other=board.pads[near.other].id, gap_mm=near.gap_mm, mend=mend(index, near.other, near.gap_mm)
            )
            found[index].append(bridge)
            notes[index].append(
                f"may bridge to {bridge.other}: paste reaches its land {after}; {bridge.mend}"
            )
    return found


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

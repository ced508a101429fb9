"""Rules about where the paste of pads lies together: level under thermal lands, apart between nets."""

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from math import hypot

import numpy as np
from numpy.typing import NDArray

from pastewright.near import NearPlaces
from pastewright.readback.judge.evidence import CaseFile
from pastewright.readback.model import ExpectedDeposit, Finding, FindingKind

MOST_IMBALANCE = 0.05
"""Of the half width, that the centre of what came out may lie beside the pad's: the same limit that plans are made for."""

Floats = NDArray[np.float64]

ROUNDING_MM = 2e-3
"""Places and widths are written to micrometres: a gap may come out short by two."""

ROUNDING = 0.002
"""Plans are written to micrometres, and volumes come out within the tolerance of doses."""


def level_under_parts(seen: CaseFile) -> Iterator[Finding]:
    """What came out on a thermal land has its centre in the land's, so that the part does not lean."""
    for pad in seen.expected.level:
        total = east = north = 0.0
        for index, share in pad.shares:
            came_ul = share * sum(visit.volume_ul for visit in seen.ledger.laid[index])
            points = seen.expected.deposits[index].points_mm
            total += came_ul
            east += came_ul * sum(point[0] for point in points) / len(points)
            north += came_ul * sum(point[1] for point in points) / len(points)
        if total <= 0:
            continue
        off_mm = hypot(east / total - pad.centre_mm[0], north / total - pad.centre_mm[1])
        off = off_mm / pad.half_width_mm
        if off > MOST_IMBALANCE + ROUNDING:
            what = (
                f"{pad.pad_id}: the paste's centre lies {off_mm:.3f} mm beside the pad's, {off:.0%} of its half width;"
                f" {MOST_IMBALANCE:.0%} are allowed, or the part may lean"
            )
            yield Finding(kind=FindingKind.LEVEL, what=what, pad_id=pad.pad_id)


def apart_between_nets(seen: CaseFile) -> Iterator[Finding]:
    """Deposits of different nets keep the gap of the profile, after the placement error of one against the other."""
    settings = seen.profile.deposit
    worst: dict[frozenset[str], float] = {}
    for one, other, gap_mm in _near(
        seen.expected.deposits, settings.bridge_gap_mm + settings.placement_error_mm
    ):
        first, second = seen.expected.deposits[one], seen.expected.deposits[other]
        if set(first.pad_ids) & set(second.pad_ids):
            continue
        if len(first.nets) == 1 and first.nets == second.nets and "" not in first.nets:
            continue
        pair = next(
            (
                pair
                for pair in seen.expected.mends
                if pair & set(first.pad_ids) and pair & set(second.pad_ids)
            ),
            frozenset((first.pad_ids[0], second.pad_ids[0])),
        )
        worst[pair] = min(worst.get(pair, gap_mm), gap_mm)
    for pair, gap_mm in sorted(worst.items(), key=lambda item: (item[1], sorted(item[0]))):
        left_mm = gap_mm - settings.placement_error_mm
        left = f"{left_mm:.3f} mm are left" if left_mm > 0 else f"they may overlap by {-left_mm:.3f} mm"
        mend = seen.expected.mends.get(pair, "")
        what = (
            f"{' and '.join(sorted(pair))}: {left} between their pastes after {settings.placement_error_mm:g} mm"
            f" placement error; {settings.bridge_gap_mm:g} mm must be{'; ' + mend if mend else ''}"
        )
        yield Finding(kind=FindingKind.BRIDGE, what=what, pad_id=min(pair))


def _near(deposits: Sequence[ExpectedDeposit], gap_mm: float) -> Iterator[tuple[int, int, float]]:
    """Pairs of deposits of one board whose pastes keep less than a gap [mm], and what they keep."""
    owner, starts, ends = [], [], []
    for index, deposit in enumerate(deposits):
        if deposit.width_mm > 0:
            points = deposit.points_mm if len(deposit.points_mm) > 1 else deposit.points_mm * 2
            for start, end in pairwise(points):
                owner.append(index)
                starts.append(start)
                ends.append(end)
    if len(owner) < 2:
        return
    own, a, b = np.array(owner), np.array(starts, dtype=float), np.array(ends, dtype=float)
    half = np.array([deposit.width_mm / 2 for deposit in deposits])
    board = np.array([deposit.board for deposit in deposits])
    # Segments are looked for by their middles; half their length is added to the reach of each.
    middle, arm = (a + b) / 2, np.hypot(*(b - a).T) / 2
    reach = arm + half[own] + gap_mm
    # Boards of a tray are set apart by more than any reach.
    far = np.column_stack([middle, board[own] * (4 * float(reach.max()) + 1)])
    tree = NearPlaces(far)
    # The segment of the longer reach finds both: no two that meet are further apart than twice its reach.
    here, there = tree.all_within(far, 2 * reach)
    apart = own[here] != own[there]
    if not apart.any():
        return
    pairs = np.sort(np.column_stack([here, there])[apart], axis=1)
    i, k = np.unique(pairs, axis=0).T
    kept = _segments_apart(a[i], b[i], a[k], b[k]) - half[own[i]] - half[own[k]]
    close = kept < gap_mm - ROUNDING_MM
    best: dict[tuple[int, int], float] = {}
    for one, other, gap in zip(
        own[i][close].tolist(), own[k][close].tolist(), kept[close].tolist(), strict=True
    ):
        pair = (min(one, other), max(one, other))
        best[pair] = min(best.get(pair, gap), gap)
    for (one, other), gap in sorted(best.items()):
        yield one, other, gap


def _segments_apart(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Distances of segments a-b and c-d, each N×2 [mm]: an end of one is nearest to the other, unless they cross."""

    def to_segment(point: Floats, start: Floats, end: Floats) -> Floats:
        along = end - start
        length = np.maximum((along**2).sum(axis=1), 1e-18)
        share = np.clip(((point - start) * along).sum(axis=1) / length, 0.0, 1.0)
        return np.asarray(np.hypot(*(point - start - share[:, None] * along).T))

    def side(start: Floats, end: Floats, point: Floats) -> Floats:
        along, off = end - start, point - start
        return np.asarray(np.sign(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]))

    ends = np.minimum.reduce(
        [to_segment(a, c, d), to_segment(b, c, d), to_segment(c, a, b), to_segment(d, a, b)]
    )
    cross = (side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)
    return np.where(cross, 0.0, ends)


RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (level_under_parts, apart_between_nets)

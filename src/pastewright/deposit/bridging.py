"""Deposits that may run together: pairs of different nets nearer than the limit, and paste on foreign lands.

A deposit at rest is a path (a point for a dot) grown by half its width, so the gap of two deposits is the
distance of their paths less both halves, less the placement error of one against the other.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pastewright.deposit.model import Deposit, DepositKind

_EPS = 1e-9  # [mm] rounding of sums, far below what any axis places


class Near(Struct, frozen=True, kw_only=True):
    """Two things too near each other: a deposit's index, and another deposit's or a land's; negative: they overlap."""

    one: int
    other: int
    gap_mm: float


def near_deposits(
    deposits: Sequence[Deposit], nets: Sequence[frozenset[str]], *, gap_mm: float, error_mm: float
) -> tuple[Near, ...]:
    """Return the pairs of deposits of different nets that keep less than `gap_mm` after the placement error.

    `nets` are those of each deposit's pads; an unknown net (empty) differs from every other. Deposits that share
    a pad belong together. Sorted by index.
    """
    if len(deposits) < 2:
        return ()
    paths, halves = _paths(deposits)
    one, other = _neighbours(paths, halves + (gap_mm + error_mm) / 2)
    gaps = shapely.distance(paths[one], paths[other]) - halves[one] - halves[other] - error_mm
    close = gaps < gap_mm - _EPS
    pads = [frozenset(share.pad_id for share in deposit.shares) for deposit in deposits]
    return tuple(
        Near(one=i, other=j, gap_mm=gap)
        for i, j, gap in sorted(
            zip(one[close].tolist(), other[close].tolist(), gaps[close].tolist(), strict=True)
        )
        if not (pads[i] & pads[j] or _same_net(nets[i], nets[j]))
    )


def _same_net(one: frozenset[str], other: frozenset[str]) -> bool:
    return len(one) == 1 and one == other and "" not in one


def touched_lands(
    deposits: Sequence[Deposit],
    nets: Sequence[frozenset[str]],
    lands: Sequence[Polygon],
    *,
    land_ids: Sequence[str],
    land_nets: Sequence[str],
    error_mm: float,
) -> tuple[Near, ...]:
    """Return the deposits that may reach a land of another net after the placement error; `other` is the land."""
    if not deposits:
        return ()
    paths, halves = _paths(deposits)
    tree = shapely.STRtree(lands)
    reach = halves + error_mm
    one, land = tree.query(paths, predicate="dwithin", distance=reach)
    found = []
    for i, k in sorted(zip(one.tolist(), land.tolist(), strict=True)):
        if any(share.pad_id == land_ids[k] for share in deposits[i].shares):
            continue
        if _same_net(nets[i], frozenset([land_nets[k]])):
            continue
        gap = float(shapely.distance(paths[i], lands[k])) - float(reach[i])
        if gap < -_EPS:
            found.append(Near(one=i, other=k, gap_mm=gap))
    return tuple(found)


def _paths(deposits: Sequence[Deposit]) -> tuple[NDArray[np.object_], NDArray[np.float64]]:
    """Path geometry and half width [mm] of each deposit."""
    beads = np.array([deposit.kind is DepositKind.BEAD for deposit in deposits])
    paths: NDArray[np.object_] = np.asarray(shapely.points([deposit.points_mm[0] for deposit in deposits]))
    lines = [deposit.points_mm for deposit in deposits if deposit.kind is DepositKind.BEAD]
    if lines:
        owner = np.repeat(np.arange(len(lines)), [len(points) for points in lines])
        paths[beads] = shapely.linestrings([point for points in lines for point in points], indices=owner)
    return paths, np.array([deposit.width_mm / 2 for deposit in deposits])


def _neighbours(
    paths: NDArray[np.object_], reach_mm: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs (i < j) whose boxes, grown by their reach, meet."""
    low_x, low_y, high_x, high_y = shapely.bounds(paths).T
    boxes = shapely.box(low_x - reach_mm, low_y - reach_mm, high_x + reach_mm, high_y + reach_mm)
    one, other = shapely.STRtree(boxes).query(boxes)
    ordered = one < other
    return one[ordered], other[ordered]

"""Patterns of dots that carry a part level: on a thermal land they follow its window panes, or stand about its centre.

A part floats on its paste; paste on one side tilts it. So the first moment of the volumes about the centre matters:

    imbalance = |Σ V_i (p_i − c)| / (Σ V_i · half width)        c: centroid of the panes, or of the land

Panes are merged into fewer dots block by block, each dot in the centroid of its panes with their share, which leaves
the moment as the panes have it. Without panes, grids about the centre are tried. Either way a dot that would stand
on a hole is shifted beside it, and the volumes are then tipped a little, V_i (1 + a·u_i + b·v_i), until the moment is
gone.
"""

from collections.abc import Iterator, Sequence
from math import hypot, sqrt

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pastewright.board.model import Area
from pastewright.deposit.grids import FIELD_DOTS
from pastewright.deposit.limits import EPS, FormChoice, FormLimits, Piece, dot_piece
from pastewright.deposit.shape import dot_width_mm
from pastewright.distinct import distinct
from pastewright.records.kinds import Form

Floats = NDArray[np.float64]

MOST_IMBALANCE = 0.05
"""Share of the half width that the paste's centre may lie beside the pad's. Own choice: a 5 mm part of 0.1 mm standoff
then leans by less than its own placement does."""

MOST_TIPPED = 0.3
"""How far a dot's volume may be taken from its even share to bring the moment to nothing; 9 % in width. Own choice."""

MOST_SHIFT = 0.6
"""Of the pitch: further, a dot would stand in its neighbour's cell."""

COUNTS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 12, 16, 20, 25, 36, 49)
"""Dots on one land, fewest first; what holds no more than 49 dots' worth is no land of a part. Own choice."""

TOUCH = 0.95
"""Of their width: dots that stand nearer than this run into one heap, whose height nobody planned. Own choice."""


class LevelGround(Struct, frozen=True, kw_only=True):
    """A land in its frame: where dots may lie (holes taken out), the centre to balance about, its half width."""

    free: Area
    centre_mm: tuple[float, float]
    half_width_mm: float


def imbalance(pieces: Sequence[Piece], ground: LevelGround) -> float:
    """Return how far the pieces' centre lies from the ground's [shares of the half width]."""
    total_ul = sum(piece.volume_ul for piece in pieces)
    centres = [np.mean(piece.points_mm, axis=0) for piece in pieces]
    u = sum(piece.volume_ul * float(at[0]) for piece, at in zip(pieces, centres, strict=True)) / total_ul
    v = sum(piece.volume_ul * float(at[1]) for piece, at in zip(pieces, centres, strict=True)) / total_ul
    return hypot(u - ground.centre_mm[0], v - ground.centre_mm[1]) / ground.half_width_mm


def merged_panes(
    panes: Sequence[Polygon], volume_ul: float, ground: LevelGround, limits: FormLimits
) -> FormChoice | None:
    """Return dots that follow window panes (in the frame), as many as do not run together; None where none fit."""
    areas = np.array([pane.area for pane in panes])
    centres = np.array([pane.centroid.coords[0] for pane in panes])
    low, high = centres.min(axis=0), centres.max(axis=0)
    columns, rows = (len(distinct(np.round(centres[:, axis], 1))) for axis in (0, 1))
    blocks = [(nu, nv) for nu in range(1, columns + 1) for nv in range(1, rows + 1) if nu * nv <= COUNTS[-1]]
    # As many as a field has, split as the panes are; more only where fewer would stand too high.
    blocks.sort(
        key=lambda block: (
            block[0] * block[1] > FIELD_DOTS,
            abs(block[0] * block[1] - FIELD_DOTS),
            abs(block[0] / columns - block[1] / rows),
        )
    )
    for nu, nv in blocks:
        span = np.maximum(high - low, EPS)
        cell = np.minimum((centres - low) / span * (nu, nv) * (1 - EPS), (nu - 1, nv - 1)).astype(int)
        number = cell[:, 0] * nv + cell[:, 1]
        share = np.bincount(number, weights=areas, minlength=nu * nv)
        filled = share > 0
        at = (
            np.column_stack(
                [
                    np.bincount(number, weights=areas * centres[:, axis], minlength=nu * nv)[filled]
                    for axis in (0, 1)
                ]
            )
            / share[filled, None]
        )
        dots = _settled(at, volume_ul * share[filled] / areas.sum(), ground, limits, reach_mm=_nearest_mm(at))
        if dots is not None:
            count = len(dots)
            how = "one dot a pane" if count == len(panes) else f"{len(panes)} panes merged into {count} dots"
            return FormChoice(
                form=Form.PANES, pieces=dots, reason=f"{how}, {dots[0].width_mm:.2f} mm wide, balanced"
            )
    return None


def balanced_field(volume_ul: float, ground: LevelGround, limits: FormLimits) -> FormChoice | None:
    """Return the fewest dots that stand balanced on a ground; None where no grid does."""
    for count in COUNTS:
        dot_mm = dot_width_mm(volume_ul / count, limits.dot_ratio)
        if dot_mm < limits.least_dot_mm - EPS:
            return None
        if dot_mm * limits.dot_ratio > limits.tall_mm:
            continue
        cell_mm = max(dot_mm, sqrt(ground.free.area / count))
        if (
            count > 1
            and cell_mm > limits.spread * dot_mm
            and count < COUNTS[-1]
            and _can_be_more(volume_ul, count, limits)
        ):
            continue
        for at in _grids(ground, count, (cell_mm, (cell_mm + dot_mm) / 2, dot_mm)):
            volumes = np.full(len(at), volume_ul / len(at))
            dots = _settled(at, volumes, ground, limits, reach_mm=MOST_SHIFT * cell_mm)
            if dots is not None:
                reason = f"{len(dots)} dots {dots[0].width_mm:.2f} mm wide, clear of holes and balanced about the centre"
                form = Form.DOT if len(dots) == 1 else Form.DOT_FIELD
                return FormChoice(form=form, pieces=dots, reason=reason)
    return None


def _can_be_more(volume_ul: float, count: int, limits: FormLimits) -> bool:
    more = next(n for n in COUNTS if n > count)
    return dot_width_mm(volume_ul / more, limits.dot_ratio) >= limits.least_dot_mm - EPS


def _grids(ground: LevelGround, count: int, pitches_mm: Sequence[float]) -> Iterator[Floats]:
    """Square grids about the centre with about `count` places on the land, a place or a cell on the centre."""
    outer = shapely.union_all([Polygon(part.exterior) for part in shapely.get_parts(ground.free)])
    low_u, low_v, high_u, high_v = outer.bounds
    cu, cv = ground.centre_mm
    shapely.prepare(outer)
    for pitch_mm in pitches_mm:
        reach = int(max(high_u - low_u, high_v - low_v) / pitch_mm) + 1
        steps = np.arange(-reach, reach + 1)
        found = []
        for shift_u in (0.0, 0.5):
            for shift_v in (0.0, 0.5):
                u, v = np.meshgrid(cu + (steps + shift_u) * pitch_mm, cv + (steps + shift_v) * pitch_mm)
                inside = shapely.contains_xy(outer, u.ravel(), v.ravel())
                found.append(np.column_stack([u.ravel(), v.ravel()])[inside])
        yield from sorted((at for at in found if len(at) >= count), key=len)


def _settled(
    at: Floats, volumes_ul: Floats, ground: LevelGround, limits: FormLimits, *, reach_mm: float
) -> tuple[Piece, ...] | None:
    """Dots at places, shifted beside holes and tipped to balance; None where that leaves the limits."""
    widths = np.array([dot_width_mm(volume, limits.dot_ratio) for volume in volumes_ul.tolist()])
    if widths.min() < limits.least_dot_mm - EPS or widths.max() * limits.dot_ratio > limits.tall_mm:
        return None
    inner = ground.free.buffer(limits.overhang_mm - float(widths.max()) / 2, quad_segs=8)
    if inner.is_empty:
        return None
    points = shapely.points(at)
    ways = shapely.shortest_line(inner, points)
    far = shapely.length(ways)
    if np.any(far > max(reach_mm, EPS)):
        return None
    beside: Floats = shapely.get_coordinates(shapely.get_point(ways, 0))
    placed: Floats = np.where(np.greater(far, EPS)[:, np.newaxis], beside, at)
    tipped = _tipped(placed - ground.centre_mm, volumes_ul)
    if tipped is None:
        return None
    final = np.array([dot_width_mm(volume, limits.dot_ratio) for volume in tipped.tolist()])
    if final.min() < limits.least_dot_mm - EPS or final.max() * limits.dot_ratio > limits.tall_mm + EPS:
        return None
    room_mm = shapely.distance(shapely.points(placed), shapely.boundary(ground.free)) + limits.overhang_mm
    if np.any(final / 2 > room_mm + 1e-3) or _run_together(placed, final):
        return None
    pieces = tuple(
        dot_piece((u, v), volume, limits)
        for (u, v), volume in zip(placed.tolist(), tipped.tolist(), strict=True)
    )
    return pieces if imbalance(pieces, ground) <= MOST_IMBALANCE else None


def _tipped(arms: Floats, volumes_ul: Floats) -> Floats | None:
    """Volumes of the same sum, tipped linearly until their moment about the centre is nothing; None beyond the limit.

    With V_i (1 + t·(p_i − p̄)) the sum stays, and the moment becomes M + S·t, S = Σ V (p − p̄)(p − p̄)ᵀ.
    """
    total = volumes_ul.sum()
    mean = volumes_ul @ arms / total
    off = arms - mean
    spread = (volumes_ul[:, None] * off).T @ off
    if hypot(float(mean[0]), float(mean[1])) < EPS:
        return volumes_ul
    tip = -np.linalg.pinv(spread, rcond=1e-9) @ (total * mean)
    factors = 1 + off @ tip
    if np.any(np.abs(factors - 1) > MOST_TIPPED):
        # As far as allowed; the imbalance that is left decides.
        factors = 1 + (off @ tip) * MOST_TIPPED / np.abs(off @ tip).max()
    tipped: Floats = volumes_ul * factors
    return tipped


def _nearest_mm(at: Floats) -> float:
    """How far a merged dot may be shifted: to the edge of its cell."""
    if len(at) < 2:
        return 1e-3
    gaps = np.hypot(at[:, None, 0] - at[None, :, 0], at[:, None, 1] - at[None, :, 1])
    np.fill_diagonal(gaps, np.inf)
    return MOST_SHIFT * float(gaps.min())


def _run_together(at: Floats, widths_mm: Floats) -> bool:
    gaps = np.hypot(at[:, None, 0] - at[None, :, 0], at[:, None, 1] - at[None, :, 1])
    np.fill_diagonal(gaps, np.inf)
    return bool(np.any(gaps < TOUCH * (widths_mm[:, None] + widths_mm[None, :]) / 2))

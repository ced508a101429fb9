"""Forms for lands that are no rectangle: L and ring shapes, home plates, lands with holes through them.

A dot of diameter d lies within land ± overhang when its centre lies in the land grown by (overhang − d/2). So:
one dot at the widest place of the land, or a field of the grid points that have room for a dot.
"""

from dataclasses import replace
from math import inf, pi, sin, sqrt

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Point, Polygon

from pastewright.board.model import Area
from pastewright.deposit.limits import FormChoice, FormLimits, Piece, dot_piece, finer_tip
from pastewright.deposit.model import DepositKind
from pastewright.deposit.shape import dot_volume_ul, dot_width_mm
from pastewright.records.kinds import Form

# Numbers of dots tried on one odd land; beyond them the dose is trimmed. Own choice.
_COUNTS = (2, 3, 4, 5, 6, 7, 8, 9, 12, 16, 20, 25, 36, 49)
# How finely the widest place of a land is sought [mm].
_FINE_MM = 0.005
_EPS = 1e-9  # [mm and shares] rounding of sums, far below what any axis places

STEP = 0.96
"""Widths of dots tried for a trimmed dose, each over the one before: 12 % apart in volume a dot; own choice."""

MOST_SCATTERED = 16
"""Dots sought place by place; a land cut up by holes that needs more is left to the grids. Own choice."""

_CIRCLE = 32 * sin(pi / 32) * 0.999
"""Area of a circle of 64 sides over its radius squared, less what the roundings of many of them may come to."""

_Widest = tuple[tuple[float, float], float]


def lies_within(choice: FormChoice, land: Area, overhang_mm: float) -> bool:
    """Tell whether the pieces of a choice lie in a land (in the frame's coordinates) ± overhang."""
    room = land.buffer(overhang_mm + 1e-3, quad_segs=16)
    return bool(room.contains(shapely.union_all([footprint(piece) for piece in choice.pieces])))


def footprint(piece: Piece) -> Polygon:
    """Return the ground that a piece covers [mm, frame]."""
    path = Point(piece.points_mm[0]) if piece.kind is DepositKind.DOT else shapely.LineString(piece.points_mm)
    covered: Polygon = path.buffer(piece.width_mm / 2)
    return covered


def choose_odd(land: Area, volume_ul: float, limits: FormLimits) -> FormChoice:
    """Return the form for a dose [µL] on a land of any shape, given in its frame's coordinates."""
    first = _widest_place(land, limits)
    choice = _attempt(land, volume_ul, limits, first=first)
    if choice.possible:
        return choice
    hint = finer_tip(lambda finer: _attempt(land, volume_ul, finer, first=first).possible, limits)
    return replace(choice, warnings=(*choice.warnings[:-1], f"{choice.warnings[-1]}; {hint}"))


def fit_odd(land: Area, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """Return a form that lays the whole dose within a land of any shape; None when there is none."""
    return _fit(land, volume_ul, limits, first=_widest_place(land, limits))


def _fit(land: Area, volume_ul: float, limits: FormLimits, *, first: _Widest) -> FormChoice | None:
    if (one := _one(land, volume_ul, limits, first=first)) is not None:
        return _choice(one, volume_ul, land, limits)
    field = _grid(land, volume_ul, limits, widest_mm=first[1])
    if field is None:
        field = _one(land, volume_ul, replace(limits, spread=inf), first=first)
    if field is None:
        field = _scattered(land, volume_ul, limits)
    if field is None:
        free = replace(limits, tall_mm=inf, spread=inf)
        field = _one(land, volume_ul, free, first=first)
        if field is None:
            field = _grid(land, volume_ul, free, widest_mm=first[1])
    return None if field is None else _choice(field, volume_ul, land, limits)


def _scattered(land: Area, volume_ul: float, limits: FormLimits) -> NDArray[np.float64] | None:
    """Centres of the fewest dots of the allowed height, each at the widest place that those before it leave.

    For lands that no grid suits, such as a pad cut up by holes. None when the places do not suffice.
    """
    for count in (n for n in _COUNTS if n <= MOST_SCATTERED):
        dot_mm = dot_width_mm(volume_ul / count, limits.dot_ratio)
        if dot_mm < limits.least_dot_mm - _EPS:
            return None
        if dot_mm * limits.dot_ratio > limits.tall_mm:
            continue
        # A dot may reach over the land by the overhang, over another dot not at all.
        left: Area = land.buffer(limits.overhang_mm, quad_segs=16)
        covered_mm2 = _CIRCLE * (dot_mm / 2) ** 2
        centres: list[tuple[float, float]] = []
        while len(centres) < count and (count - len(centres)) * covered_mm2 <= left.area:
            circle = shapely.maximum_inscribed_circle(left, tolerance=_FINE_MM)
            if 2 * float(circle.length) < dot_mm - _EPS:
                break
            (u, v), _ = circle.coords
            centres.append((u, v))
            rest = left.difference(Point(u, v).buffer(dot_mm / 2, quad_segs=16))
            if not isinstance(rest, Polygon | MultiPolygon):
                break
            left = rest
        if len(centres) == count:
            return np.array(centres)
    return None


def _attempt(land: Area, volume_ul: float, limits: FormLimits, *, first: _Widest) -> FormChoice:
    centre, widest_mm = first
    fit = _fit(land, volume_ul, limits, first=first)
    if fit is not None:
        return fit
    least_ul = dot_volume_ul(limits.least_dot_mm, limits.dot_ratio)
    if volume_ul >= least_ul and widest_mm >= limits.least_dot_mm:
        return _trimmed(land, volume_ul, limits, first=first)
    fits = limits.least_dot_mm <= widest_mm + _EPS
    part = least_ul / volume_ul
    where = _choice(np.array([centre]), least_ul, land, limits)
    if fits and part <= limits.raise_to + _EPS:
        words = f"raised to {least_ul:.4f} µL from {volume_ul:.4f} µL ({100 * part:.0f} %): this tip lays no smaller dot"
        return replace(where, warnings=(words,))
    words = (
        f"cannot be done with this tip: its smallest dot, {limits.least_dot_mm:.2f} mm wide, is laid,"
        f" {least_ul:.4f} µL of {volume_ul:.4f} µL, where the land has room for {widest_mm:.2f} mm"
    )
    return replace(where, warnings=(words,), possible=False)


def _choice(centres: NDArray[np.float64], volume_ul: float, land: Area, limits: FormLimits) -> FormChoice:
    count = len(centres)
    pieces = tuple(dot_piece((u, v), volume_ul / count, limits) for u, v in centres.tolist())
    on = f"an odd-shaped land of {land.area:.2f} mm²"
    if count == 1:
        reason = f"one dot {pieces[0].width_mm:.2f} mm wide at the widest place of {on}"
        return FormChoice(form=Form.DOT, pieces=pieces, reason=reason)
    reason = f"{count} dots {pieces[0].width_mm:.2f} mm wide where {on} has room for them"
    return FormChoice(form=Form.DOT_FIELD, pieces=pieces, reason=reason)


def _widest_place(land: Area, limits: FormLimits) -> _Widest:
    """Where a land has most room for one dot, and how wide that dot may be [mm]: largest circle and overhang."""
    circle = shapely.maximum_inscribed_circle(land, tolerance=_FINE_MM)
    (u, v), _ = circle.coords
    return (u, v), 2 * (float(circle.length) + limits.overhang_mm)


def _one(land: Area, volume_ul: float, limits: FormLimits, *, first: _Widest) -> NDArray[np.float64] | None:
    """The widest place of the land, where one dot there holds the volume; None where it does not."""
    centre, widest_mm = first
    one_mm = dot_width_mm(volume_ul, limits.dot_ratio)
    reach_mm = sqrt(land.area)
    fits = (
        limits.least_dot_mm - _EPS <= one_mm <= widest_mm + _EPS
        and one_mm * limits.dot_ratio <= limits.tall_mm
        and reach_mm <= limits.spread * one_mm
    )
    return np.array([centre]) if fits else None


def _grid(
    land: Area, volume_ul: float, limits: FormLimits, *, widest_mm: float
) -> NDArray[np.float64] | None:
    """Centres of the fewest dots on a grid that hold the volume in the land; None when no grid does."""
    for count in _COUNTS:
        dot_mm = dot_width_mm(volume_ul / count, limits.dot_ratio)
        if dot_mm < limits.least_dot_mm - _EPS:
            return None
        if dot_mm * limits.dot_ratio > limits.tall_mm or dot_mm > widest_mm + _EPS:
            continue
        cell_mm = max(dot_mm, sqrt(land.area / count))
        inner = land.buffer(limits.overhang_mm - dot_mm / 2, quad_segs=16)
        if inner.is_empty:
            continue
        for pitch_mm in dict.fromkeys((cell_mm, (cell_mm + dot_mm) / 2, dot_mm)):
            centres = _grid_points(land, pitch_mm, inner, least=count)
            # More places than planned make smaller dots, which fit as well; fewer would make them too wide.
            if (
                len(centres) >= count
                and _width(volume_ul, len(centres), limits) >= limits.least_dot_mm - _EPS
            ):
                return centres
    return None


def _width(volume_ul: float, count: int, limits: FormLimits) -> float:
    return dot_width_mm(volume_ul / count, limits.dot_ratio)


def _grid_points(land: Area, pitch_mm: float, inner: Area, *, least: int = 1) -> NDArray[np.float64]:
    """Points of a square grid, centred on the land's box, that lie in `inner`, where dots have room.

    Of the four ways to centre a grid (a point or a cell on the centre, in u and in v) the one with most points; none
    where that has fewer than `least`.
    """
    best = np.empty((0, 2))
    if inner.is_empty:
        return best
    low_u, low_v, high_u, high_v = land.bounds
    from_u, from_v, to_u, to_v = inner.bounds
    us = _lines((low_u + high_u) / 2, high_u - low_u, pitch_mm, (from_u, to_u))
    vs = _lines((low_v + high_v) / 2, high_v - low_v, pitch_mm, (from_v, to_v))
    shapely.prepare(inner)
    for u in us:
        for v in vs:
            if u.size * v.size < max(least, len(best) + 1):
                continue
            points = np.column_stack([np.tile(u, v.size), np.repeat(v, u.size)])
            points = points[shapely.contains_xy(inner, points[:, 0], points[:, 1])]
            if len(points) > len(best):
                best = points
    return best if len(best) >= least else best[:0]


def _lines(
    middle: float, width: float, pitch: float, between: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The lines of a grid in one direction [mm], with a line and with a cell on the middle, as far as they may count."""
    n = int(width / pitch) + 1
    steps = np.arange(-n, n + 1, dtype=np.float64)
    low, high = between
    line: NDArray[np.float64] = middle + steps * pitch
    cell: NDArray[np.float64] = middle + (steps + 0.5) * pitch
    return line[(line >= low) & (line <= high)], cell[(cell >= low) & (cell <= high)]


def _trimmed(
    land: Area,
    volume_ul: float,
    limits: FormLimits,
    *,
    first: _Widest,
) -> FormChoice:
    """The most that dots can hold on the land: the best of one dot and of grids of ever smaller dots."""
    centre, widest_mm = first
    best_ul, best = dot_volume_ul(widest_mm, limits.dot_ratio), np.array([centre])
    dot_mm = widest_mm
    # Dots beside each other cover no more than the land and its overhang, so the most that smaller ones could hold
    # falls with their width: the search ends where it can find nothing better, or no more is wanted.
    most_per_mm = 4 / pi * land.buffer(limits.overhang_mm).area * dot_volume_ul(1.0, limits.dot_ratio)
    while (dot_mm := STEP * dot_mm) >= limits.least_dot_mm:
        if best_ul >= min(volume_ul, most_per_mm * dot_mm):
            break
        centres = _grid_points(land, dot_mm, land.buffer(limits.overhang_mm - dot_mm / 2, quad_segs=16))
        total_ul = len(centres) * dot_volume_ul(dot_mm, limits.dot_ratio)
        if total_ul > best_ul:
            best_ul, best = total_ul, centres
    laid_ul = min(best_ul, volume_ul)
    choice = _choice(best, laid_ul, land, limits)
    part = laid_ul / volume_ul
    if part >= limits.trim_to - _EPS:
        words = (
            f"trimmed to {laid_ul:.4f} µL of {volume_ul:.4f} µL ({100 * part:.0f} %): no more fits the land"
        )
        return choice if part > 1 - _EPS else replace(choice, warnings=(words,))
    words = (
        f"cannot be done within the limits: the land holds {laid_ul:.4f} µL of {volume_ul:.4f} µL"
        f" ({100 * part:.0f} %, the limit is {100 * limits.trim_to:g} %)"
    )
    return replace(choice, warnings=(words,), possible=False)

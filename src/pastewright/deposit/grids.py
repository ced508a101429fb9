"""Grids of equal dots on a land: one dot, a row, or a field."""

from functools import cache
from math import log

from pastewright.deposit.limits import EPS, TALL_MM, FormChoice, FormLimits, dot_piece
from pastewright.deposit.shape import (
    dot_width_mm,
)
from pastewright.records.kinds import Form as Form

# Dots in one row before a bead is quicker and surer: two to three on an SOIC lead (trade habit, from memory).
ROW_DOTS = 3


# Dots in a field before a serpentine is quicker. Own choice.
FIELD_DOTS = 16


@cache
def _grids(aspect: float) -> tuple[tuple[int, int], ...]:
    """Grids (along the long side, along the short side), few dots first, then squarest cells first."""
    rows = [(count, 1) for count in range(1, ROW_DOTS + 1)]
    fields = [
        (nx, ny) for ny in range(2, FIELD_DOTS) for nx in range(ny, FIELD_DOTS) if nx * ny <= FIELD_DOTS
    ]
    return tuple(
        sorted(
            rows + fields, key=lambda grid: (grid[0] * grid[1], abs(log(aspect * grid[1] / grid[0])), grid)
        )
    )


def grid_of_dots(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """The grid of fewest dots that fits."""
    fits = (
        _fitting(grid, long_mm, short_mm, volume_ul, limits) for grid in _grids(round(long_mm / short_mm, 3))
    )
    return next((choice for choice in fits if choice is not None), None)


def widest_grid(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """The grid of most dots that fits: a little paste on a large land is spread as far as the tip allows."""
    grids = reversed(_grids(round(long_mm / short_mm, 3)))
    fits = (_fitting(grid, long_mm, short_mm, volume_ul, limits) for grid in grids)
    return next((choice for choice in fits if choice is not None), None)


def _fitting(
    grid: tuple[int, int], long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits
) -> FormChoice | None:
    nx, ny = grid
    widest_mm, longest_mm = short_mm + 2 * limits.overhang_mm, long_mm + 2 * limits.overhang_mm
    dot_mm = dot_width_mm(volume_ul / (nx * ny), limits.dot_ratio)
    cell_u, cell_v = long_mm / nx, short_mm / ny
    if dot_mm < limits.least_dot_mm - EPS or dot_mm > widest_mm + EPS:
        return None
    if dot_mm * limits.dot_ratio > limits.tall_mm or max(cell_u, cell_v) > limits.spread * dot_mm:
        return None
    # A field lies within its cells; a row may use the overhang, sideways and at its ends.
    if ny > 1 and dot_mm > min(cell_u, cell_v) + EPS:
        return None
    pitch_u = max(cell_u, dot_mm)
    if (nx - 1) * pitch_u + dot_mm > longest_mm + EPS:
        return None
    return _dots(nx, ny, dot_mm, volume_ul, limits, pitch=(pitch_u, cell_v), land=(long_mm, short_mm))


def _dots(
    nx: int,
    ny: int,
    dot_mm: float,
    volume_ul: float,
    limits: FormLimits,
    *,
    pitch: tuple[float, float],
    land: tuple[float, float],
) -> FormChoice:
    count = nx * ny
    pieces = tuple(
        dot_piece(((ix - (nx - 1) / 2) * pitch[0], (iy - (ny - 1) / 2) * pitch[1]), volume_ul / count, limits)
        for iy in range(ny)
        for ix in range(nx)
    )
    on = f"{land[0]:.2f} × {land[1]:.2f} mm land"
    if count == 1:
        return FormChoice(form=Form.DOT, pieces=pieces, reason=f"one dot {dot_mm:.2f} mm wide on a {on}")
    why = why_not_one(*land, volume_ul, limits)
    if ny == 1:
        reason = f"{count} dots {dot_mm:.2f} mm wide along a {on}: {why}"
        return FormChoice(form=Form.DOT_ROW, pieces=pieces, reason=reason)
    reason = f"{nx} × {ny} dots {dot_mm:.2f} mm wide over a {on}: {why}"
    return FormChoice(form=Form.DOT_FIELD, pieces=pieces, reason=reason)


def why_not_one(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> str:
    """Return why a land does not get one dot, for the reason of what it gets instead."""
    dot_mm = dot_width_mm(volume_ul, limits.dot_ratio)
    if dot_mm > short_mm + 2 * limits.overhang_mm:
        return f"one dot would be {dot_mm:.2f} mm wide"
    if dot_mm * limits.dot_ratio > min(limits.tall_mm, TALL_MM):
        return f"one dot would stand {dot_mm * limits.dot_ratio:.2f} mm high"
    return f"one dot of {dot_mm:.2f} mm would leave much of the land bare"

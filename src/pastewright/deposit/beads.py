"""Beads on a land: one along it, or one to and fro."""

from math import cbrt, inf

from pastewright.deposit.grids import why_not_one
from pastewright.deposit.limits import BEAD_PATH_WIDTHS, EPS, FormChoice, FormLimits, bead_piece
from pastewright.deposit.shape import (
    bead_path_mm,
    bead_volume_ul,
    bead_width_mm,
)
from pastewright.records.kinds import Form as Form

SERPENTINE_LINES = 12  # more lines are a pad of over ten millimetres, which dots fill as well; own choice


def straight_bead(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """One straight bead; over the land's whole length if that is not too thin, else wider or longer as needed."""
    longest_mm = long_mm + 2 * limits.overhang_mm
    widest_mm = min(short_mm + 2 * limits.overhang_mm, longest_mm / (1 + BEAD_PATH_WIDTHS))
    try:
        width_mm = bead_width_mm(volume_ul, limits.bead_ratio, path_mm=long_mm, widths_in_path=1)
    except ValueError:
        width_mm = inf
    width_mm = min(max(width_mm, limits.least_bead_mm), widest_mm)
    path_mm = bead_path_mm(volume_ul, width_mm, limits.bead_ratio)
    if path_mm < BEAD_PATH_WIDTHS * width_mm:
        # Too stout: the width whose shortest path holds the volume.
        width_mm = cbrt(volume_ul / bead_volume_ul(1.0, BEAD_PATH_WIDTHS, limits.bead_ratio))
        path_mm = BEAD_PATH_WIDTHS * width_mm
    if not limits.least_bead_mm - EPS <= width_mm <= widest_mm + EPS or path_mm > longest_mm - width_mm + EPS:
        return None
    if width_mm * limits.bead_ratio > limits.tall_mm or short_mm > limits.spread * width_mm:
        return None
    why = why_not_one(long_mm, short_mm, volume_ul, limits)
    return FormChoice(
        form=Form.BEAD,
        pieces=(bead_piece(((-path_mm / 2, 0.0), (path_mm / 2, 0.0)), volume_ul, width_mm, limits),),
        reason=(
            f"a bead {width_mm:.2f} mm wide and {path_mm + width_mm:.2f} mm long on a"
            f" {long_mm:.2f} × {short_mm:.2f} mm land: {why}"
        ),
    )


def serpentine(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """One bead to and fro along the long side, within the land, its lines spread but not overlapping."""
    for lines in range(2, SERPENTINE_LINES + 1):
        # Tip path: `lines` runs of (long − w), and the steps between them, which add up to (short − w).
        try:
            width_mm = bead_width_mm(
                volume_ul, limits.bead_ratio, path_mm=lines * long_mm + short_mm, widths_in_path=lines + 1
            )
        except ValueError:
            continue
        if width_mm < limits.least_bead_mm - EPS:
            return None  # more lines are thinner still
        step_mm = (short_mm - width_mm) / (lines - 1)
        if width_mm > step_mm + EPS or width_mm * limits.bead_ratio > limits.tall_mm:
            continue
        if step_mm > limits.spread * width_mm:
            continue
        end_mm, first_mm = (long_mm - width_mm) / 2, -(short_mm - width_mm) / 2
        points = tuple(
            (side * end_mm, first_mm + line * step_mm)
            for line in range(lines)
            for side in ((-1, 1) if line % 2 == 0 else (1, -1))
        )
        return FormChoice(
            form=Form.SERPENTINE,
            pieces=(bead_piece(points, volume_ul, width_mm, limits),),
            reason=(
                f"a bead {width_mm:.2f} mm wide to and fro in {lines} lines over a"
                f" {long_mm:.2f} × {short_mm:.2f} mm land"
            ),
        )
    return None

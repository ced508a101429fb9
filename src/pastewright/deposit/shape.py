"""The shape of paste at rest: volume of a dot or bead from its width, and back. Numbers in, numbers out.

A dot is a spherical cap, see `materials.cap`; beads: see `dose.bead`, V = (π/4) s w² L + (π/6) s w³. The formulas of
both are offered here too.
"""

from math import cbrt, pi

from pastewright.dose.bead import bead_ends_ul as bead_ends_ul
from pastewright.dose.bead import bead_section_mm2 as bead_section_mm2
from pastewright.dose.bead import bead_volume_ul as bead_volume_ul
from pastewright.materials.cap import cap_volume_ul as cap_volume_ul
from pastewright.materials.cap import dot_volume_ul as dot_volume_ul
from pastewright.materials.cap import dot_width_mm as dot_width_mm


def bead_path_mm(volume_ul: float, width_mm: float, shape_ratio: float) -> float:
    """Length of the tip path [mm] that lays `volume_ul` in a width; negative when the ends alone hold more."""
    return (volume_ul - bead_ends_ul(width_mm, shape_ratio)) / bead_section_mm2(width_mm, shape_ratio)


def bead_width_mm(
    volume_ul: float, shape_ratio: float, *, path_mm: float, widths_in_path: float = 0.0
) -> float:
    """Width of a bead [mm] of `volume_ul` along a path of `path_mm` − `widths_in_path`·w.

    A bead that must end within an extent E has the path E − w: pass E and `widths_in_path` 1. Solves
    s [(π/4)(L − k w) w² + (π/6) w³] = V for the smallest w; raises ValueError when the path is too short to hold
    the volume at any width.
    """
    cubic = pi * shape_ratio * (1 / 6 - widths_in_path / 4)
    square = pi / 4 * shape_ratio * path_mm
    low = 0.0
    if widths_in_path > 0:
        # Up to where the path vanishes, or where the volume stops rising with w (bends eat the path).
        k = widths_in_path
        high = path_mm * min(1 / k, 0.5 / (0.75 * k - 0.5) if k > 2 / 3 else 1 / k)
        if cubic * high**3 + square * high**2 < volume_ul:
            raise ValueError(
                f"no bead of {volume_ul} µL fits {path_mm} mm of path less {widths_in_path} widths"
            )
    else:
        high = cbrt(volume_ul / cubic)
    # Halving, since the slope vanishes at the upper end; 60 times is below what a float resolves.
    for _ in range(60):
        width = (low + high) / 2
        if (cubic * width + square) * width**2 < volume_ul:
            low = width
        else:
            high = width
    return high

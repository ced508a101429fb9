"""The paste that a bead at rest holds, from its width: what a line drawn as a bead asks for. Numbers in, numbers out.

A bead has the section of half an ellipse, w wide and h = s·w high, of area (π/4) s w², and its ends are that
section turned about the vertical: half a spheroid for both ends together, (π/6) s w³. A bead whose tip path is L
long covers L + w from end to end:

    V = (π/4) s w² L + (π/6) s w³
"""

from math import pi


def bead_section_mm2(width_mm: float, shape_ratio: float) -> float:
    """Section of a bead [mm²], which is its volume per length [µL/mm], (π/4) s w²."""
    return pi / 4 * shape_ratio * width_mm**2


def bead_ends_ul(width_mm: float, shape_ratio: float) -> float:
    """Volume of both round ends of a bead together [µL], (π/6) s w³."""
    return pi / 6 * shape_ratio * width_mm**3


def bead_volume_ul(width_mm: float, path_mm: float, shape_ratio: float) -> float:
    """Volume of a bead [µL] of a width, along a tip path of `path_mm`."""
    return bead_section_mm2(width_mm, shape_ratio) * path_mm + bead_ends_ul(width_mm, shape_ratio)

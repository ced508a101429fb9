"""A dot of paste at rest, a spherical cap: its volume from its width, and back. Numbers in, numbers out.

Base diameter d, height h = s·d:

    V = π h (3 (d/2)² + h²) / 6 = d³ · π s (3/4 + s²) / 6
"""

from math import cbrt, pi
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

# One number, or an array of them.
Number = TypeVar("Number", float, NDArray[np.float64])


def cap_volume_ul(base_mm: Number, height_mm: Number) -> Number:
    """Volume of a spherical cap [µL] of base diameter and height [mm], V = πh(3(d/2)² + h²)/6."""
    return pi * height_mm * (3 * (base_mm / 2) ** 2 + height_mm**2) / 6


def dot_volume_ul(width_mm: Number, shape_ratio: Number) -> Number:
    """Volume of a dot [µL] that rests `width_mm` wide, `shape_ratio` being height over width."""
    return cap_volume_ul(width_mm, shape_ratio * width_mm)


def dot_width_mm(volume_ul: float, shape_ratio: float) -> float:
    """Width of a dot [mm] of `volume_ul`, d = (V / (π s (3/4 + s²) / 6))^(1/3)."""
    return cbrt(volume_ul / cap_volume_ul(1.0, shape_ratio))

"""A deposit's volume to how high it stands at rest."""

from math import pi, sqrt

from pastewright.profile.model import Tuning
from pastewright.readback.model import ExpectedDeposit


def height_mm(deposit: ExpectedDeposit, tuning: Tuning) -> float:
    """Height of the deposit at rest [mm]. Dot: h = s·d, V = d³·π·s(3/4 + s²)/6. Bead: h = s·w, V = L·π/4·s·w²."""
    points = deposit.points_mm
    if len(points) == 1:
        s = tuning.dot_shape_ratio
        return float(s * (6 * deposit.volume_ul / (pi * s * (0.75 + s**2))) ** (1 / 3))
    s = tuning.bead_shape_ratio
    length = sum(
        sqrt((x - u) ** 2 + (y - v) ** 2) for (x, y), (u, v) in zip(points[1:], points[:-1], strict=True)
    )
    return s * sqrt(deposit.volume_ul / (max(length, 1e-6) * pi / 4 * s))

"""How round and how wide a land is."""

from math import pi, sqrt

import numpy as np
import shapely
from shapely.geometry import Polygon

from pastewright.board.pads.lands import Land

ROUND = 0.985
"""4·pi·area/perimeter²: 1 for a circle, 0.95 for an octagon, 0.79 for a square."""


def roundness(shape: Polygon) -> float:
    """Return 4·pi·area / perimeter² of the outer contour [-]: 1 for a circle, 0.785 for a square."""
    filled = Polygon(shape.exterior) if shapely.get_num_interior_rings(shape) else shape
    return 4.0 * pi * filled.area / max(filled.length, 1e-9) ** 2


def round_diameter_mm(land: Land) -> float:
    """Return the diameter of a round land [mm], 0 for any other shape."""
    if shapely.get_num_interior_rings(land.shape) or roundness(land.shape) < ROUND:
        return 0.0
    return 2.0 * sqrt(land.shape.area / pi)


def sides_mm(shape: Polygon) -> tuple[float, float]:
    """Return the shorter and the longer side of the smallest box around `shape`, at any angle [mm]."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    sides = np.hypot(*np.diff(corners[:3], axis=0).T)
    return float(sides.min()), float(sides.max())

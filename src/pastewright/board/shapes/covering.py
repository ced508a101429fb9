"""Which shape covers which: boxes by their sides, all others by the geometry library, which takes long for each pair.

Most pads, mask and paste openings are boxes that stand straight; for those the two ways say the same, to the last bit.
"""

import numpy as np
import shapely
from numpy.typing import NDArray

from pastewright.board.shapes.islands import Shapes

Flags = NDArray[np.bool_]

CORNERS = 5  # of a box's ring, its first one again at the end


def covers(grounds: Shapes, shapes: Shapes) -> Flags:
    """Tell of N pairs of polygons whether the ground covers the shape, edges and corners included."""
    low_high = shapely.bounds(np.concatenate([grounds, shapes])).reshape(2, len(shapes), 4)
    ground, shape = low_high
    sides = np.concatenate([shape[:, :2] - ground[:, :2], ground[:, 2:] - shape[:, 2:]], axis=1)
    within: Flags = np.asarray((sides >= 0).all(axis=1))
    # No shape beyond a ground's bounds is covered by it; one within those of a box is.
    asked = np.flatnonzero(within)
    asked = asked[~_are_boxes(grounds[asked], ground[asked])]
    told = within.copy()
    told[asked] = shapely.covers(grounds[asked], shapes[asked])
    return told


def _are_boxes(shapes: Shapes, bounds: NDArray[np.float64]) -> Flags:
    """Tell which polygons with such bounds (N×4, mm) are boxes along the axes."""
    boxes: Flags = (shapely.get_num_coordinates(shapes) == CORNERS) & (
        shapely.get_num_interior_rings(shapes) == 0
    )
    few = np.flatnonzero(boxes)
    corners = shapely.get_coordinates(shapes[few]).reshape(-1, CORNERS, 2)
    low, high = bounds[few, None, :2], bounds[few, None, 2:]
    at_corners = ((corners == low) | (corners == high)).all(axis=(1, 2))
    # Four corners, each another than the one before along one axis only.
    steps = (np.diff(corners, axis=1) != 0).sum(axis=2)
    boxes[few] = at_corners & (steps == 1).all(axis=1)
    return boxes

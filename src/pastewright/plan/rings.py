"""Areas to the corners that a plan tells of them, all of a board in one pass."""

from collections.abc import Sequence

import numpy as np
import shapely

from pastewright.board.model import Area

Rings = tuple[tuple[tuple[float, float], ...], ...]

PLAIN_MM = 0.005
"""Arcs of lands and edges are kept to a quarter of a photo's pixel at 50 px/mm. Own choice."""
PLACE_DIGITS = 4
"""Lengths are told to a tenth of a micrometre."""


def rings_of(areas: Sequence[Area]) -> list[Rings]:
    """Return of each area the edge of each polygon followed by its holes, without the corner that closes a ring."""
    shapes = np.empty(len(areas), dtype=object)
    shapes[:] = areas
    parts, area_of = shapely.get_parts(shapes, return_index=True)
    rings, part_of = shapely.get_rings(parts, return_index=True)
    rings = shapely.simplify(rings, PLAIN_MM)
    corners = np.round(shapely.get_coordinates(rings), PLACE_DIGITS)
    places = list(zip(corners[:, 0].tolist(), corners[:, 1].tolist(), strict=True))
    found: list[list[tuple[tuple[float, float], ...]]] = [[] for _ in areas]
    begun = 0
    for count, owner in zip(
        shapely.get_num_coordinates(rings).tolist(), area_of[part_of].tolist(), strict=True
    ):
        found[owner].append(tuple(places[begun : begun + count - 1]))
        begun += count
    return [tuple(each) for each in found]

"""An area shared out among others: each place of it to the nearest of them, as far as straight borders tell."""

import numpy as np
import shapely
from shapely.geometry import Polygon

from pastewright.board.shapes.islands import Shapes, polygons

FAR_MM = 2000.0
"""Half planes reach so far: beyond any board."""


def shared_out(area: Polygon, among: Shapes) -> list[list[Polygon]]:
    """Return for each of `among` (two or more) the parts of `area` that are its own; all of them together are `area`.

    The border of two is the line across the middle of the shortest way between them. Where three meet at odd angles a
    place may lie on the wrong side of every border; it goes to the first.
    """
    shares: list[list[Polygon]] = []
    left = [area]
    for number, one in enumerate(among):
        own = shapely.union_all(left)
        for other in (each for k, each in enumerate(among) if k != number):
            own = shapely.intersection(own, _side(one, other))
        shares.append(polygons(own))
        left = [part for each in left for part in polygons(shapely.difference(each, own))]
    shares[0].extend(left)
    return shares


def _side(one: Polygon, other: Polygon) -> Polygon:
    """Return the half plane of `one`, up to the middle between it and `other`."""
    ends = shapely.get_coordinates(shapely.shortest_line(one, other))
    along = ends[1] - ends[0]
    if np.hypot(*along) < 1e-9:  # they touch
        along = np.array([other.centroid.x - one.centroid.x, other.centroid.y - one.centroid.y])
    along = along / max(float(np.hypot(*along)), 1e-12)
    across = np.array([-along[1], along[0]])
    middle = ends.mean(axis=0)
    corners = [
        middle + FAR_MM * across,
        middle - FAR_MM * across,
        middle - FAR_MM * (across + along),
        middle + FAR_MM * (across - along),
    ]
    return Polygon(corners)

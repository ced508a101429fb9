"""Gerber objects to islands: the separate dark polygons of a layer, each with the objects that made it.

Uniting a whole layer at once is slow (seconds for 20 000 pads); most objects touch nothing, so only the
groups that touch are united. Clear objects are taken off what was drawn before them, as the format says.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import MultiPolygon, Polygon

from pastewright.board.artwork import Drawn
from pastewright.board.model import Area
from pastewright.distinct import distinct

Shapes = NDArray[Any]
Indices = NDArray[np.intp]

# Two shapes nearer than this abut: inch files round the shared edge of two shapes to either side.
ABUT_MM = 1e-3
# Smaller islands hold no paste and no solder: a square of 0.01 mm.
LEAST_AREA_MM2 = 1e-4


class Island(Struct, frozen=True, kw_only=True):
    """One separate dark polygon [mm, file] and the indices of the dark objects that touch it, in file order."""

    shape: Polygon
    members: tuple[int, ...]


def shape_array(shapes: Sequence[Any]) -> Shapes:
    """Return the geometries as an object array, which shapely's bulk functions want."""
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array


def polygons(area: Any) -> list[Polygon]:
    """Return the polygons with some area in any geometry (lines and points of an overlay are dropped)."""
    if isinstance(area, Polygon):
        return [area] if area.area > LEAST_AREA_MM2 else []
    parts = shapely.get_parts(shapely.get_parts(area))  # twice: an overlay can nest multi-polygons
    return [part for part in parts if isinstance(part, Polygon) and part.area > LEAST_AREA_MM2]


def plain_polygons(shapes: Shapes) -> NDArray[np.bool_]:
    """Tell which shapes are one polygon with some area: `polygons` gives each back as it is."""
    kind = shapely.get_type_id(shapes)
    told: NDArray[np.bool_] = (kind == shapely.GeometryType.POLYGON) & (shapely.area(shapes) > LEAST_AREA_MM2)
    return told


def one_area(parts: Sequence[Polygon]) -> Area:
    """Return the polygons as one value: a Polygon when there is just one."""
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def groups(count: int, pairs: NDArray[np.intp]) -> list[Indices]:
    """Return the connected groups of 0…count-1 under `pairs` (2×M), each sorted, in order of first member."""
    if count == 0:
        return []
    first = _first_members(count, pairs)
    order = np.argsort(first, kind="stable")
    bounds = [*np.flatnonzero(np.diff(first[order], prepend=-1)).tolist(), count]
    return [order[begin:end] for begin, end in pairwise(bounds)]


def _first_members(count: int, pairs: NDArray[np.intp]) -> Indices:
    """Return for each of 0…count-1 the first member of its group under `pairs` (2×M).

    Each takes the lowest number that a pair of its own leads to, then what that one has taken, until nothing changes: the
    rounds grow with the logarithm of the longest chain.
    """
    first = np.arange(count)
    one, other = pairs
    while np.any(apart := first[one] != first[other]):
        a, b = first[one[apart]], first[other[apart]]
        np.minimum.at(first, np.maximum(a, b), np.minimum(a, b))
        while np.any((jumped := first[first]) != first):
            first = jumped
    return first


def touching(shapes: Shapes, *, within_mm: float = ABUT_MM) -> NDArray[np.intp]:
    """Return the pairs (2×M, i < j) of shapes that are nearer to each other than `within_mm`."""
    if len(shapes) == 0:
        return np.empty((2, 0), dtype=np.intp)
    pairs = STRtree(shapes).query(shapes, predicate="dwithin", distance=within_mm)
    return pairs[:, pairs[0] < pairs[1]]


def united(shapes: Sequence[Any]) -> list[Polygon]:
    """Return the polygons of the union; hair gaps between abutting shapes are closed."""
    if len(shapes) == 1:
        return polygons(shapes[0])
    parts = polygons(shapely.union_all(shape_array(shapes)))
    if len(parts) > 1 and touching(shape_array(parts)).shape[1]:
        # Mitred growth and shrinkage by half a hair leaves straight edges where they were.
        grown = shapely.buffer(shape_array(shapes), ABUT_MM, join_style="mitre")
        parts = polygons(shapely.buffer(shapely.union_all(grown), -ABUT_MM, join_style="mitre"))
    return parts


def islands(objects: Sequence[Drawn]) -> list[Island]:
    """Return the islands of `objects`, which stand in file order, ordered by their first object."""
    shapes = shape_array([thing.shape for thing in objects])
    dark = np.array([thing.dark for thing in objects], dtype=bool)
    found, others = _single(shapes, dark)
    for members in others:
        found.extend(_group_islands(shapes, dark, members))
    return sorted(found, key=lambda island: island.members)


def _single(shapes: Shapes, dark: NDArray[np.bool_]) -> tuple[list[Island], list[Indices]]:
    """Return the islands of shapes that touch no other, and the groups of those that do."""
    found: list[Island] = []
    others: list[Indices] = []
    plain = plain_polygons(shapes).tolist()
    for members in groups(len(shapes), touching(shapes)):
        if len(members) > 1:
            others.append(members)
            continue
        index = int(members[0])
        if dark[index]:
            parts = (shapes[index],) if plain[index] else polygons(shapes[index])
            found.extend(Island(shape=part, members=(index,)) for part in parts)
    return found, others


def apart_by(objects: Sequence[Drawn], keys: Sequence[int]) -> list[Island]:
    """Return the islands of `objects`, those that touch united only where their `keys` are the same.

    An object of key -1 goes with what it touches. Where two keys overlap, the first drawn has the area.
    """
    shapes = shape_array([thing.shape for thing in objects])
    dark = np.array([thing.dark for thing in objects], dtype=bool)
    key = np.array(keys, dtype=np.intp)
    found, others = _single(shapes, dark)
    for members in others:
        own = distinct(key[members[dark[members] & (key[members] >= 0)]])
        if len(own) < 2:
            found.extend(_group_islands(shapes, dark, members))
        else:
            found.extend(_parted_islands(shapes, dark, members, key))
    return sorted(found, key=lambda island: island.members)


def _parted_islands(shapes: Shapes, dark: NDArray[np.bool_], members: Indices, key: Indices) -> list[Island]:
    """Return the islands of a group that touches over several keys: clear objects act on all, no area is told twice."""
    own = _settled_keys(shapes[members], np.where(dark[members], key[members], -2))
    found: list[Island] = []
    taken: list[Any] = []
    for each in dict.fromkeys(own[own >= 0].tolist()):
        chosen = members[(own == each) | ~dark[members]]
        for island in _group_islands(shapes, dark, chosen):
            left = (
                shapely.difference(island.shape, shapely.union_all(shape_array(taken)))
                if taken
                else island.shape
            )
            found.extend(Island(shape=part, members=island.members) for part in polygons(left))
        taken.extend(shapes[members[own == each]])
    return found


def _settled_keys(shapes: Shapes, keys: Indices) -> Indices:
    """Return the keys with each -1 replaced by that of something that it touches, if need be over others."""
    result = keys.copy()
    pairs = touching(shapes)
    for _ in range(len(keys)):
        one, other = np.concatenate((pairs, pairs[::-1]), axis=1)
        grow = (result[one] == -1) & (result[other] >= 0)
        if not grow.any():
            break
        result[one[grow]] = result[other[grow]]
    return result


def _group_islands(shapes: Shapes, dark: NDArray[np.bool_], members: Indices) -> list[Island]:
    parts = painted(shapes[members], dark[members])
    sources = members[dark[members]]
    if len(parts) == 1:
        return [Island(shape=parts[0], members=tuple(int(index) for index in sources))]
    hits = STRtree(shapes[sources]).query(shape_array(parts), predicate="intersects")
    return [
        Island(shape=part, members=tuple(sorted(int(sources[hit]) for hit in hits[1][hits[0] == number])))
        for number, part in enumerate(parts)
    ]


def painted(shapes: Shapes, dark: NDArray[np.bool_]) -> list[Polygon]:
    """Return the polygons left when dark shapes are laid and clear ones wiped away, in order."""
    if dark.all():
        return united(list(shapes))
    area: list[Any] = []
    for run in np.split(np.arange(len(shapes)), np.flatnonzero(np.diff(dark.astype(np.int8))) + 1):
        if dark[run[0]]:
            area = list(united([*area, *shapes[run]]))
        elif area:
            area = polygons(shapely.difference(shapely.union_all(area), shapely.union_all(shapes[run])))
    return area

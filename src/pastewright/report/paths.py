"""Areas to path data of a picture, all of a board in one pass: a call a corner would take most of a report's time."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import shapely

from pastewright.board.model import Area

DIGITS = 3  # of a millimetre: a micrometre is finer than anything drawn


def area_path(area: Area) -> str:
    """Return the path data of an area [mm], holes and all."""
    return area_paths([area])[0]


def area_paths(areas: Sequence[Area]) -> list[str]:
    """Return the path data of each area [mm], holes and all, in their order."""
    shapes = np.empty(len(areas), dtype=object)
    shapes[:] = areas
    parts, area_of = shapely.get_parts(shapes, return_index=True)
    rings, part_of = shapely.get_rings(parts, return_index=True)
    corners = np.round(shapely.get_coordinates(rings), DIGITS) + 0.0  # adding nothing makes -0 a 0
    numbers: list[float] = corners.ravel().tolist()
    ends = np.cumsum(2 * shapely.get_num_coordinates(rings)).tolist()
    texts: list[list[str]] = [[] for _ in areas]
    begun = 0
    for end, owner in zip(ends, area_of[part_of].tolist(), strict=True):
        # The last corner is the first again.
        texts[owner].append(_form((end - begun) // 2 - 1) % tuple(numbers[begun : end - 2]))
        begun = end
    return ["".join(each) for each in texts]


@lru_cache(maxsize=1024)
def _form(corners: int) -> str:
    """Return what a closed path of so many corners looks like; seven digits hold ten metres to a micrometre."""
    return "M" + "L".join(["%.7g %.7g"] * corners) + "Z"

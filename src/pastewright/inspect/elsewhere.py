"""How common it is nearby that mask looks like paste: what looks so between two deposits then tells little.

Where a lamp or the window is mirrored in the mask, and among strokes of legend, whole patches of ground are as light as
paste. A bridge or a smear is paste beside paste; mask that lies clear of all planned paste carries none. So what clear mask
looks like around a place tells how often what looks like paste there is none:

    common = (clear mask nearby that looks like paste) / (clear mask nearby)
"""

from collections.abc import Mapping, Set

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.ops import nearest_points

from pastewright.inspect.flat import FlatBoard, Floats32
from pastewright.inspect.picture import InspectedRow

CLEAR_MM = 0.2  # from planned paste: most of what bridges and smears cover lies nearer
NEARBY_MM = 0.8  # one standard deviation of what counts as nearby
LIKE_PASTE = 0.5  # ln: of mask that looks like paste
LEAST_MM2 = 0.2  # of clear mask nearby, below which the whole photo's counts as well
# Where more of the clear mask nearby looks like paste than this, a neck or a smear is not told. Of 141 true bridges of 76
# photos one had more, of 64 pairs among glare and legend that were wrongly told 59 (rendered photos seen before).
TOO_COMMON = 0.25
AROUND_MM = 0.3  # beside a row's planned paste, where it is told how common that is


def looks_elsewhere(flat: FlatBoard, evidence: Floats32) -> Floats32:
    """Return at each pixel the share of clear mask nearby that looks like paste (rows, columns), 0 to 1.

    `evidence` is how much likelier paste than mask each pixel is [ln].
    """
    clear = ~flat.land & flat.inside & (flat.away_mm > CLEAR_MM)
    alike = clear & (evidence > LIKE_PASTE)
    usual = float(alike.sum()) / max(float(clear.sum()), 1.0)
    spread = NEARBY_MM * flat.scale

    def nearby(area: NDArray[np.bool_]) -> Floats32:
        return np.asarray(cv2.GaussianBlur(area.astype(np.float32), (0, 0), spread), np.float32)

    least = LEAST_MM2 / (2 * np.pi * NEARBY_MM**2)
    return np.asarray((nearby(alike) + least * usual) / (nearby(clear) + least), np.float32)


def too_common(
    flat: FlatBoard, common: Floats32, joined: Mapping[int, Set[int]], outlines: Mapping[int, Polygon]
) -> dict[int, set[int]]:
    """Return for each row those of `joined` half-way to which too much looks like paste that is none; `outlines` [mm]."""
    rows, columns = common.shape

    def half_way(first: Polygon, other: Polygon) -> float:
        near, far = nearest_points(first, other)
        at = np.array([near.x + far.x, near.y + far.y]) / 2
        column, line = np.round((at - flat.low_mm) * flat.scale).astype(int)
        return float(common[min(max(line, 0), rows - 1), min(max(column, 0), columns - 1)])

    return {
        number: {other for other in others if half_way(outlines[number], outlines[other]) > TOO_COMMON}
        for number, others in joined.items()
    }


def common_beside(flat: FlatBoard, common: Floats32, row: InspectedRow, number: int) -> float:
    """Return how common it is beside a row's planned paste that mask looks like paste, 0 where no mask is seen there."""
    near = flat.window(row.paste.bounds, AROUND_MM)
    around = (flat.nearest[near] == number) & (flat.away_mm[near] > 0) & (flat.away_mm[near] < AROUND_MM)
    return float(common[near][around].mean()) if around.any() else 0.0

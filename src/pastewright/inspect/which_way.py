"""Two ways a board may lie in a photo to the one that the photo looks like: by places where they foresee different things.

A board's parts repeat, turned over as well, so that all lands in a picture may agree with a wrong way too. Holes, lands
without paste, the board's edge, and mask where the other way has a land then tell the two apart: each way foresees at each
pixel a land, a hole, mask, or what lies beside the board; how these look is learnt from the photo by both ways alike.
"""

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.picture import BoardPicture, polygons_of
from pastewright.inspect.stands_out import StandsOut
from pastewright.photo.view import PhotoView

Floats = NDArray[np.float64]
Classes = NDArray[np.int8]

BESIDE, MASK, HOLE, LAND, NO_ONE_KNOWS = range(5)
BINS, LOWS, HIGHS = (
    (32, 24, 24),
    (-160.0, -60.0, -60.0),
    (160.0, 60.0, 60.0),
)  # CIE L*a*b* of 8 bits, less the mask's
SMOOTH = (1.0, 0.8, 0.8)  # bins
FLOOR = 1e-4  # of a class, a bin: what was never seen is improbable
MOST_SAID = 3.0  # ln: of one pixel, which may be dust or legend
ALIKE_PX = 40.0  # pixels that tell the same: a hole of a few tenths of a millimetre
EDGE_PX = 3  # around an edge, where nothing is foreseen
SHIFT = 4  # corners are drawn to a 16th of a pixel


def likelier(
    seen: StandsOut, picture: BoardPicture, way: tuple[PhotoView, bool], other: tuple[PhotoView, bool]
) -> float:
    """Return how much likelier a photo is if the board lies one way than if it lies the other [ln]; a way is its view,
    and whether it is the board mirrored.
    """
    one, two = (_foreseen(seen, picture, *each) for each in (way, other))
    code = _codes(seen)
    looks = np.log(np.stack([_look(code, one, two, kind) for kind in range(NO_ONE_KNOWS)]))
    differ = (one != two) & (one != NO_ONE_KNOWS) & (two != NO_ONE_KNOWS)
    told = looks[one[differ], code[differ]] - looks[two[differ], code[differ]]
    return float(np.clip(told, -MOST_SAID, MOST_SAID).sum()) / ALIKE_PX


def _foreseen(seen: StandsOut, picture: BoardPicture, view: PhotoView, mirrored: bool) -> Classes:
    """Return what a way foresees at each pixel of the searched copy (rows, columns)."""
    kinds = np.full(seen.map.shape, BESIDE, np.uint8)
    for shapes, kind in (([picture.edge], MASK), (picture.figures, LAND), (picture.holes, HOLE)):
        _fill(kinds, shapes, kind, seen, view, mirrored)
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (EDGE_PX, EDGE_PX))
    kinds[cv2.dilate(kinds, around) != cv2.erode(kinds, around)] = NO_ONE_KNOWS
    return kinds.astype(np.int8)


def _fill(
    kinds: NDArray[np.uint8],
    shapes: Iterable[BaseGeometry],
    kind: int,
    seen: StandsOut,
    view: PhotoView,
    mirrored: bool,
) -> None:
    for shape in shapes:
        for polygon in polygons_of(shape):
            corners = np.asarray(polygon.exterior.coords)[:, :2] * ([1.0, -1.0] if mirrored else [1.0, 1.0])
            px = (view.to_px(corners) + 0.5) * seen.factor - 0.5
            if not np.isfinite(px).all():
                continue
            near = np.clip(px, -4 * max(kinds.shape), 5 * max(kinds.shape))
            cv2.fillPoly(kinds, [np.round(near * (1 << SHIFT)).astype(np.int32)], kind, cv2.LINE_8, SHIFT)


def _codes(seen: StandsOut) -> NDArray[np.int64]:
    """Return the number of each pixel's bin of colour."""
    code = np.zeros(seen.map.shape, np.int64)
    for axis, (count, low, high) in enumerate(zip(BINS, LOWS, HIGHS, strict=True)):
        place = ((seen.off[..., axis] - low) / (high - low) * count).astype(np.int64)
        code = code * count + np.clip(place, 0, count - 1)
    return code


def _look(code: NDArray[np.int64], one: Classes, two: Classes, kind: int) -> Floats:
    """Return how usual colours are of what either way takes for a kind: where both do, twice as much."""
    size = int(np.prod(BINS))
    counts = np.bincount(code[one == kind], minlength=size) + np.bincount(code[two == kind], minlength=size)
    smooth = gaussian_filter(counts.astype(np.float64).reshape(BINS), SMOOTH).ravel()
    return np.asarray(
        (smooth + FLOOR * max(smooth.sum(), 1.0)) / (max(smooth.sum(), 1.0) * (1 + FLOOR * size))
    )

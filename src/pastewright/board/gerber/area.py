"""Objects of a layer to the area that is dark in the end: clear objects take away what was drawn before them."""

from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray

from pastewright.board.artwork import Drawn, Layer
from pastewright.board.model import Area
from pastewright.board.shapes.curves import EMPTY, joined

_PAIRS_AT_ONCE = 2000
"""Dark objects whose clear neighbours are looked up together; it bounds the memory for the pairs."""


def dark_area(layer_or_objects: Layer | Iterable[Drawn]) -> Area:
    """Return the area [mm, file] that stays dark once all objects are drawn in file order.

    area = ⋃ over dark objects d of ( d - ⋃ clear objects that come after d and touch it ). Work grows with the
    number of touching pairs, not with the number of changes of polarity, so a file that alternates stays quick.
    """
    objects = layer_or_objects.objects if isinstance(layer_or_objects, Layer) else tuple(layer_or_objects)
    if not objects:
        return EMPTY
    shapes = np.empty(len(objects), dtype=object)
    shapes[:] = [item.shape for item in objects]
    dark = np.fromiter((item.dark for item in objects), dtype=bool, count=len(objects))
    return joined(_remaining(shapes, dark))


def _remaining(shapes: NDArray[np.object_], dark: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return the dark shapes, each less the clear ones that follow it."""
    order = np.arange(len(shapes))
    filled = shapely.area(shapes) > 0
    dark_at, clear_at = order[dark & filled], order[~dark & filled]
    kept = shapes[dark_at]
    if not len(clear_at) or not len(dark_at) or clear_at[-1] < dark_at[0]:
        return kept
    clear = shapes[clear_at]
    tree = shapely.STRtree(clear)
    for begin in range(0, len(kept), _PAIRS_AT_ONCE):
        found, with_clear = tree.query(kept[begin : begin + _PAIRS_AT_ONCE], predicate="intersects")
        found = found + begin
        later = clear_at[with_clear] > dark_at[found]
        found, with_clear = found[later], with_clear[later]
        if not len(found):
            continue
        by_dark = np.argsort(found, kind="stable")
        found, with_clear = found[by_dark], with_clear[by_dark]
        which, starts = np.unique(found, return_index=True)
        for index, touching in zip(which, np.split(with_clear, starts[1:]), strict=True):
            kept[index] = kept[index].difference(joined(clear[touching]))
    return kept

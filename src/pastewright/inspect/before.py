"""A photo of the board before pasting, against one of it pasted: how much each place looks as it did before.

Both are found by the board's own picture and laid on one grid. What was there before (legend, tracks, a land's own light and
shade) is then told from paste, whatever its colour. Light and the camera may have changed: by how much colours differ is
learnt where no paste can be, on mask and on bare lands apart; lands mirror the room, so there a photo from another place
says little, and says so by itself.
"""

from collections.abc import Sequence

import cv2
import numpy as np

from pastewright.inspect.find import FoundBoard
from pastewright.inspect.flat import Flags, FlatBoard, Floats, Floats32, features, warped

OFF_MM = 0.03  # that the two photos may lie off each other: the residual of finding the board
STEADY = (0.12, 0.05, 0.05)  # spread of lightness and colours that is always granted [ln]
USUAL = float(np.log(0.7))  # of a bare place to look as before
FAR = 18.0  # squared spreads: what differs by more is not as before
LEAST_PX = 200  # to say how far colours differ
UNTOLD = -50.0  # ln density where no photo shows the place bare


def as_before(flat: FlatBoard, shown: Sequence[FoundBoard], bare_land: Flags) -> Floats32:
    """Return each pixel's ln density as ground that looks as it did in photos of the bare board (rows, columns).

    `bare_land` tells which pixels of lands surely carry no paste now.
    """
    told = np.full(flat.land.shape, UNTOLD, np.float32)
    for found in shown:
        rgb, inside = warped(found, flat.low_mm, flat.scale, (flat.land.shape[1], flat.land.shape[0]))
        before = features(rgb)
        for place, known in ((~flat.land, flat.mask), (flat.land, bare_land)):
            known = known & inside & flat.inside
            if known.sum() < LEAST_PX:
                continue
            change = flat.colour[known] - before[known]
            middle = np.median(change, axis=0)
            spread = np.maximum(1.4826 * np.median(np.abs(change - middle), axis=0), STEADY)
            off = _least_off(flat.colour, before + middle, spread, max(1, round(OFF_MM * flat.scale)))
            density = -0.5 * np.minimum(off, 2 * FAR) - np.log(spread).sum() - 2.757 + USUAL  # 3/2·ln 2π
            here = place & inside
            told[here] = np.maximum(told[here], density[here])
    return told


def _least_off(now: Floats32, before: Floats32, spread: Floats, reach: int) -> Floats32:
    """Return the squared spreads by which pixels differ from the nearest to them of what was around there before."""
    least = np.full(now.shape[:2], np.inf, np.float32)
    before = np.asarray(before, np.float32)
    scale = (1 / spread).astype(np.float32)
    rows, columns = now.shape[0], now.shape[1]
    for down in (-reach, 0, reach):
        for across in (-reach, 0, reach):
            shift = np.array([[1, 0, across], [0, 1, down]], np.float32)
            moved = cv2.warpAffine(before, shift, (columns, rows), borderMode=cv2.BORDER_REPLICATE)
            least = np.minimum(least, (((now - np.asarray(moved)) * scale) ** 2).sum(axis=2))
    return least

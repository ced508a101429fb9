"""Printed legend, where the board's files say it is: how much each place there looks like it.

Legend is as light as shining paste, and its strokes run by lands and from one to the next. Where they lie follows from the
files to a fraction of a millimetre; how far this board's print lies off them is found in the photo, and how places look that
are printed, or on a print's edge, is learnt there, clear of all paste.
"""

import cv2
import numpy as np
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.dome import FLOOR, codes, density
from pastewright.inspect.flat import Flags, FlatBoard, Floats, Floats32
from pastewright.inspect.halo import UNTOLD
from pastewright.inspect.picture import drawn

OFF_MM = 0.3  # that a print may lie off the copper; board makers state 0.15 to 0.25 mm (common practice)
UNLIKE = 3.0  # spreads off the mask's colour, of what is no mask
LEAST_SEEN, LEAST_MORE = 0.5, 0.3  # of the print: unlike mask, and more so than all that is clear of paste
LEAST_PX, MOST_PX = 200, 20_000  # to find the print by; more tell no better
EDGE_MM, EDGE_PX = 0.03, 2.0  # beside the strokes: ink runs, and the photo's edge


def as_printed(flat: FlatBoard, legend: BaseGeometry, clear: Flags, mask_spread: Floats) -> Floats32 | None:
    """Return each pixel's ln density as a place where legend is or may be (rows, columns); None where none is seen.

    `legend` [mm, board] as in the files; `clear` tells which pixels show mask or print and surely no paste,
    `mask_spread` (3) how much the mask's colours differ by themselves. Where the print is not seen at its place nothing is
    said of it: a board may be bare of it.
    """
    lines, columns = flat.land.shape
    print_px = drawn([legend], flat.low_mm, flat.scale, (columns, lines)) > 0
    shift = _shift_px(flat, print_px, clear, mask_spread)
    if shift is None:
        return None
    there = _moved(print_px, shift)
    reach = 2 * round(EDGE_MM * flat.scale + EDGE_PX) + 1
    near = (
        cv2.dilate(there.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))) > 0
    )
    learnt = flat.on_mask[near & clear]
    if len(learnt) < LEAST_PX:
        return None
    look = np.log(density(learnt) + FLOOR)
    return np.where(near & ~flat.land, look[codes(flat.on_mask)], UNTOLD).astype(np.float32)


def _shift_px(flat: FlatBoard, print_px: Flags, clear: Flags, mask_spread: Floats) -> tuple[int, int] | None:
    """Return by how many lines and columns the print lies off its files, None where it is not seen."""
    lines, columns = print_px.shape
    reach = max(1, round(OFF_MM * flat.scale))
    inner = np.zeros_like(print_px)
    inner[reach : lines - reach, reach : columns - reach] = True
    y, x = np.nonzero(print_px & inner & clear)
    if len(y) < LEAST_PX or not clear.any():
        return None
    if len(y) > MOST_PX:
        chosen = np.random.default_rng(5).choice(len(y), MOST_PX, replace=False)
        y, x = y[chosen], x[chosen]
    unlike = (((flat.on_mask / mask_spread) ** 2).sum(axis=-1) > UNLIKE**2) & clear
    usual = float(unlike.sum() / clear.sum())
    best, found = 0.0, None
    for down in range(-reach, reach + 1):
        for across in range(-reach, reach + 1):
            told = int(clear[y + down, x + across].sum())
            share = float(unlike[y + down, x + across].sum() / told) if told >= LEAST_PX else 0.0
            if share > best:
                best, found = share, (down, across)
    return found if best >= max(LEAST_SEEN, usual + LEAST_MORE) else None


def _moved(area: Flags, shift: tuple[int, int]) -> Flags:
    lines, columns = area.shape
    way = np.array([[1, 0, shift[1]], [0, 1, shift[0]]], np.float32)
    return np.asarray(cv2.warpAffine(area.astype(np.uint8), way, (columns, lines)) > 0)

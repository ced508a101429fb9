"""Legend where the files say it is, on made-up pictures: found beside its place, and how it looks learnt there."""

import numpy as np
import pytest
from flat_mask import flat_mask
from shapely.geometry import MultiPolygon, box

from pastewright.inspect.flat import FlatBoard
from pastewright.inspect.halo import UNTOLD
from pastewright.inspect.printed import as_printed

SCALE = 30.0  # px/mm
SIZE = (300, 360)  # 10 by 12 mm
SPREAD = np.array([0.1, 0.06, 0.06])
STROKES = MultiPolygon(
    [
        box(2.0, 2.0, 10.0, 2.15),
        box(2.0, 8.0, 10.0, 8.15),
        box(2.0, 2.2, 2.15, 7.9),
        box(6.0, 4.0, 6.15, 7.0),
    ]
)
INK = np.array([1.6, 0.4, -0.2])  # ln, of light and two colours over the mask's


def photo(ink_at_px=(0, 0), *, inked: bool = True) -> tuple[FlatBoard, np.ndarray]:
    """A mask with ink so many lines and columns beside where the files have it, and where that is."""
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    ink = np.zeros(SIZE, bool)
    for stroke in STROKES.geoms:
        left, low, right, top = np.array(stroke.bounds) * SCALE
        ink |= (x >= left) & (x <= right) & (y >= low) & (y <= top)
    ink = np.roll(ink, ink_at_px, axis=(0, 1))
    colour = np.random.default_rng(3).normal(0, 1, (*SIZE, 3)) * SPREAD * 0.5
    if inked:
        colour[ink] += INK
    colour = colour.astype(np.float32)
    flat = flat_mask(colour, SCALE)
    return flat, ink


@pytest.mark.parametrize("off_px", [(0, 0), (5, -4), (-6, 6)])
def test_a_print_that_lies_off_its_files_is_told_where_it_lies(off_px):
    flat, ink = photo(off_px)
    told = as_printed(flat, STROKES, np.ones(SIZE, bool), SPREAD)
    assert told is not None
    assert (told[ink] > UNTOLD).all()
    assert np.median(told[ink]) > -2.0  # ink is usual there
    assert (told[100:200, 220:280] == UNTOLD).all()  # and nothing is printed there


def test_paste_grey_over_the_print_is_no_print():
    """What lies over legend and was seen nowhere on it is far less likely to be legend than ink is."""
    flat, ink = photo()
    clear = np.ones(SIZE, bool)
    crossing = (slice(225, 255), slice(150, 165))  # over the upper stroke
    flat.on_mask[crossing] = np.array([0.7, -0.5, 0.5])
    clear[crossing] = False
    told = as_printed(flat, STROKES, clear, SPREAD)
    assert told is not None
    over = np.zeros(SIZE, bool)
    over[crossing] = True
    assert np.median(told[ink & ~over]) > np.median(told[ink & over]) + 3


def test_a_board_that_is_not_printed_says_nothing_of_it():
    flat, _ = photo(inked=False)
    assert as_printed(flat, STROKES, np.ones(SIZE, bool), SPREAD) is None
    far, _ = photo((20, 0))  # 0.67 mm off: another board's, not a print's
    assert as_printed(far, STROKES, np.ones(SIZE, bool), SPREAD) is None

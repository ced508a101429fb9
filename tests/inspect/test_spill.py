"""Paste beside outlines, on made-up evidence whose answer is known."""

import numpy as np
import pytest
from flat_mask import flat_mask
from shapely.geometry import Point, box

from pastewright.inspect.spill import PasteBeside, spills

SCALE = 40.0  # px/mm
SIZE = (80, 120)  # 2 by 3 mm
DOT = Point(1.0, 1.0).buffer(0.3)


def told(*pasted):
    """What is said to lie beside a dot where these shapes [mm] look like paste, and all else like mask."""
    lines, columns = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    paste = np.zeros(SIZE, bool)
    for shape in (DOT, *pasted):
        near = [
            shape.contains(Point(x, y))
            for x, y in zip(columns.ravel() / SCALE, lines.ravel() / SCALE, strict=True)
        ]
        paste |= np.array(near).reshape(SIZE)
    looks = np.where(paste, 2.0, -2.0).astype(np.float32)
    flat = flat_mask(np.zeros((*SIZE, 3)), SCALE, rows=(0,))
    beside = PasteBeside(
        neck=looks, no_print=looks, anywhere=looks, anywhere_no_print=looks, mask_spread=np.ones(3)
    )
    return spills(flat, beside, {0: DOT})


def test_what_begins_at_an_outline_lies_beside_it():
    found = told(box(1.2, 0.9, 1.8, 1.1))
    assert list(found) == [0]
    # By hand: its far end lies 0.5 mm beyond the rim; what is nearer than 0.1 mm is the rim's own blur.
    assert found[0].reach_mm == pytest.approx(0.5, abs=0.04)
    assert found[0].area_mm2 == pytest.approx(0.4 * 0.2, rel=0.2)


def test_legend_that_stands_clear_of_an_outline_is_none_of_it():
    # Its nearest side is 0.11 mm away, near enough, with 0.1 mm of mask between.
    assert told(box(1.41, 0.8, 1.6, 1.2)) == {}


def test_without_anything_beside_nothing_is_told():
    assert told() == {}


def test_the_blurred_edge_of_a_land_is_none():
    """Metal and mask mix to paste's grey along it: a line 0.1 mm wide that touches the dot."""
    assert told(box(1.26, 0.6, 1.36, 1.8)) == {}
    assert list(told(box(1.26, 0.6, 1.46, 1.8))) == [0]

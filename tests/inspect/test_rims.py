"""Whether more lies between two pastes than their blurred rims, on made-up pictures whose answer is known by hand."""

from math import erf, sqrt

import numpy as np
import pytest
from flat_mask import flat_mask
from shapely.geometry import Polygon, box

from pastewright.inspect.flat import FlatBoard
from pastewright.inspect.rims import gap_between, shares

SCALE = 40.0  # px/mm
FINE = 4  # parts of a pixel that the picture is drawn in
SIZE = (80, 120)  # 2 by 3 mm
BLUR_PX = 1.5
SPREAD = np.array([0.1, 0.06, 0.06])
NOTHING = Polygon()


def pastes(gap_px: float) -> tuple[Polygon, Polygon]:
    """Two straight-edged pastes, 1 mm high, their rims so far apart."""
    half = gap_px / SCALE / 2
    return box(0.6, 0.5, 1.5 - half, 1.5), box(1.5 + half, 0.5, 2.4, 1.5)


def photo(shapes, light: float, blur_px: float = BLUR_PX) -> FlatBoard:
    """Pastes of so much light over the mask's, drawn in parts of a pixel and blurred by a bell."""
    y, x = (np.mgrid[0 : SIZE[0] * FINE, 0 : SIZE[1] * FINE] + 0.5) / FINE - 0.5
    drawn = np.ones(x.shape)
    for shape in shapes:
        left, low, right, top = np.array(shape.bounds) * SCALE
        drawn[(x > left) & (x < right) & (y > low) & (y < top)] = light
    far = np.arange(-5 * FINE * blur_px, 5 * FINE * blur_px + 1)
    bell = np.exp(-0.5 * (far / FINE / blur_px) ** 2)
    for axis in (0, 1):
        grown = np.pad(drawn, [(len(far) // 2,) * 2 if k == axis else (0, 0) for k in (0, 1)], mode="edge")
        drawn = np.apply_along_axis(np.convolve, axis, grown, bell / bell.sum(), "valid")
    seen = drawn.reshape(SIZE[0], FINE, SIZE[1], FINE).mean(axis=(1, 3))
    colour = np.stack([np.log(seen), np.zeros(SIZE), np.zeros(SIZE)], axis=-1).astype(np.float32)
    return flat_mask(colour, SCALE)


def told(shapes, more=(), light: float = 3.0, inward_px: float = 0.0):
    """What is said of the gap between two pastes in a photo that shows `more` as well."""
    first, second = shapes
    cores = (first.buffer(-0.2), second.buffer(-0.2))
    gap = gap_between(photo([*shapes, *more], light), (first, second), cores, (NOTHING, NOTHING), (), shapes)
    return shares(gap, SPREAD, BLUR_PX, inward_px)


def left_px(gap_px: float) -> float:
    """Share of paste in the middle between two straight rims: each blurred edge reaches it by the bell's tail."""
    return 1 - erf(gap_px / 2 / sqrt(2) / BLUR_PX)


@pytest.mark.parametrize("light", [3.0, 0.3])
@pytest.mark.parametrize("gap_px", [3.0, 5.0, 8.0])
def test_between_unjoined_rims_as_much_mask_is_seen_as_their_blur_leaves(gap_px, light):
    found = told(pastes(gap_px), light=light)
    assert found is not None
    assert found.seen == pytest.approx(left_px(gap_px), abs=0.04)
    assert found.unjoined == pytest.approx(left_px(gap_px), abs=0.04)
    assert abs(found.more) < 0.08


@pytest.mark.parametrize("light", [3.0, 0.3])
@pytest.mark.parametrize("wide_px", [3.0, 5.0, 8.0])
def test_a_neck_shows_what_the_blur_leaves_of_its_width(wide_px, light):
    half = wide_px / SCALE / 2
    found = told(pastes(6.0), more=[box(1.3, 1.0 - half, 1.7, 1.0 + half)], light=light)
    assert found is not None
    # By hand: along its middle a stripe w wide keeps erf(w/(2√2·σ)) of its light, in what the rims leave.
    keeps = erf(wide_px / 2 / sqrt(2) / BLUR_PX)
    assert found.more == pytest.approx((1 - left_px(6.0)) * keeps, abs=0.06)


def test_a_speck_between_rims_leads_nowhere():
    found = told(pastes(14.0), more=[box(1.45, 0.95, 1.55, 1.05)])
    assert found is not None
    assert found.more < 0.1


def test_outlines_read_too_far_out_are_drawn_in():
    # Read 1 px too far out each, the gap seems 2 px narrower than it is.
    read = pastes(4.0)
    seen = photo(pastes(6.0), 3.0)
    gap = gap_between(seen, read, (read[0].buffer(-0.2), read[1].buffer(-0.2)), (NOTHING, NOTHING), (), read)
    as_read, drawn_in = (shares(gap, SPREAD, BLUR_PX, inward_px) for inward_px in (0.0, 1.0))
    assert as_read is not None
    assert drawn_in is not None
    assert as_read.unjoined == pytest.approx(left_px(4.0), abs=0.04)
    assert drawn_in.unjoined == pytest.approx(left_px(6.0), abs=0.04)
    assert abs(drawn_in.more) < 0.08


def test_a_way_leads_over_own_lands_but_not_over_the_mask_between_them():
    first, second = pastes(20.0)
    land = (box(0.6, 0.6, 1.45, 1.4), box(1.55, 0.6, 2.4, 1.4))  # to within 4 px of each other
    seen = photo([first, second], 3.0)
    cores = (first.buffer(-0.2), second.buffer(-0.2))
    found = shares(
        gap_between(seen, (first, second), cores, land, land, [first, second]), SPREAD, BLUR_PX, 0.0
    )
    assert found is not None
    assert found.seen < 0.1


def test_paste_that_looks_like_mask_tells_nothing():
    assert told(pastes(6.0), light=1.1) is None

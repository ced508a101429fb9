"""Whether a narrow neck leads across a gap, on made-up colours whose answer is known."""

import numpy as np
import pytest
from flat_mask import flat_mask
from shapely.geometry import Point

from pastewright.inspect.dome import mask_spread
from pastewright.inspect.flat import FlatBoard
from pastewright.inspect.ridge import ridge_between

SCALE = 30.0  # px/mm
SIZE = (61, 91)  # 2 by 3 mm
DOTS = (Point(0.9, 1.0).buffer(0.35), Point(2.1, 1.0).buffer(0.35))  # a gap of 0.5 mm
SPREAD = np.array([0.1, 0.06, 0.06])


def flat(lightness: np.ndarray) -> FlatBoard:
    colour = np.stack([lightness, np.zeros(SIZE), np.zeros(SIZE)], axis=-1).astype(np.float32)
    return flat_mask(colour, SCALE)


def places() -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]] / SCALE
    return x, y


@pytest.mark.parametrize("aside_mm", [0.0, 0.12, -0.12])
def test_a_narrow_neck_stands_out_by_its_own_step(aside_mm):
    x, y = places()
    neck = (np.abs(y - 1.0 - aside_mm) < 0.09) & (x > 0.9) & (x < 2.1)
    # By hand: 0.4 darker, in spreads of 0.1.
    assert ridge_between(flat(np.where(neck, -0.4, 0.0)), SPREAD, DOTS) == pytest.approx(4.0, rel=0.1)


def test_a_shadow_as_wide_as_its_deposit_is_no_neck():
    x, y = places()
    shadow = (np.abs(y - 1.0) < 0.5) & (x > 1.2) & (x < 1.9)
    assert ridge_between(flat(np.where(shadow, -0.8, 0.0)), SPREAD, DOTS) < 0.5


def test_a_neck_that_ends_short_of_the_other_paste_is_none():
    x, y = places()
    tail = (np.abs(y - 1.0) < 0.09) & (x > 0.9) & (x < 1.55)
    assert ridge_between(flat(np.where(tail, -0.8, 0.0)), SPREAD, DOTS) < 0.5


def test_pastes_that_touch_or_lie_far_apart_have_no_gap_to_look_at():
    touching = (Point(0.9, 1.0).buffer(0.35), Point(1.6, 1.0).buffer(0.35))
    assert ridge_between(flat(np.zeros(SIZE)), SPREAD, touching) == -np.inf
    far = (Point(0.2, 1.0).buffer(0.1), Point(2.8, 1.0).buffer(0.1))
    assert ridge_between(flat(np.zeros(SIZE)), SPREAD, far) == -np.inf


def test_a_plain_mask_is_granted_a_spread():
    assert mask_spread(np.zeros((0, 3), np.float32)).tolist() == SPREAD.tolist()
    wide = np.random.default_rng(2).normal(0, 0.3, (4000, 3)).astype(np.float32)
    assert mask_spread(wide) == pytest.approx(np.full(3, 0.3), rel=0.06)

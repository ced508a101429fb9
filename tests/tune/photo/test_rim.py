"""The common picture's rim, on discs whose edge is known."""

import cv2
import numpy as np
import pytest

from pastewright.tune.photo.common import HALF, grid
from pastewright.tune.photo.rim import UNEVEN, common_rim

SIGMA = 0.06
FINE = 8  # the disc is drawn this much finer than the common picture, then averaged


def _disc(
    radius: float, aside: tuple[float, float], *, lit: float, shaded: float, shadow: float
) -> np.ndarray:
    """A disc lighter on its left than on its right, where a shadow of `shadow` lies beside it; ground is 0."""
    side = len(grid()) * FINE
    axis = (np.arange(side) + 0.5) / FINE
    axis = (axis - 0.5) / (len(grid()) - 1) * 2 * HALF - HALF
    x, y = np.meshgrid(axis, axis)
    away = np.hypot(x - aside[0], y - aside[1])
    light = np.where(away < radius, (lit + shaded) / 2 - (lit - shaded) / 2 * (x - aside[0]) / radius, 0.0)
    cast = (away >= radius) & (np.hypot(x - aside[0] - 0.25, y - aside[1]) < radius)
    light[cast] = shadow
    spread = float(np.hypot(SIGMA, UNEVEN)) / (2 * HALF / (len(grid()) - 1)) * FINE
    light = cv2.GaussianBlur(light, (0, 0), spread)
    small = light.reshape(len(grid()), FINE, len(grid()), FINE).mean(axis=(1, 3))
    return np.stack([small, 0.3 * small, -0.2 * small], axis=-1)


@pytest.mark.parametrize("radius", [0.9, 1.0, 1.12])
@pytest.mark.parametrize("aside", [(0.0, 0.0), (0.08, -0.05)])
def test_the_rim_of_a_shaded_disc_is_found(radius, aside):
    rim = common_rim(_disc(radius, aside, lit=1.4, shaded=0.5, shadow=0.0), HALF, SIGMA, 0.0)
    assert rim.value == pytest.approx(radius, abs=0.012)
    assert rim.centre == pytest.approx(aside, abs=0.02)
    assert rim.doubt < 0.01


def test_paste_lighter_here_and_darker_there_and_a_shadow_beside_it_do_not_move_the_rim_far():
    """Half of the rays meet the shadow's edge or a weak step; the other half tells the circle."""
    rim = common_rim(_disc(1.0, (0.0, 0.0), lit=1.5, shaded=-0.6, shadow=-0.3), HALF, SIGMA, 0.0)
    assert rim.value == pytest.approx(1.0, abs=0.03)

"""The view through points of a plane: known views come back, few points keep the lens flat."""

import numpy as np
import pytest

from pastewright.photo.fitted import K1_OF_PHONES, fit_view
from pastewright.photo.view import PhotoView

WIDTH, HEIGHT = 4000, 3000


def _view(k1: float) -> PhotoView:
    homography = np.array([[0.03, 0.002, -0.4], [-0.001, 0.031, -0.3], [0.0005, 0.0008, 1.0]])
    return PhotoView(homography=homography, k1=k1, width_px=WIDTH, height_px=HEIGHT)


@pytest.mark.parametrize("k1", [-0.03, 0.0, 0.04])
def test_a_known_view_comes_back(k1):
    places = np.random.default_rng(2).uniform(0, 30, (60, 2))
    view, residual_mm, _ = fit_view(places, _view(k1).to_px(places), WIDTH, HEIGHT)
    assert view.k1 == pytest.approx(k1, abs=1e-3)
    assert residual_mm < 1e-3
    assert view.to_px(places) == pytest.approx(_view(k1).to_px(places), abs=0.05)


def test_few_points_off_by_pixels_bend_no_lens():
    """Eight points tell nine numbers badly: what a weak prior leaves to chance, a phone's own keeps small."""
    random = np.random.default_rng(5)
    bent = {}
    for sd in (K1_OF_PHONES, 1.0):
        found = []
        for _ in range(10):
            places = random.uniform(0, 15, (8, 2))
            px = _view(0.0).to_px(places) + random.normal(0, 3.0, (8, 2))
            found.append(abs(fit_view(places, px, WIDTH, HEIGHT, scatter_px=4.0, k1_sd=sd)[0].k1))
        bent[sd] = float(np.median(found))
    assert bent[K1_OF_PHONES] < 0.02 < bent[1.0]

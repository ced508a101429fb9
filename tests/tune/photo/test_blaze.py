"""What bright paste blazes over its edge, on edges drawn with a known blur."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr

from pastewright.tune.photo.blaze import MOST, RADII, USUAL_FOOT, blaze_of, by_size

GROUND = 0.1  # of white


def code(light: float) -> float:
    return 1.055 * light ** (1 / 2.4) - 0.055 if light > 0.0031308 else 12.92 * light


def light(radius, sigma: float, paste: float):
    """Light of an edge at 1 that is blurred by σ and cut off at white, over the ground's."""
    return np.minimum(GROUND + (paste - GROUND) * ndtr((1 - radius) / sigma), 1.0) / GROUND


def rays(sigma: float, paste: float) -> np.ndarray:
    return np.tile(light(RADII, sigma, paste) - 1, (72, 1))


@pytest.mark.parametrize("sigma", [0.03, 0.08])
@pytest.mark.parametrize("paste", [0.5, 3.0])
def test_the_foot_is_the_way_from_half_of_the_step_in_codes_to_a_tenth(sigma, paste):
    top = code(min(paste, 1.0) / GROUND)
    levels = [code(1.0) + share * (top - code(1.0)) for share in (0.5, 0.1)]
    half, tenth = (
        brentq(lambda r, at=level: code(float(light(r, sigma, paste))) - at, 0.8, 1.45) for level in levels
    )
    assert blaze_of(rays(sigma, paste), 0.0, (0.0, 0.0)).foot == pytest.approx(tenth - half, abs=0.003)


def test_what_is_burnt_out_soft_or_narrower_in_hue_looks_too_wide_and_never_by_more_than_the_most():
    sharp, soft = (blaze_of(rays(sigma, 0.5), 0.0, (0.0, 0.0)).share for sigma in (0.03, 0.08))
    assert soft > sharp
    burnt = blaze_of(rays(0.03, 3.0), 0.8, (0.0, 0.0)).share
    assert burnt > sharp + 0.01
    assert blaze_of(rays(0.03, 3.0), 0.8, (0.05, 0.0)).share > burnt + 0.01
    assert blaze_of(rays(0.03, 3.0), 0.8, (-0.05, 0.0)).share == burnt
    assert blaze_of(rays(0.2, 3.0), 1.0, (0.2, 0.2)).share <= MOST


def test_rays_without_an_edge_have_the_usual_foot():
    assert blaze_of(np.zeros((72, len(RADII))), 0.0, (0.0, 0.0)).foot == USUAL_FOOT


def test_what_burnt_paste_blazes_is_as_many_pixels_on_every_dot():
    """A share told by dots of 18 pixels and what small ones have beyond it make the same pixels at each size."""
    radii = np.array([9.0, 12.0, 18.0, 30.0])
    share = by_size(radii, 18.0, 0.6)
    assert share[2] == 0.0
    assert np.ptp((share + 0.48 / 18.0) * radii) < 1e-9  # 0.8 · 0.6 = 0.48 pixels
    assert (by_size(radii, 18.0, 0.0) == 0.0).all()
    assert by_size(np.array([0.5]), 18.0, 1.0) == pytest.approx(0.06)

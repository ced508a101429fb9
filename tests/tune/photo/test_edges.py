"""Outlines from light along rays, against discs whose blurred light is known."""

import numpy as np
import pytest
from scipy import integrate, special

from pastewright.tune.photo.edge import crossings, outline_at, outlines

ANGLES = np.arange(72) * 2 * np.pi / 72


def _blurred_disc(r: np.ndarray, radius: float, sigma: float) -> np.ndarray:
    """Light of a disc blurred by a Gaussian, by its integral (Rice): ∫ t/σ² exp(−(r²+t²)/2σ²) I0(rt/σ²) dt."""

    def at(place: float) -> float:
        value, _ = integrate.quad(
            lambda t: (
                t
                / sigma**2
                * np.exp(-((place - t) ** 2) / (2 * sigma**2))
                * special.i0e(place * t / sigma**2)
            ),
            0,
            radius,
            points=[min(max(place, 0.0), radius)],
        )
        return value

    return np.array([at(place) for place in r])


def _rays(light: np.ndarray, radii: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.tile(light, (1, 72, 1)), radii[None, :]


@pytest.mark.parametrize(("radius", "sigma"), [(20.0, 1.0), (12.0, 2.0), (10.0, 3.0)])
def test_the_radius_of_a_blurred_disc_is_found(radius, sigma):
    radii = np.linspace(0, 1.5 * radius + 3 * sigma, 160)
    contrast, steps = _rays(_blurred_disc(radii, radius, sigma), radii)
    crossed = crossings(contrast, steps, np.full((1, 72), 0.9 * radius), np.array([sigma]))
    outline = outlines(crossed.radius, ANGLES, np.ones((1, 72), bool))
    # Blur moves the halfway line of a disc inward by σ²/2r, to second order.
    found = outline.radius + np.median(crossed.blur, axis=1) ** 2 / (2 * outline.radius)
    assert found[0] == pytest.approx(radius, rel=0.005)
    # Blur matters: without putting σ²/2r back the widest blur would be off by several percent.
    if sigma / radius > 0.25:
        assert outline.radius[0] < 0.97 * radius


def test_an_outline_gives_back_centre_axes_and_a_missing_side():
    truth = 3.0 + 0.2 * np.cos(ANGLES) - 0.1 * np.sin(ANGLES) + 0.05 * np.cos(2 * ANGLES - 0.6)
    seen = np.cos(ANGLES) > -0.3
    radius = np.where(seen, truth, 9.0)[None, :]
    outline = outlines(radius, ANGLES, seen[None, :])
    assert outline.radius[0] == pytest.approx(3.0, abs=0.01)
    assert outline.offset[0] == pytest.approx([0.2, -0.1], abs=0.02)
    assert np.hypot(*outline.ellipse[0]) == pytest.approx(0.05, abs=0.01)
    assert outline_at(outline, ANGLES)[0] == pytest.approx(truth, abs=0.03)


def test_a_few_wild_rays_do_not_move_the_outline():
    random = np.random.default_rng(2)
    radius = 5 + random.normal(0, 0.02, (1, 72))
    radius[0, 10:16] = 7.5
    radius[0, 40] = np.nan
    outline = outlines(radius, ANGLES, np.ones((1, 72), bool))
    assert outline.radius[0] == pytest.approx(5, abs=0.02)
    assert outline.kept[0] == pytest.approx(65 / 72, abs=0.03)


def test_the_claimed_error_of_a_radius_is_that_of_its_scatter():
    random = np.random.default_rng(3)
    radius = 5 + random.normal(0, 0.05, (2000, 72))
    outline = outlines(radius, ANGLES, np.ones((2000, 72), bool))
    assert np.std(outline.radius) == pytest.approx(np.mean(outline.error), rel=0.1)

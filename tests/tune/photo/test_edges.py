"""Outlines from light along rays, against discs whose blurred light is known."""

import numpy as np
import pytest
from scipy import integrate, special

from pastewright.tune.photo.edge import crossings, outline_at, outlines, unblurred
from pastewright.tune.photo.soft_edge import RHO, find_edges, ring_profiles

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
    found = unblurred(outline.radius, np.median(crossed.blur, axis=1))
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


def _dot(radius: float, sigma: float, *, rim: float, shadow: float, steps: np.ndarray) -> np.ndarray:
    """A wide dot's light along ρ, made apart from the solver: sampled finely, then summed with a Gaussian."""
    fine = np.linspace(0, 3, 6001) * radius
    rho = fine / radius
    light = np.where(rho < 1, 1 + rim * rho**2, shadow * np.clip((1.25 - rho) / 0.25, 0, 1))
    kernel = np.exp(-0.5 * ((steps[:, None] * radius - fine[None, :]) / sigma) ** 2)
    return kernel @ light / kernel.sum(axis=1)


def test_a_dark_rim_and_a_shadow_do_not_move_the_edge():
    """The photo's wide dots teach the shading; narrow ones are then put right by it."""
    radii = np.array([40.0] * 6 + [12.0] * 6)
    profiles = np.stack([_dot(radius, 1.8, rim=0.2, shadow=0.2, steps=RHO) for radius in radii])
    # Halfway between what is seen inside and outside, as the rays find it.
    halfway = []
    for radius in radii:
        fine = np.linspace(0.8, 1.3, 4001)
        light = _dot(radius, 1.8, rim=0.2, shadow=0.2, steps=fine)
        halfway.append(fine[np.argmin(np.abs(light - 0.55))])
    profiles = np.stack(
        [
            _dot(radius, 1.8, rim=0.2, shadow=0.2, steps=RHO * half)
            for radius, half in zip(radii, halfway, strict=True)
        ]
    )
    places = np.stack([np.arange(12.0), np.zeros(12)], axis=-1)
    edges = find_edges(profiles, 1.8 / (radii * halfway), np.ones(12, bool), places)
    found = np.array(halfway) * edges.factor
    # Halfway is off by 1.4 % on wide dots and by 2.9 % on narrow ones, where more than half of that is taken away.
    assert np.abs(np.array(halfway) - 1) == pytest.approx([0.014] * 6 + [0.029] * 6, abs=0.002)
    assert found[:6] == pytest.approx(np.ones(6), abs=0.003)
    assert found[6:] == pytest.approx(np.ones(6), abs=0.012)


def test_ring_profiles_follow_the_outline():
    radii = np.linspace(0, 10, 201)[None, :]
    outline = 4 + 0.5 * np.cos(2 * ANGLES)[None, :]
    contrast = (radii[:, None, :] < outline[..., None]).astype(float)
    profile = ring_profiles(contrast, radii, outline, np.ones((1, 72), bool))[0]
    assert np.all(profile[RHO < 0.98] == 1)
    assert np.all(profile[RHO > 1.02] == 0)

"""Where the paste ends on the picture of all dots laid over one another: (picture, blur) → a circle.

All trial circles are tried against the steps of light along rays. A ray counts no less than −MOST_DOUBT: half of the
rays may meet a shadow's edge or none at all, and the rest still tell the circle. It is asked twice, of lightness alone
and of lightness and colour together; how far the two answers differ is a measure of what cannot be known.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from pastewright.tune.photo.steps import SAMPLES, TRIALS, likelihood, squares_left, usual_step

Floats = NDArray[np.float64]

RAYS = 72
MOST_DOUBT = 4.0  # of a ray's logarithm of likelihood
UNEVEN = 0.05  # blur that outlines of different dots add when laid over one another, in radii (measured, see scripts)
COLOUR_BLUR_PX = (
    1.0  # more blur of colour where it is kept at half the resolution: a box of two pixels, then a triangle
)
CENTRE_SD = 0.1, 0.05  # prior of the circle's centre, first and second time, in radii
RADII: Floats = np.arange(-0.24, 0.2401, 0.008)
ASIDE: Floats = np.arange(-0.16, 0.161, 0.02)
FINE: Floats = np.arange(-0.012, 0.0121, 0.001)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rim:
    """The paste's edge on the common picture: radius and centre in the picture's unit, by all channels (`radius`) and by
    lightness alone (`by_light`); `light_share` is how much of the step, in squares, is lightness."""

    radius: float
    centre: Floats
    by_light: float
    light_share: float

    @property
    def value(self) -> float:
        """The radius to be taken: where lightness tells as much as colour does, the mean of both ways."""
        return self.radius + 0.5 * self.light_share * (self.by_light - self.radius)

    @property
    def doubt(self) -> float:
        """Half of what the two ways differ by, as a share of the radius, weighed as in `value`."""
        return 0.5 * self.light_share * abs(self.by_light - self.radius) / max(self.radius, 1e-9)


def common_rim(picture: Floats, half: float, blur: float, colour_blur: float) -> Rim:
    """Return the rim on a picture of `half` radii to each side, (rows, columns, lightness and two colours).

    `blur` is σ [radii], `colour_blur` what colour has more of it.
    """
    sigma = float(np.hypot(blur, UNEVEN))
    more = float(np.hypot(sigma, colour_blur))
    radius, centre, rays = _circle(picture, half, (sigma, more, more))
    by_light, _, _ = _circle(picture, half, (sigma,))
    power = usual_step(rays) ** 2
    return Rim(
        radius=radius, centre=centre, by_light=by_light, light_share=float(power[0] / max(power.sum(), 1e-12))
    )


def beside_halfway(rim: Rim) -> Rim:
    """Return the rim on a grey ground, where the line halfway between paste and ground, at 1, is the second way.

    Colour says nothing there; the halfway line is hardly moved by shade (measured on photos rendered for development:
    −0.4 to +2 %).
    """
    return Rim(radius=rim.value, centre=rim.centre, by_light=1.0, light_share=1.0)


def polar(picture: Floats, half: float, centre: Floats, radii: Floats) -> Floats:
    """Return light along rays around a centre (rays, radii, channels); lengths in the picture's unit."""
    step = 2 * half / (len(picture) - 1)
    ways = ray_ways()
    x = (centre[0] + radii[None, :] * ways[:, :1] + half) / step
    y = (centre[1] + radii[None, :] * ways[:, 1:] + half) / step
    planes = [
        map_coordinates(picture[..., k], [y, x], order=1, mode="nearest") for k in range(picture.shape[2])
    ]
    return np.stack(planes, axis=-1).astype(np.float64)


def ray_ways() -> Floats:
    """Unit vectors of the rays (rays, 2)."""
    angles = np.arange(RAYS) * (2 * np.pi / RAYS)
    return np.stack([np.cos(angles), np.sin(angles)], axis=-1)


def _circle(picture: Floats, half: float, blurs: tuple[float, ...]) -> tuple[float, Floats, Floats]:
    """Return radius, centre and the rays around it."""
    centre, shift = np.zeros(2), np.zeros(3)
    for spread in CENTRE_SD:
        rays = polar(picture[..., : len(blurs)], half, centre, 1 + SAMPLES)
        log = likelihood(squares_left(rays, np.array(blurs)), rays, blurs[0])
        shift = _best_shift(log, spread)
        centre = centre + shift[1:]
    return float(1 + shift[0]), centre, rays


def _best_shift(log: Floats, spread: float) -> Floats:
    """Return the change of radius and centre that most rays agree on: a coarse search of all, then a fine one."""
    grid = np.stack(np.meshgrid(RADII, ASIDE, ASIDE, indexing="ij"), axis=-1).reshape(-1, 3)
    best = grid[np.argmax(_scores(grid, log, spread))]
    near = best + np.stack(
        np.meshgrid(FINE, [-0.01, 0, 0.01], [-0.01, 0, 0.01], indexing="ij"), axis=-1
    ).reshape(-1, 3)
    return np.asarray(near[np.argmax(_scores(near, log, spread))])


def _scores(shifts: Floats, log: Floats, spread: float) -> Floats:
    """Return how well each shift (n, 3) fits the rays' likelihoods, cut off at the most a ray may say."""
    edge = shifts[:, :1] + shifts[:, 1:] @ ray_ways().T
    at = (edge - TRIALS[0]) / (TRIALS[1] - TRIALS[0])
    low = np.clip(np.floor(at).astype(np.int64), 0, len(TRIALS) - 2)
    share = np.clip(at - low, 0, 1)
    ray = np.arange(RAYS)[None, :]
    value = log[ray, low] * (1 - share) + log[ray, low + 1] * share
    prior = 0.5 * (shifts[:, 1:] ** 2).sum(axis=1) / spread**2
    return np.asarray(np.maximum(value, -MOST_DOUBT).sum(axis=1) - prior)

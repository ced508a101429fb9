"""A picture along rays around a place: (picture, centre, radii) → light (rays, radii, channels)."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RAYS = 72


def polar(picture: Floats, half: float, centre: Floats, radii: Floats) -> Floats:
    """Return light along rays around a centre (rays, radii, channels); lengths in the picture's unit."""
    last = len(picture) - 1
    step = 2 * half / last
    ways = ray_ways()
    x = np.clip((centre[0] + radii[None, :] * ways[:, :1] + half) / step, 0, last)
    y = np.clip((centre[1] + radii[None, :] * ways[:, 1:] + half) / step, 0, last)
    left, low = (np.minimum(at.astype(np.int64), last - 1) for at in (x, y))
    across, along = (x - left)[..., None], (y - low)[..., None]
    below = picture[low, left] * (1 - across) + picture[low, left + 1] * across
    above = picture[low + 1, left] * (1 - across) + picture[low + 1, left + 1] * across
    return np.asarray(below * (1 - along) + above * along, dtype=np.float64)


def ray_ways() -> Floats:
    """Unit vectors of the rays (rays, 2)."""
    angles = np.arange(RAYS) * (2 * np.pi / RAYS)
    return np.stack([np.cos(angles), np.sin(angles)], axis=-1)

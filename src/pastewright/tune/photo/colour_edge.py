"""How soft colour goes from paste to ground on the picture of all dots laid over one another.

Cameras keep colour at half the resolution, and compression leaves less of it where it is faint; how much less, nobody
says. Between plateaus clear of the edge the picture shows it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.tune.photo.polar import polar

Floats = NDArray[np.float64]

ON_PASTE, ON_GROUND = (0.4, 0.55), (1.35, 1.5)  # radii of the circle
ONE_SIGMA = (0.8413, 0.1587)  # of the step, one standard deviation within and beyond a Gaussian's middle
SAMPLES = 111


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourEdge:
    """Colour's edge on the usual ray, in the picture's unit: where it is halfway, and its standard deviation."""

    radius: float
    sigma: float


def colour_edge(picture: Floats, half: float, centre: Floats, radius: float) -> ColourEdge | None:
    """Return how colour goes from paste to ground about a circle on a picture (rows, columns, lightness and two colours)
    over −`half`…`half`; None where it does not go from the one to the other there.
    """
    radii = np.linspace(ON_PASTE[0], ON_GROUND[1], SAMPLES)
    usual = np.median(polar(picture, half, centre, radius * radii), axis=0)[:, 1:]
    paste, ground = (
        np.median(usual[(radii >= low) & (radii <= high)], axis=0) for low, high in (ON_PASTE, ON_GROUND)
    )
    step = paste - ground
    level = (usual - ground) @ step / max(float(step @ step), 1e-12)
    within, halfway, beyond = (
        float(radii[int(np.argmax(level < part))]) for part in (ONE_SIGMA[0], 0.5, ONE_SIGMA[1])
    )
    if not ON_PASTE[1] < within < halfway < beyond < ON_GROUND[0]:
        return None
    return ColourEdge(radius=radius * halfway, sigma=radius * (beyond - within) / 2)

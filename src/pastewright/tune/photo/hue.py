"""Where the paste ends by hue alone: rays across the common picture → a radius, where the ground has a colour of its own.

Shade and shadow change how light a place is, and not its hue: a green mask in a dot's shadow stays green, and paste in its
own shade stays grey. So hue tells a shadow, or a bright flank, from the paste's edge where lightness cannot. It is used as
a witness beside the other ways (`rim`), not as a measure: gloss pales hue, and cameras keep colour less exactly.

    light = a·paste + (1 − a)·ground ,  hue = (a·P·h_p + (1 − a)·G·h_g) / (a·P + (1 − a)·G)

with h the hue and P, G how light paste and ground are beside the edge, ray by ray; the edge is where a falls through ½.
"""

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.light import COARSE_COLOUR, MIDDLE
from pastewright.tune.photo.rays import DIMMEST

Floats = NDArray[np.float64]

REACH = (0.6, 1.4)  # radii that the rays must span
INNER, OUTER = (0.62, 0.85), (1.18, 1.38)  # radii: whose hue is paste's, and ground's
BESIDE_IN, BESIDE_OUT = (0.75, 0.9), (1.1, 1.25)  # radii: how light both are beside the edge
LEAST_HUE = 0.15  # step of hue, of light^0.7: below, a ground is as grey as paste (grey grounds rendered show 0.1 or less)
LEAST_LIGHT = 0.004  # of white: below, an 8-bit code tells no hue
LEAST_RAYS = 0.25  # of the rays must cross


def by_hue(rays: Floats, radii: Floats, ground: Floats, *, fine: bool) -> float | None:
    """Return the radius by hue as a share of the radius laid round, None where paste and ground hardly differ in hue.

    `rays` (rays, steps, 3) are the features along `radii` (steps, shares of the radius); `ground` (3) is the ground's
    opponent light; `fine` tells that colour is kept as fine as lightness.
    """
    level = max(float(ground[0]), DIMMEST)
    light = np.maximum(level * (1 + rays[..., 0]), LEAST_LIGHT) ** (1.0 if fine else COARSE_COLOUR)
    colour = rays[..., 1:] * (level**COARSE_COLOUR / 2) + (ground[1:] - MIDDLE / 65535)
    hue = colour / light[..., None]
    inner, outer = _within(radii, INNER), _within(radii, OUTER)
    paste, beyond = (np.median(hue[:, part], axis=(0, 1)) for part in (inner, outer))
    step = paste - beyond
    power = float(step @ step)
    if power < LEAST_HUE**2:
        return None
    of_paste = (
        np.median(light[:, _within(radii, BESIDE_IN)], axis=1),
        np.median(light[:, _within(radii, BESIDE_OUT)], axis=1),
    )
    above = (hue - beyond) @ step / power - (of_paste[0] / (of_paste[0] + of_paste[1]))[:, None]
    found = []
    for ray in above:
        falls = np.flatnonzero((ray[:-1] >= 0) & (ray[1:] < 0))
        if len(falls):
            k = falls[np.argmin(np.abs(radii[falls] - 1))]
            found.append(radii[k] + (radii[k + 1] - radii[k]) * ray[k] / (ray[k] - ray[k + 1]))
    return float(np.median(found)) if len(found) >= LEAST_RAYS * len(rays) else None


def _within(radii: Floats, ends: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray((radii > ends[0]) & (radii < ends[1]))

"""The line halfway between paste and ground: the common picture and a circle → a radius.

A second way beside the steps of light (`steps`): where the two differ the rim is not well known.
"""

import numpy as np
from numpy.typing import NDArray

from pastewright.tune.photo.polar import RAYS, polar

Floats = NDArray[np.float64]


def halfway_radius(picture: Floats, half: float, circle: tuple[Floats, float], weight: Floats) -> float:
    """Return where most rays cross the line halfway between their own paste and their own ground.

    Paste and ground are taken along the usual step of the photo, light and colour together. `circle` is the centre and the
    radius around which it is looked for on `picture` (rows, columns, channels), −`half`…`half`; `weight` (rays) is how much
    each ray counts.
    """
    centre, radius = circle
    radii = radius * np.linspace(0.7, 1.3, 61)
    rays = polar(picture, half, centre, radii)
    inner, outer = (radii > 0.72 * radius) & (radii < 0.86 * radius), radii > 1.15 * radius
    paste, ground = np.median(rays[:, inner], axis=1), np.median(rays[:, outer], axis=1)
    step = np.median(paste - ground, axis=0)
    level = ((rays - ground[:, None]) @ step) / np.maximum(((paste - ground) @ step)[:, None], 1e-9)
    crossed = np.argmax(level < 0.5, axis=1)
    clear = (((paste - ground) @ step) > 0.3 * float(step @ step)) & (crossed > 0)
    if clear.sum() < RAYS // 8:
        return radius
    before = np.maximum(crossed - 1, 0)
    ray = np.arange(RAYS)
    high, low = level[ray, before], level[ray, crossed]
    share = (high - 0.5) / np.maximum(high - low, 1e-9)
    found = radii[before] + np.clip(share, 0, 1) * (radii[1] - radii[0])
    order = np.argsort(found[clear])
    total = np.cumsum(weight[clear][order])
    return float(found[clear][order][np.searchsorted(total, total[-1] / 2)])

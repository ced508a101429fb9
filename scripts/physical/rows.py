"""Scenes of witness rows on white: a dozen dots in two lines, photographed near or from as far as a board is.

Lights, paste, dirt, dots and the phone's camera are drawn as in `wide`; the ground is paper or white. Numbers 3000 to 3999
are for development, 8000 to 8999 for figures.
"""

import numpy as np
from scenes import drawn_dots
from wide import _tailed, drawn_wide

DEVELOPMENT_ROWS = range(3000, 4000)
FRESH_ROWS = range(8000, 9000)
MIDDLE_MM = (10.0, 10.0)  # where a row's middle lies on the ground


def drawn_row(number: int, places_mm: np.ndarray, doses_ul: np.ndarray) -> dict:
    """Return the scene of a number; places (dots, 2), doses (dots)."""
    random = np.random.default_rng([number, 2])
    scene = drawn_wide(number - number % 9 + number % 2)  # the first two grounds are paper and white
    scene["number"] = number
    scene["places_mm"] = np.round(places_mm, 4).tolist()
    scene["dots"] = drawn_dots(random, doses_ul, [])
    _tailed(scene["dots"], random)
    scene["camera"]["roll_deg"] = round(
        float(random.uniform(-20, 20)) + float(random.choice([0.0, 180.0])), 3
    )
    scene["camera"]["long_px"] = 1600
    scene["camera"]["fill"] = round(float(random.uniform(0.6, 0.98)), 3)
    return scene

"""Scenes of witness rows on white: a dozen dots in two lines, photographed near or from as far as a board is.

Lights, paste, dirt, dots and the phone's camera are drawn as in `wide`; the ground is paper or white. Numbers 3000 to 3999
are for development, 8000 to 8999 for figures; of these, two scenes' lights are shared by nine numbers that follow each
other. Numbers 4000 to 4999 (development) and 9000 to 9999 (figures) have lights of their own each, and two in three are
photographed near: cut out of a picture of many pixels.
"""

import numpy as np
from scenes import drawn_dots
from wide import _tailed, drawn_wide

DEVELOPMENT_ROWS = range(3000, 4000)
FRESH_ROWS = range(8000, 9000)
DEVELOPMENT_OWN = range(4000, 5000)
FRESH_OWN = range(9000, 10000)
ROWS = (DEVELOPMENT_ROWS, FRESH_ROWS, DEVELOPMENT_OWN, FRESH_OWN)
MIDDLE_MM = (10.0, 10.0)  # where a row's middle lies on the ground


def drawn_row(number: int, places_mm: np.ndarray, doses_ul: np.ndarray) -> dict:
    """Return the scene of a number; places (dots, 2), doses (dots)."""
    random = np.random.default_rng([number, 2])
    own = number in DEVELOPMENT_OWN or number in FRESH_OWN
    # The first two grounds are paper and white.
    scene = drawn_wide(9 * number + number % 2 if own else number - number % 9 + number % 2)
    scene["number"] = number
    scene["places_mm"] = np.round(places_mm, 4).tolist()
    scene["dots"] = drawn_dots(random, doses_ul, [])
    _tailed(scene["dots"], random)
    scene["camera"]["roll_deg"] = round(
        float(random.uniform(-20, 20)) + float(random.choice([0.0, 180.0])), 3
    )
    scene["camera"]["long_px"] = 1600
    scene["camera"]["fill"] = round(float(random.uniform(0.6, 0.98)), 3)
    if own and number % 3:
        scene["camera"] |= _near(random)
    return scene


def _near(random: np.random.Generator) -> dict:
    """Return what a phone's twelve million pixels leave when the row is cut out of them; ranges from memory of phones."""
    return {
        "long_px": int(random.integers(2200, 3600)),
        "high": 0.42,  # over the width
        "roll_deg": round(float(random.uniform(-14, 14)) + float(random.choice([0.0, 180.0])), 3),
    }

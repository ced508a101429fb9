"""Scenes of small sheets that vary more than those of `scenes`: harder lamps, mirrors, tails, grain, dirt, phones.

Written down before the reader was changed to meet them. Numbers 2000 to 2999 are for development; numbers 7000 to 7999
are looked at once, for final figures. The sheet is small (39 dots), so that many scenes can be rendered instead of few.
Ranges are from memory of benches, lamps and phones; none was fitted to what the reader can do.
"""

import math

import numpy as np
from scenes import LOOKS, METALS, drawn

SMALL_SHEET = (6, 6)  # rows, columns
DEVELOPMENT_WIDE = range(2000, 3000)
FRESH = range(7000, 8000)


def drawn_wide(number: int) -> dict:
    """Return the scene of a number: one of `scenes`, with all that matters drawn from wider ranges."""
    random = np.random.default_rng([number, 1])
    scene = drawn(number, sheet=SMALL_SHEET)

    def u(low: float, high: float) -> float:
        return round(float(random.uniform(low, high)), 4)

    ground = scene["ground"]
    ground["texture"] = u(0.0, 0.06)
    ground["fingerprint"] = u(0.2, 1) if random.random() < 0.5 else 0.0
    ground["dust"], ground["fibres"] = int(random.integers(0, 50)), int(random.integers(0, 7))
    scene["paste"] |= {
        "grey": u(0.18, 0.6),
        "metal": u(0.0, 0.9),
        "roughness": u(0.2, 0.75),
        "flux_shine": u(0.0, 1.0),
        "grain_um": u(2.0, 14.0),
    }
    _tailed(scene["dots"], random)
    camera = scene["camera"]
    camera |= {"tilt_deg": u(0, 30), "long_px": int(random.integers(740, 960)), "fill": u(0.75, 0.98)}
    scene["window"]["surround"] = u(0.1, 0.7)
    lamp = scene["lamp"]
    lamp |= {
        "elevation_deg": u(15, 85),
        "radius_mm": round(5 * 30 ** float(random.uniform(0, 1)), 1),  # a bare LED to a shade 30 cm wide
        "surround": u(0.02, 0.4),
    }
    if random.random() < 0.35:  # the lamp stands where the sheet mirrors it
        lamp["azimuth_deg"] = camera["azimuth_deg"] + 180 + u(-8, 8)
        lamp["elevation_deg"] = min(90 - camera["tilt_deg"] + u(-8, 8), 88.0)
    for name in LOOKS:
        scene["looks"][name] |= {
            "mean_code": u(75, 190),
            "most_full": u(0.001, 0.05),
            "white_balance": [u(0.82, 1.18), 1.0, u(0.82, 1.18)],
            "grey_world": u(0.0, 0.8),
            "curve": u(0.0, 0.7),
            "blur_px": u(0.4, 2.0),
            "noise": u(0.002, 0.012),
            "sharpening": u(0.0, 1.4),
            "sharpening_px": u(0.7, 2.2),
            "jpeg": int(random.integers(62, 97)),
        }
    if ground["kind"] in METALS:
        ground["roughness"], ground["brushed"] = u(0.05, 0.35), u(1.0, 3.5)
    return scene


def _tailed(dots: dict, random: np.random.Generator) -> None:
    """Give some dots a tail: a high peak that leans the way the tip left."""
    count = len(dots["diameter_mm"])
    way = random.uniform(0, math.tau)
    lean = 0.35 * np.array([math.cos(way), math.sin(way)])
    for index in np.flatnonzero(random.random(count) < random.uniform(0.0, 0.3)).tolist():
        dots["peak"][index] = round(float(random.uniform(0.5, 1.3)), 3)
        dots["lean"][index] = np.round(lean + random.normal(0, 0.1, 2), 3).tolist()

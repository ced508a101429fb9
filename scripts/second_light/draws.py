"""What may lie on a bench, stated as distributions before any photo was read: a scene number gives one `Scene`.

Written from what benches, paste, lamps and phones are like (common practice, own experience), without a look at the
readers or at the scenes of the other renderer. Lengths are mm, angles degrees, colours linear RGB of a surface.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

PROFILES = ("sessile", "blunt", "hat", "slumped", "two peaks", "tail")
MASKS = {  # linear RGB over laminate; over copper it is lighter and warmer
    "green": (0.012, 0.085, 0.030),
    "blue": (0.008, 0.035, 0.150),
    "red": (0.180, 0.012, 0.012),
    "black": (0.010, 0.010, 0.011),
    "white": (0.720, 0.720, 0.690),
}
METALS = {"copper": (0.80, 0.38, 0.25), "gold": (0.88, 0.66, 0.34), "tin": (0.72, 0.71, 0.68)}
SHEET_GROUNDS = ("paper", "paper", "card", "green", "blue", "red", "black", "white", "copper", "gold", "tin")
LIGHTS = ("window", "lamp", "two lamps", "ring", "overcast", "window and lamp")


@dataclass
class Scene:
    """All that one photo is made of; `truth.json` keeps it beside the truth."""

    number: int
    kind: str  # "sheet" or "board"
    ground: str
    finish: str  # of a board's lands
    light: dict[str, Any] = field(default_factory=dict)
    paste: dict[str, Any] = field(default_factory=dict)
    surface: dict[str, Any] = field(default_factory=dict)
    view: dict[str, Any] = field(default_factory=dict)
    phone: dict[str, Any] = field(default_factory=dict)


def drawn(number: int, kind: str) -> Scene:
    """The scene of a number: the same for ever."""
    rng = np.random.default_rng([20270, {"sheet": 1, "board": 2}[kind], number])
    if kind == "sheet":
        ground = SHEET_GROUNDS[number % len(SHEET_GROUNDS)]
    else:
        ground = str(rng.choice(list(MASKS), p=(0.4, 0.15, 0.12, 0.18, 0.15)))
    scene = Scene(number, kind, ground, str(rng.choice(list(METALS), p=(0.25, 0.4, 0.35))))
    scene.light = _light(rng)
    scene.paste = _paste(rng)
    scene.surface = _surface(rng)
    scene.view = _view(rng, kind)
    scene.phone = _phone(rng)
    return scene


def _light(rng: np.random.Generator) -> dict[str, Any]:
    """Lamps and room. Radiances are against walls of about 0.3; the phone meters anyway."""
    return {
        "kind": str(rng.choice(LIGHTS)),
        "azimuth": rng.uniform(0, 360),
        "elevation": rng.uniform(28, 68),
        "second_azimuth": rng.uniform(70, 290),  # from the first
        "second_elevation": rng.uniform(30, 70),
        "second_share": rng.uniform(0.2, 0.9),
        "lamp_mm": float(np.exp(rng.uniform(np.log(25), np.log(220)))),
        "distance_mm": rng.uniform(250, 700),
        "window_half": rng.uniform(10, 28),
        "window_radiance": rng.uniform(6, 25),
        "lamp_share": rng.uniform(0.5, 3.0),  # light of the lamp on the bench against the room's
        "ring_mm": rng.uniform(35, 70),
        "ring_height_mm": rng.uniform(70, 160),
        "wall": rng.uniform(0.15, 0.45),
        "ceiling": rng.uniform(0.35, 0.9),
        "person_azimuth": rng.uniform(0, 360),
        "person_half": rng.uniform(18, 34),
        "person_top": rng.uniform(45, 72),
        "person_grey": rng.uniform(0.02, 0.12),
        "case_grey": float(rng.choice([0.02, 0.03, 0.25])),
        "warmth": rng.normal(0, 0.12),  # log ratio of red over blue
        "second_warmth": rng.normal(0, 0.12),
    }


def _paste(rng: np.random.Generator) -> dict[str, Any]:
    """How paste looks and stands. Powder of types 3 to 5 is 15 to 45 µm (IPC J-STD-005, quoted from memory)."""
    main = str(rng.choice(PROFILES, p=(0.3, 0.2, 0.2, 0.15, 0.05, 0.1)))
    return {
        "profile": main,
        "profile_share": rng.uniform(0.6, 0.95),
        "ratio": rng.uniform(0.24, 0.46),  # height over width
        "ratio_scatter": rng.uniform(0.02, 0.07),
        "grey": rng.uniform(0.36, 0.62),
        "tint": rng.normal(0, 0.015, 3).tolist(),
        "metallic": rng.uniform(0.35, 0.9),
        "roughness": rng.uniform(0.34, 0.62),
        "film": rng.uniform(0, 0.7) * (rng.random() < 0.7),  # of flux
        "film_roughness": rng.uniform(0.08, 0.4),
        "grain_mm": rng.uniform(0.018, 0.045),
        "grain_strength": rng.uniform(0.25, 0.8),
        "lump_mm": rng.uniform(0.08, 0.2),
        "lump_slope": rng.uniform(0.05, 0.35),
        "outline": rng.uniform(0.004, 0.03),  # rms of its unevenness
        "tail_azimuth": rng.uniform(0, 360),
        "gain": float(np.exp(rng.normal(0, 0.14))),
        "scatter": rng.uniform(0.03, 0.09),
        "flux_halo": rng.uniform(0, 1) * (rng.random() < 0.3),  # flux bled into or over the ground
    }


def _surface(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "roughness": float(np.exp(rng.uniform(np.log(0.07), np.log(0.38)))),
        "metal_roughness": rng.uniform(0.14, 0.38),
        "weave_mm": rng.uniform(0.35, 0.6),
        "weave_height_mm": rng.uniform(0.0002, 0.0009),
        "shade": rng.uniform(0.7, 1.4),
        "fibre": rng.uniform(0.02, 0.09),
        "paper": rng.uniform(0.68, 0.88),
        "fingerprints": int(rng.integers(0, 4)),
        "dust": int(rng.integers(0, 60)),
        "hairs": int(rng.integers(0, 3)),
        "scratches": int(rng.integers(0, 12)),
        "curl_mm": rng.uniform(0, 0.3),
        "wave_mm": rng.uniform(0.004, 0.02),  # of levelled tin
        "dome_mm": rng.uniform(0.005, 0.03),
        "expansion_mm": rng.uniform(0.03, 0.07),  # mask opening beyond its land
    }


def _view(rng: np.random.Generator, kind: str) -> dict[str, Any]:
    tilt = abs(rng.normal(0, 6))
    return {
        "turn": rng.choice([0, 90, 180, 270]) + rng.normal(0, 6),
        "tilt": float(min(tilt, 15)),
        "tilt_azimuth": rng.uniform(0, 360),
        "distance_mm": rng.uniform(130, 240) if kind == "sheet" else rng.uniform(90, 180),
        "f_number": rng.uniform(1.7, 2.6),
        "lens_mm": rng.uniform(4.5, 6.9),
        "misfocus_mm": rng.normal(0, 1.0) if kind == "sheet" else rng.normal(0, 0.5),
        "pixels": rng.uniform(1.0e6, 1.3e6) if kind == "sheet" else rng.uniform(0.75e6, 1.05e6),
        "aside": rng.uniform(-0.03, 0.03, 2).tolist(),
    }


def _phone(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "exposure": rng.uniform(-0.35, 0.45),  # stops beside the metering's middle
        "white_balance": rng.uniform(0.55, 1.0),  # how much of the lamp's colour is taken back
        "wb_error": rng.normal(0, 0.03, 2).tolist(),
        "lens_blur_px": rng.uniform(0.35, 0.9),
        "motion_px": rng.uniform(0, 1.3) * (rng.random() < 0.5),
        "motion_azimuth": rng.uniform(0, 180),
        "vignette": rng.uniform(0, 0.25),
        "aberration": rng.normal(0, 0.00025, 2).tolist(),
        "distortion": rng.normal(0, 0.004),
        "mosaic": bool(rng.random() < 0.5),
        "full_well": float(np.exp(rng.uniform(np.log(1500), np.log(9000)))),
        "read_noise": rng.uniform(1.5, 5),
        "denoise": rng.uniform(0.2, 1.0),
        "contrast": rng.uniform(0.0, 0.5),
        "local_tone": rng.uniform(0.0, 0.5),
        "saturation": rng.uniform(0.95, 1.3),
        "sharpen": rng.uniform(0.2, 1.2),
        "sharpen_px": rng.uniform(0.7, 1.6),
        "quality": int(rng.integers(78, 96)),
    }

"""What lies under the paste, as maps of a board or sheet: colour, metal, roughness and height, before any light.

A map's row 0 is the lowest y, as the renderer's pictures have it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import draws
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
LAMINATE = np.array([0.23, 0.20, 0.10])


@dataclass
class Maps:
    """`colour` H×W×3 linear; `metal`, `rough` (0 to 1) and `height_mm` H×W; the corner of texel 0, 0, and texels a mm."""

    colour: Array
    metal: Array
    rough: Array
    height_mm: Array
    low_mm: tuple[float, float]
    per_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        high, wide = self.metal.shape
        return wide / self.per_mm, high / self.per_mm


def noise(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Array:
    """Smooth noise of mean 0, rms 1; `scale` in texels."""
    small = rng.normal(size=(max(int(shape[0] / scale), 2) + 3, max(int(shape[1] / scale), 2) + 3)).astype(
        np.float32
    )
    big = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return (big - big.mean()) / max(float(big.std()), 1e-6)


def empty(low: tuple[float, float], high: tuple[float, float], per_mm: float) -> Maps:
    wide, tall = (int(np.ceil((b - a) * per_mm)) for a, b in zip(low, high, strict=True))
    zero = np.zeros((tall, wide), np.float32)
    return Maps(np.zeros((tall, wide, 3), np.float32), zero, zero + 0.5, zero.copy(), low, per_mm)


def paper(maps: Maps, surface: dict[str, Any], card: bool, rng: np.random.Generator) -> None:
    """White copy paper with fibres, or a smoother card with a faint shine."""
    shape = maps.metal.shape
    tone = surface["paper"] * (1 + 0.012 * noise(shape, 1.5, rng) + 0.012 * noise(shape, 60, rng))
    fibres = np.zeros(shape, np.float32)
    for _ in range(int(shape[0] * shape[1] / 2500 * (0.3 if card else 1))):
        x, y, turn = rng.uniform(0, shape[1]), rng.uniform(0, shape[0]), rng.uniform(0, np.pi)
        reach = rng.uniform(0.2, 0.9) * maps.per_mm
        bend = np.array([[x, y], [x + reach * np.cos(turn), y + reach * np.sin(turn)]])
        bend = np.insert(bend, 1, bend.mean(0) + rng.normal(0, reach / 6, 2), 0)
        cv2.polylines(
            fibres, [(bend * 16).astype(np.int32)], False, float(rng.uniform(-1, 1)), 1, cv2.LINE_AA, 4
        )
    tone *= 1 + surface["fibre"] * (0.4 if card else 1) * fibres * 0.5
    maps.colour[:] = np.clip(tone, 0, 0.92)[..., None] * np.array([1, 1, 0.985 if not card else 0.96])
    maps.rough[:] = 0.35 if card else 0.85
    maps.height_mm += (0.002 if not card else 0.0006) * noise(shape, 2.5, rng) + 0.002 * fibres


def mask_coat(
    maps: Maps, colour: str, copper: Array, surface: dict[str, Any], rng: np.random.Generator
) -> None:
    """Solder mask over laminate and `copper` (0 to 1): lighter over copper, relief at its edges, the weave shown through."""
    shape = maps.metal.shape
    base = np.array(draws.MASKS[colour]) * surface["shade"]
    over = np.minimum(
        base * (1.5 if colour not in ("black", "white") else 1.03) + (0.012 if colour != "black" else 0), 0.85
    )
    y, x = np.mgrid[: shape[0], : shape[1]] / maps.per_mm * 2 * np.pi / surface["weave_mm"]
    weave = np.sin(x) * np.sin(y)
    under = base * (1 + 0.06 * weave[..., None] * (colour != "white"))
    soft = cv2.GaussianBlur(copper, (0, 0), 0.05 * maps.per_mm)[..., None]
    maps.colour[:] = (
        np.clip(under * (1 - soft) + over * soft, 0, 0.85) * (1 + 0.02 * noise(shape, 40, rng))[..., None]
    )
    maps.rough[:] = np.clip(surface["roughness"] * (1 + 0.1 * noise(shape, 30, rng)), 0.04, 0.6)
    maps.height_mm += (
        surface["weave_height_mm"] * weave + 0.018 * soft[..., 0] + 0.0008 * noise(shape, 25, rng)
    )


def metal_coat(
    maps: Maps, there: Array, finish: str, surface: dict[str, Any], rng: np.random.Generator
) -> None:
    """Bare copper, gold over nickel or levelled tin where `there` is 1."""
    shape = maps.metal.shape
    colour = np.array(draws.METALS[finish]) * (1 + 0.03 * noise(shape, 50, rng))[..., None]
    rough = surface["metal_roughness"] * (1 + 0.15 * noise(shape, 12, rng))
    height = 0.0006 * noise(shape, 3, rng)
    if finish == "copper":
        brushed = cv2.blur(rng.normal(size=shape).astype(np.float32), (41, 1))
        height = height + 0.004 * brushed
        colour *= (1 - 0.10 * np.clip(noise(shape, 120, rng), 0, 2))[..., None]  # tarnish
        for _ in range(surface["fingerprints"]):
            ridge, inside = _fingerprint(shape, maps.per_mm, rng)
            rough = rough + 0.22 * ridge * inside
            colour *= (1 - 0.10 * ridge * inside)[..., None]
    if finish == "tin":
        far = cv2.distanceTransform((there > 0.5).astype(np.uint8), cv2.DIST_L2, 5) / maps.per_mm
        height = height + surface["dome_mm"] * (1 - np.exp(-far / 0.15))
        height = height + surface["wave_mm"] * noise(shape, 0.5 * maps.per_mm, rng)
        rough = rough * 0.7
    share = there[..., None]
    maps.colour[:] = maps.colour * (1 - share) + np.clip(colour, 0, 0.95) * share
    maps.metal[:] = np.maximum(maps.metal, there)
    maps.rough[:] = maps.rough * (1 - there) + np.clip(rough, 0.05, 0.8) * there
    maps.height_mm[:] = maps.height_mm * (1 - there) + height * there


def _fingerprint(shape: tuple[int, int], per_mm: float, rng: np.random.Generator) -> tuple[Array, Array]:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32) / per_mm
    x, y = x - rng.uniform(0, shape[1] / per_mm), y - rng.uniform(0, shape[0] / per_mm)
    far = np.hypot(x, y * 0.75) + 0.4 * noise(shape, 3 * per_mm, rng)
    ridge = 0.5 + 0.5 * np.sin(2 * np.pi * far / 0.48)
    return ridge, np.clip((8 - np.hypot(x, y * 0.7)) / 2, 0, 1) * np.clip(
        0.6 + 0.4 * noise(shape, per_mm, rng), 0, 1
    )


def littered(maps: Maps, surface: dict[str, Any], rng: np.random.Generator) -> None:
    """Dust, hairs, scratches; thin, and on the ground only."""
    shape = maps.metal.shape
    lint = np.zeros(shape, np.float32)
    for _ in range(surface["dust"]):
        at = (rng.uniform(0, [shape[1], shape[0]]) * 16).astype(int)
        cv2.circle(
            lint, at.tolist(), int(rng.uniform(0.012, 0.05) * maps.per_mm * 16), 1.0, -1, cv2.LINE_AA, 4
        )
    for _ in range(surface["hairs"]):
        start, turn = rng.uniform(0, [shape[1], shape[0]]), rng.uniform(0, 2 * np.pi)
        angles = turn + np.cumsum(rng.normal(0, 0.12, 60))
        steps = np.column_stack([np.cos(angles), np.sin(angles)]) * rng.uniform(0.05, 0.2) * maps.per_mm
        cv2.polylines(
            lint, [((start + np.cumsum(steps, 0)) * 16).astype(np.int32)], False, 1.0, 1, cv2.LINE_AA, 4
        )
    tone = 0.03 if rng.random() < 0.4 else 0.5
    maps.colour[:] = maps.colour * (1 - lint[..., None]) + tone * lint[..., None]
    maps.metal[:] *= 1 - lint
    maps.rough[:] = maps.rough * (1 - lint) + 0.8 * lint
    for _ in range(surface["scratches"]):
        a = rng.uniform(0, [shape[1], shape[0]])
        b = a + rng.normal(0, 4 * maps.per_mm, 2)
        scratch = np.zeros(shape, np.float32)
        cv2.line(
            scratch, (a * 16).astype(int).tolist(), (b * 16).astype(int).tolist(), 1.0, 1, cv2.LINE_AA, 4
        )
        maps.height_mm -= 0.0025 * scratch

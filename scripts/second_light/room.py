"""The room around a bench as a picture of all directions: walls, ceiling, window with its frame, lamps, a person."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

WIDE, HIGH = 512, 256


def directions() -> tuple[NDArray, NDArray]:
    """Azimuth and elevation (degrees) of each texel of an equirectangular picture, bottom row first."""
    azimuth = (np.arange(WIDE) + 0.5) / WIDE * 360 - 180
    elevation = (np.arange(HIGH) + 0.5) / HIGH * 180 - 90
    return np.meshgrid(azimuth, elevation)


def _off(azimuth: NDArray, middle: float) -> NDArray:
    return (azimuth - middle + 180) % 360 - 180


def warm(log_ratio: float) -> NDArray:
    """RGB of a light whose red is exp(log_ratio) of its blue, as bright as white."""
    colour = np.exp([log_ratio / 2, 0.0, -log_ratio / 2])
    return colour / colour.mean()


def room_picture(light: dict[str, Any], rng: np.random.Generator) -> NDArray[np.float32]:
    """Radiance, HIGH×WIDE×3."""
    azimuth, elevation = directions()
    grey = np.where(
        elevation > 35, light["ceiling"] * 0.6, light["wall"] * (0.6 + 0.4 * np.clip(elevation / 35, -1, 1))
    )
    grey = np.where(elevation < -5, 0.12, grey)
    for _ in range(6):  # shelves, pictures, doors
        middle, low = rng.uniform(-180, 180), rng.uniform(-5, 25)
        there = (
            (abs(_off(azimuth, middle)) < rng.uniform(4, 22))
            & (elevation > low)
            & (elevation < low + rng.uniform(5, 30))
        )
        grey = np.where(there, grey * rng.uniform(0.2, 1.5), grey)
    picture = grey[..., None] * warm(light["warmth"] / 2)
    if light["kind"] == "overcast":
        sky = np.clip(np.sin(np.radians(np.maximum(elevation, 0))) * 0.7 + 0.5, 0, None) * (elevation > 8)
        picture = picture * 0.4 + sky[..., None] * 2.2 * warm(light["warmth"])
    if "window" in light["kind"]:
        _window(picture, azimuth, elevation, light)
    if light["kind"] in ("lamp", "two lamps", "ring") and rng.random() < 0.5:  # a tube at the ceiling as well
        tube = (abs(_off(azimuth, rng.uniform(-180, 180))) < 25) & (
            abs(elevation - rng.uniform(50, 75)) < 2.5
        )
        picture[tube] += rng.uniform(2, 8)
    _person(picture, azimuth, elevation, light)
    return picture.astype(np.float32)


def _window(picture: NDArray, azimuth: NDArray, elevation: NDArray, light: dict[str, Any]) -> None:
    half = light["window_half"]
    across = _off(azimuth, light["azimuth"] - 180)
    low, high = 12.0, 12.0 + 1.3 * half
    inside = (abs(across) < half) & (elevation > low) & (elevation < high)
    frame = (abs(across) < 1.2) | (abs(elevation - (low + high) / 2) < 1.0) | (abs(across) > half - 1.2)
    glass = inside & ~frame
    sky = 0.6 + 0.4 * (elevation - low) / (high - low)
    picture[glass] = (light["window_radiance"] * sky[..., None] * warm(light["warmth"]))[glass]
    picture[inside & frame] = 0.25


def _person(picture: NDArray, azimuth: NDArray, elevation: NDArray, light: dict[str, Any]) -> None:
    """Shoulders and a head who leans over the bench; dark against what is behind."""
    across = _off(azimuth, light["person_azimuth"] - 180)
    top, half = light["person_top"], light["person_half"]
    body = (abs(across) < half * np.clip((top - 12 - elevation) / 20, 0, 1) ** 0.5) & (elevation < top - 12)
    head = (across * np.cos(np.radians(elevation)) / 9) ** 2 + ((elevation - (top - 8)) / 11) ** 2 < 1
    picture[body] = light["person_grey"] * np.array([0.9, 1.0, 1.15])
    picture[head] = light["person_grey"] * 2.2 * np.array([1.25, 1.0, 0.8])

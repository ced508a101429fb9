"""A tuning sheet from its sheet.json: dots by dose with a bench's gain and scatter, beads, and each dot's true foot."""

from __future__ import annotations

from typing import Any

import grounds
import mounds
import numpy as np
from draws import METALS, Scene

MARGIN_MM = 3.5


def dot_kind(paste: dict[str, Any], rng: np.random.Generator) -> str:
    if rng.random() < paste["profile_share"]:
        return str(paste["profile"])
    return str(rng.choice(["sessile", "blunt", "hat", "tail", "two peaks"], p=[0.35, 0.2, 0.25, 0.15, 0.05]))


def width_mm(volume_ul: float, ratio: float) -> float:
    """Of a spherical cap `ratio` as high as wide: V = π h (3 a² + h²) / 6 (elementary geometry)."""
    return float((volume_ul / (np.pi * ratio * (0.75 + ratio**2) / 6)) ** (1 / 3))


def dots_of(
    sheet: dict[str, Any], scene: Scene, rng: np.random.Generator
) -> tuple[list[mounds.Mound], dict[int, Any]]:
    paste, made = scene.paste, []
    truth: dict[int, dict[str, float] | None] = {}
    smallest = min(d["dose_ul"] for d in sheet["dots"])
    for place in sheet["dots"]:
        small = place["dose_ul"] / smallest
        if rng.random() < 0.05 / small and place["role"] != "odd":  # the drop stayed at the tip
            truth[place["index"]] = None
            continue
        volume = place["dose_ul"] * paste["gain"] * np.exp(rng.normal(0, paste["scatter"] * (1 + 1 / small)))
        ratio = paste["ratio"] * np.exp(rng.normal(0, paste["ratio_scatter"])) * (0.9 if small > 60 else 1.0)
        off = rng.normal(0, 0.015, 2)
        centre = (place["x_mm"] + off[0], place["y_mm"] + off[1])
        mound = mounds.dot(centre, width_mm(volume, ratio), paste, rng, dot_kind(paste, rng), ratio)
        made.append(mound)
        truth[place["index"]] = {
            "diameter_mm": round(mound.diameter_mm, 5),
            "volume_ul": round(mound.volume_ul, 6),
        }
    return made, truth


def beads_of(sheet: dict[str, Any], scene: Scene, rng: np.random.Generator) -> list[mounds.Mound]:
    made = []
    for line in sheet["beads"]:
        path = np.array(line["path_mm"], float)
        length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
        width = (line["dose_ul"] * scene.paste["gain"] / length / scene.paste["ratio"] / 0.7) ** 0.5
        made += mounds.bead(path, width, scene.paste, rng, scene.paste["ratio"])
    return made


def ground_of(
    scene: Scene, low: tuple[float, float], high: tuple[float, float], rng: np.random.Generator
) -> grounds.Maps:
    maps = grounds.empty(low, high, 28)
    ones = np.ones_like(maps.metal)
    if scene.ground in ("paper", "card"):
        grounds.paper(maps, scene.surface, scene.ground == "card", rng)
    elif scene.ground in METALS:
        grounds.metal_coat(maps, ones, scene.ground, scene.surface, rng)
    else:
        grounds.mask_coat(maps, scene.ground, ones, scene.surface, rng)
    grounds.littered(maps, scene.surface, rng)
    return maps


def extent(sheet: dict[str, Any]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Low and high corner of all that is laid, with a margin, mm."""
    places = [(d["x_mm"], d["y_mm"]) for d in sheet["dots"]]
    for line in sheet["beads"]:
        places += [tuple(p) for p in line["path_mm"]]
    low, high = np.min(places, axis=0) - MARGIN_MM, np.max(places, axis=0) + MARGIN_MM
    return (float(low[0]), float(low[1])), (float(high[0]), float(high[1]))

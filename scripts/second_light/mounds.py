"""Paste as meshes: outlines that are uneven, profiles of six kinds, dots and beads; what they cover and hold.

A mound is spun from a core (a point, or a line) to its outline: vertex(ρ, t) = core(t) + ρ (outline(t) − core(t)), at
height z(ρ). So its foot is its outline exactly, and its volume is summed over its own faces.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Profile = Callable[[Array], Array]
RINGS = 1 - np.linspace(1, 0, 17) ** 1.7  # closer together at the foot


@dataclass
class Mound:
    """`vertices` N×3, mm; `faces` M×3; `foot` K×2, mm, its outline on the ground."""

    vertices: Array
    faces: NDArray[np.int64]
    foot: Array

    @property
    def area_mm2(self) -> float:
        x, y = self.foot.T
        return 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))

    @property
    def diameter_mm(self) -> float:
        """Of the circle of the same area as the foot."""
        return 2 * float(np.sqrt(self.area_mm2 / np.pi))

    @property
    def volume_ul(self) -> float:
        """Between its faces and the ground (mm³)."""
        a, b, c = (self.vertices[self.faces[:, i]] for i in range(3))
        (ux, uy), (vx, vy) = (b - a)[:, :2].T, (c - a)[:, :2].T
        twice = ux * vy - uy * vx
        return abs(float(np.sum(twice * (a[:, 2] + b[:, 2] + c[:, 2])) / 6))


def sessile(ratio: float, bond: float) -> Profile:
    """A drop under its weight (Bashforth and Adams' equation), `ratio` as high as wide, at most upright at its foot."""
    step = 0.002
    rows = [(0.0, 0.0)]
    r, z, phi = 1e-6, 0.0, 0.0
    while phi < np.pi / 2 and (r < 1e-3 or z / (2 * r) < ratio):
        bend = 2 + bond * z - (np.sin(phi) / r if r > 1e-4 else 1.0)
        r, z, phi = r + step * np.cos(phi), z + step * np.sin(phi), phi + step * bend
        rows.append((r, z))
    curve = np.array(rows)
    radii, depth = curve[:, 0] / curve[-1, 0], curve[:, 1] / curve[-1, 1]
    return lambda rho: 1 - np.interp(rho, radii, depth)


def blunt(power: float) -> Profile:
    return lambda rho: np.maximum(1 - rho**power, 0) ** (1 / power)


def hat(share: float, width: float) -> Profile:
    """A dome with a peak where the tip let go; `share` of the height is the peak's."""
    return lambda rho: (
        (1 - share) * np.maximum(1 - rho**2.2, 0) ** 0.62
        + share * (np.exp(-rho / width) - np.exp(-1 / width))
    )


def slumped(power: float, toe: float) -> Profile:
    """Paste that ran: a flank that flattens, and a last step of about a grain at its foot."""
    return lambda rho: (
        (1 - toe) * np.maximum(1 - rho**2, 0) ** power + toe * np.maximum(1 - rho**16, 0) ** 0.5
    )


def profile_of(kind: str, ratio: float, rng: np.random.Generator) -> Profile:
    if kind == "blunt":
        return blunt(rng.uniform(2.3, 3.6))
    if kind in ("hat", "tail"):
        return hat(rng.uniform(0.15, 0.45), rng.uniform(0.1, 0.22))
    if kind == "slumped":
        return slumped(rng.uniform(0.85, 1.35), rng.uniform(0.06, 0.16))
    return sessile(ratio, rng.uniform(0, 4))


def mound(
    outline: Array, core: Array, profile: Profile, height_mm: float, lean_mm: tuple[float, float] = (0.0, 0.0)
) -> Mound:
    """`outline` K×2 and `core` K×2, mm; what stands high leans by up to `lean_mm`.

    Unevenness is the foot's: towards the core it fades with ρ², so that no creases run up to the top.
    """
    far = np.linalg.norm(outline - core, axis=1)
    even = core + (outline - core) * (np.mean(far) / np.maximum(far, 1e-9))[:, None]
    heights = np.maximum(profile(RINGS), 0)
    heights[-1] = 0.0
    levels = []
    for rho, z in zip(RINGS, heights, strict=True):
        level = core + rho * ((1 - rho**2) * (even - core) + rho**2 * (outline - core))
        share = (z / max(float(heights[0]), 1e-9)) ** 3
        levels.append(
            np.column_stack([level + share * np.asarray(lean_mm), np.full(len(level), z * height_mm)])
        )
    vertices = np.concatenate(levels)
    count, rings = len(outline), len(RINGS)
    t = np.arange(count)
    after = (t + 1) % count
    faces = []
    for ring in range(rings - 1):
        a, b = ring * count, (ring + 1) * count
        faces += [np.column_stack([a + t, b + t, b + after]), np.column_stack([a + t, b + after, a + after])]
    return Mound(vertices, np.concatenate(faces), np.array(outline))


def uneven(count: int, rms: float, rng: np.random.Generator) -> Array:
    """Factors about 1 around an outline: few lobes strongly, many weakly."""
    theta = np.linspace(0, 2 * np.pi, count, endpoint=False)
    total = np.zeros(count)
    for lobes in range(2, 12):
        total += rng.normal() / lobes * np.cos(lobes * theta + rng.uniform(0, 2 * np.pi))
    return 1 + total * rms / max(float(np.std(total)), 1e-9)


def dot(
    centre: tuple[float, float],
    width_mm: float,
    paste: dict,
    rng: np.random.Generator,
    kind: str,
    ratio: float,
) -> Mound:
    """One dot of a foot `width_mm` wide (as a circle of its area), `ratio` as high."""
    count = int(np.clip(width_mm * 60, 40, 110))
    theta = np.linspace(0, 2 * np.pi, count, endpoint=False)
    radius = width_mm / 2 * uneven(count, paste["outline"], rng)
    towards = np.radians(paste["tail_azimuth"] + rng.normal(0, 12))
    lean = (0.0, 0.0)
    if kind == "tail":
        radius = radius * (1 + rng.uniform(0.02, 0.10) * np.cos(theta - towards))
        reach = rng.uniform(0.15, 0.5) * width_mm / 2
        lean = (reach * float(np.cos(towards)), reach * float(np.sin(towards)))
    ring = np.column_stack([np.cos(theta), np.sin(theta)]) * radius[:, None]
    x, y = ring.T
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    ring *= width_mm / 2 / np.sqrt(area / np.pi)
    made = mound(
        ring + centre, np.tile(centre, (count, 1)), profile_of(kind, ratio, rng), ratio * width_mm, lean
    )
    if kind == "two peaks":
        _second_peak(made, centre, width_mm, towards, rng)
    return made


def _second_peak(
    made: Mound, centre: tuple[float, float], width_mm: float, towards: float, rng: np.random.Generator
) -> None:
    away = rng.uniform(0.2, 0.45) * width_mm / 2
    place = np.array(centre) + away * np.array([np.cos(towards), np.sin(towards)])
    far = np.linalg.norm(made.vertices[:, :2] - place, axis=1) / (0.22 * width_mm / 2)
    standing = made.vertices[:, 2] > 0
    made.vertices[:, 2] += (
        standing * rng.uniform(0.1, 0.25) * float(made.vertices[:, 2].max()) * np.exp(-(far**2))
    )


def bead(
    path: Array,
    width_mm: float,
    paste: dict,
    rng: np.random.Generator,
    ratio: float,
    power: float | None = None,
) -> list[Mound]:
    """A bead along `path` (K×2, mm), one capsule a leg; legs overlap at corners."""
    made = []
    profile = blunt(power) if power else sessile(ratio, rng.uniform(0, 3))
    for a, b in pairwise(path):
        made.append(capsule(a, b, width_mm, paste["outline"], rng, (profile, ratio * width_mm)))
    return made


def capsule(
    a: Array, b: Array, width_mm: float, rms: float, rng: np.random.Generator, shape: tuple[Profile, float]
) -> Mound:
    """A mound over the line from `a` to `b`, with round ends; `shape`: profile and height, mm."""
    along = np.asarray(b, float) - np.asarray(a, float)
    length = float(np.linalg.norm(along))
    u = along / max(length, 1e-9)
    side = np.array([-u[1], u[0]])
    steps = max(int(length * 30), 2)
    half = np.linspace(-np.pi / 2, np.pi / 2, 24)
    s = np.linspace(0, length, steps)
    core = (
        np.concatenate(
            [np.outer(s, u), np.tile(u * length, (24, 1)), np.outer(s[::-1], u), np.zeros((24, 2))]
        )
        + a
    )
    out = np.concatenate(
        [
            np.tile(-side, (steps, 1)),
            np.outer(np.cos(half), u) + np.outer(np.sin(half), side),
            np.tile(side, (steps, 1)),
            -np.outer(np.cos(half), u) - np.outer(np.sin(half), side),
        ]
    )
    outline = core + out * (width_mm / 2 * uneven(len(core), rms, rng))[:, None]
    return mound(outline, core, shape[0], shape[1])

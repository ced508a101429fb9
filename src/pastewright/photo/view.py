"""How a camera sees the sheet's plane: sheet millimetres to pixels and back, one distortion coefficient, the tilt.

A point (x, y) of the sheet goes by a homography H to an ideal place u, in units of half the photo's diagonal from
the photo's middle; the lens moves it to u·(1 + k1·|u|²).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
USUAL_FOCAL = (
    0.75  # of the longer side: the main camera of phones, about 27 mm in film terms (common practice)
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoView:
    """The sheet as one photo shows it. `homography` is 3×3, sheet [mm] → ideal place [half diagonals]; `focal_px` is the
    camera's focal length where the view was made with one.
    """

    homography: Floats
    k1: float
    width_px: int
    height_px: int
    focal_px: float | None = None

    @property
    def middle_px(self) -> Floats:
        """The photo's middle, where the lens's axis is taken to be [px]."""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    @property
    def radius_px(self) -> float:
        """Half the photo's diagonal [px]."""
        return math.hypot(self.width_px, self.height_px) / 2

    def to_px(self, sheet_mm: Floats) -> Floats:
        """Pixels of sheet points; arrays of shape (..., 2)."""
        ideal = applied(self.homography, sheet_mm)
        return bent(ideal, self.k1) * self.radius_px + self.middle_px

    def to_sheet(self, places_px: Floats) -> Floats:
        """Sheet points [mm] of pixels; arrays of shape (..., 2)."""
        seen = (np.asarray(places_px, dtype=np.float64) - self.middle_px) / self.radius_px
        ideal = straightened(seen, self.k1)
        inverse = np.asarray(np.linalg.inv(self.homography), dtype=np.float64)
        return applied(inverse, ideal)

    def px_per_mm(self, sheet_mm: Floats) -> Floats:
        """Local scale, the root of the area ratio [px/mm]; shape (...)."""
        step = 1e-3
        here = self.to_px(sheet_mm)
        across = (self.to_px(sheet_mm + np.array([step, 0.0])) - here) / step
        along = (self.to_px(sheet_mm + np.array([0.0, step])) - here) / step
        area = across[..., 0] * along[..., 1] - across[..., 1] * along[..., 0]
        return np.asarray(np.sqrt(np.abs(area)), dtype=np.float64)


def applied(matrix: Floats, points: Floats) -> Floats:
    """Return points (..., 2) after a 3×3 homography."""
    points = np.asarray(points, dtype=np.float64)
    lifted = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(lifted[..., :2] / lifted[..., 2:], dtype=np.float64)


def bent(ideal: Floats, k1: float) -> Floats:
    """Return places after the lens, u·(1 + k1·|u|²)."""
    square = ideal[..., 0] ** 2 + ideal[..., 1] ** 2
    return np.asarray(ideal * (1 + k1 * square)[..., None], dtype=np.float64)


def straightened(seen: Floats, k1: float) -> Floats:
    """Return places before the lens, by fixed-point steps (each leaves 2·k1 of the error; k1 is below 0.2)."""
    ideal = np.asarray(seen, dtype=np.float64)
    for _ in range(12 if k1 else 0):
        square = ideal[..., 0] ** 2 + ideal[..., 1] ** 2
        ideal = np.asarray(seen / (1 + k1 * square)[..., None], dtype=np.float64)
    return ideal


def camera_place_mm(view: PhotoView, focal_px: float | None) -> Floats:
    """Return the camera's place in sheet coordinates [mm, z towards the camera].

    H = K·[r1 r2 t] with square pixels and the axis in the middle. The focal length follows from r1·r2 = 0 and
    |r1| = |r2| where the perspective is strong enough to tell it, is drawn towards `focal_px` (or what phones have)
    where it is weak: near the vertical it hardly matters. Method: Z. Zhang, "A flexible new technique for camera
    calibration", IEEE PAMI 22 (2000) 1330-1334. A view that was made with a focal length is taken at its word.
    """
    h = view.homography / np.linalg.norm(view.homography[:2, :2])
    focal = view.focal_px / view.radius_px if view.focal_px else _focal(view, h, focal_px)
    inverse = np.diag([1 / focal, 1 / focal, 1.0])
    turned = inverse @ h
    size = (np.linalg.norm(turned[:, 0]) + np.linalg.norm(turned[:, 1])) / 2
    turned = turned / size * (1 if turned[2, 2] > 0 else -1)
    first, second = turned[:, 0], turned[:, 1]
    third = np.cross(first, second)
    # The nearest rotation to (r1, r2, r3).
    left, _, right = np.linalg.svd(np.stack([first, second, third], axis=1))
    rotation = left @ right
    place = -rotation.T @ turned[:, 2]
    return np.asarray(place * np.array([1.0, 1.0, 1.0 if place[2] > 0 else -1.0]), dtype=np.float64)


def _focal(view: PhotoView, h: Floats, focal_px: float | None) -> float:
    """Return the focal length that a homography tells [half diagonals], drawn towards what is known or usual."""
    usual = (focal_px or USUAL_FOCAL * max(view.width_px, view.height_px)) / view.radius_px
    # Both equations read a·w + b = 0 in w = 1/f².
    a = np.array(
        [
            h[0, 0] * h[0, 1] + h[1, 0] * h[1, 1],
            (h[0, 0] ** 2 + h[1, 0] ** 2 - h[0, 1] ** 2 - h[1, 1] ** 2) / 2,
        ]
    )
    b = np.array([h[2, 0] * h[2, 1], (h[2, 0] ** 2 - h[2, 1] ** 2) / 2])
    prior = 1 / usual**2
    trust = 0.02**2 * (1.0 if focal_px is None else 4.0)  # squared weight of the prior, in the units of a
    w = float((-(a @ b) + trust * prior) / (a @ a + trust))
    w = min(max(w, prior / 9), prior * 9)
    return 1 / math.sqrt(w)


# A cap no higher than 0.45 of its width hides its base's far edge where cos ψ < −FAR·cot(tilt): the base's normal
# leans by (d/2 of the ball's centre below the plane) 0.1056 for that height over width.
FAR = 0.1056


def visible_rays(centres: Floats, camera: Floats, angles: Floats) -> NDArray[np.bool_]:
    """Tell for each ray whether the dot's base can be seen there (dots, rays)."""
    to_camera = camera[:2] - centres
    away = np.linalg.norm(to_camera, axis=1)
    cosine = np.cos(angles[None, :] - np.arctan2(to_camera[:, 1], to_camera[:, 0])[:, None])
    return np.asarray(cosine > -FAR * camera[2] / np.maximum(away, 1e-6)[:, None])

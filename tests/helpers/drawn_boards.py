"""Photos of pasted boards as cheap drawings: flat colours, domes with a light side, blur and noise; for unit tests.

What inspection is worth under physical light is measured on rendered photos (docs/inspection.md), not on these.
"""

import cv2
import numpy as np

from pastewright.photo.file import Photo
from pastewright.records.plan import PlanRecord

MASK, LAND, PASTE = (24, 96, 52), (206, 160, 70), (138, 138, 136)
LIGHT = np.array([-0.6, 0.5])


def board_photo(
    plan: PlanRecord,
    *,
    middle_mm: tuple[float, float],
    px_per_mm: float = 30.0,
    size: tuple[int, int] = (600, 500),
    turn_deg: float = 17.0,
    left_out: frozenset[int] = frozenset(),
    joined: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = (),
    mirrored: bool = False,
    blur_px: float = 0.9,
) -> Photo:
    """Draw the plan as pasted, `left_out` deposits missing and necks of paste along the lines `joined`."""
    rad = np.radians(turn_deg)
    turn = px_per_mm * np.array([[np.cos(rad), -np.sin(rad)], [-np.sin(rad), -np.cos(rad)]])
    shift = np.array(size) / 2 - turn @ np.array(middle_mm)
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    places = (np.stack([x, y], axis=-1) - shift) @ np.linalg.inv(turn).T
    light: np.ndarray = np.empty((size[1], size[0], 3))
    light[:] = MASK
    for pad in plan.pads:
        corners = [np.round((np.array(ring) @ turn.T + shift) * 16).astype(np.int32) for ring in pad.land_mm]
        cv2.fillPoly(light, corners, LAND, cv2.LINE_AA, 4)
    for pad in plan.pads:
        for deposit in pad.deposits:
            if deposit.id not in left_out:
                _dome(light, places, np.array(deposit.points_mm), deposit.width_mm)
    for line in joined:
        _dome(light, places, np.array(line), 0.25)
    blurred = np.asarray(cv2.GaussianBlur(light, (0, 0), blur_px), np.float64)
    light = blurred + np.random.default_rng(5).normal(0, 2.0, light.shape)
    pixels = np.clip(light, 0, 255).astype(np.uint8)
    return Photo(name="drawn.png", pixels=pixels[:, ::-1].copy() if mirrored else pixels, fine_colour=True)


def _dome(light: np.ndarray, places: np.ndarray, points: np.ndarray, width_mm: float) -> None:
    low, high = points.min(axis=0) - width_mm, points.max(axis=0) + width_mm
    near = ((places >= low) & (places <= high)).all(axis=-1)
    if not near.any():
        return
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    window = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    light, places = light[window], places[window]  # views: what is drawn lies in the picture
    best = np.full(places.shape[:2], np.inf)
    slope = np.zeros(best.shape)
    for a, b in zip(points, [*points[1:], points[-1]], strict=True):
        way = b - a
        t = np.clip((places - a) @ way / max(float(way @ way), 1e-12), 0, 1)
        off = places - a - t[..., None] * way
        away = np.hypot(off[..., 0], off[..., 1])
        nearer = away < best
        best, slope = np.where(nearer, away, best), np.where(nearer, off @ LIGHT / (0.5 * width_mm), slope)
    within = best < 0.5 * width_mm
    light[within] = np.array(PASTE) * (1 + 0.35 * slope[within])[:, None]

"""Light of a photo along rays in the sheet's plane, less its ground: (photo, view, places) → arrays.

Light is linear (sRGB decoded) before it is compared: an edge's halfway point in sRGB codes is not halfway in light.
Where paste and ground differ in lightness only that is used: cameras and JPEG keep colour at half the resolution.
The ground around each dot is a plane fitted to what lies beyond the dot; light is divided by it, so a shadow or a
lamp to one side cancels.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.light import COARSE_COLOUR, linear_table
from pastewright.tune.photo.edge import median_where
from pastewright.tune.photo.find import DARKEST

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

LEAST_GREY = 0.2  # ln of light
LEAST_GREY_SHARE = 0.4  # of what the best colour shows
DIMMEST = 0.003  # of white: a ground below this is black to a camera of 8 bits
FULL = 0.985  # of white: light above this may have been cut off by the camera


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoGround:
    """The ground of each dot: light = value + slope · (place − centre) per colour. Shapes (dots, colours),
    (dots, 2, colours).

    `noise` (dots) is the usual distance of the ground's light from that plane, as a share of it.
    """

    value: Floats
    slope: Floats
    noise: Floats


def tells_by_lightness(pixels: NDArray[np.uint8], places_px: Floats, widths_px: Floats) -> bool:
    """Tell whether paste differs from the ground in lightness enough to do without colour.

    Where hue makes most of the difference, as on a green mask, lightness is no measure even if it differs a little:
    between a red and a green of like lightness, the mixture at an edge is darker than both.
    """
    turns = np.arange(12) * (np.pi / 6)
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    inks = []
    for share in (0.3, 0.85):
        at = places_px[:, None] + share * widths_px[:, None, None] * ways
        x = np.clip(np.round(at[..., 0]), 0, pixels.shape[1] - 1).astype(np.int64)
        y = np.clip(np.round(at[..., 1]), 0, pixels.shape[0] - 1).astype(np.int64)
        codes = pixels[y, x].reshape(len(places_px), -1, 3)
        inks.append(np.median(codes, axis=1))
    grey = [linear_table()[np.round(ink @ [0.299, 0.587, 0.114]).astype(np.int64)] for ink in inks]
    colour = [linear_table()[np.round(ink).astype(np.int64)] for ink in inks]
    by_grey = abs(float(np.median(np.log((grey[0] + DARKEST) / (grey[1] + DARKEST)))))
    by_colour = np.median(np.log((colour[0] + DARKEST) / (colour[1] + DARKEST)), axis=0)
    return by_grey > LEAST_GREY and by_grey > LEAST_GREY_SHARE * float(np.abs(by_colour).max())


def ray_places(centres_mm: Floats, angles: Floats, radii: Floats) -> Floats:
    """Sheet points of rays: (dots, rays, steps, 2)."""
    ways = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    return np.asarray(centres_mm[:, None, None, :] + radii[:, None, :, None] * ways[None, :, None, :])


def fit_ground(
    values: Floats32, places_mm: Floats, centres_mm: Floats, usable: NDArray[np.bool_]
) -> PhotoGround:
    """Fit a plane of light to each dot's ground; `usable` (dots, rays, steps) tells which samples lie on it.

    Robust least squares (Tukey's biweight), so that a neighbour or a hair within reach does not count.
    """
    dots, _, _, colours = values.shape
    first = int(np.argmax(usable.any(axis=(0, 1))))
    flat = values[:, :, first:].reshape(dots, -1, colours).astype(np.float64)
    may = usable[:, :, first:].reshape(dots, -1).astype(np.float64)
    offset = (places_mm - centres_mm[:, None, None, :])[:, :, first:].reshape(dots, -1, 2)
    scale = max(float(np.sqrt(np.mean(offset**2))), 1e-9)
    basis = np.concatenate([np.ones((dots, offset.shape[1], 1)), offset / scale], axis=-1)
    weight = may
    for _ in range(4):
        weighted = np.swapaxes(basis * weight[..., None], 1, 2)
        solved = np.linalg.solve(weighted @ basis + 1e-6 * np.eye(3), weighted @ flat)
        level = np.maximum(np.abs(solved[:, 0]).mean(axis=-1), 1e-4)
        off = np.abs((flat - basis @ solved).mean(axis=-1)) / level[:, None]
        noise = 1.4826 * median_where(off, may > 0)
        weight = may * np.clip(1 - (off / np.maximum(4.0 * noise, 1e-3)[:, None]) ** 2, 0, None) ** 2
    return PhotoGround(value=solved[:, 0], slope=solved[:, 1:] / scale, noise=noise)


def features(values: Floats32, places_mm: Floats, centres_mm: Floats, ground: PhotoGround) -> Floats:
    """Opponent light less that of the ground, over the ground's lightness: lightness and two colours (…, 3).

    `places_mm` (dots, …, 2), `values` (dots, …, 3).
    """
    dots = len(centres_mm)
    flat = (places_mm - centres_mm.reshape(dots, *[1] * (places_mm.ndim - 2), 2)).reshape(dots, -1, 2)
    plane = ground.value[:, None, :] + flat @ ground.slope
    change = values.reshape(dots, -1, 3) - plane
    return np.asarray((change / ground_scale(ground)[:, None, :]).reshape(values.shape), dtype=np.float64)


def ground_scale(ground: PhotoGround) -> Floats:
    """Return what one unit of each feature is in opponent light (dots, 3)."""
    level = np.maximum(ground.value[:, 0], DIMMEST)
    return np.stack([level, level**COARSE_COLOUR / 2, level**COARSE_COLOUR / 2], axis=-1)


def over_ground(values: Floats32, places_mm: Floats, centres_mm: Floats, ground: PhotoGround) -> Floats:
    """Light over the ground's light, less 1, per colour (dots, rays, steps, colours)."""
    offset = places_mm - centres_mm[:, None, None, :]
    plane = ground.value[:, None, None, :] + (offset.reshape(len(offset), -1, 2) @ ground.slope).reshape(
        *offset.shape[:-1], -1
    )
    return np.asarray(values / np.maximum(plane, 1e-3) - 1, dtype=np.float64)

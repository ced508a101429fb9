"""Pixels to linear light, and the light at points of the plane: (pixels, view, places) → arrays."""

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.photo.view import PhotoView

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

MOST_ROWS = 30_000  # cv2.remap takes fewer than 32 768 rows
COARSE_COLOUR = 0.7
MIDDLE = 32768  # no colour, in opponent light


def linear_table() -> Floats32:
    """sRGB byte → linear light 0…1 (IEC 61966-2-1), 256 values."""
    code = np.arange(256) / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


def grey_light(pixels: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """The photo's lightness in linear light (height, width, 1), 65535 = white."""
    table = np.round(linear_table() * 65535).astype(np.uint16)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)  # the weights of JPEG's own lightness
    return np.asarray(cv2.LUT(grey, table), np.uint16)[..., None]


def colour_light(pixels: NDArray[np.uint8], *, fine: bool) -> NDArray[np.uint16]:
    """The photo's colours (height, width, 3), 65535 = white: linear light where colour is as fine as lightness.

    JPEG and HEIC blur colour once more, in codes, by about as much as a phone's lens blurs the picture in light. The
    edge of a dot is then halfway neither in light nor in codes (light^0.45) but between: light^0.7.
    """
    table = np.round(linear_table() ** (1.0 if fine else COARSE_COLOUR) * 65535).astype(np.uint16)
    return np.asarray(
        cv2.LUT(pixels, np.repeat(table[:, None, None], 3, axis=2).reshape(1, 256, 3)), np.uint16
    )


def opponent_light(pixels: NDArray[np.uint8], *, fine: bool) -> NDArray[np.uint16]:
    """The photo as lightness in linear light, red less lightness, and blue less lightness (height, width, 3).

    The differences are those of light^0.7 where JPEG has blurred colour in codes (see `colour_light`), halved and
    laid around MIDDLE.
    """
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    power = 1.0 if fine else COARSE_COLOUR
    table = np.round(linear_table() ** power * 65535).astype(np.uint16)
    level = cv2.LUT(grey, table)
    planes = [cv2.LUT(grey, np.round(linear_table() * 65535).astype(np.uint16))]
    for channel in (0, 2):
        ink = cv2.LUT(cv2.extractChannel(pixels, channel), table)
        planes.append(cv2.addWeighted(ink, 0.5, level, -0.5, MIDDLE))
    return np.asarray(cv2.merge(planes), np.uint16)


def sampled(
    light: NDArray[np.uint16], view: PhotoView, places_mm: Floats
) -> tuple[Floats32, NDArray[np.bool_]]:
    """Light at sheet points, 0…1 (…, colours), and whether each lies inside the photo (…)."""
    px = view.to_px(places_mm)
    inside = (px[..., 0] >= 1) & (px[..., 0] <= view.width_px - 2) & (px[..., 1] >= 1)
    inside &= px[..., 1] <= view.height_px - 2
    flat = px.reshape(-1, px.shape[-2], 2).astype(np.float32)
    parts = [
        cv2.remap(
            light,
            flat[start : start + MOST_ROWS, :, 0],
            flat[start : start + MOST_ROWS, :, 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for start in range(0, len(flat), MOST_ROWS)
    ]
    values = np.concatenate(parts).astype(np.float32) / np.float32(65535)
    return values.reshape(*px.shape[:-1], light.shape[2]), inside

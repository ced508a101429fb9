"""A phone between light and JPEG: lens, sensor, demosaicing, noise reduction, tone, sharpening."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)


def photo(linear: Array, phone: dict[str, Any], rng: np.random.Generator) -> NDArray[np.uint8]:
    """8-bit BGR of a linear RGB picture, H×W×3, row 0 at the top."""
    seen = _lens(np.maximum(linear, 0), phone)
    seen = seen * _gain(seen, phone)
    seen = _sensor(seen, phone, rng)
    seen = _white(seen, phone)
    seen = _quiet(seen, phone)
    shown = _toned(np.clip(seen, 0, 1), phone)
    shown = _sharpened(shown, phone)
    return np.clip(shown[..., ::-1] * 255 + 0.5, 0, 255).astype(np.uint8)


def jpeg(picture: NDArray[np.uint8], quality: int) -> bytes:
    """With colours at half the resolution, as phones write them."""
    way = [
        cv2.IMWRITE_JPEG_QUALITY,
        quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
    ]
    return bytes(cv2.imencode(".jpg", picture, way)[1])


def _lens(linear: Array, phone: dict[str, Any]) -> Array:
    high, wide = linear.shape[:2]
    y, x = np.mgrid[:high, :wide].astype(np.float32)
    cx, cy, half = (wide - 1) / 2, (high - 1) / 2, np.hypot(wide, high) / 2
    far = ((x - cx) ** 2 + (y - cy) ** 2) / half**2
    planes = []
    for index, extra in enumerate((phone["aberration"][0], 0.0, phone["aberration"][1])):
        scale = 1 + phone["distortion"] * far + extra
        plane = cv2.remap(
            linear[..., index],
            (cx + (x - cx) * scale).astype(np.float32),
            (cy + (y - cy) * scale).astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        planes.append(cv2.GaussianBlur(plane, (0, 0), phone["lens_blur_px"]))
    seen = np.dstack(planes) * (1 - phone["vignette"] * far)[..., None]
    if phone["motion_px"] > 0.05:
        seen = cv2.filter2D(seen, -1, _streak(phone["motion_px"], phone["motion_azimuth"]))
    return np.maximum(seen, 0)


def _streak(length: float, azimuth: float) -> Array:
    kernel = np.zeros((7, 7), np.float32)
    for s in np.linspace(-length / 2, length / 2, 41):
        x, y = 3 + s * np.cos(np.radians(azimuth)), 3 + s * np.sin(np.radians(azimuth))
        i, j = int(np.floor(y)), int(np.floor(x))
        for di in (0, 1):
            for dj in (0, 1):
                kernel[i + di, j + dj] += (1 - abs(y - i - di)) * (1 - abs(x - j - dj))
    return (kernel / kernel.sum()).astype(np.float32)


def _gain(seen: Array, phone: dict[str, Any]) -> float:
    """Metering: the middle counts more; bright things are held below white, dark scenes are not lifted wholly."""
    high, wide = seen.shape[:2]
    light = seen @ LUMINANCE
    y, x = np.mgrid[-1 : 1 : high * 1j, -1 : 1 : wide * 1j]
    weight = np.exp(-(x**2 + y**2))
    mean = float(np.sum(light * weight) / weight.sum())
    bright = float(np.percentile(light, 97))
    aim = 0.28 / mean
    hold = 0.92 / max(bright, 1e-6)
    return float(np.exp(0.55 * np.log(aim) + 0.45 * np.log(min(aim * 2.5, hold))) * 2 ** phone["exposure"])


def _sensor(seen: Array, phone: dict[str, Any], rng: np.random.Generator) -> Array:
    well = phone["full_well"]

    def noisy(light: Array) -> Array:
        light = np.clip(light, 0, 1)
        return (
            light
            + rng.normal(size=light.shape).astype(np.float32)
            * np.sqrt(light * well + phone["read_noise"] ** 2)
            / well
        )

    if not phone["mosaic"]:
        return np.clip(noisy(seen), 0, 1)
    raw = np.empty(seen.shape[:2], np.float32)
    raw[0::2, 0::2], raw[0::2, 1::2] = seen[0::2, 0::2, 0], seen[0::2, 1::2, 1]
    raw[1::2, 0::2], raw[1::2, 1::2] = seen[1::2, 0::2, 1], seen[1::2, 1::2, 2]
    levels = np.clip(noisy(raw) * 60000 + 2000, 0, 65535).astype(np.uint16)
    full = cv2.cvtColor(levels, cv2.COLOR_BayerRGGB2RGB)
    return np.clip((full.astype(np.float32) - 2000) / 60000, 0, 1)


def _white(seen: Array, phone: dict[str, Any]) -> Array:
    """White balance by the light half of the picture, in part, and not without error."""
    light = seen @ LUMINANCE
    some = seen[(light > np.median(light)) & (light < 0.95)]
    mean = some.mean(0) if len(some) else np.ones(3)
    gains = (mean[1] / np.maximum(mean, 1e-4)) ** (0.5 * phone["white_balance"])
    gains = np.clip(gains, 0.7, 1.45)
    gains[0] *= 1 + phone["wb_error"][0]
    gains[2] *= 1 + phone["wb_error"][1]
    return np.minimum(seen * (gains / gains.min()), 1.0).astype(np.float32)


def _quiet(seen: Array, phone: dict[str, Any]) -> Array:
    """Noise reduction: colour more than light, edges kept."""
    root = np.sqrt(seen)
    split = cv2.cvtColor(root.astype(np.float32), cv2.COLOR_RGB2YCrCb)
    split[..., 1:] = cv2.GaussianBlur(split[..., 1:], (0, 0), 0.6 + 0.9 * phone["denoise"])
    soft = cv2.bilateralFilter(split[..., 0], 5, 0.03 + 0.05 * phone["denoise"], 1.2)
    split[..., 0] += phone["denoise"] * (soft - split[..., 0])
    clean: Array = np.clip(cv2.cvtColor(split, cv2.COLOR_YCrCb2RGB), 0, 1).astype(np.float32)
    return clean**2


def _toned(seen: Array, phone: dict[str, Any]) -> Array:
    light = np.maximum(seen @ LUMINANCE, 1e-4).astype(np.float32)
    logs = np.log(light)
    radius = 0.03 * max(light.shape)
    small = cv2.resize(logs, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    base = cv2.resize(cv2.bilateralFilter(small, 0, 0.5, radius / 4), (logs.shape[1], logs.shape[0]))
    lift = np.exp(-phone["local_tone"] * 0.6 * (base - float(np.median(base))))
    seen = np.clip(seen * np.clip(lift, 0.5, 2.5)[..., None], 0, 1)
    shown = np.where(
        seen <= 0.0031308, 12.92 * seen, 1.055 * np.maximum(seen, 1e-6) ** (1 / 2.4) - 0.055
    )  # IEC 61966-2-1
    curve = shown * shown * (3 - 2 * shown)
    shown = shown + phone["contrast"] * (curve - shown)
    grey = (shown @ np.array([0.299, 0.587, 0.114]))[..., None]
    return (grey + phone["saturation"] * (shown - grey)).astype(np.float32)


def _sharpened(shown: Array, phone: dict[str, Any]) -> Array:
    split = cv2.cvtColor(np.clip(shown, 0, 1).astype(np.float32), cv2.COLOR_RGB2YCrCb)
    edge = split[..., 0] - cv2.GaussianBlur(split[..., 0], (0, 0), phone["sharpen_px"])
    split[..., 0] += phone["sharpen"] * np.clip(edge, -0.12, 0.12)
    return np.clip(cv2.cvtColor(split, cv2.COLOR_YCrCb2RGB), 0, 1)

"""Linear light to a phone's photo: blur, exposure, white balance, noise, tone curve, sharpening, JPEG."""

import io

import cv2
import numpy as np
from PIL import Image


def looks(pictures: dict[str, np.ndarray], scene: dict) -> dict[str, bytes]:
    """Return the JPEG of each look at a scene."""
    window, lamp = (
        pictures[name] + scene[name]["surround"] * pictures["room"] for name in ("window", "lamp")
    )
    light = {"window": window + 0.05 * lamp, "lamp": lamp + 0.05 * window, "both": 0.5 * (window + lamp)}
    return {
        name: photo(light[name], settings, scene["number"] * 3 + place)
        for place, (name, settings) in enumerate(scene["looks"].items())
    }


def photo(light: np.ndarray, settings: dict, seed: int) -> bytes:
    """Return one JPEG."""
    random = np.random.default_rng(seed)
    light = np.minimum(light, 50.0).astype(np.float32)
    light = cv2.GaussianBlur(light, (0, 0), settings["blur_px"])
    mean = np.minimum(light, np.percentile(light, 98)).mean(axis=(0, 1))
    balance = (mean[1] / mean) ** settings["grey_world"] * np.array(settings["white_balance"])
    light = light * balance.astype(np.float32)
    light *= exposure(light, settings)
    grain = settings["noise"] * np.sqrt(0.1 + np.clip(light, 0, 1)) * random.normal(0, 1, light.shape)
    # Phones take noise out of colour first: what is left is mostly in lightness.
    grain = 0.4 * cv2.GaussianBlur(grain.astype(np.float32), (0, 0), 1.0) + 0.8 * grain.mean(
        axis=2, keepdims=True
    )
    code = encoded(light + grain.astype(np.float32), settings["curve"])
    if settings["sharpening"]:
        smooth = cv2.GaussianBlur(code, (0, 0), settings["sharpening_px"])
        code = code + settings["sharpening"] * (code - smooth)
    pixels = (np.clip(code, 0, 1) * 255 + 0.5).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=settings["jpeg"], subsampling=2)
    return file.getvalue()


def exposure(light: np.ndarray, settings: dict) -> float:
    """Return the factor that brings the mean code where automatic exposure wants it, short of burning out much."""
    small = light[::4, ::4]
    burnt = 1.0 / max(float(np.quantile(small.max(axis=2), 1 - settings["most_full"])), 1e-6)
    low, high = 1e-3, 1e3
    for _ in range(40):
        middle = (low * high) ** 0.5
        bright = float(encoded(small * middle, settings["curve"]).mean()) * 255
        low, high = (middle, high) if bright < settings["mean_code"] else (low, middle)
    return min(low, burnt * 1.5)


def encoded(light: np.ndarray, curve: float) -> np.ndarray:
    """Linear light to codes 0…1: sRGB (IEC 61966-2-1), then an S-shaped tone curve."""
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return ((1 - curve) * code + curve * (3 * code**2 - 2 * code**3)).astype(np.float32)

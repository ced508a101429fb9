"""A photo's file to pixels: JPEG, PNG and HEIC, turned upright as EXIF says, refused before it can do harm.

Only the header is read until size and format are known to be acceptable.
"""

import io
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pi_heif import HeifImageFile
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from pastewright.problems import InputError, one_error

MOST_PIXELS = 64_000_000  # three bytes each, and as much again twice while reading: under 1 GB
LEAST_SHORT_SIDE_PX = 480
MOST_BYTES = 150_000_000
_HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1")
_FORMATS = (
    "JPEG",
    "PNG",
)  # the first also opens MPO, a JPEG with more pictures behind it, as some phones write
_UNREADABLE = (OSError, ValueError, SyntaxError, EOFError, IndexError, TypeError, KeyError)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """Pixels (height × width × 3, uint8, red-green-blue, sRGB), upright, and the focal length if EXIF tells it.

    `fine_colour` tells that colour is as fine as lightness, as in PNG; JPEG and HEIC halve it. `focal_px` is None when
    unknown; it comes from the tag "focal length in 35 mm film", 36 mm being the longer side.
    """

    name: str
    pixels: NDArray[np.uint8]
    focal_px: float | None = None
    fine_colour: bool = False


def read_photo(path: Path) -> Photo:
    """Read one photo; raises InputError when it is missing, broken, not a photo, too small or too big."""
    name = str(path)
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise one_error(
                f"the file has {size / 1e6:.0f} MB; a photo has at most {MOST_BYTES / 1e6:.0f} MB", file=name
            )
        content = path.read_bytes()
    except OSError as error:
        raise one_error(
            f"the photo cannot be read: {error.strerror}", "Check its path.", file=name
        ) from error
    return photo_from_bytes(content, name)


def photo_from_bytes(content: bytes, name: str) -> Photo:
    """Return the photo in a file's bytes; raises InputError as `read_photo` does."""
    with warnings.catch_warnings():
        # The size is checked below, with words that say what to do; damaged EXIF is no reason to refuse a photo.
        warnings.simplefilter("ignore")
        try:
            image = _opened(content, name)
            fine_colour = image.format == "PNG"
            _check_size(image.width, image.height, name)
            image.load()
            focal_px = _focal_px(image)
            # Writes nothing to the file; leaves the picture as it is when there is no such tag.
            ImageOps.exif_transpose(image, in_place=True)
            pixels = _rgb(image)
        except InputError:
            raise
        except Image.DecompressionBombError as error:
            raise _too_big("more than 178", name) from error
        except UnidentifiedImageError as error:
            raise one_error(
                "this is not a JPEG, PNG or HEIC photo",
                "Give the photo as the phone wrote it, or save it as JPEG.",
                file=name,
            ) from error
        except _UNREADABLE as error:
            raise one_error(
                f"the photo is damaged ({error})", "Copy it from the phone again.", file=name
            ) from error
    return Photo(name=name, pixels=pixels, focal_px=focal_px, fine_colour=fine_colour)


def _opened(content: bytes, name: str) -> Image.Image:
    if content[4:8] == b"ftyp" and content[8:12] in _HEIF_BRANDS:
        heif: Image.Image = HeifImageFile(io.BytesIO(content))
        return heif
    return Image.open(io.BytesIO(content), formats=_FORMATS)


def _check_size(width: int, height: int, name: str) -> None:
    if width * height > MOST_PIXELS:
        raise _too_big(f"{width * height / 1e6:.0f}", name)
    if min(width, height) < LEAST_SHORT_SIDE_PX:
        raise one_error(
            f"the photo has only {width} × {height} pixels; the shorter side needs {LEAST_SHORT_SIDE_PX} or more",
            "Give the photo itself, not a thumbnail or a copy that a messenger made smaller.",
            file=name,
        )


def _too_big(megapixels: str, name: str) -> InputError:
    return one_error(
        f"the photo has {megapixels} megapixels; at most {MOST_PIXELS // 1_000_000} are read",
        "Set the camera to 12 or 24 megapixels, or save the photo at half its size.",
        file=name,
    )


def _focal_px(image: Image.Image) -> float | None:
    """Focal length [px] from EXIF, else None."""
    try:
        film_mm = float(
            image.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm, 0)
        )
    except _UNREADABLE:
        return None
    if not 8 <= film_mm <= 400:
        return None
    return film_mm / 36 * max(image.size)


def _rgb(image: Image.Image) -> NDArray[np.uint8]:
    """Return the pixels as red-green-blue bytes; transparent parts are laid on white."""
    if image.mode.startswith("I;16") or image.mode == "I":
        deep = np.asarray(image, dtype=np.int64)
        grey = np.clip(deep >> 8, 0, 255).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2)
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        paper = Image.new("RGBA", image.size, (255, 255, 255, 255))
        image = Image.alpha_composite(paper, image.convert("RGBA"))
    plain = image if image.mode == "RGB" else image.convert("RGB")
    return np.ascontiguousarray(np.asarray(plain, dtype=np.uint8))

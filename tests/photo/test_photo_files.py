"""Photos from disk: formats, EXIF, and files that must not be decoded."""

import io
import struct
import tracemalloc
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from rendered_photos import jpeg_bytes

from pastewright.photo.file import photo_from_bytes, read_photo
from pastewright.problems import InputError


def _scene() -> np.ndarray:
    """Four flat fields of different colour, 640 × 480: any turn of it shows."""
    pixels = np.zeros((480, 640, 3), np.uint8)
    pixels[:240, :320] = (200, 30, 30)
    pixels[:240, 320:] = (30, 200, 30)
    pixels[240:, :320] = (30, 30, 200)
    pixels[240:, 320:] = (220, 220, 220)
    return pixels


# EXIF orientation (CIPA DC-008-2019, 4.6.4 A): what the stored rows and columns are, undone by hand on arrays.
STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: a.transpose(1, 0, 2)[::-1],
    7: lambda a: a.transpose(1, 0, 2)[::-1, ::-1],
    8: lambda a: a.transpose(1, 0, 2)[:, ::-1],
}


@pytest.mark.parametrize("orientation", sorted(STORED))
def test_exif_orientation_is_honoured(orientation):
    stored = np.ascontiguousarray(STORED[orientation](_scene()))
    photo = photo_from_bytes(jpeg_bytes(stored, 95, orientation=orientation), "photo.jpg")
    assert photo.pixels.shape == (480, 640, 3)
    assert np.abs(photo.pixels.astype(int) - _scene()).mean() < 2


def test_a_png_is_read_exactly_and_transparency_is_laid_on_white():
    file = io.BytesIO()
    image = Image.fromarray(np.dstack([_scene(), np.full((480, 640), 255, np.uint8)]))
    image.putpixel((0, 0), (10, 10, 10, 0))
    image.save(file, "PNG")
    photo = photo_from_bytes(file.getvalue(), "photo.png")
    assert photo.fine_colour
    assert tuple(photo.pixels[0, 0]) == (255, 255, 255)
    assert np.array_equal(photo.pixels[1:], _scene()[1:])


@pytest.mark.parametrize("mode", ["L", "P", "I;16", "LA", "CMYK"])
def test_other_kinds_of_pixels_become_red_green_blue(mode):
    file = io.BytesIO()
    if mode == "I;16":
        image = Image.fromarray((np.asarray(Image.fromarray(_scene()).convert("L")).astype(np.uint16)) * 257)
    else:
        image = Image.fromarray(_scene()).convert(mode)
    image.save(file, "JPEG" if mode == "CMYK" else "PNG")
    photo = photo_from_bytes(file.getvalue(), "photo")
    assert photo.pixels.shape == (480, 640, 3)
    assert photo.pixels[400, 600].min() > 200  # the light field
    assert photo.pixels[400, 100].mean() < 140  # the blue one


def test_a_heic_photo_is_read():
    file = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(_scene())).save(file, quality=90)
    photo = photo_from_bytes(file.getvalue(), "photo.heic")
    assert photo.pixels.shape == (480, 640, 3)
    assert np.abs(photo.pixels.astype(int) - _scene()).mean() < 4
    assert not photo.fine_colour


def test_the_focal_length_comes_from_exif():
    image = Image.fromarray(_scene())
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 27  # FocalLengthIn35mmFilm
    file = io.BytesIO()
    image.save(file, "JPEG", exif=exif)
    assert photo_from_bytes(file.getvalue(), "p").focal_px == pytest.approx(27 / 36 * 640)


def _png_of_size(width: int, height: int) -> bytes:
    """A PNG whose header claims a size; its pixels are two kilobytes of zeros, packed."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(bytes(2000)))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    "size", [(20_000, 10_000), (16_000, 4_100), (100_000, 100_000), (2**31 - 1, 2**31 - 1)]
)
def test_a_bomb_is_refused_before_it_is_decoded(size):
    content = _png_of_size(*size)
    tracemalloc.start()
    try:
        with pytest.raises(InputError, match=r"megapixels|damaged"):
            photo_from_bytes(content, "bomb.png")
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 5_000_000


def test_a_photo_of_two_hundred_megapixels_is_told_its_size():
    with pytest.raises(InputError, match="at most 64 are read"):
        photo_from_bytes(_png_of_size(20_000, 10_000), "big.png")


def test_a_thumbnail_is_refused():
    with pytest.raises(InputError, match="320 × 240 pixels"):
        photo_from_bytes(jpeg_bytes(_scene()[::2, ::2]), "small.jpg")


@pytest.mark.parametrize("kept", [0.02, 0.3, 0.9])
def test_a_photo_cut_short_is_refused(kept):
    content = jpeg_bytes(np.random.default_rng(1).integers(0, 255, (600, 800, 3), dtype=np.uint8), 90)
    with pytest.raises(InputError):
        photo_from_bytes(content[: int(kept * len(content))], "cut.jpg")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not a photo",
        b"GIF89a" + bytes(100),
        b"\xff\xd8\xff" + bytes(50),
        b"\x89PNG\r\n\x1a\n" + bytes(50),
    ],
)
def test_what_is_no_photo_is_refused(content):
    with pytest.raises(InputError):
        photo_from_bytes(content, "thing.jpg")


def test_a_broken_heic_is_refused():
    file = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(_scene())).save(file, quality=90)
    content = file.getvalue()
    for kept in (20, 200, len(content) // 2):
        with pytest.raises(InputError):
            photo_from_bytes(content[:kept], "cut.heic")


def test_bytes_changed_at_random_give_a_photo_or_a_message():
    random = np.random.default_rng(7)
    content = jpeg_bytes(_scene(), 80, orientation=6)
    for _ in range(150):
        damaged = bytearray(content)
        for place in random.integers(0, len(content), 8):
            damaged[place] = int(random.integers(256))
        try:
            photo = photo_from_bytes(bytes(damaged), "damaged.jpg")
        except InputError:
            continue
        assert photo.pixels.ndim == 3


def test_a_missing_photo_and_a_folder_get_a_message(tmp_path):
    for path in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(InputError, match="cannot be read"):
            read_photo(path)

"""Sheets that lie half in a lamp's mirror image, in grain, and on a full white ground.

Photos are flat discs drawn here, blurred and with noise: the ground is what is tried, not the shade on caps.
"""

from collections import Counter

import cv2
import numpy as np
import pytest
from rendered_photos import make_sheet, through_jpeg

from pastewright.photo.file import Photo
from pastewright.tune.photo.beyond import lighter_beyond, within_doubt
from pastewright.tune.photo.common import grey_step
from pastewright.tune.photo.find import BlobCandidates, either_way
from pastewright.tune.photo.measure import measure_photo
from pastewright.tune.photo.parted import LEAST_OF_A_PART, in_two
from pastewright.tune.record.measurements import DotState

SHEET = make_sheet(rows=6, columns=6)
PX_PER_MM = 36.0
FINER = 4
SHAPE = 0.4  # height over width of a dot


def drawn(ground, paste, *, noise: float = 0.004, blur_px: float = 1.2, quality: int = 92, seed: int = 1):
    """Return a photo and the diameters [mm]: discs of light `paste` (3) on `ground(x, y)` (…, 3), x and y from 0 to 1."""
    places = np.array([[dot.x_mm, dot.y_mm] for dot in SHEET.dots])
    low, high = places.min(axis=0) - 4.0, places.max(axis=0) + 4.0
    width, height = np.round((high - low) * PX_PER_MM).astype(int).tolist()
    random = np.random.default_rng(seed)
    doses = np.array([dot.dose_ul for dot in SHEET.dots])
    diameters = np.cbrt(doses * 24 / np.pi / (3 * SHAPE + 4 * SHAPE**3)) * random.uniform(
        0.95, 1.05, len(doses)
    )
    covered = np.zeros((height * FINER, width * FINER), np.uint8)
    for place, wide in zip(places, diameters, strict=True):
        x = (place[0] - low[0]) * PX_PER_MM * FINER
        y = (high[1] - place[1]) * PX_PER_MM * FINER  # sheets have y upward, photos downward
        middle = round(16 * (x - 0.5)), round(16 * (y - 0.5))
        cv2.circle(covered, middle, round(16 * wide / 2 * PX_PER_MM * FINER), 255, -1, cv2.LINE_AA, 4)
    share = cv2.resize(covered, (width, height), interpolation=cv2.INTER_AREA)[..., None] / 255.0
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    light = share * np.asarray(paste) + (1 - share) * ground(x, y)
    light = cv2.GaussianBlur(light, (0, 0), blur_px) + random.normal(0, noise, light.shape)
    light = np.clip(light, 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    pixels = through_jpeg(np.round(255 * codes).astype(np.uint8), quality)
    return Photo(name="photo.jpg", pixels=pixels), dict(
        zip((d.index for d in SHEET.dots), diameters, strict=True)
    )


def even(*light):
    return lambda x, y: np.broadcast_to(np.array(light), (*x.shape, 3))


def mirrored(x, y):
    """A black ground whose right half mirrors a lamp with a soft edge."""
    lit = 1 / (1 + np.exp(-(x + 0.15 * y - 0.58) / 0.03))
    return (0.01 + 0.75 * lit)[..., None] * np.ones(3)


def errors(reading, diameters):
    return np.array([d.diameter_mm / diameters[d.index] - 1 for d in reading.readings if d.diameter_mm])


def test_half_a_sheet_in_a_lamp_s_mirror_image_is_read():
    photo, diameters = drawn(mirrored, (0.12, 0.12, 0.12))
    reading = measure_photo(photo, SHEET)
    states = Counter(dot.state for dot in reading.readings)
    assert states[DotState.MISSING] == 0
    assert states[DotState.MEASURED] > 0.8 * len(SHEET.dots)
    off = errors(reading, diameters)
    assert abs(np.median(off)) < 0.02
    assert np.quantile(np.abs(off), 0.95) < 0.06


def test_faint_dots_in_grain_are_found():
    photo, diameters = drawn(even(0.45, 0.45, 0.45), (0.36, 0.36, 0.36), noise=0.09, quality=80)
    reading = measure_photo(photo, SHEET)
    off = errors(reading, diameters)
    assert len(off) > 0.6 * len(SHEET.dots)
    assert abs(np.median(off)) < 0.03


@pytest.mark.parametrize("lit", [1.3, 3.0])
def test_a_ground_that_is_full_white_eats_into_dots_by_what_they_say(lit):
    photo, diameters = drawn(even(lit, lit, lit), (0.2, 0.2, 0.2), blur_px=1.5)
    reading = measure_photo(photo, SHEET)
    measured = [dot for dot in reading.readings if dot.diameter_mm]
    assert len(measured) > 0.6 * len(SHEET.dots)
    score = [(d.diameter_mm - diameters[d.index]) / d.sigma_mm for d in measured]
    assert np.quantile(np.abs(score), 0.95) < 2
    assert abs(np.median(errors(reading, diameters))) < 0.05


def test_parts_are_where_levels_lie_in_two_heaps_of_enough_dots():
    dark, light = np.linspace(0.0, 0.1, 12), np.linspace(1.0, 1.2, 9)
    halves = in_two(np.concatenate([light, dark]))
    assert halves is not None
    assert [sorted(half.tolist()) for half in halves] == [list(range(9, 21)), list(range(9))]
    assert in_two(np.linspace(0, 0.2, 40)) is None
    few = in_two(np.concatenate([dark, light[:3]]))
    assert few is None or min(map(len, few)) >= LEAST_OF_A_PART


def test_of_lighter_and_darker_blobs_on_one_another_the_wider_counts():
    def blobs(kind, places, widths):
        return BlobCandidates(
            kind=kind,
            places_px=np.array(places, float),
            widths_px=np.array(widths, float),
            contrast=np.ones(len(widths)),
        )

    both = either_way(
        [blobs("more light", [[0, 0], [101, 0]], [20, 6]), blobs("less light", [[100, 0]], [30])]
    )
    assert both is not None
    assert sorted(both.places_px[:, 0].tolist()) == [0, 100]
    assert either_way([blobs("more red", [[0, 0]], [20])]) is None


def test_spots_on_dots_are_told_by_what_is_light_beyond_their_circle():
    x, y = np.meshgrid(np.linspace(-1.6, 1.6, 65), np.linspace(-1.6, 1.6, 65))
    away = np.hypot(x, y)
    cap = np.where(away < 1.0, 1.0, 0.0)[..., None]
    assert lighter_beyond(cap, 1.6, np.zeros(2), 1.0) == 0.0
    assert (
        lighter_beyond(-cap - np.where((away < 1.5) & (x > 0), 0.5, 0)[..., None], 1.6, np.zeros(2), 1.0)
        == 0.0
    )
    share = lighter_beyond(cap, 1.6, np.zeros(2), 0.6)
    assert share > 0.9
    assert within_doubt(share) > 0.2
    assert within_doubt(0.05) == 0.0


def test_a_grey_step_is_one_of_lightness():
    seen = np.zeros((5, 33, 33, 3))
    seen[:, 8:25, 8:25] = (-0.5, 0.03, -0.03)
    assert grey_step(seen)
    seen[:, 8:25, 8:25] = (-0.5, 0.2, -0.2)
    assert not grey_step(seen)

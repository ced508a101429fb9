"""Witness rows in photos: alone, among others on the card, in one line, or not there at all."""

import cv2
import msgspec
import numpy as np
import pytest
from rendered_photos import Scene, make_sheet, render, through_jpeg
from rendered_rows import row_photo

from pastewright.learn.row import witness_row
from pastewright.photo.file import Photo
from pastewright.photo.posed import fit_pose
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.records.sheet import SheetRecord
from pastewright.tune.photo import alike, row
from pastewright.tune.photo.find import find_dark
from pastewright.tune.photo.measure import PhotoReading
from pastewright.tune.photo.row import measure_row, row_laid
from pastewright.tune.record.measurements import DotState

TINT = 12.0  # codes


@pytest.fixture(scope="module")
def record() -> SheetRecord:
    return witness_row(parse_profile(example_text(DEMO), DEMO)).record


@pytest.fixture(scope="module")
def usual(record) -> tuple[np.ndarray, dict[int, float], PhotoReading]:
    """A picture of a row, the diameters that lie there, and what is read of it."""
    picture, truth = row_photo(record, seed=3)
    return picture, truth.diameter_mm, measure_row(photo_of(picture), row_laid(record))


def within(reading: PhotoReading, share: float, least_mm: float = 0.0) -> np.ndarray:
    """Tell which pixels lie within a share of the dots' radii; of those at least so wide."""
    y, x = np.mgrid[: reading.facts.height_px, : reading.facts.width_px]
    on = np.zeros(x.shape, dtype=bool)
    for dot in reading.readings:
        wide = dot.diameter_mm or 0.0
        at = reading.view.to_px(np.array([dot.x_mm, dot.y_mm]))
        on |= (np.hypot(x - at[0], y - at[1]) < share * reading.facts.px_per_mm * wide / 2) & (
            wide >= least_mm
        )
    return on


def photo_of(picture: np.ndarray) -> Photo:
    return Photo(name="row.jpg", pixels=through_jpeg(picture, 90))


def errors(reading: PhotoReading, diameters: dict[int, float]) -> np.ndarray:
    return np.array([(dot.diameter_mm or np.nan) / diameters[dot.index] - 1 for dot in reading.readings])


@pytest.mark.parametrize(
    "changes",
    [
        {"seed": 3},
        {"seed": 4, "tilt_deg": 24.0, "azimuth_deg": 200.0, "roll_deg": 188.0, "background": "white mask"},
        {"seed": 5, "tilt_deg": 12.0, "azimuth_deg": 70.0, "roll_deg": -9.0, "shadow": 0.4, "blur_px": 0.9},
    ],
    ids=["straight", "tilted and turned", "shadow"],
)
def test_a_dozen_dots_are_measured_with_errors_as_claimed(record, changes):
    picture, truth = row_photo(record, **changes)
    reading = measure_row(photo_of(picture), row_laid(record))
    off = errors(reading, truth.diameter_mm)
    sigma = np.array([(dot.sigma_mm or np.nan) / (dot.diameter_mm or np.nan) for dot in reading.readings])
    assert np.isfinite(off).sum() >= 11
    # Caps of known shape on a white card: typed diameters are taken for 3 %.
    assert np.nanmax(np.abs(off)) < 0.03
    assert abs(np.nanmedian(off)) < 0.015
    assert np.nanmax(np.abs(off) / sigma) < 3
    assert np.nanmax(sigma) < 0.06


def test_dots_that_tell_no_view_are_refused_in_words(record, monkeypatch):
    picture, _ = row_photo(record, seed=3)
    asked = []

    def none_after_the_first(points):
        asked.append(points)
        if len(asked) > 1:
            raise ValueError("these points tell no view")
        return fit_pose(points)

    blobs = find_dark(photo_of(picture).pixels, work_px=2600)
    assert blobs is not None
    found = row._rows_among(blobs, row_laid(record), photo_of(picture))
    monkeypatch.setattr(row, "_rows_among", lambda *_: found)
    monkeypatch.setattr(row, "fit_pose", none_after_the_first)
    with pytest.raises(InputError, match="do not tell how the camera saw them"):
        measure_row(photo_of(picture), row_laid(record))


def test_dots_that_cover_less_than_a_thousandth_of_a_dim_and_noisy_photo_are_found():
    """What two of a thousand pixels are beyond is noise here; the dots do not fill so many."""
    random = np.random.default_rng(2)
    light = random.normal(70, 6, (960, 1280))
    y, x = np.mgrid[:960, :1280]
    middles = [(200 + 80 * k, 480 + 20 * (k % 2)) for k in range(12)]
    for at in middles:
        light[np.hypot(x - at[0], y - at[1]) < 5] -= 35
    pixels = np.repeat(np.clip(light, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    found = find_dark(pixels, work_px=2600)
    assert found is not None
    away = np.linalg.norm(found.places_px[:, None] - np.array(middles)[None], axis=2)
    assert (away.min(axis=0) < 2).all()


def test_four_clear_outlines_of_a_dozen_are_no_view_and_no_crash(record, monkeypatch):
    picture, _ = row_photo(record, seed=3)
    few = np.arange(12) < 4
    monkeypatch.setattr(alike, "plausible_blobs", lambda *seen: few[: len(seen[1])])
    reading = measure_row(photo_of(picture), row_laid(record))
    assert (
        sum(dot.state is DotState.MEASURED for dot in reading.readings) >= 8
    )  # begun anew where they were commanded


def test_a_dot_that_did_not_come_out_is_missing_and_no_other_takes_its_place(record):
    gone = record.dots[4].index
    volumes = {dot.index: dot.dose_ul * (dot.index != gone) for dot in record.dots}
    picture, truth = row_photo(record, volumes_ul=volumes, seed=8)
    reading = measure_row(photo_of(picture), row_laid(record))
    states = {dot.index: dot.state for dot in reading.readings}
    assert states[gone] is DotState.MISSING
    assert sum(state is DotState.MEASURED for state in states.values()) >= 10
    kept = {dot.index: dot.diameter_mm for dot in reading.readings if dot.diameter_mm is not None}
    assert all(abs(kept[index] / truth.diameter_mm[index] - 1) < 0.04 for index in kept)


def test_of_several_rows_on_a_card_the_newest_is_read_and_none_where_nothing_says_which(record):
    older = {dot.index: 0.6 * dot.dose_ul for dot in record.dots}
    newer = {dot.index + len(record.dots): dot.dose_ul for dot in record.dots}
    picture, truth = row_photo(record, volumes_ul=older | newer, more_mm=(-5.0,), seed=6, roll_deg=180.0)
    photo = photo_of(picture)
    with pytest.raises(InputError, match="2 rows of dots like this one"):
        measure_row(photo, row_laid(record))
    for way, first in ((-5.0, len(record.dots)), (5.0, 0)):
        reading = measure_row(photo, row_laid(record, newest=(0.0, way)))
        laid = {index: truth.diameter_mm[index + first] for index in range(len(record.dots))}
        assert abs(np.nanmedian(errors(reading, laid))) < 0.015  # the other row is 16 % off


def test_from_too_far_away_it_is_said_to_come_nearer_and_nothing_else(record, usual):
    pixels = cv2.resize(usual[0], None, fx=0.55, fy=0.55, interpolation=cv2.INTER_AREA)
    with pytest.raises(InputError) as refused:
        measure_row(Photo(name="row.jpg", pixels=pixels), row_laid(record))
    (told,) = refused.value.problems
    assert "pixels wide in the photo; 20 are needed" in told.what
    assert told.mend.startswith("Come nearer")


def test_a_dot_that_shines_in_its_middle_is_one_dot(record, usual):
    """As a lamp above mirrors itself: by one level of light a ring, by the next what is within it."""
    picture, diameters, reading = usual
    shining = photo_of(np.where(within(reading, 0.18)[..., None], np.uint8(235), picture))
    found = find_dark(shining.pixels, work_px=2600)
    assert found is not None
    apart = np.linalg.norm(found.places_px[:, None] - found.places_px[None], axis=2)
    assert ((apart < 3) & (apart > 0)).sum() > 2 * row.MOST_STRANGERS  # dots that are several blobs
    off = errors(measure_row(shining, row_laid(record)), diameters)
    assert abs(np.nanmedian(off)) < 0.02


def test_small_dots_without_colour_are_measured_as_large_ones_with_it(record, usual):
    """JPEG keeps colour by blocks: a warm lamp's tint stays on large dots and is lost on small ones."""
    picture, diameters, reading = usual
    middle = float(np.median([dot.diameter_mm or 0.0 for dot in reading.readings]))
    warm = np.array([TINT, 0.0, -TINT]) * within(reading, 1.0, least_mm=middle)[..., None]
    tinted = photo_of(np.clip(picture + warm, 0, 255).astype(np.uint8))
    off = errors(measure_row(tinted, row_laid(record)), diameters)
    assert np.isfinite(off).sum() >= 11
    assert np.nanmax(np.abs(off)) < 0.04


def test_what_is_no_row_is_refused(record):
    sheet = make_sheet(rows=7, columns=8)
    elsewhere, _ = render(Scene(sheet=sheet, width_px=1000, height_px=750, fill=0.85))
    picture, _ = row_photo(record, seed=3)
    mirrored = np.ascontiguousarray(picture[:, ::-1])
    # Three on: reversed, the sizes would be those of the same row seen from its other end.
    others = (*record.dots[3:], *record.dots[:3])
    another_row = {dot.index: other.dose_ul for dot, other in zip(record.dots, others, strict=True)}
    another, _ = row_photo(record, volumes_ul=another_row, seed=3)
    for pixels, told in (
        (elsewhere, "no witness row was found"),
        (mirrored, "no witness row was found|sizes of the dots do not follow"),
        (another, "no witness row was found|sizes of the dots do not follow"),
    ):
        with pytest.raises(InputError, match=told):
            measure_row(photo_of(pixels), row_laid(record))
    short = msgspec.structs.replace(record, dots=tuple(dot for dot in record.dots if dot.column % 2 == 0))
    for one_line in (
        msgspec.structs.replace(
            record, dots=tuple(msgspec.structs.replace(dot, y_mm=0.0) for dot in record.dots)
        ),
        short,
    ):
        with pytest.raises(InputError, match="in one line"):
            row_laid(one_line)

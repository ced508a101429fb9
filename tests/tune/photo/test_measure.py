"""Rendered photos to readings: one thing at a time, then whatever may happen to a photo at once."""

from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from photo_judge import judged_scene, tallied
from rendered_photos import BACKGROUNDS, Scene, make_sheet, random_scene, render, through_jpeg

from pastewright.photo.file import Photo
from pastewright.problems import InputError
from pastewright.tune.photo.measure import measure_photo
from pastewright.tune.record.measurements import DotState

SHEET = make_sheet(rows=7, columns=8)


def plain(**changes) -> Scene:
    """A photo without trouble, small enough to be quick."""
    return replace(Scene(sheet=SHEET, width_px=1600, height_px=1200, fill=0.85), **changes)


def read(scene: Scene, sheet=None):
    picture, truth = render(scene)
    photo = Photo(name="photo.jpg", pixels=through_jpeg(picture, scene.jpeg))
    return measure_photo(photo, sheet or scene.sheet), truth


def errors(reading, truth) -> np.ndarray:
    return np.array(
        [
            dot.diameter_mm / truth.diameter_mm[dot.index] - 1
            for dot in reading.readings
            if dot.diameter_mm and truth.diameter_px[dot.index] > 20
        ]
    )


@pytest.mark.parametrize("background", BACKGROUNDS)
def test_on_every_ground_all_dots_are_measured(background):
    exposure = 1.7 if background == "black mask" else 0.85
    reading, truth = read(plain(background=background, exposure=exposure))
    states = Counter(dot.state for dot in reading.readings)
    # A dot below 20 px may be refused for its outline (one of 16 px is, on black), never called missing.
    assert states.keys() <= {DotState.MEASURED, DotState.REFUSED}
    assert states[DotState.REFUSED] <= 1
    assert all(
        dot.state is DotState.MEASURED for dot in reading.readings if truth.diameter_px[dot.index] >= 20
    )
    off = errors(reading, truth)
    assert np.median(np.abs(off)) < 0.02
    assert np.quantile(np.abs(off), 0.95) < 0.05


@pytest.mark.parametrize("roll", [90, 180, 270, 37])
def test_however_the_photo_is_turned(roll):
    reading, truth = read(plain(roll_deg=roll))
    assert reading.facts.measured == len(SHEET.dots)
    for dot in reading.readings:
        assert np.hypot(
            dot.x_mm - truth.centre_mm[dot.index][0], dot.y_mm - truth.centre_mm[dot.index][1]
        ) < (0.05)


def test_the_lens_is_found_and_put_right():
    bent, truth = read(plain(k1=0.03, width_px=2000, height_px=1500))
    assert bent.facts.k1 == pytest.approx(0.03, abs=0.006)
    assert np.median(np.abs(errors(bent, truth))) < 0.01
    straight, _ = read(plain(k1=0.0))
    assert abs(straight.view.k1) < 0.006


def test_a_photo_from_aside_tells_its_tilt_and_the_same_sizes():
    reading, truth = read(plain(tilt_deg=28, azimuth_deg=60, width_px=2000, height_px=1500))
    assert reading.facts.tilt_deg == pytest.approx(28, abs=3)
    assert np.median(np.abs(errors(reading, truth))) < 0.02


def test_nothing_is_missing_and_two_in_one_are_refused():
    reading, truth = read(plain(missing=3, merged=1, seed=4))
    states = {dot.index: dot for dot in reading.readings}
    assert {index for index, dot in states.items() if dot.state is DotState.MISSING} == truth.missing
    assert truth.merged
    for index in truth.merged:
        assert states[index].state is DotState.REFUSED, states[index]


def test_a_dot_that_runs_into_its_neighbour_is_refused_on_a_black_mask_too():
    """One of the two was once measured a quarter too small, within its own half."""
    reading, truth = read(random_scene(20_028))
    assert truth.merged
    for dot in reading.readings:
        if dot.index in truth.merged:
            assert dot.state is DotState.REFUSED


def test_half_of_the_dots_may_be_missing_where_the_sizes_tell_which():
    """A bench softer than thought lays the large doses only."""
    sheet = make_sheet(rows=12, columns=12)
    middle = np.median([dot.dose_ul for dot in sheet.dots])
    laid = {dot.index: dot.dose_ul for dot in sheet.dots if dot.is_odd or dot.dose_ul > middle}
    scene = plain(sheet=sheet, volumes_ul=laid, width_px=2000, height_px=1500, roll_deg=200)
    reading, truth = read(scene)
    states = {dot.index: dot.state for dot in reading.readings}
    assert {index for index, state in states.items() if state is DotState.MEASURED} == set(laid)
    assert {index for index, state in states.items() if state is DotState.MISSING} == truth.missing
    # The same gaps, but sizes that say nothing: it could be any sheet.
    alike = dict.fromkeys(laid, 1.2 * middle)
    with pytest.raises(InputError):
        read(replace(scene, volumes_ul=alike))


def test_errors_are_about_as_large_as_is_claimed():
    claims = []
    for seed in range(3):
        reading, truth = read(plain(seed=seed, noise=0.01, texture=0.02))
        claims += [
            (dot.diameter_mm - truth.diameter_mm[dot.index]) / dot.sigma_mm
            for dot in reading.readings
            if dot.diameter_mm
        ]
    # A claim holds the error that all dots of a photo share, as it is under physical light (about 2 %); drawn photos
    # have little of that, so that here the claims are wide: 0.16 when last measured.
    assert 0.1 < np.sqrt(np.mean(np.square(claims))) < 2.0


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"blur_px": 12.0}, "could be measured|no grid|clear outline|were found"),
        ({"exposure": 0.004, "noise": 0.03}, "no grid|were found|could be measured"),
        ({"fill": 0.16}, "too small in the photo|no grid|were found"),
        ({"fill": 1.7}, "odd dots|were found|no grid|clear outline"),
        ({"tilt_deg": 55.0}, "° aside; at most 45°"),
    ],
)
def test_a_photo_that_cannot_tell_is_refused_with_advice(changes, told):
    with pytest.raises(InputError, match=told) as refused:
        read(plain(**changes))
    assert all(problem.mend and problem.file == "photo.jpg" for problem in refused.value.problems)


@pytest.mark.parametrize("what", ["white", "noise", "stripes", "checks"])
def test_a_photo_of_something_else_is_refused(what):
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:900, 0:1200]
    light = {
        "white": np.full(x.shape, 240.0),
        "noise": rng.uniform(0, 255, x.shape),
        "stripes": 128 + 100 * np.sin(x / 9),
        "checks": 255.0 * ((x // 30 + y // 30) % 2),
    }[what]
    pixels = np.repeat(light.astype(np.uint8)[..., None], 3, axis=2)
    with pytest.raises(InputError, match="dots"):
        measure_photo(Photo(name="cat.jpg", pixels=pixels), SHEET)


def test_a_photo_of_another_sheet_is_refused():
    for other in (make_sheet(rows=9, columns=8), make_sheet(rows=7, columns=10), make_sheet(seed=9)):
        with pytest.raises(InputError):
            read(plain(sheet=other), SHEET)
    # The same lattice with other doses: only the sizes give it away.
    same = make_sheet(rows=7, columns=8, seed=77)
    with pytest.raises(InputError, match="sizes of the dots do not follow the doses"):
        read(plain(sheet=same), SHEET)


def test_a_mirrored_photo_is_refused():
    picture, _ = render(plain())
    with pytest.raises(InputError, match="mirror"):
        measure_photo(Photo(name="selfie.jpg", pixels=np.ascontiguousarray(picture[:, ::-1])), SHEET)


def _judged(seed):
    return judged_scene(random_scene(seed))


def _held(tally) -> None:
    assert tally.wrong == []
    assert tally.median < 0.02
    assert tally.p95 < 0.05
    assert tally.centre_p99_mm < 0.05
    assert 0.3 < tally.score < 2.0


def test_whatever_may_happen_to_a_photo():
    tally = tallied([_judged(seed) for seed in (301, 302, 305)])  # green, white and black mask
    assert tally.all_found == 1.0, tally
    _held(tally)


@pytest.mark.campaign
def test_two_hundred_photos():
    with ProcessPoolExecutor(2) as pool:
        tally = tallied(list(pool.map(_judged, range(7000, 7200))))
    print(tally)
    assert tally.all_found >= 0.98, tally
    _held(tally)

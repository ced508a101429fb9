"""Photo files to dots.csv: merging, weighing, the command, and what it says of bad input."""

import io
import re
from dataclasses import replace

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image
from rendered_photos import Camera, Scene, jpeg_bytes, make_sheet, render

from pastewright.photo.file import photo_from_bytes, read_photo
from pastewright.problems import InputError
from pastewright.tune.photo.measure import measure_photo
from pastewright.tune.photo.overlay import shown_px
from pastewright.tune.photo.read import parse_weighed, read_photos
from pastewright.tune.record.dots_csv import dots_csv, read_dots_csv
from pastewright.tune.record.measurements import DotReading, DotState, Measurements, Weighed
from pastewright.tune.sheet.model import read_sheet, write_sheet

SHEET = make_sheet(rows=7, columns=8)
SCENE = Scene(sheet=SHEET, width_px=1600, height_px=1200, fill=0.85, missing=2, seed=3)


@pytest.fixture(scope="module")
def rendered():
    return render(SCENE)


@pytest.fixture(scope="module")
def photo(rendered):
    return photo_from_bytes(jpeg_bytes(rendered[0]), "one.jpg")


@pytest.fixture(scope="module")
def once(photo):
    return read_photos(SHEET, [photo])


@pytest.fixture
def folder(tmp_path, rendered):
    write_sheet(SHEET, tmp_path / "sheet.json")
    (tmp_path / "one.jpg").write_bytes(jpeg_bytes(rendered[0]))
    return tmp_path


def test_exif_orientation_is_honoured(rendered, once):
    """The same picture, stored as a phone held on its side stores it: the dots must come out the same."""
    lying = np.ascontiguousarray(np.rot90(rendered[0]))  # orientation 6: turn clockwise to see it upright
    turned = photo_from_bytes(jpeg_bytes(lying, orientation=6), "turned.jpg")
    assert turned.pixels.shape == rendered[0].shape
    for dot, other in zip(read_photos(SHEET, [turned]).readings, once.readings, strict=True):
        assert dot.state is other.state
        if dot.diameter_mm:
            assert dot.diameter_mm == pytest.approx(other.diameter_mm, rel=0.02)


def test_heic_and_png_tell_the_same_as_jpeg(rendered, once):
    heic, png = io.BytesIO(), io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(rendered[0])).save(heic, quality=90)
    Image.fromarray(rendered[0]).save(png, "PNG")
    for file, name in ((heic, "p.heic"), (png, "p.png")):
        read = read_photos(SHEET, [photo_from_bytes(file.getvalue(), name)])
        ratios = [
            dot.diameter_mm / other.diameter_mm
            for dot, other in zip(read.readings, once.readings, strict=True)
            if dot.diameter_mm and other.diameter_mm
        ]
        assert len(ratios) > 50
        assert np.abs(np.log(ratios)).max() < 0.03


def test_two_photos_of_one_print_are_merged(rendered, photo, once):
    """The second is taken from elsewhere, with other light and grain; the dots are the same ones."""
    other = replace(SCENE, tilt_deg=12, azimuth_deg=200, roll_deg=93, gradient=0.35)
    second, truth = render(other)
    two = photo_from_bytes(jpeg_bytes(second), "two.jpg")
    both, alone = read_photos(SHEET, [photo, two]), read_photos(SHEET, [two])
    assert [facts.name for facts in both.photos] == ["one.jpg", "two.jpg"]
    assert all(dot.photos == 2 for dot in both.measured)
    missing = {dot.index for dot in both.readings if dot.state is DotState.MISSING}
    assert missing == truth.missing

    def off(read):
        return np.sqrt(
            np.mean([(d.diameter_mm / truth.diameter_mm[d.index] - 1) ** 2 for d in read.measured])
        )

    # Each photo has an error that all its dots share; the mean of two lies between, and never beyond the worse one.
    assert off(both) < max(off(once), off(alone)) < 0.02
    claimed = [np.array([dot.sigma_mm for dot in read.measured], dtype=float) for read in (both, once)]
    assert np.median(claimed[0]) < np.median(claimed[1])


def test_photos_of_two_prints_are_not_merged(photo):
    picture, _ = render(replace(SCENE, seed=99, size_noise=0.4))
    with pytest.raises(InputError, match="do not show the same print"):
        read_photos(SHEET, [photo, photo_from_bytes(jpeg_bytes(picture), "two.jpg")])


def test_a_bad_photo_beside_a_good_one_is_left_out_and_said(photo):
    white = photo_from_bytes(jpeg_bytes(np.full((900, 1200, 3), 250, np.uint8)), "white.jpg")
    read = read_photos(SHEET, [white, photo])
    assert len(read.photos) == 1
    assert any("white.jpg" in str(w) and "left out" in w.what for w in read.warnings)


@pytest.mark.parametrize(
    ("text", "mean_mg"),
    [
        ("100 dots = 41.2 mg", 0.412),
        ("1 dot=3mg", 3.0),
        ("50 DOTS = 0,02 g", 0.4),
        ("147 dots = 900 µg", 0.9 / 147),
    ],
)
def test_a_weighing_is_understood(text, mean_mg):
    assert parse_weighed(text).mean_mg == pytest.approx(mean_mg)


@pytest.mark.parametrize(
    "text", ["41.2 mg", "dots = 4 mg", "0 dots = 4 mg", "10 dots = 0 mg", "10 dots = 4 kg", "1 dots = 9000 g"]
)
def test_a_weighing_that_makes_no_sense_is_refused(text):
    with pytest.raises(InputError, match="--weighed"):
        parse_weighed(text)


def test_dots_csv_gives_back_what_it_was_given(tmp_path, once):
    scaled = replace(once, weighed=Weighed(dots=57, mass_mg=12.5))
    (tmp_path / "dots.csv").write_text(dots_csv(SHEET, scaled), encoding="utf-8")
    back = read_dots_csv(tmp_path / "dots.csv")
    assert back.sheet == SHEET.name and back.weighed == scaled.weighed
    for dot, other in zip(back.readings, once.readings, strict=True):
        assert (dot.index, dot.state, dot.why, dot.photos) == (
            other.index,
            other.state,
            other.why,
            other.photos,
        )
        if dot.diameter_mm:
            assert dot.diameter_mm == pytest.approx(other.diameter_mm, abs=1e-5)
            assert dot.shared_sd == pytest.approx(other.shared_sd, abs=1e-5)
            assert dot.shared_sd and dot.sigma_mm
            assert dot.shared_sd * dot.diameter_mm < dot.sigma_mm


def test_damaged_dots_csv_is_told_line_by_line(tmp_path):
    readings = tuple(DotReading(index=dot.index, state=DotState.MISSING) for dot in SHEET.dots)
    text = dots_csv(SHEET, Measurements(sheet="rendered", readings=readings, photos=()))
    lines = text.splitlines()
    lines[4] = lines[4].replace("missing", "gone")
    lines[6] = "x" + lines[6]
    (tmp_path / "dots.csv").write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_dots_csv(tmp_path / "dots.csv")
    assert [problem.line for problem in refused.value.problems] == [5, 7]


def test_the_command_writes_dots_and_an_overlay_that_shows_them(run_pastewright, folder, rendered):
    code, said = run_pastewright(
        "tune", "read", folder / "sheet.json", folder / "one.jpg", "--weighed", "57 dots = 3.1 mg"
    )
    assert code == 0, said
    assert "57 dots measured, 2 missing, 0 refused" in said
    read = read_dots_csv(folder / "dots.csv")
    assert {dot.index for dot in read.readings if dot.state is DotState.MISSING} == rendered[1].missing
    assert read.weighed == Weighed(dots=57, mass_mg=3.1)
    overlay = cv2.imread(str(folder / "overlay-one.png"))
    assert overlay is not None
    green = (overlay[..., 1] > 150) & (overlay[..., 2] < 110) & (overlay[..., 0] < 140)
    near_green = cv2.dilate(green.astype(np.uint8), np.ones((5, 5))) > 0
    camera, truth = Camera(SCENE), rendered[1]
    sheet = read_sheet(folder / "sheet.json")
    left, top, right, _ = shown_px(sheet, measure_photo(read_photo(folder / "one.jpg"), sheet))
    factor = overlay.shape[1] / (right - left)
    turns = np.arange(16) * (np.pi / 8)
    for index, (x, y) in truth.centre_mm.items():
        edge = truth.diameter_mm[index] / 2 * np.stack([np.cos(turns), np.sin(turns)], axis=-1) + [x, y]
        px = camera.project(np.column_stack([edge, np.zeros(16)]))
        px = ((px - [left, top]) * factor).round().astype(int)
        assert near_green[px[:, 1], px[:, 0]].mean() > 0.7, index


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda f: (f / "bad.jpg").write_bytes(b"\xff\xd8\xff\xe0 no more"), "damaged|not a JPEG"),
        (lambda f: (f / "bad.jpg").write_text("hello"), "not a JPEG, PNG or HEIC"),
        (lambda f: Image.new("RGB", (300, 200)).save(f / "bad.jpg"), "only 300 × 200 pixels"),
        (lambda f: Image.new("RGB", (1500, 1500), "white").save(f / "bad.jpg"), "no grid of dots|dots"),
        (lambda f: None, "cannot be read"),
    ],
)
def test_bad_photos_are_told_and_end_with_code_2(run_pastewright, folder, make, told):
    make(folder)
    code, said = run_pastewright("tune", "read", folder / "sheet.json", folder / "bad.jpg")
    assert code == 2
    assert re.search(told, said), said
    assert "bad.jpg" in said
    assert not (folder / "dots.csv").exists()


def test_a_sheet_that_is_none_and_too_many_photos_are_told(run_pastewright, folder):
    (folder / "other.json").write_text('{"format": "something else"}')
    code, said = run_pastewright("tune", "read", folder / "other.json", folder / "one.jpg")
    assert code == 2 and "other.json" in said
    code, said = run_pastewright("tune", "read", folder / "sheet.json", *[folder / "one.jpg"] * 21)
    assert code == 2 and "at most 20" in said

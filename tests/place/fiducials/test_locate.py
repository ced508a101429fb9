"""Marks in drawn frames: their kind, and centres far finer than a pixel."""

from math import cos, hypot, radians, sin

import cv2
import numpy as np
import pytest

from pastewright.place.fiducials.camera import camera_frame, read_frame
from pastewright.place.fiducials.locate import MarkView, marks
from pastewright.problems import InputError
from pastewright.records.kinds import MarkKind

FINE = 16  # drawn so many times finer, then averaged: an edge pixel gets its share


def inside(kind, x, y, size, turn):
    c, s = cos(radians(turn)), sin(radians(turn))
    u, v = np.abs(c * x + s * y), np.abs(-s * x + c * y)
    r = np.hypot(x, y)
    if kind == "round":
        return r <= size / 2
    if kind == "ring":
        return (r <= size / 2) & (r >= size * 0.3)
    if kind == "square":
        return (u <= size / 2) & (v <= size / 2)
    arm = size * 0.14
    return ((u <= size / 2) & (v <= arm)) | ((v <= size / 2) & (u <= arm))


def frame(
    kind,
    cx,
    cy,
    *,
    size=40.0,
    turn=0.0,
    shape=(120, 160),
    light=200,
    dark=60,
    blur=1.2,
    noise=2.0,
    slope=0.0,
    seed=1,
):
    """A frame with one mark whose middle is at (cx, cy); pixel (0, 0) has its middle at (0, 0)."""
    high, wide = shape
    at = (np.arange(max(shape) * FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(at[: wide * FINE] - cx, at[: high * FINE] - cy)
    fine = inside(kind, x, y, size, turn).astype(np.float64)
    share = fine.reshape(high, FINE, wide, FINE).mean(axis=(1, 3))
    picture = dark + (light - dark) * share
    picture = cv2.GaussianBlur(picture, (0, 0), blur) if blur else picture
    picture = picture + slope * np.arange(wide)[None, :]
    picture = picture + np.random.default_rng(seed).normal(0, noise, shape)
    return np.clip(picture, 0, 255).round().astype(np.uint8)


@pytest.mark.parametrize("kind", ["round", "square", "cross", "ring"])
@pytest.mark.parametrize("dark_on_light", [False, True])
def test_each_kind_is_found_with_its_centre(kind, dark_on_light):
    rng = np.random.default_rng(3)
    off = []
    for trial in range(6):
        cx, cy = 80 + rng.uniform(-8, 8), 60 + rng.uniform(-8, 8)
        levels = {"light": 70, "dark": 190} if dark_on_light else {}
        picture = frame(kind, cx, cy, turn=rng.uniform(-45, 45), seed=trial, **levels)
        best = marks(picture)[0]
        assert best.kind == kind
        off.append(hypot(best.x_px - cx, best.y_px - cy))
        assert best.size_px == pytest.approx(40 if kind != "cross" else best.size_px, rel=0.06)
    # Noise of 2 grey levels on a contrast of 140; measured: below 0.03 px.
    assert max(off) < 0.06


def test_a_noiseless_centre_is_a_hundredth_of_a_pixel():
    for cx, cy in [(70.25, 55.5), (80.0, 60.0), (81.37, 59.11)]:
        best = marks(frame("round", cx, cy, noise=0.0))[0]
        assert hypot(best.x_px - cx, best.y_px - cy) < 0.01


def test_a_shadow_across_the_frame_does_not_move_the_centre():
    best = marks(frame("round", 80.3, 60.7, light=170, slope=0.4))[0]
    assert hypot(best.x_px - 80.3, best.y_px - 60.7) < 0.06


def test_a_told_size_and_kind_choose_among_marks():
    both = np.hstack([frame("round", 60, 60, size=50), frame("square", 80, 60, size=26)])
    assert {mark.kind for mark in marks(both)} >= {"round", "square"}
    assert [mark.kind for mark in marks(both, size_px=26)] == ["square"]
    only = marks(both, kind=MarkKind.ROUND)
    assert only[0].x_px == pytest.approx(60, abs=0.1)
    assert all(mark.kind == "round" for mark in only)


def test_long_pads_and_plain_frames_are_no_marks():
    picture = np.full((120, 160), 80, np.uint8)
    assert marks(picture) == ()
    picture[50:60, 40:110] = 200
    assert marks(picture) == ()
    noise = np.random.default_rng(1).normal(128, 3, (120, 160)).astype(np.uint8)
    assert marks(noise) == ()


def test_a_mark_cut_off_by_the_edge_is_not_taken():
    assert marks(frame("round", 8.0, 60.0)) == ()


def test_the_frame_is_seen_along_the_axes_of_the_machine():
    view = MarkView(width_px=161, height_px=121, mm_per_px=0.02)
    assert view.off_centre_mm(80, 60) == (0, 0)
    # To the right in the frame is +X, down in the frame is −Y.
    assert view.off_centre_mm(90, 60) == pytest.approx((0.2, 0))
    assert view.off_centre_mm(80, 70) == pytest.approx((0, -0.2))
    turned = MarkView(width_px=161, height_px=121, mm_per_px=0.02, turn_deg=90)
    assert turned.off_centre_mm(90, 60) == pytest.approx((0, 0.2))


def test_colour_frames_are_read_from_files(tmp_path):
    path = tmp_path / "mark.png"
    grey = frame("round", 77.5, 58.25)
    cv2.imwrite(str(path), np.dstack([grey, grey, grey]))
    best = marks(read_frame(path))[0]
    assert hypot(best.x_px - 77.5, best.y_px - 58.25) < 0.06


def test_a_camera_is_read_after_it_has_settled(tmp_path):
    for number in range(6):
        seen = frame("round", 80.0, 60.0, light=200 if number >= 4 else 64)
        cv2.imwrite(str(tmp_path / f"frame_{number:02d}.png"), seen)
    assert marks(camera_frame(str(tmp_path / "frame_00.png"), settle_frames=0)) == ()
    late = camera_frame(str(tmp_path / "frame_%02d.png"), settle_frames=5)
    assert marks(late)[0].kind == "round"


def test_a_source_that_gives_nothing_is_refused(tmp_path):
    with pytest.raises(InputError, match="gives no picture"):
        camera_frame(str(tmp_path / "none_%02d.png"))
    for name, data in [
        ("empty.png", b""),
        ("text.png", b"no picture"),
        ("cut.png", b"\x89PNG\r\n\x1a\n0000"),
    ]:
        path = tmp_path / name
        path.write_bytes(data)
        with pytest.raises(InputError, match="no picture"):
            read_frame(path)
    with pytest.raises(InputError, match="folder"):
        read_frame(tmp_path)
    with pytest.raises(InputError, match="cannot be read"):
        read_frame(tmp_path / "missing.png")
    with pytest.raises(InputError, match="only 10 × 9 pixels"):
        marks(np.zeros((9, 10), np.uint8))

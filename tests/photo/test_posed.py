"""How a camera saw a dozen dots, by a projection written out here: its focal length need not be told."""

import numpy as np
import pytest

from pastewright.photo.posed import PosedPoints, fit_pose
from pastewright.photo.view import camera_place_mm

WIDE, HIGH = 1600, 1280
ROW = np.array([(2.5 * k, 1.2 * (k % 2)) for k in range(12)])  # mm


def seen(focal_px: float, tilt_deg: float, along: bool, noise_px: float = 0.3) -> np.ndarray:
    """Pixels of the row's dots by a camera tilted along the row, or across it, 50 px a millimetre in the middle."""
    random = np.random.default_rng(7)
    tilt = np.radians(tilt_deg)
    off = ROW - ROW.mean(axis=0)
    near, other = (off[:, 0], off[:, 1]) if along else (off[:, 1], off[:, 0])
    depth = focal_px / 50.0 + near * np.sin(tilt)
    shortened, plain = focal_px * near * np.cos(tilt) / depth, focal_px * other / depth
    x, y = (shortened, plain) if along else (plain, shortened)
    places = np.stack([x + (WIDE - 1) / 2, (HIGH - 1) / 2 - y], axis=-1)
    return places + random.normal(0, noise_px, places.shape)


@pytest.mark.parametrize("longer", [1.0, 2.0, 4.5], ids=["as it is", "cut out", "cut out small"])
@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 28.0])
@pytest.mark.parametrize("along", [True, False], ids=["along", "across"])
def test_areas_hold_though_the_picture_was_cut_out_or_zoomed(longer, tilt_deg, along):
    places = seen(0.75 * WIDE * longer, tilt_deg, along)
    points = PosedPoints(sheet_mm=ROW, places_px=places, width_px=WIDE, height_px=HIGH, focal_px=None)
    view, residual_mm, _ = fit_pose(points)
    # By hand: in the middle areas are shortened by the tilt's cosine alone. The two lines, 1.2 mm apart, are seen to 0.3 px
    # of noise each dot: 0.3/60·√(1/6 + 1/6) = 0.3 % of what lies across, half of it in a diameter; tilt adds to it.
    scale = 50.0 * np.sqrt(np.cos(np.radians(tilt_deg)))
    assert view.px_per_mm(ROW.mean(axis=0)) == pytest.approx(scale, rel=0.015)
    assert residual_mm < 0.02


@pytest.mark.parametrize("along", [True, False], ids=["along", "across"])
def test_the_tilt_of_a_zoomed_picture_is_that_of_its_own_focal_length(along):
    places = seen(0.75 * WIDE * 4, 28.0, along, noise_px=0.1)
    points = PosedPoints(sheet_mm=ROW, places_px=places, width_px=WIDE, height_px=HIGH, focal_px=None)
    view, _, _ = fit_pose(points)
    way = camera_place_mm(view, None) - np.append(ROW.mean(axis=0), 0.0)
    tilt_deg = np.degrees(np.arctan2(np.hypot(way[0], way[1]), way[2]))
    # By the usual focal length it would be a quarter of its tangent: 7.6°.
    assert tilt_deg == pytest.approx(28.0, abs=3.0)


def test_a_focal_length_that_is_told_is_not_given_up_for_noise():
    places = seen(0.75 * WIDE, 5.0, along=True, noise_px=1.0)
    told = PosedPoints(sheet_mm=ROW, places_px=places, width_px=WIDE, height_px=HIGH, focal_px=0.75 * WIDE)
    ends = fit_pose(told)[0].px_per_mm(ROW[[0, -1]])
    # Along the tilt lengths shrink with the square of the depth, across it with the depth: areas' root with its power 1.5.
    near, far = 24 - 13.75 * np.sin(np.radians(5)), 24 + 13.75 * np.sin(np.radians(5))
    assert ends[0] / ends[1] == pytest.approx((far / near) ** 1.5, rel=0.04)

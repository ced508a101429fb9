"""Probed heights: planes, meshes and smooths, mistakes of the probe, and what a tip does not stand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.place.height.heights import TipTolerance, measured_heights, steepest
from pastewright.problems import InputError

settings.register_profile("place", deadline=None, max_examples=40)
settings.load_profile("place")

BOX = (100.0, 50.0, 150.0, 90.0)
TIP = TipTolerance(outer_mm=0.51, standoff_mm=0.13, clearance_mm=3.0)


def measured(points, **options):
    return measured_heights(
        [(float(x), float(y), float(z)) for x, y, z in points], box_mm=BOX, tip=TIP, **options
    )


def refusal(points):
    with pytest.raises(InputError) as caught:
        measured(points)
    return str(caught.value)


def tilted(x, y):
    return 1.6 + 0.004 * (x - 100) - 0.002 * (y - 50)


def bowed(x, y, bow=0.25):
    return tilted(x, y) + bow * (1 - ((x - 125) / 25) ** 2) * (1 - ((y - 70) / 20) ** 2)


def scattered(count, seed=1):
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(100, 150, count), rng.uniform(50, 90, count)])


def grid(nx, ny):
    return np.stack(np.meshgrid(np.linspace(100, 150, nx), np.linspace(50, 90, ny)), axis=-1).reshape(-1, 2)


def with_heights(places, height):
    return [(x, y, height(x, y)) for x, y in places]


CORNERS = [(101.0, 51.0), (149.0, 52.0), (148.0, 89.0), (102.0, 88.0)]


def test_three_points_fix_a_plane():
    heights = measured(with_heights(CORNERS[:3], tilted))
    assert heights.surface.heights_mm(np.array([[125.0, 70.0]])) == pytest.approx([1.66], abs=1e-12)
    assert heights.kind == "plane through 3 points"
    # By hand: √(0.004² + 0.002²) = 0.004472 is 0.2562°; across the board 0.004·50 + 0.002·40 = 0.28 mm.
    assert heights.tilt_deg == pytest.approx(0.25624, abs=1e-5)
    assert heights.rise_mm == pytest.approx(0.28)
    assert heights.uphill_deg == pytest.approx(-26.565, abs=1e-3)


def test_one_point_is_level_and_says_what_it_cannot_show():
    heights = measured([(120, 70, 1.7)])
    assert heights.surface.flat and heights.surface.z_mm == 1.7
    assert any("cannot show a tilt" in words for words in heights.warnings)


def test_a_full_grid_is_kept_as_it_was_probed():
    points = with_heights(grid(4, 3), bowed)
    heights = measured(points)
    assert heights.kind == "bilinear mesh of 4 × 3 points"
    places = np.array(points)
    assert heights.surface.heights_mm(places[:, :2]) == pytest.approx(places[:, 2], abs=1e-5)
    # Between nodes it is bilinear: the middle of four is their mean.
    z = places[:, 2].reshape(3, 4)
    between = heights.surface.heights_mm(np.array([[100 + 50 / 6, 60.0]]))
    assert between == pytest.approx([z[:2, :2].mean()], abs=1e-5)


def test_scattered_points_are_smoothed_close_to_the_truth():
    places = np.vstack([scattered(24), CORNERS])
    heights = measured(with_heights(places, bowed))
    assert heights.kind.startswith("thin-plate smooth through 28 points")
    inner = scattered(200, seed=2)
    inner = inner[(abs(inner[:, 0] - 125) < 20) & (abs(inner[:, 1] - 70) < 15)]
    true = bowed(inner[:, 0], inner[:, 1])
    off = heights.surface.heights_mm(inner) - true
    assert np.abs(off).max() < 0.03
    # A plane alone would be off by most of the bow.
    plane = measured(with_heights(CORNERS, bowed)).surface
    assert np.abs(plane.heights_mm(inner) - true).max() > 0.15


def test_smoothing_beats_the_noise_of_the_probe():
    rng = np.random.default_rng(5)
    places = np.vstack([scattered(40, seed=4), CORNERS])
    noisy = [(x, y, tilted(x, y) + rng.normal(0, 0.015)) for x, y in places]
    heights = measured(noisy)
    inner = scattered(300, seed=6)
    off = heights.surface.heights_mm(inner) - tilted(inner[:, 0], inner[:, 1])
    assert off.std() < 0.009


@given(
    st.floats(-0.01, 0.01),
    st.floats(-0.01, 0.01),
    st.floats(0.5, 3),
    st.integers(3, 5),
    st.integers(0, 10_000),
)
def test_planes_are_recovered_from_any_points(sx, sy, z, count, seed):
    places = np.vstack([CORNERS, scattered(1, seed)])[:count]
    heights = measured([(x, y, z + sx * x + sy * y) for x, y in places])
    at = scattered(5, seed + 1)
    assert heights.surface.heights_mm(at) == pytest.approx(z + at @ [sx, sy], abs=1e-9)
    assert heights.bow_mm == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("count", [6, 9, 20])
def test_a_mistake_of_the_probe_is_left_out_and_named(count):
    rng = np.random.default_rng(count)
    places = np.vstack([CORNERS, scattered(count - 4, seed=count)])
    points = [(x, y, tilted(x, y) + rng.normal(0, 0.002)) for x, y in places]
    x, y, z = points[4]
    heights = measured([*points[:4], (x, y, z + 0.8), *points[5:]])
    assert heights.rejected == (4,)
    assert any("probe point 5" in words for words in heights.warnings)
    at = scattered(50, seed=99)
    assert heights.surface.heights_mm(at) == pytest.approx(tilted(at[:, 0], at[:, 1]), abs=0.03)


def test_a_true_bow_is_not_taken_for_mistakes():
    assert measured(with_heights(grid(5, 5), bowed)).rejected == ()
    assert measured(with_heights(np.vstack([scattered(30), CORNERS]), bowed)).rejected == ()


def test_tilt_and_bow_are_those_of_the_board():
    heights = measured(with_heights(grid(5, 5), bowed))
    # By symmetry the bow leaves the slopes alone, and its middle is 0.25 above its edges.
    assert heights.tilt_deg == pytest.approx(0.25624, abs=1e-4)
    assert heights.bow_mm == pytest.approx(0.25, abs=1e-6)


def test_a_slope_that_the_tip_does_not_stand_is_refused():
    words = refusal([(x, y, 0.06 * x) for x, y in CORNERS])
    assert "slopes by 6.0%" in words and "5.0%" in words
    steep = measured([(x, y, 0.01 * x) for x, y in CORNERS]).surface
    assert steepest(steep, BOX) == pytest.approx(0.01)


def test_a_bow_beyond_the_limit_is_refused_and_a_large_one_told():
    told = measured(with_heights(grid(5, 5), lambda x, y: bowed(x, y, 0.6)))
    assert any("bowed by 0.60 mm" in words for words in told.warnings)
    assert "bowed by 1.40 mm" in refusal(with_heights(grid(7, 7), lambda x, y: bowed(x, y, 1.4)))


def test_heights_that_no_plane_explains_are_refused():
    twisted = [
        (x, y, z + dz)
        for (x, y, z), dz in zip(with_heights(CORNERS, tilted), (0.2, -0.2, 0.2, -0.2), strict=True)
    ]
    words = refusal(twisted)
    assert "off the plane through 4 points" in words and "0.065 mm" in words


def test_points_that_are_no_points_are_refused():
    assert "no probed points" in refusal([])
    assert "probe point 2 is no number" in refusal([(100, 50, 1), (120, 60, float("nan"))])
    assert "was probed 2 times, with heights from 1.000 to 1.300" in refusal(
        [(100, 50, 1.0), (100, 50.01, 1.3)]
    )


def test_repeated_points_are_averaged():
    heights = measured([*with_heights(CORNERS[:3], tilted), (*CORNERS[0], tilted(*CORNERS[0]) + 0.02)])
    assert heights.surface.heights_mm(np.array([CORNERS[0]])) == pytest.approx([tilted(*CORNERS[0]) + 0.01])
    assert any("probed 2 times: averaged" in words for words in heights.warnings)


def test_a_board_far_beyond_the_probed_points_is_told():
    middle = [(120.0, 65.0), (130.0, 66.0), (126.0, 75.0)]
    assert any(
        "beyond the probed points" in words for words in measured(with_heights(middle, tilted)).warnings
    )

"""The shape of dots and beads against geometry tables, integrals and their own inverses."""

from math import pi

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pytest import approx
from scipy.integrate import quad

from pastewright.deposit.shape import (
    bead_ends_ul,
    bead_path_mm,
    bead_section_mm2,
    bead_volume_ul,
    bead_width_mm,
    cap_volume_ul,
    dot_volume_ul,
    dot_width_mm,
)

ratios = st.floats(0.15, 0.9)

# Volumes of caps by height over diameter, mm³ (own worked table, four decimals).
CAP_TABLE = {
    0.25: [0.0029, 0.0068, 0.0133, 0.0230, 0.0545, 0.1064],
    0.35: [0.0043, 0.0102, 0.0200, 0.0345, 0.0819, 0.1599],
    0.50: [0.0071, 0.0168, 0.0327, 0.0565, 0.1340, 0.2618],
}


def test_a_hemisphere_has_the_volume_of_the_geometry_tables(check_value):
    case = check_value("cap-hemisphere")
    assert case.agrees(cap_volume_ul(2 * case.of("base_radius", "mm"), case.of("height", "mm"))), case.source


@pytest.mark.parametrize("name", ["cap-0p6-025", "cap-0p6-050"])
def test_dot_volumes_of_worked_cases(check_value, name):
    case = check_value(name)
    assert case.agrees_closely(dot_volume_ul(case.of("diameter", "mm"), case.of("height_ratio", "1")))


def test_dot_width_of_a_worked_case(check_value):
    case = check_value("cap-inverse")
    assert case.agrees_closely(dot_width_mm(case.of("volume", "mm3"), case.of("height_ratio", "1")))


def test_shape_ratio_of_an_adhesive_dot_from_practice(check_value):
    case = check_value("dot-ratio-adhesive")
    ratio = case.of("height", "mm") / case.of("diameter", "mm")
    assert case.agrees(ratio), case.source
    diameter_mm = case.of("diameter", "mm")
    assert dot_volume_ul(diameter_mm, ratio) == approx(cap_volume_ul(diameter_mm, case.of("height", "mm")))


@pytest.mark.parametrize("ratio", CAP_TABLE)
def test_dot_volumes_of_the_worked_table(ratio):
    volumes = [dot_volume_ul(d_mm, ratio) for d_mm in (0.3, 0.4, 0.5, 0.6, 0.8, 1.0)]
    assert volumes == approx(CAP_TABLE[ratio], abs=6e-5)


@given(st.floats(0.1, 3), ratios)
def test_a_dot_is_the_sum_of_its_slices(width_mm, ratio):
    height_mm = ratio * width_mm
    radius_mm = ((width_mm / 2) ** 2 + height_mm**2) / (2 * height_mm)
    direct, _ = quad(lambda z: pi * (radius_mm**2 - (radius_mm - height_mm + z) ** 2), 0, height_mm)
    assert dot_volume_ul(width_mm, ratio) == approx(direct, rel=1e-9)


@given(st.floats(1e-4, 10), ratios)
def test_dot_width_undoes_dot_volume(volume_ul, ratio):
    assert dot_volume_ul(dot_width_mm(volume_ul, ratio), ratio) == approx(volume_ul)


@given(st.floats(0.1, 2), ratios)
def test_section_and_ends_of_a_bead_are_those_of_half_an_ellipse(width_mm, ratio):
    half_mm, height_mm = width_mm / 2, ratio * width_mm

    def profile(x: float) -> float:
        return height_mm * max(0.0, 1 - (x / half_mm) ** 2) ** 0.5

    section, _ = quad(profile, -half_mm, half_mm)
    ends, _ = quad(lambda x: 2 * pi * x * profile(x), 0, half_mm)
    assert bead_section_mm2(width_mm, ratio) == approx(section, rel=1e-6)
    assert bead_ends_ul(width_mm, ratio) == approx(ends, rel=1e-6)


@given(st.floats(0.1, 2), st.floats(0, 20), ratios)
def test_bead_path_undoes_bead_volume(width_mm, path_mm, ratio):
    volume_ul = bead_volume_ul(width_mm, path_mm, ratio)
    assert bead_path_mm(volume_ul, width_mm, ratio) == approx(path_mm, abs=1e-9)


@given(st.floats(0.05, 2), st.floats(0.1, 30), ratios, st.integers(0, 13))
def test_bead_width_undoes_bead_volume_also_when_the_ends_eat_the_path(width_mm, path_mm, ratio, bends):
    # The path asked for is whatever leaves `path_mm` after `bends` widths; wider beads hold more up to a peak.
    asked_mm = path_mm + bends * width_mm
    assume(bends < 1 or width_mm < 0.999 * asked_mm * 0.5 / max(0.75 * bends - 0.5, 1e-9))
    volume_ul = bead_volume_ul(width_mm, path_mm, ratio)
    found_mm = bead_width_mm(volume_ul, ratio, path_mm=asked_mm, widths_in_path=bends)
    assert found_mm == approx(width_mm, rel=1e-6)


def test_a_bead_that_cannot_be_held_is_refused():
    # The fullest bead that ends within 1 mm is the half spheroid 1 mm wide: (π/6) · 0.4 = 0.2094 µL.
    with pytest.raises(ValueError, match="no bead"):
        bead_width_mm(0.2095, 0.4, path_mm=1.0, widths_in_path=1)
    assert bead_width_mm(0.2094, 0.4, path_mm=1.0, widths_in_path=1) == approx(1.0, abs=1e-3)

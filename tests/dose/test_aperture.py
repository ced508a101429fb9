"""Area ratio, aperture volume and transfer efficiency against published cases and closed forms."""

from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from pastewright.dose.aperture import (
    LEAST_AREA_RATIO,
    aperture_volume_ul,
    area_ratio,
    printed_volume_ul,
    transfer_efficiency,
    wall_area_mm2,
)
from pastewright.materials.model import metal_volume_fraction

CURVE = ((0.5, 0.65), (0.66, 0.85), (1.0, 0.98), (1.5, 1.0))


@pytest.mark.parametrize("name", ["ar-round-100um", "ar-round-125um", "ar-round-5mil", "ar-round-6mil"])
def test_round_apertures_have_the_published_area_ratios(check_value, name):
    case = check_value(name)
    d_mm = case.of("diameter", "mm")
    ratio = area_ratio(pi / 4 * d_mm**2, pi * d_mm, case.of("foil", "mm"))
    assert case.agrees(ratio), case.source
    assert case.agrees_closely(ratio)


def test_a_rectangular_aperture_has_the_area_ratio_of_the_trade_case(check_value):
    case = check_value("ar-rect-1x05")
    shape = box(0, 0, case.of("length", "mm"), case.of("width", "mm"))
    assert case.agrees(area_ratio(shape.area, shape.length, case.of("foil", "mm"))), case.source


def test_the_smallest_square_by_the_area_ratio_limit(check_value):
    case = check_value("ar-limit-100um")
    assert case.of("area_ratio", "1") == LEAST_AREA_RATIO
    side_mm = case.expected / 1000
    assert float(area_ratio(side_mm**2, 4 * side_mm, case.of("foil", "mm"))) == approx(LEAST_AREA_RATIO)


def test_aperture_volumes_of_published_cases(check_value):
    case = check_value("vol-rect-1x05")
    area_mm2 = case.of("length", "mm") * case.of("width", "mm")
    assert case.agrees(aperture_volume_ul(area_mm2, case.of("foil", "mm")), "uL"), case.source
    for name in ("usage-vol-in3", "usage-vol-cm3"):
        case = check_value(name)
        area_mm2 = case.of("length", "mm") * case.of("width", "mm")
        assert case.agrees(aperture_volume_ul(area_mm2, case.of("foil", "mm")), "uL"), case.source


def test_paste_mass_of_a_published_aperture(check_value):
    case = check_value("usage-mass")
    area_mm2 = case.of("length", "mm") * case.of("width", "mm")
    volume_ul = aperture_volume_ul(area_mm2, case.of("foil", "mm"))
    assert case.agrees(volume_ul * case.of("density", "g/cm3"), "mg"), case.source


def test_wall_area_of_a_published_case(check_value):
    case = check_value("wall-area-168mil")
    assert case.agrees(wall_area_mm2(case.of("perimeter", "mm"), case.of("foil", "mm")), "mm2"), case.source


def test_a_print_at_85_percent_transfer_leaves_what_the_trade_case_says(check_value):
    case = check_value("dep-rect-1x05")
    shape = box(0, 0, case.of("length", "mm"), case.of("width", "mm"))
    flat = ((0.1, case.of("transfer", "1")), (9.0, case.of("transfer", "1")))
    printed = printed_volume_ul(shape.area, shape.length, foil_mm=case.of("foil", "mm"), transfer=flat)
    assert case.agrees(printed, "uL"), case.source


def test_area_ratio_of_any_polygon_is_area_over_perimeter_and_foil():
    # Closed forms: an L of 3 × 3 less 2 × 2 has area 5 and perimeter 12; a ring's inner wall counts too.
    ell = Polygon([(0, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)])
    assert float(area_ratio(ell.area, ell.length, 0.1)) == approx(5 / (12 * 0.1))
    ring = Point(0, 0).buffer(1.0, quad_segs=256).difference(Point(0, 0).buffer(0.5, quad_segs=256))
    assert float(area_ratio(ring.area, ring.length, 0.1)) == approx((1 - 0.25) / (2 * 1.5 * 0.1), rel=1e-4)


@given(st.floats(0, 360), st.floats(0.2, 5), st.floats(0.2, 5), st.floats(0.05, 0.3))
def test_turning_an_aperture_keeps_its_area_ratio(turn_deg, length_mm, width_mm, foil_mm):
    shape = affinity.rotate(box(0, 0, length_mm, width_mm), turn_deg)
    wanted = length_mm * width_mm / (2 * foil_mm * (length_mm + width_mm))
    assert float(area_ratio(shape.area, shape.length, foil_mm)) == approx(wanted)


def test_transfer_is_linear_between_its_points_and_flat_outside():
    assert transfer_efficiency([0.1, 0.5, 0.58, 1.25, 1.5, 7.0], CURVE).tolist() == approx(
        [0.65, 0.65, 0.75, 0.99, 1.0, 1.0]
    )


def test_metal_fraction_ratio_of_print_and_dispensing_paste(check_value):
    case = check_value("comp-90-to-85")
    densities = {
        "metal_density_g_cm3": case.of("metal_density", "g/cm3"),
        "flux_density_g_cm3": case.of("flux_density", "g/cm3"),
    }
    phis = [
        metal_volume_fraction(case.of(f"mass_fraction_{w}", "1"), **densities) for w in ("print", "dispense")
    ]
    assert case.agrees(phis[0] / phis[1]), case.source


def test_arrays_go_in_and_come_out():
    ratio = area_ratio(np.array([1.0, 4.0]), np.array([4.0, 8.0]), 0.125)
    assert ratio.tolist() == [2.0, 4.0]

"""Paste-in-hole against the published fillet formulas, direct integration and worked cases."""

from math import pi, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx
from scipy.integrate import quad

from pastewright.dose.hole import (
    FILLET_CENTROID,
    Lead,
    fillet_area_mm2,
    fillet_volume_ul,
    hole_area_mm2,
    joint_solder_ul,
)


def test_fillet_area_and_centroid_are_the_published_ones(check_value):
    case = check_value("fillet-area")
    assert case.agrees(fillet_area_mm2(case.of("radius", "mm"))), case.source
    case = check_value("fillet-centroid")
    assert case.agrees(FILLET_CENTROID * case.of("radius", "mm")), case.source


def test_fillet_volume_of_the_worked_case(check_value):
    case = check_value("fillet-volume")
    volume_ul = fillet_volume_ul(case.of("radius", "mm"), lead_radius_mm=case.of("lead_radius", "mm"))
    # The case rounds the centroid to 0.2234 r.
    assert case.agrees(volume_ul, "uL"), case.source


@given(st.floats(0.05, 2), st.floats(0.05, 2))
def test_fillet_volume_is_the_integral_around_the_lead(radius_mm, lead_mm):
    # Height of a concave fillet at distance x from the lead: r − √(r² − (r − x)²), turned about the axis.
    def shell(x: float) -> float:
        return 2 * pi * (lead_mm + x) * (radius_mm - sqrt(max(0.0, radius_mm**2 - (radius_mm - x) ** 2)))

    direct, _ = quad(shell, 0, radius_mm)
    assert fillet_volume_ul(radius_mm, lead_radius_mm=lead_mm) == approx(direct, rel=1e-6)


def test_a_pin_joint_of_the_worked_case(check_value):
    case = check_value("pip-solder")
    lead = Lead(size_mm=case.of("pin_side", "mm"), square=True)
    solder_ul = joint_solder_ul(
        hole_area_mm2=hole_area_mm2(case.of("hole_diameter", "mm")),
        lead=lead,
        board_mm=case.of("board", "mm"),
        fillet_radius_mm=case.of("fillet_radius", "mm"),
    )
    # The case rounds the radius of the round pin of equal section to 0.36 mm (it is 0.3611).
    assert lead.radius_mm == approx(case.of("pin_equiv_radius", "mm"), abs=0.005)
    assert solder_ul == approx(case.computed, rel=5e-4), case.source
    paste = check_value("pip-paste")
    assert solder_ul / paste.of("volume_fraction", "1") == approx(paste.computed, rel=5e-4), paste.source


def test_a_slot_is_a_hole_and_the_path_of_its_drill():
    assert hole_area_mm2(1.0, slot_length_mm=2.0) == approx(pi / 4 + 2.0)


@pytest.mark.parametrize(("square", "across_mm"), [(True, 0.64 * sqrt(2)), (False, 0.64)])
def test_a_lead_must_pass_the_hole_at_its_widest(square, across_mm):
    assert Lead(size_mm=0.64, square=square).across_mm == approx(across_mm)

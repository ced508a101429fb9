"""Rules about powder, tips and apertures against the values printed for them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.materials.model import Paste, Powder
from pastewright.materials.rules import (
    TipFit,
    has_lead,
    smallest_aperture_mm,
    smallest_bore_mm,
    smallest_tip,
    tip_fit,
    tip_ratio,
)
from pastewright.materials.tables import find_alloy, find_powder, find_tip, powders, tips


def test_five_ball_rule_as_tabulated(check_value):
    case = check_value("five-ball")  # IPC-7525 by C. Lentz 2019, types 3 to 7
    assert case.agrees(
        [smallest_aperture_mm(find_powder(powder_type)) for powder_type in (3, 4, 5, 6, 7)], "mm"
    )


def test_smallest_bore_by_seven_and_by_ten_particles(check_value):
    assert check_value("tip-id-7x-t5").agrees(smallest_bore_mm(find_powder(5)), "mm")
    assert check_value("tip-id-10x-t4").agrees(smallest_bore_mm(find_powder(4), ratio=10), "mm")


def test_bore_over_particle_of_common_tips():
    # Worked by hand from the tip and powder tables, to the digit printed.
    worked = {18: (18.6, 22.1, 33.5), 22: (9.2, 10.9, 16.5), 25: (5.8, 6.8, 10.4), 27: (4.7, 5.5, 8.4)}
    for gauge, ratios in worked.items():
        for powder_type, ratio in zip((3, 4, 5), ratios, strict=True):
            assert round(tip_ratio(find_tip(gauge).bore_mm, find_powder(powder_type)), 1) == ratio


@pytest.mark.parametrize(
    ("bore_mm", "fit"),
    [(0.174, TipFit.CLOGS), (0.175, TipFit.TIGHT), (0.249, TipFit.TIGHT), (0.25, TipFit.SAFE)],
)
def test_type_5_powder_clogs_below_7_and_is_safe_from_10_particles(bore_mm, fit):
    assert tip_fit(bore_mm, find_powder(5)) is fit


def test_smallest_tip_passes_its_powder_and_the_next_narrower_does_not():
    for powder in powders():
        for ratio in (7.0, 10.0):
            size = smallest_tip(powder, ratio=ratio)
            assert size is not None
            narrowest_mm = min(size.bore_mm, size.disputed_bore_mm or size.bore_mm)
            assert narrowest_mm >= ratio * powder.upper_mm - 1e-9
            for other in tips():
                if other.bore_mm < size.bore_mm:
                    assert min(other.bore_mm, other.disputed_bore_mm or 1) < ratio * powder.upper_mm


def test_a_powder_too_coarse_for_every_tip_has_none():
    boulders = Powder(type=0, lower_um=300, upper_um=500, largest_um=600, source="made up", tag="made up")
    assert smallest_tip(boulders) is None


def test_lead_is_told_by_the_alloy():
    assert has_lead(find_alloy("Sn63Pb37"))
    assert not has_lead(find_alloy("SAC305"))


def paste_of(alloy: str, metal_mass_fraction: float) -> Paste:
    return Paste(
        name="",
        alloy=find_alloy(alloy),
        metal_mass_fraction=metal_mass_fraction,
        flux_density_g_cm3=1.0,
        powder=find_powder(4),
        yield_stress_kpa=0.15,
        consistency_kpa_sn=0.25,
        flow_index=0.4,
        bulk_modulus_kpa=1e6,
    )


@pytest.mark.parametrize("case", ["paste-density-sac305", "paste-density-85-sac305"])
def test_density_of_a_paste_made_of_the_tables(check_value, case):
    found = check_value(case)  # the alloy's density comes from our table: 7.38
    density = paste_of("SAC305", found.of("metal_mass_fraction", "1")).density_g_cm3
    assert found.agrees(density), found.source
    assert found.agrees_closely(density)


@given(st.sampled_from(["SAC305", "Sn63Pb37", "Sn42Bi58"]), st.floats(0.0, 1.0))
def test_metal_and_flux_together_are_the_paste(alloy, metal_mass_fraction):
    # The mass of metal in a volume of paste is the same told by mass share and by volume share.
    paste = paste_of(alloy, metal_mass_fraction)
    by_mass = metal_mass_fraction * paste.density_g_cm3
    by_volume = paste.metal_volume_fraction * paste.alloy.density_g_cm3
    assert by_volume == pytest.approx(by_mass, rel=1e-12, abs=1e-15)

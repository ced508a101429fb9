"""The shipped tables against the values published or recalled elsewhere, copied to tests/data/check-values.toml."""

import re
import tomllib
from importlib.resources import files

import pytest

from pastewright.materials.model import Wall, metal_volume_fraction
from pastewright.materials.tables import (
    alloys,
    barrels,
    find_alloy,
    find_barrel,
    find_powder,
    find_screw,
    find_tip,
    least_bores,
    nearest,
    powders,
    screws,
    tip_of,
    tips,
)
from pastewright.problems import InputError

TAGS = {"published", "common practice", "from memory"}


def test_every_row_of_every_table_has_a_source_and_a_known_tag():
    for name in ("alloys", "powders", "tips", "barrels", "screws"):
        document = tomllib.loads(
            files("pastewright.materials").joinpath("data", f"{name}.toml").read_text("utf-8")
        )
        for rows in document.values():
            assert rows
            for row in rows:
                assert row["source"], row
                assert row["tag"] in TAGS, row


def test_alloys_are_those_of_the_compilation(check_table):
    for row in check_table("alloys"):  # P. V. Bolotoff, 2010; bismuth rows from memory
        alloy = find_alloy(row["alloy"])
        assert alloy.density_g_cm3 == row["density_g_cm3"]
        assert (alloy.solidus_c, alloy.liquidus_c) == (row["solidus_C"], row["liquidus_C"])
        assert alloy.tag == row["tag"]


def test_no_alloy_melts_backwards_and_none_is_listed_twice():
    assert all(alloy.solidus_c <= alloy.liquidus_c for alloy in alloys())
    assert len({alloy.name for alloy in alloys()}) == len(alloys()) == 12


def test_densities_follow_from_the_elements():
    # Ideal mixture of the elements' densities (CRC Handbook: Sn 7.27, Pb 11.34, Bi 9.79, Ag 10.49, Cu 8.96 g/cm3)
    # is within 2 % for these alloys; a slip of a digit or a swapped row is not.
    elements = {"Sn": 7.27, "Pb": 11.34, "Bi": 9.79, "Ag": 10.49, "Cu": 8.96}
    for alloy in alloys():
        parts = {word: float(share) for word, share in re.findall(r"([A-Z][a-z]?)([\d.]+)", alloy.name)}
        assert sum(parts.values()) == pytest.approx(100, abs=0.01), alloy.name
        ideal = 1 / sum(share / 100 / elements[word] for word, share in parts.items())
        assert alloy.density_g_cm3 == pytest.approx(ideal, rel=0.02), alloy.name


def test_powder_types_are_those_of_the_standard(check_table):
    for row in check_table("powder_types"):  # J-STD-005A, see the tags there
        powder = find_powder(row["type"])
        assert (powder.lower_um, powder.upper_um, powder.largest_um) == (
            row["lower"],
            row["upper"],
            row["max_0p5_percent_above"],
        )


def test_powders_grow_finer_with_their_number():
    assert [powder.type for powder in powders()] == list(range(1, 9))
    for coarse, fine in zip(powders(), powders()[1:], strict=False):
        assert coarse.upper_um > fine.upper_um
        assert coarse.largest_um > fine.largest_um
        assert fine.lower_um < fine.upper_um < fine.largest_um


def test_tips_are_those_of_the_gauge_chart(check_table):
    rows = check_table("needle_regular_wall")  # chemical supplier's chart; 33 and 34 from memory
    assert [size.gauge for size in tips()] == [row["gauge"] for row in rows] == list(range(14, 35))
    for row in rows:
        size = find_tip(row["gauge"])
        assert (size.outer_mm, size.bore_mm) == (row["od"], row["id"])
        assert size.tag == row["tag"]
        assert (size.disputed_bore_mm is not None) == row["disputed"]


def test_bores_never_widen_with_the_gauge_and_fit_in_their_tubes():
    for wide, narrow in zip(tips(), tips()[1:], strict=False):
        assert wide.bore_mm >= narrow.bore_mm
        assert wide.outer_mm > narrow.outer_mm
    assert all(0 < size.bore_mm < size.outer_mm for size in (*tips(), *least_bores()))


def test_least_bores_are_those_quoted_from_iso_9626(check_table):
    found = {(size.gauge, size.wall): size.bore_mm for size in least_bores()}
    for row in check_table("iso9626_min_id"):  # ISO 9626:2016 by DOI 10.1208/s12249-021-01949-4
        for wall, column in (
            (Wall.REGULAR, "rw"),
            (Wall.THIN, "tw"),
            (Wall.EXTRA_THIN, "etw"),
            (Wall.ULTRA_THIN, "utw"),
        ):
            assert found[row["gauge"], wall] == row[column]


def test_no_regular_bore_is_below_what_iso_9626_allows():
    # The chart is of nominal bores made to +-0.019 mm at these sizes; the standard's are least ones.
    for least in least_bores():
        if least.wall is Wall.REGULAR:
            assert find_tip(least.gauge).bore_mm >= least.bore_mm


def test_thinner_walls_leave_wider_bores():
    order = list(Wall)
    for first in least_bores():
        for second in least_bores():
            if first.gauge == second.gauge and order.index(first.wall) < order.index(second.wall):
                assert first.bore_mm < second.bore_mm


def test_barrels_are_those_of_the_setting_lists(check_table):
    for row in check_table("syringe_barrels"):  # public pump-control programs
        assert find_barrel(f"{row['volume_mL']} mL").bore_mm == row["id"]


def test_plunger_travel_of_the_listed_barrels(check_value):
    case = check_value("travel-per-ml")
    listed = [size for size in barrels() if size.kind == "luer syringe" and size.capacity_ul < 60000]
    assert [size.bore_mm for size in listed] == list(case.of("barrel_diameter", "mm"))
    assert case.agrees_closely([1000 / size.area_mm2 for size in listed])


def test_screws_are_those_of_the_standards(check_table, check_value):
    for row in check_table("threads"):  # ISO 261, 724 and 2904
        screw = find_screw(row["name"])
        assert (screw.lead_mm, screw.pitch_diameter_mm) == (row["lead"], row["d2"])
        assert screw.half_angle_deg == (15.0 if row["name"].startswith("Tr") else 30.0)
    case = check_value("metric-d2")
    assert case.agrees([find_screw(name).pitch_diameter_mm for name in ("M3", "M4", "M5", "M6", "M8")])
    assert check_value("trap-d2-tr10x2").agrees(find_screw("Tr10x2").pitch_diameter_mm)


def test_steps_per_mm_of_common_leads(check_value):
    leads = [find_screw(name).lead_mm for name in ("Tr8x8", "Tr8x2", "M5")]
    assert check_value("steps-per-mm").agrees([200 * 16 / lead for lead in leads])


@pytest.mark.parametrize(
    "case",
    ["phi-sac305-90", "phi-sac305-90-exact", "phi-sac305-88", "phi-sac305-85", "phi-sn63-90"],
)
def test_metal_volume_fraction_of_published_pastes(check_value, case):
    found = check_value(case)
    fraction = metal_volume_fraction(
        found.of("metal_mass_fraction", "1"),
        metal_density_g_cm3=found.of("metal_density", "g/cm3"),
        flux_density_g_cm3=found.of("flux_density", "g/cm3"),
    )
    assert found.agrees(fraction), found.source
    assert found.agrees_closely(fraction)


def test_dispensing_paste_needs_a_quarter_more_volume_than_printing_paste(check_value):
    case = check_value("comp-90-to-85")
    print_fraction, own_fraction = (
        metal_volume_fraction(case.of(name, "1"), metal_density_g_cm3=7.38, flux_density_g_cm3=1.0)
        for name in ("mass_fraction_print", "mass_fraction_dispense")
    )
    assert case.agrees(print_fraction / own_fraction)


@pytest.mark.parametrize("name", ["sac305", "SAC 305", "Sn96.5Ag3Cu0.5", "sn96.5ag3.0cu0.5"])
def test_alloys_are_found_by_the_names_people_use(name):
    assert find_alloy(name).name == "Sn96.5Ag3.0Cu0.5"


def test_barrels_and_screws_are_found_with_and_without_blanks():
    assert find_barrel("3ml") == find_barrel("3 mL")
    assert find_screw("m5 x 0.8") == find_screw("M5")
    assert find_screw("T8x8") == find_screw("Tr8x8(P2)")


@pytest.mark.parametrize(
    ("look", "word", "meant"),
    [
        (find_alloy, "SAC306", "SAC305"),
        (find_alloy, "Sn42Bi57Agl", "Sn42Bi57Ag1"),
        (find_barrel, "cartrige 10 mL", "cartridge 10 mL"),
        (find_screw, "TR8x4", "Tr8x"),
    ],
)
def test_a_misspelt_name_is_answered_with_the_nearest(look, word, meant):
    with pytest.raises(InputError) as raised:
        look(word)
    (problem,) = raised.value.problems
    assert word in problem.what
    assert "Did you mean" in problem.mend
    assert meant in problem.mend


@pytest.mark.parametrize(
    ("look", "word"), [(find_tip, 13), (find_tip, 35), (find_powder, 0), (find_powder, 9)]
)
def test_a_number_outside_a_table_is_answered_with_the_range(look, word):
    with pytest.raises(InputError, match=str(word)):
        look(word)


def test_nearest_says_nothing_when_nothing_is_near():
    assert nearest("quark", ["letter", "unit"]) == ""
    assert nearest("LETER", ["letter", "unit"]) == "letter"


def test_a_tip_keeps_what_its_row_says():
    tip = tip_of(find_tip(27), length_mm=6.35)
    assert (tip.gauge, tip.bore_mm, tip.outer_mm, tip.length_mm) == (27, 0.21, 0.4128, 6.35)


def test_pitch_diameters_follow_from_the_formulas_of_the_standards():
    # ISO 724: d2 = d - 0.6495 P; ISO 2904: d2 = d - 0.5 P. Names carry d, and the pitch of trapezoidal screws.
    pitches = {"Tr8x1.5": 1.5, "Tr8x2": 2.0, "Tr8x8": 2.0, "Tr10x2": 2.0}
    assert len(screws()) == 10
    for screw in screws():
        major_mm = float(screw.name.lstrip("MTr").split("x")[0])
        part = 0.5 if screw.name in pitches else 0.6495
        pitch_mm = pitches.get(screw.name, screw.lead_mm)
        assert screw.pitch_diameter_mm == pytest.approx(major_mm - part * pitch_mm, abs=0.001)

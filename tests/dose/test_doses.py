"""Doses of whole boards: published land patterns, paste-in-hole, and what must always hold."""

import random

import pytest
from boards_by_hand import board, disc, dose_settings, hole, pad, paste, rectangle, rule
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.model import PadKind, PasteOrigin
from pastewright.dose.doses import dose_board

# Pads (open footprint library, IPC-7351 nominal density) and the volume to dispense for a 0.10 mm foil at full
# transfer, SAC305 from 90 to 85 wt%: own worked table, mm³ with four decimals.
LAND_PATTERNS = [
    ("R0201", 0.46, 0.40, 0.0184, 0.0233),
    ("R0402", 0.54, 0.64, 0.0346, 0.0437),
    ("R0603", 0.80, 0.95, 0.0760, 0.0961),
    ("R0805", 1.025, 1.40, 0.1435, 0.1815),
    ("SOIC-8", 1.95, 0.60, 0.1170, 0.1480),
    ("QFN-32", 0.875, 0.25, 0.0219, 0.0277),
    ("TQFP-100", 1.475, 0.30, 0.0443, 0.0560),
]
CURVE = ((0.5, 0.65), (0.6, 0.78), (0.66, 0.85), (0.8, 0.93), (1.0, 0.98), (1.5, 1.0))


def one_dose(one, settings=None, *, metal=0.85, origin=PasteOrigin.PASTE_LAYER):
    return dose_board(board([one], origin=origin), settings or dose_settings(), paste(metal)).doses[0]


@pytest.mark.parametrize(("part", "width_mm", "height_mm", "stencil_ul", "dispensed_ul"), LAND_PATTERNS)
def test_published_land_patterns_get_their_dispensed_volume(
    part, width_mm, height_mm, stencil_ul, dispensed_ul
):
    dose = one_dose(pad(part, rectangle(0, 0, width_mm, height_mm)), dose_settings(foil_mm=0.10))
    assert dose.target_ul == approx(dispensed_ul, abs=6e-5)
    # The solder is that of the print: φ of 90 wt% SAC305 is 0.5488 (7.40 g/cm³) or 0.5495 (7.38).
    assert dose.solder_ul / stencil_ul == approx(0.549, abs=3e-3)


def test_the_reason_tells_the_numbers():
    dose = one_dose(pad("R1-1", rectangle(0, 0, 1.0, 0.5)), dose_settings(transfer=CURVE))
    # Trade case: 1.0 × 0.5 mm aperture in 0.12 mm foil has area ratio 1.39.
    assert dose.reason == (
        "paste layer 0.500 mm² × 0.12 mm foil × 1.00 (area ratio 1.39), ×1.27 for 85 wt% metal"
    )


def test_window_panes_are_summed_each_with_its_own_transfer():
    panes = [rectangle(x, y, 0.83, 0.83) for x in (-1.03, 0, 1.03) for y in (-1.03, 0, 1.03)]
    land = rectangle(0, 0, 3.1, 3.1)
    thermal = pad("U1-EP", land, apertures=panes, kind=PadKind.THERMAL)
    dose = one_dose(thermal, dose_settings(foil_mm=0.1))
    assert dose.target_ul == approx(9 * 0.83**2 * 0.1 * 1.265029, rel=1e-5)
    assert "9 openings" in dose.reason
    small = one_dose(thermal, dose_settings(foil_mm=0.5, transfer=CURVE))
    # Area ratio of one pane, not of the land: 0.83 / (4 · 0.5) = 0.415, below the curve: 65 %.
    assert small.target_ul == approx(9 * 0.83**2 * 0.5 * 0.65 * 1.265029, rel=1e-5)


@pytest.mark.parametrize("name", ["ep-cover-345", "ep-cover-310"])
def test_library_windows_cover_what_the_library_says(check_value, name):
    case = check_value(name)
    window_mm, side_mm = case.of("window_side", "mm"), case.of("pad_side", "mm")
    panes = [rectangle(x * 1.15, y * 1.15, window_mm, window_mm) for x in (-1, 0, 1) for y in (-1, 0, 1)]
    land = rectangle(0, 0, side_mm, side_mm)
    windows = one_dose(pad("U1-EP", land, apertures=panes, kind=PadKind.THERMAL))
    full = one_dose(pad("U1-1", land))
    assert case.agrees(windows.target_ul / full.target_ul), case.source


def test_a_thermal_land_under_one_full_opening_is_dosed_by_coverage():
    land = rectangle(0, 0, 3, 3)
    dose = one_dose(pad("U1-EP", land, kind=PadKind.THERMAL))
    assert dose.target_ul == approx(0.6 * 9 * 0.12 * 1.265029, rel=1e-5)
    assert "60 %" in dose.reason


def test_a_single_opening_that_was_made_smaller_on_purpose_is_followed():
    land, opening = rectangle(0, 0, 3, 3), rectangle(0, 0, 2.4, 2.4)
    dose = one_dose(pad("U1-EP", land, apertures=[opening], kind=PadKind.THERMAL))
    assert dose.target_ul == approx(2.4**2 * 0.12 * 1.265029, rel=1e-5)


def test_exposed_copper_counts_by_its_shrunk_apertures_and_says_so():
    land, opening = rectangle(0, 0, 1, 1), rectangle(0, 0, 0.9, 0.9)
    dose = one_dose(pad("R1-1", land, apertures=[opening]), origin=PasteOrigin.EXPOSED_COPPER)
    assert dose.target_ul == approx(0.81 * 0.12 * 1.265029, rel=1e-5)
    assert dose.reason.startswith("exposed copper 0.810 mm²")


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (PadKind.FIDUCIAL, "fiducial"),
        (PadKind.TEST_POINT, "test point"),
        (PadKind.THROUGH_HOLE, "paste-in-hole is off"),
    ],
)
def test_pads_that_are_not_to_be_pasted_get_none_and_say_why(kind, words):
    dose = one_dose(pad("X1-1", rectangle(0, 0, 1, 1), kind=kind, hole=hole(0, 0, 1.0)))
    assert (dose.target_ul, dose.solder_ul) == (0, 0)
    assert words in dose.reason


def test_bare_copper_is_never_pasted_unasked():
    dose = one_dose(pad("U1-EP", rectangle(0, 0, 3, 3), apertures=(), kind=PadKind.THERMAL))
    assert dose.target_ul == 0
    assert dose.warnings


def test_a_stand_in_without_metal_is_laid_volume_for_volume():
    dose = one_dose(pad("R1-1", rectangle(0, 0, 1, 0.5)), metal=0.0)
    assert dose.target_ul == approx(0.06)
    assert dose.solder_ul == 0
    assert "stand-in" in dose.reason


def test_a_poor_area_ratio_is_warned_of():
    dose = one_dose(pad("U1-1", disc(0, 0, 0.25)), dose_settings(transfer=CURVE))
    assert "0.66" in dose.warnings[0]
    assert not one_dose(pad("U1-1", disc(0, 0, 0.40)), dose_settings(transfer=CURVE)).warnings


def joint(*, drill_mm=1.0, land_mm=1.7, slot_to=None, opened=True):
    return pad(
        "J1-1",
        disc(0, 0, land_mm),
        apertures=[disc(0, 0, land_mm)] if opened else (),
        kind=PadKind.THROUGH_HOLE,
        hole=hole(0, 0, drill_mm, slot_to=slot_to),
    )


def test_a_joint_is_filled_from_the_side_whose_paste_layer_opens_over_it_and_from_no_other():
    on = dose_settings(paste_in_hole=True)
    assert one_dose(joint(), on).target_ul > 0
    closed = one_dose(joint(opened=False), on)
    assert closed.target_ul == 0
    assert "without an opening" in closed.reason
    assert not closed.warnings
    asked = dose_settings(paste_in_hole=False, rules=[rule(kind="through-hole", scale=1)])
    assert one_dose(joint(opened=False), asked).target_ul == approx(one_dose(joint(), on).target_ul)


def test_paste_in_hole_of_the_worked_case(check_value):
    dose = one_dose(joint(), dose_settings(paste_in_hole=True))
    case = check_value("pip-solder")
    assert dose.solder_ul == approx(case.computed, rel=5e-4), case.source
    assert dose.target_ul == approx(dose.solder_ul / check_value("phi-sac305-85").computed)


def test_a_slot_takes_the_more_paste_and_doubts_its_lead():
    settings = dose_settings(paste_in_hole=True)
    dose = one_dose(joint(slot_to=(1.0, 0.0), land_mm=2.7), settings)
    assert dose.solder_ul == approx(one_dose(joint(land_mm=2.7), settings).solder_ul + 1.0 * 1.0 * 1.6)
    assert "slot" in dose.warnings[0]


def test_a_hole_too_small_for_the_lead_gets_what_a_print_would_deliver_and_says_so():
    # The paste layer opens over it, so it is to be pasted; what its joint takes is not known.
    settings = dose_settings(paste_in_hole=True)
    dose = one_dose(joint(drill_mm=0.3, land_mm=0.6), settings)
    plain = one_dose(pad("J1-1", disc(0, 0, 0.6)), settings)
    assert dose.target_ul == approx(plain.target_ul) and dose.solder_ul == approx(plain.solder_ul)
    assert dose.target_ul > 0
    assert "0.91 mm across" in dose.warnings[-1] and "what a print would deliver" in dose.warnings[-1]
    assert "lead not entering the hole" in dose.reason


def test_a_hole_too_small_for_the_lead_without_an_opening_gets_nothing():
    asked = dose_settings(rules=[rule(kind="through-hole", scale=1)])
    dose = one_dose(joint(drill_mm=0.3, land_mm=0.6, opened=False), asked)
    assert dose.target_ul == 0 and "does not enter" in dose.warnings[0]


def test_a_square_lead_must_pass_by_its_diagonal():
    # 0.64 mm square is 0.905 mm across: 0.8 mm would pass a round lead only.
    settings = dose_settings(paste_in_hole=True)
    assert "does not enter" in str(one_dose(joint(drill_mm=0.8), settings).warnings)
    assert "does not enter" not in str(one_dose(joint(drill_mm=0.91), settings).warnings)


def test_a_fillet_is_no_wider_than_its_land():
    narrow = one_dose(joint(land_mm=1.1), dose_settings(paste_in_hole=True))
    wide = one_dose(joint(land_mm=1.7), dose_settings(paste_in_hole=True))
    assert 0 < narrow.solder_ul < wide.solder_ul
    assert "fillets of 0.19 mm" in narrow.reason  # 0.55 mm land radius less 0.361 mm of the lead


def test_scaling_a_joint_scales_its_solder():
    settings = dose_settings(paste_in_hole=True, rules=[rule(kind="through-hole", scale=0.5)])
    plain = one_dose(joint(), dose_settings(paste_in_hole=True))
    halved = one_dose(joint(), settings)
    assert halved.solder_ul == approx(plain.solder_ul / 2)
    assert halved.target_ul == approx(plain.target_ul / 2)


def test_a_board_without_pads_has_no_doses():
    assert dose_board(board([]), dose_settings(), paste()).doses == ()


sides = st.floats(0.2, 4.0)
lands = st.lists(st.tuples(sides, sides), min_size=1, max_size=12)


def pads_of(sizes):
    return [pad(f"U{k}-1", rectangle(5 * k, 0, w, h)) for k, (w, h) in enumerate(sizes)]


@given(lands, st.floats(0.06, 0.2), st.floats(1.01, 1.5))
def test_a_thicker_foil_never_means_less_paste_at_full_transfer(sizes, foil_mm, more):
    thin, thick = (
        dose_board(board(pads_of(sizes)), dose_settings(foil_mm=foil), paste()).doses
        for foil in (foil_mm, foil_mm * more)
    )
    assert all(b.target_ul >= a.target_ul for a, b in zip(thin, thick, strict=True))


@given(lands, st.randoms(use_true_random=False))
def test_the_order_of_pads_does_not_change_any_dose(sizes, chance: random.Random):
    pads = pads_of(sizes)
    shuffled = pads.copy()
    chance.shuffle(shuffled)
    settings = dose_settings(transfer=CURVE)
    straight = {dose.pad_id: dose for dose in dose_board(board(pads), settings, paste()).doses}
    mixed = dose_board(board(shuffled), settings, paste()).doses
    assert [dose.pad_id for dose in mixed] == [one.id for one in shuffled]
    assert {dose.pad_id: dose for dose in mixed} == straight


@given(lands, st.floats(0.75, 0.92))
def test_any_metal_load_brings_the_same_solder(sizes, metal):
    one, other = (
        dose_board(board(pads_of(sizes)), dose_settings(), paste(load)).doses for load in (metal, 0.90)
    )
    assert [dose.solder_ul for dose in one] == approx([dose.solder_ul for dose in other])

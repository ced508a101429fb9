"""Dose rules: which one decides, and what is said of one that never does."""

from boards_by_hand import board, dose_settings, pad, paste, rectangle, rule
from pytest import approx

from pastewright.board.model import PadKind
from pastewright.dose.doses import dose_board
from pastewright.job.model import Job, Zone

LAND = rectangle(0, 0, 1, 1)


def doses(pads, *rules, **settings):
    return dose_board(board(pads), dose_settings(rules=rules, **settings), paste())


def test_the_first_matching_rule_decides_alone():
    pads = [pad("U1-1", LAND), pad("U2-1", LAND), pad("R1-1", LAND)]
    found = doses(pads, rule(ref="U2", volume_ul=0.5), rule(ref="U*", scale=0.5), rule(scale=2.0))
    plain = doses(pads).doses
    assert found.doses[0].target_ul == approx(0.5 * plain[0].target_ul)
    assert found.doses[1].target_ul == 0.5
    assert found.doses[2].target_ul == approx(2 * plain[2].target_ul)
    assert found.warnings == ()


def test_a_rule_that_matches_nothing_is_told_with_its_line():
    found = doses([pad("U1-1", LAND)], rule(line=41, ref="u*", skip=True))
    assert len(found.warnings) == 1
    assert "line 41" in found.warnings[0]
    assert "matches no pad" in found.warnings[0]
    assert found.doses[0].target_ul > 0


def test_a_rule_hidden_by_an_earlier_one_is_told_with_its_line():
    found = doses([pad("U1-1", LAND)], rule(line=3, ref="U*", scale=0.9), rule(line=9, pin="1", scale=0.5))
    assert len(found.warnings) == 1
    assert "line 9" in found.warnings[0]
    assert "earlier rules" in found.warnings[0]


def test_every_criterion_must_match():
    pads = [pad("U1-1", LAND), pad("U1-2", LAND), pad("U1-3", rectangle(0, 0, 3, 3))]
    found = doses(pads, rule(ref="U1", pin="[23]", area_to_mm2=2.0, kind="surface", skip=True))
    assert [dose.target_ul > 0 for dose in found.doses] == [True, False, True]
    assert "line 7" in found.doses[1].reason


def test_areas_are_those_of_the_land_with_both_ends_in():
    found = doses([pad("U1-1", LAND)], rule(area_from_mm2=1.0, area_to_mm2=1.0, skip=True))
    assert found.doses[0].target_ul == 0


def test_a_pad_without_a_name_is_met_by_no_name_pattern():
    nameless = pad("P0001", LAND)
    assert nameless.ref == ""
    assert doses([nameless], rule(ref="*", skip=True)).doses[0].target_ul > 0


def test_a_rule_pastes_fiducials_and_test_points_only_when_it_names_their_kind():
    pads = [
        pad("FID1", LAND, apertures=(), kind=PadKind.FIDUCIAL),
        pad("TP1-1", LAND, apertures=(), kind=PadKind.TEST_POINT),
        pad("J1-1", LAND, apertures=(), kind=PadKind.THROUGH_HOLE),
        pad("U1-1", LAND),
    ]
    found = doses(pads, rule(volume_ul=0.3))
    assert [dose.target_ul for dose in found.doses] == [0, 0, 0, 0.3]
    named = doses(pads, rule(kind="test-point", volume_ul=0.2))
    assert [dose.target_ul > 0 for dose in named.doses] == [False, True, False, True]


def test_coverage_doses_the_land_even_without_an_opening():
    bare = pad("U1-9", rectangle(0, 0, 3, 2), apertures=(), kind=PadKind.THERMAL)
    found = doses([bare], rule(coverage=0.5), foil_mm=0.1).doses[0]
    # By hand: half of 6 mm² × 0.1 mm, × 1.265 from 90 to 85 wt% (own calculation, `comp-90-to-85`).
    assert found.target_ul == approx(0.3 * 1.265029, rel=1e-5)
    assert "50 %" in found.reason


def test_a_volume_is_of_paste_and_its_solder_follows(check_value):
    found = doses([pad("U1-1", LAND)], rule(volume_ul=0.25, note="tall part")).doses[0]
    assert found.solder_ul == approx(0.25 * check_value("phi-sac305-85").computed)
    assert "tall part" in found.reason


def test_a_rule_that_keeps_bare_what_is_bare_anyway_has_its_way():
    pads = [pad("U1-1", LAND), pad("TP1-1", LAND, kind=PadKind.TEST_POINT)]
    assert doses(pads, rule(ref="TP*", skip=True)).warnings == ()
    found = doses(pads, rule(line=9, ref="TP*", scale=2.0))
    assert len(found.warnings) == 1
    assert "line 9" in found.warnings[0]
    assert 'kind = "test-point"' in found.warnings[0]
    assert doses(pads, rule(ref="TP*", kind="test-point", coverage=0.5)).doses[1].target_ul > 0


def test_a_rule_for_one_pad_acts_on_what_the_general_rules_gave():
    two = board([pad("R1-1", rectangle(0, 0, 1, 1)), pad("R2-1", rectangle(3, 0, 1, 1))])
    plain = dose_board(two, dose_settings(), paste()).doses
    job = Job(
        file="job.toml",
        sha256="",
        rules=(rule(line=1, ref="R*", scale=0.5),),
        pads=(rule(line=4, pad_id="R1-1", scale=0.8, file="job.toml"),),
    )
    one, other = dose_board(two, dose_settings(), paste(), job=job).doses
    assert one.target_ul == approx(0.4 * plain[0].target_ul)
    assert one.solder_ul == approx(0.4 * plain[0].solder_ul)
    assert other.target_ul == approx(0.5 * plain[1].target_ul)
    assert one.reason.endswith("by dose rule of job.toml line 4 (pad R1-1)")


def test_zones_and_parts_that_are_not_fitted_leave_pads_bare():
    two = board([pad("R1-1", rectangle(0, 0, 1, 1)), pad("R2-1", rectangle(3, 0, 1, 1))])
    zone = Zone(name="post", x_from_mm=-1, x_to_mm=1, y_from_mm=-1, y_to_mm=1, height_mm=None, margin_mm=1)
    # The zone beats even a volume asked for by the pad's own rule: the tip cannot go there.
    job = Job(
        file="job.toml", sha256="", not_fitted=("R2",), zones=(zone,), pads=(rule(pad_id="R1-1", volume_ul=1.0),)
    )  # fmt: skip
    doses = dose_board(two, dose_settings(), paste(), job=job)
    assert [dose.target_ul for dose in doses.doses] == [0, 0]
    assert [words for words in doses.warnings if "post" in words]

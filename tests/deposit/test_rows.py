"""One bead across a fine-pitch row: when, where, how much, and when not."""

import pytest
from boards_by_hand import board, deposit_settings, pad, paste, rectangle, tip, tuning
from pytest import approx
from shapely import affinity
from shapely.geometry import LineString, Polygon

from pastewright.board.model import Pad
from pastewright.deposit.lay import lay
from pastewright.deposit.model import DepositKind
from pastewright.deposit.shape import bead_volume_ul
from pastewright.dose.model import Dose
from pastewright.records.kinds import Form

# TQFP-100, 14 × 14 mm, 0.5 mm pitch: lands 0.30 × 1.475 mm, 0.0560 µL to dispense (own worked table, from an open
# footprint library at IPC-7351 nominal density).
PITCH, LEAD_W, LEAD_L, LEAD_UL = 0.5, 0.30, 1.475, 0.0560


def leads(count=25, *, pitch=PITCH, ref="U1", nets=True) -> list[Pad]:
    return [
        pad(f"{ref}-{k + 1}", rectangle(k * pitch, 0, LEAD_W, LEAD_L), net=f"{ref}N{k}" if nets else "")
        for k in range(count)
    ]


def laid(pads, *, volume_ul=LEAD_UL, volumes=None, gauge=25, **settings):
    volumes = volumes or {}
    doses = [
        Dose(pad_id=one.id, target_ul=volumes.get(one.id, volume_ul), solder_ul=0.02, reason="by hand")
        for one in pads
    ]
    return lay(
        board(pads),
        doses,
        tip=tip(gauge),
        paste=paste(),
        tuning=tuning(),
        settings=deposit_settings(**settings),
    )


def test_a_fine_pitch_row_gets_one_bead_with_a_share_for_each_pad():
    layout = laid(leads())
    (bead,) = layout.deposits
    assert bead.kind is DepositKind.BEAD
    assert len(bead.shares) == 25
    assert bead.volume_ul == approx(0.85 * 25 * LEAD_UL)
    assert {plan.form for plan in layout.pads} == {Form.ROW_BEAD}
    assert all(plan.planned_ul == approx(0.85 * LEAD_UL) for plan in layout.pads)
    assert all("0.50 mm pitch" in plan.reason and "85 %" in plan.reason for plan in layout.pads)
    assert not any(plan.warnings for plan in layout.pads)


def test_the_bead_runs_from_middle_to_middle_as_far_as_deposits_may_overhang():
    """And where it may not, so far that it overhangs the outer edges by no more."""
    (bead,) = laid(leads()).deposits
    covered = LineString(bead.points_mm).buffer(bead.width_mm / 2)
    low_x, low_y, high_x, high_y = covered.bounds
    overhang = deposit_settings().overhang_mm
    assert (low_x, high_x) == approx((-LEAD_W / 2 - overhang, 24 * PITCH + LEAD_W / 2 + overhang), abs=1e-3)
    assert high_y - low_y <= LEAD_L
    path_mm = LineString(bead.points_mm).length
    assert bead.volume_ul == approx(bead_volume_ul(bead.width_mm, path_mm, 0.4))
    assert bead.row_mm == approx(25 * PITCH)
    (free,) = laid(leads(), overhang_mm=0.2).deposits
    assert (free.points_mm[0][0], free.points_mm[-1][0]) == approx((0.0, 24 * PITCH))


def test_beside_a_foreign_pad_the_bead_keeps_within_the_outer_edges():
    guard = pad("C7-1", rectangle(1.90, 0, 0.15, 0.3), net="VCC")
    bead = laid([*leads(4), guard], volumes={"C7-1": 0.0}).deposits[0]
    assert bead.points_mm[-1][0] + bead.width_mm / 2 == approx(3 * PITCH + LEAD_W / 2)


def test_a_wide_pitch_keeps_single_deposits():
    layout = laid(leads(8, pitch=1.27))
    assert len(layout.deposits) == 8
    assert not any(plan.form == Form.ROW_BEAD for plan in layout.pads)


def test_pads_of_one_net_may_run_together_and_stay_single():
    same = [pad(one.id, one.land, net="GND") for one in leads()]
    assert len(laid(same).deposits) == 25


def test_unknown_nets_count_as_different():
    assert len(laid(leads(nets=False)).deposits) == 1


def test_a_tip_too_wide_for_one_pad_may_still_lay_the_row():
    # 23G lays no bead narrower than 0.40 mm: the land and its overhang allow 0.35 mm.
    qfn = [pad(f"U2-{k}", rectangle(0.65 * k, 0, 0.25, 0.875), net=f"N{k}") for k in range(8)]
    layout = laid(qfn, volume_ul=0.036, gauge=23)
    assert len(layout.deposits) == 1
    assert "cannot lay them pad by pad" in layout.pads[0].reason
    assert layout.warnings == ()


def test_a_row_ends_where_the_pitch_the_component_or_the_dose_changes():
    gap = [*leads(6), *(pad(f"U1-{20 + k}", rectangle(6 + k * PITCH, 0, LEAD_W, LEAD_L)) for k in range(5))]
    assert [len(d.shares) for d in laid(gap).deposits] == [6, 5]
    other = [*leads(4), *(pad(f"U9-{k}", rectangle((4 + k) * PITCH, 0, LEAD_W, LEAD_L)) for k in range(4))]
    rows = laid(other).deposits
    assert [len(d.shares) for d in rows] == [4, 4]
    volumes = {f"U1-{k}": 1.2 * LEAD_UL for k in (5, 6, 7, 8)}
    assert [len(d.shares) for d in laid(leads(8), volumes=volumes, trim_to=0.3).deposits] == [4, 4]


def test_a_pad_without_dose_breaks_the_row():
    layout = laid(leads(9), volumes={"U1-5": 0.0})
    assert [len(d.shares) for d in layout.deposits] == [4, 4]
    assert layout.pads[4].form == Form.NONE


def test_two_pads_are_no_row():
    layout = laid(leads(2))
    assert len(layout.deposits) == 2
    assert not any(plan.form is Form.ROW_BEAD for plan in layout.pads)


def test_shares_follow_the_doses():
    volumes = {f"U1-{k + 1}": LEAD_UL * (1 + 0.004 * k) for k in range(10)}
    (bead,) = laid(leads(10), volumes=volumes).deposits
    shares = {share.pad_id: share.volume_ul for share in bead.shares}
    assert shares["U1-10"] / shares["U1-1"] == approx(1.036)
    assert sum(shares.values()) == bead.volume_ul


def test_a_foreign_pad_in_the_way_refuses_the_row_and_says_how_near():
    # The bead would end at 1.65 mm; 0.1 mm gap and 0.05 mm placement error must remain to the land at 1.77 mm.
    guard = pad("C7-1", rectangle(1.845, 0, 0.15, 0.3), net="VCC")
    layout = laid([*leads(4), guard], volumes={"C7-1": 0.0})
    assert not any(plan.form == Form.ROW_BEAD for plan in layout.pads)
    for plan in layout.pads[:4]:
        assert any(
            "no bead across the row of 4 pads" in words and "0.12 mm" in words for words in plan.warnings
        )
    apart = pad("C7-1", rectangle(1.90, 0, 0.15, 0.3), net="VCC")
    assert laid([*leads(4), apart], volumes={"C7-1": 0.0}).pads[0].form == Form.ROW_BEAD


@pytest.mark.parametrize("turn_deg", [0, 30, 90, 137.5, 180, 270.25])
def test_turning_the_row_turns_its_bead(turn_deg):
    turned = [
        pad(one.id, affinity.rotate(one.land, turn_deg, origin=(3, -2)), net=one.net) for one in leads(12)
    ]
    (plain,), (bead,) = laid(leads(12)).deposits, laid(turned).deposits
    wanted = affinity.rotate(LineString(plain.points_mm), turn_deg, origin=(3, -2))
    assert LineString(bead.points_mm).hausdorff_distance(wanted) < 1e-4
    assert bead.volume_ul == approx(plain.volume_ul)


def test_pads_turned_a_hair_to_either_side_are_still_one_row():
    # A hundredth of a degree, so that directions lie just above 0 and just below 180 degrees.
    upright = [pad(f"U1-{k}", rectangle(0, k * PITCH, LEAD_L, LEAD_W), net=f"N{k}") for k in range(9)]
    wobbly = [
        pad(one.id, affinity.rotate(one.land, 0.01 if k % 2 else -0.01), net=one.net)
        for k, one in enumerate(upright)
    ]
    assert [len(d.shares) for d in laid(wobbly).deposits] == [9]


def test_four_sides_of_a_package_make_four_beads_that_keep_clear_of_each_other():
    side = [affinity.translate(one.land, -6, -7.6625) for one in leads()]
    pads = [
        pad(f"U1-{25 * turn + k + 1}", affinity.rotate(land, 90 * turn, origin=(0, 0)), net=f"N{turn}-{k}")
        for turn in range(4)
        for k, land in enumerate(side)
    ]
    layout = laid(pads)
    assert [len(d.shares) for d in layout.deposits] == [25, 25, 25, 25]
    assert not any(plan.warnings for plan in layout.pads)


def test_round_balls_are_never_joined():
    balls = [pad(f"U1-A{k}", Polygon(rectangle(0.4 * k, 0, 0.3, 0.3).exterior)) for k in range(8)]
    layout = laid(balls, volume_ul=0.012)
    assert len(layout.deposits) == 8
    assert any("may bridge" in words for words in layout.pads[3].warnings)

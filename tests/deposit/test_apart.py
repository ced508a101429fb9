"""Pads whose pastes would meet: mended in the order given, and told with what would mend them where that fails."""

import numpy as np
import pytest
from boards_by_hand import board, deposit_settings, disc, pad, paste, rectangle, tip, tuning
from pytest import approx

from pastewright.deposit.lay import lay
from pastewright.deposit.shape import dot_volume_ul
from pastewright.dose.model import Dose
from pastewright.records.kinds import Form

ERROR_MM = 0.05


def laid(pads, volumes, *, gauge=25, **settings):
    doses = [
        Dose(pad_id=one.id, target_ul=volume, solder_ul=volume / 2, reason="by hand")
        for one, volume in zip(pads, volumes, strict=True)
    ]
    return lay(
        board(pads), doses, tip=tip(gauge), paste=paste(), tuning=tuning(),
        settings=deposit_settings(placement_error_mm=ERROR_MM, **settings),
    )  # fmt: skip


def gaps(layout):
    """What is left between the dots of two pads, worked out here."""
    one, other = ([layout.deposits[k] for k in plan.deposits] for plan in layout.pads)
    return min(
        float(np.hypot(*np.subtract(a.points_mm[0], b.points_mm[0])))
        - (a.width_mm + b.width_mm) / 2
        - ERROR_MM
        for a in one
        for b in other
    )


def two(pitch_mm, wide_mm, high_mm, nets=("A", "B")):
    return [
        pad("R1-1", rectangle(0, 0, wide_mm, high_mm), net=nets[0]),
        pad("R2-1", rectangle(pitch_mm, 0, wide_mm, high_mm), net=nets[1]),
    ]


def test_deposits_move_inwards_first():
    volume = dot_volume_ul(0.9, 0.4)
    layout = laid(two(1.05, 0.9, 0.9), [volume] * 2, bridge_gap_mm=0.16, overhang_mm=0.05)
    # By hand: 1.05 − 0.9 − 0.05 leaves 0.10, so each moves by 0.03, within its overhang.
    assert [deposit.points_mm[0][0] for deposit in layout.deposits] == approx([-0.03, 1.08])
    assert [plan.planned_ul for plan in layout.pads] == approx([volume] * 2)
    assert gaps(layout) == approx(0.16) and not layout.pads[0].bridges


def test_a_narrower_form_of_the_same_dose_comes_next():
    # Slender lands side by side: one dot as wide as the land, or two or three narrower ones along it.
    volume = dot_volume_ul(0.5, 0.4)
    plain = laid(two(3.0, 0.4, 1.3), [volume] * 2, overhang_mm=0.0)
    near = laid(two(0.52, 0.4, 1.3), [volume] * 2, overhang_mm=0.0)
    assert max(deposit.width_mm for deposit in near.deposits) < min(
        deposit.width_mm for deposit in plain.deposits
    )
    assert near.pads[0].planned_ul == approx(volume) and "wider would come too near" in near.pads[0].reason
    assert not near.pads[0].bridges


def test_less_paste_where_that_is_enough_and_within_the_limit():
    volume = dot_volume_ul(0.9, 0.4)
    layout = laid(two(1.05, 0.9, 0.9), [volume] * 2, bridge_gap_mm=0.16, overhang_mm=0.0)
    # No room to move: 0.06 mm are lacking, 0.03 mm on a side of each: (0.84 / 0.9)³ = 81 %.
    assert [plan.planned_ul / volume for plan in layout.pads] == approx([0.8130] * 2, abs=1e-3)
    assert "trimmed to 81 %" in layout.pads[0].warnings[0] and "R2-1" in layout.pads[0].warnings[0]
    assert gaps(layout) == approx(0.16) and not layout.pads[0].bridges


def test_what_cannot_be_mended_keeps_its_dose_and_names_the_one_change():
    volume = dot_volume_ul(0.5, 0.4)
    layout = laid(two(0.55, 0.5, 0.5), [volume] * 2, overhang_mm=0.0, bridge_gap_mm=0.3)
    (bridge,) = layout.pads[0].bridges
    assert [plan.planned_ul for plan in layout.pads] == approx([volume] * 2)
    # By hand: 0.3 mm are lacking of 1.0 mm of both widths: (1 − 0.3)³ = 34 %.
    assert (
        bridge.other == "R2-1"
        and bridge.gap_mm == approx(0.0, abs=1e-6)
        and "34 % of the dose" in bridge.mend
    )
    assert bridge.mend in layout.pads[0].warnings[-1]


def test_one_net_stays_as_it_is():
    volume = dot_volume_ul(0.5, 0.4)
    layout = laid(two(0.55, 0.5, 0.5, nets=("A", "A")), [volume] * 2, bridge_gap_mm=0.3)
    assert not layout.pads[0].bridges and [plan.planned_ul for plan in layout.pads] == approx([volume] * 2)


@pytest.mark.parametrize("pitch_mm", [0.5, 0.65, 0.8])
def test_balls_of_an_array_are_trimmed_alike_or_told_alike(pitch_mm):
    balls = [
        pad(f"U1-{i}{j}", disc(i * pitch_mm, j * pitch_mm, 0.6 * pitch_mm), net=f"N{i}{j}")
        for i in range(4) for j in range(4)
    ]  # fmt: skip
    volume = dot_volume_ul(0.8 * pitch_mm, 0.4)
    layout = laid(balls, [volume] * 16, overhang_mm=0.2)
    worst = min(
        float(np.hypot(*np.subtract(a.points_mm[0], b.points_mm[0])))
        - (a.width_mm + b.width_mm) / 2
        - ERROR_MM
        for a in layout.deposits
        for b in layout.deposits
        if a.index < b.index
    )
    told = [bridge for plan in layout.pads for bridge in plan.bridges]
    assert worst >= 0.1 - 1e-6 or told
    assert all(plan.planned_ul >= 0.7 * volume - 1e-9 for plan in layout.pads)


def test_a_bead_is_trimmed_to_a_narrower_one_on_the_same_path():
    # One bead along a land 3 mm long, with no room to move; the neighbour's is as near as the lands let it be.
    volume = 0.13
    plain = laid(two(3.0, 0.38, 3.0), [volume] * 2, overhang_mm=0.0)
    near = laid(two(0.51, 0.38, 3.0), [volume] * 2, overhang_mm=0.0)
    assert plain.pads[0].form is Form.BEAD
    (before,), (after,) = ([p.deposits[k] for k in p.pads[0].deposits] for p in (plain, near))
    lacking_mm = 0.1 - (0.51 - before.width_mm - ERROR_MM)
    assert 0 < lacking_mm < 0.06
    assert after.width_mm == approx(before.width_mm - lacking_mm, abs=1e-6)
    assert 0.7 <= near.pads[0].planned_ul / volume < 1 and not near.pads[0].bridges

"""Thermal lands: the paste's centre stands in the pad's, clear of holes, whatever the panes and the holes."""

import numpy as np
import pytest
from boards_by_hand import board, deposit_settings, hole, pad, paste, rectangle, tip, tuning
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from pastewright.board.model import PadKind
from pastewright.deposit.lay import lay
from pastewright.dose.model import Dose
from pastewright.records.kinds import Form


def laid(land, volume_ul, *, panes=(), holes=(), gauge=23):
    one = pad("U1-EP", land, apertures=panes or [land], kind=PadKind.THERMAL)
    dose = Dose(pad_id="U1-EP", target_ul=volume_ul, solder_ul=volume_ul / 2, reason="by hand")
    return lay(
        board([one], holes=holes),
        [dose],
        tip=tip(gauge),
        paste=paste(),
        tuning=tuning(),
        settings=deposit_settings(),
    )


def off_centre(layout, centre, half_width):
    """The first moment, worked out here from the deposits alone."""
    volumes = np.array([deposit.volume_ul for deposit in layout.deposits])
    places = np.array([deposit.points_mm[0] for deposit in layout.deposits])
    return float(np.hypot(*(volumes @ places / volumes.sum() - centre))) / half_width


def test_sixteen_panes_over_vias_get_paste_in_the_middle_too():
    # 4 × 4 panes on a 5 mm land, nine vias of 0.3 mm between and beside them.
    grid = [-1.8, -0.6, 0.6, 1.8]
    panes = [rectangle(x, y, 0.9, 0.9) for x in grid for y in grid]
    vias = [hole(x, y, 0.3) for x in (-1.7, 0.1, 1.3) for y in (-1.7, 0.0, 1.7)]
    layout = laid(rectangle(0, 0, 5, 5), 1.8, panes=panes, holes=vias)
    (plan,) = layout.pads
    assert off_centre(layout, (0, 0), 2.5) < 0.05
    assert plan.balance is not None and plan.balance.imbalance == pytest.approx(
        off_centre(layout, (0, 0), 2.5), abs=1e-6
    )
    middle = [deposit for deposit in layout.deposits if max(map(abs, deposit.points_mm[0])) < 1.25]
    assert middle, "nothing in the middle"
    for deposit in layout.deposits:
        x, y = deposit.points_mm[0]
        # A dot may reach over its land, and over a hole's edge, by the overhang.
        assert all(np.hypot(x - via.x_mm, y - via.y_mm) > deposit.width_mm / 2 + 0.15 - 0.05 for via in vias)
    assert sum(deposit.volume_ul for deposit in layout.deposits) == pytest.approx(1.8)


def test_many_small_panes_are_merged_where_their_paste_would_run_together():
    panes = [rectangle(0.55 * i - 3.025, 0.55 * j - 1.375, 0.45, 0.45) for i in range(12) for j in range(6)]
    layout = laid(rectangle(0, 0, 6.8, 3.5), 72 * 0.45**2 * 0.12, panes=panes)
    assert len(panes) == 72 and len(layout.deposits) <= 16
    assert layout.pads[0].form is Form.PANES
    assert off_centre(layout, (0, 0), 1.75) < 0.01


def test_panes_that_lie_to_one_side_are_followed_there():
    panes = [rectangle(x, y, 0.8, 0.8) for x in (0.3, 1.3) for y in (-0.5, 0.5)]
    layout = laid(rectangle(0, 0, 4, 3), 0.4, panes=panes)
    assert off_centre(layout, (0.8, 0.0), 1.5) < 0.05


def test_a_pad_that_holes_leave_one_side_of_says_that_it_leans():
    # A slot's worth of holes covers the right half.
    holes = [hole(x, y, 1.2) for x in (0.9, 2.0) for y in (-1.4, -0.5, 0.5, 1.4)]
    layout = laid(rectangle(0, 0, 5, 4), 1.0, holes=holes)
    plan = layout.pads[0]
    assert plan.balance is not None
    if plan.balance.imbalance > 0.05:
        assert any("may lean" in words for words in plan.warnings)
    else:
        assert off_centre(layout, (0, 0), 2.0) <= 0.0501


@settings(max_examples=40, deadline=None)
@given(
    wide=st.floats(2.0, 8.0),
    high=st.floats(2.0, 8.0),
    cover=st.floats(0.3, 0.8),
    vias=st.lists(st.tuples(st.floats(-0.45, 0.45), st.floats(-0.45, 0.45)), max_size=12),
)
def test_whatever_the_vias_the_paste_is_balanced_or_it_is_told(wide, high, cover, vias):
    land = rectangle(0, 0, wide, high)
    holes = [hole(u * wide, v * high, 0.3) for u, v in vias]
    layout = laid(land, cover * land.area * 0.12, holes=holes)
    (plan,) = layout.pads
    off = off_centre(layout, (0, 0), min(wide, high) / 2)
    assert plan.balance is not None and plan.balance.imbalance == pytest.approx(off, abs=1e-6)
    assert off <= 0.05 or any("may lean" in words for words in plan.warnings)
    high = max(deposit.height_mm for deposit in layout.deposits)
    assert high <= 0.5 + 1e-9 or any("high" in words for words in plan.warnings)


def test_a_land_cut_up_by_vias_gets_more_dots_before_one_that_stands_too_high():
    # No grid suits the rest of this land; three dots at its widest places do.
    vias = [hole(x, y, 0.3) for x, y in ((0.0, 1.5), (0.25, 0.0), (-0.5, 0.5))]
    layout = laid(rectangle(0, 0, 2, 4), 0.75, holes=vias)
    assert max(deposit.height_mm for deposit in layout.deposits) <= 0.5
    assert sum(deposit.volume_ul for deposit in layout.deposits) == pytest.approx(0.75)
    for deposit in layout.deposits:
        x, y = deposit.points_mm[0]
        assert all(np.hypot(x - via.x_mm, y - via.y_mm) > deposit.width_mm / 2 + 0.15 - 0.05 for via in vias)


def test_no_dot_of_an_odd_land_stands_higher_than_the_limit_while_more_dots_can_do():
    # A large L: one dot would be 1.7 mm wide and 0.68 mm high.
    land = rectangle(0, 0, 6, 2).union(rectangle(-2, 2, 2, 4))
    assert isinstance(land, Polygon)
    one = pad("L1-1", land)
    dose = Dose(pad_id="L1-1", target_ul=1.8, solder_ul=0.9, reason="by hand")
    layout = lay(
        board([one]), [dose], tip=tip(23), paste=paste(), tuning=tuning(), settings=deposit_settings()
    )
    assert max(deposit.height_mm for deposit in layout.deposits) <= 0.5
    assert sum(deposit.volume_ul for deposit in layout.deposits) == pytest.approx(1.8)


def test_a_dot_that_must_stand_high_says_so():
    one = pad("L1-1", rectangle(0, 0, 1.5, 1.5))
    dose = Dose(pad_id="L1-1", target_ul=1.0, solder_ul=0.5, reason="by hand")
    layout = lay(
        board([one]), [dose], tip=tip(23), paste=paste(), tuning=tuning(), settings=deposit_settings()
    )
    high = max(deposit.height_mm for deposit in layout.deposits)
    assert high <= 0.5 or any("high" in words for words in layout.pads[0].warnings)

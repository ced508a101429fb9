"""A plan for the barrel as it is now: the same deposits, right again though the barrel has become stiffer."""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of
from pytest import approx
from verdicts import all_delivered
from virtual_bench import lay, truth_of

from pastewright.board.model import Side
from pastewright.plan.again import WORTH, new_findings, off_by, planned_again, with_paste
from pastewright.problems import InputError
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.origin import strangers
from pastewright.readback.judge.verify import verify
from pastewright.readback.model import Finding, FindingKind

LEFT_UL = 1500.0  # of 2500: a millilitre is gone


def deposits(plan):
    return {row.id: (row.kind, row.points_mm, row.total_ul) for pad in plan.pads for row in pad.deposits}


def order(plan):
    lines = {row.id: row.line for pad in plan.pads for row in pad.deposits}
    return sorted(lines, key=lines.__getitem__)


def test_a_barrel_emptied_by_a_millilitre_costs_more_than_a_per_cent_and_the_new_plan_does_not():
    plan = plan_of(Side.TOP)
    before = off_by(plan.program.text, plan.record, plan.profile, now=with_paste(plan.profile, LEFT_UL))
    assert before > 2 * WORTH  # 2.3 % (measured); it was 3.1 % before dwells went to 2.8 s
    again = planned_again(plan.record, with_paste(plan.profile, LEFT_UL))
    assert again.verdict.ok, again.verdict.findings[:3]
    laid = [
        got.volume_ul / deposit.volume_ul
        for got, deposit in zip(all_delivered(again.verdict), plan.layout.deposits, strict=True)
    ]
    assert laid == approx([1.0] * len(laid), abs=0.05)  # and nineteen of twenty within a fifth of that:
    assert sorted(abs(share - 1) for share in laid)[int(0.95 * len(laid))] < WORTH
    assert deposits(again.record) == deposits(plan.record)
    assert order(again.record) == order(plan.record)
    # And it is for that barrel: on a full one it would be wrong the other way.
    full = plan.profile.barrel.fill_ul
    assert (
        off_by(again.program.text, again.record, again.profile, now=with_paste(again.profile, full))
        > 2 * WORTH
    )


def test_for_a_barrel_that_was_not_used_it_is_the_same_program_to_the_last_figure_that_counts():
    plan = plan_of(Side.TOP)
    again = planned_again(plan.record, with_paste(plan.profile, plan.profile.barrel.fill_ul))
    assert len(again.program.text.splitlines()) == len(plan.program.text.splitlines())
    assert again.record.totals.barrel_sweep_ul == approx(
        plan.record.totals.barrel_sweep_ul, abs=2 * plan.profile.microstep_ul
    )
    assert again.record.totals.machine_s == approx(plan.record.totals.machine_s, rel=1e-3)
    assert (
        off_by(
            plan.program.text,
            plan.record,
            plan.profile,
            now=with_paste(plan.profile, plan.profile.barrel.fill_ul),
        )
        == 0.0
    )


def test_pastes_that_come_nearer_by_either_program_do_not_keep_the_old_doses():
    plan = plan_of(Side.TOP)
    text, record = plan.program.text, plan.record
    wider = replace(plan.profile, tuning=replace(plan.profile.tuning, dot_shape_ratio=0.38))
    again = planned_again(record, wider)
    assert {one.kind for one in again.verdict.findings} == {FindingKind.BRIDGE}
    assert new_findings(text, record, again) == ()
    low = Finding(kind=FindingKind.LOW_TRAVEL, what="too low", pad_id=again.verdict.findings[0].pad_id)
    worse = replace(again, verdict=replace(again.verdict, findings=(*again.verdict.findings, low)))
    assert new_findings(text, record, worse) == (low,)


@pytest.mark.parametrize("ratio", [0.397, 0.44])
def test_dots_that_rest_higher_or_flatter_than_planned_are_hopped_over_as_they_rest(ratio):
    """What a witness row teaches of a dot's shape: hops of a plan are no higher than what stands below them asks for."""
    plan = plan_of(Side.TOP)
    now = replace(plan.profile, tuning=replace(plan.profile.tuning, dot_shape_ratio=ratio))
    again = planned_again(plan.record, now)
    assert again.verdict.ok, again.verdict.findings[:3]
    assert deposits(again.record) == deposits(plan.record)
    dots = [row for pad in again.record.pads for row in pad.deposits if len(row.points_mm) == 1]
    for row in dots:
        # A spherical cap, by hand: V = π h (3 (d/2)² + h²) / 6.
        assert row.height_mm / row.width_mm == approx(ratio, rel=2e-3)
        cap_ul = np.pi * row.height_mm * (3 * (row.width_mm / 2) ** 2 + row.height_mm**2) / 6
        assert cap_ul == approx(row.total_ul, rel=5e-3)


def test_the_new_plan_and_program_belong_together_and_verify_on_the_bench_with_that_barrel():
    plan = plan_of(Side.TOP)
    again = planned_again(plan.record, with_paste(plan.profile, LEFT_UL))
    assert strangers(again.program.text, again.record, plan.profile) == ()
    assert strangers(plan.program.text, again.record, plan.profile)
    now = with_paste(plan.profile, LEFT_UL)
    assert verify(again.program.text, expected_from_plan(again.record), now).ok


def test_an_empty_barrel_is_refused_and_so_is_one_with_too_little():
    plan = plan_of(Side.TOP)
    with pytest.raises(InputError, match="the barrel is empty"):
        planned_again(plan.record, with_paste(plan.profile, 0.0))
    with pytest.raises(InputError, match="the barrel holds 10 µL"):
        planned_again(plan.record, with_paste(plan.profile, 10.0))


def test_an_open_strip_stays_where_the_plan_has_it():
    plan = plan_of(Side.TOP)
    opened = replace(
        plan.profile, bed=replace(plan.profile.bed, strip_x_mm=1.0, strip_y_mm=1.0, strip_open=True)
    )
    again = planned_again(plan.record, with_paste(opened, 2400.0))
    assert again.verdict.ok
    assert again.record.placement.strips == plan.record.placement.strips


@pytest.mark.campaign
def test_of_thirty_boards_from_one_barrel_each_is_within_two_percent_when_planned_anew():
    plan = plan_of(Side.TOP)
    left, text, record, bench = plan.profile.barrel.fill_ul, plan.program.text, plan.record, plan.profile
    motions, wanted = plan.motions, np.array([deposit.volume_ul for deposit in plan.layout.deposits])
    worst, apart, anew = 0.0, 0.0, 0
    for _ in range(30):
        if off_by(text, record, bench, now=with_paste(bench, left)) > WORTH:
            again = planned_again(plan.record, with_paste(plan.profile, left))
            text, record, bench, anew = again.program.text, again.record, again.profile, anew + 1
            motions = again.motions
        got = verify(text, expected_from_plan(record), with_paste(plan.profile, left))
        off = sorted(
            abs(one.volume_ul / deposit.volume_ul - 1)
            for one, deposit in zip(all_delivered(got), plan.layout.deposits, strict=True)
        )
        worst = max(worst, off[int(0.95 * len(off))])
        # The same on a bench written apart.
        laid = lay(motions, truth_of(with_paste(plan.profile, left))).mean_ul
        shares = np.array([laid.get(index, 0.0) for index in range(len(wanted))]) / wanted
        apart = max(apart, float(np.quantile(np.abs(shares - 1), 0.95)))
        left -= record.totals.barrel_sweep_ul
    print(
        f"thirty boards, {anew} planned anew: 95th percentile {worst:.2%}, on the bench written apart {apart:.2%}"
    )
    assert worst < 0.02 and apart < 0.02
    assert 0 < anew < 30

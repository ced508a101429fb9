"""A slow first way up behind each deposit, so that a thread of paste breaks over its own pad: by the motions, the bound and
the read-back.
"""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of

from pastewright.board.model import Side
from pastewright.motion.bound import least_time_s
from pastewright.motion.model import Step
from pastewright.plan.pipeline import Plan, make_plan

SLOW_MM, SLOW_MM_S = 0.6, 1.5


@pytest.fixture(scope="module")
def broken_off() -> Plan:
    plain = plan_of(Side.BOTTOM)
    deposit = replace(plain.profile.deposit, break_off_mm=SLOW_MM, break_off_mm_s=SLOW_MM_S)
    return make_plan(plain.board, replace(plain.profile, deposit=deposit))


def test_the_tip_goes_up_slowly_and_straight_behind_each_deposit(broken_off):
    moves = broken_off.motions.moves
    slow = 0
    for number, move in enumerate(moves):
        if move.deposit is None or move.step is not Step.LIFT or moves[number - 1].step is Step.LIFT:
            continue
        before, then = moves[number - 1], moves[number + 1]
        assert before.step is Step.RETRACT
        assert move.z_mm - before.z_mm == pytest.approx(SLOW_MM, abs=1e-9)
        assert (move.x_mm, move.y_mm, move.plunger_mm) == (before.x_mm, before.y_mm, before.plunger_mm)
        assert move.speed_mm_s == SLOW_MM_S
        # By hand, with ramps: way/speed + speed/acceleration.
        accel = broken_off.profile.machine.accel_z_mm_s2
        assert move.duration_s == pytest.approx(SLOW_MM / SLOW_MM_S + SLOW_MM_S / accel)
        assert then.step in (Step.LIFT, Step.TRAVEL)
        slow += 1
    assert slow == len(broken_off.layout.deposits)


def test_it_changes_no_volume_and_takes_its_own_time(broken_off):
    plain = plan_of(Side.BOTTOM)
    assert broken_off.verdict.findings == ()
    got = np.array([one.volume_ul for one in broken_off.verdict.delivered])
    wanted = np.array([one.volume_ul for one in broken_off.layout.deposits])
    assert np.abs(got / wanted - 1).max() < 0.01
    assert broken_off.motions.machine_s > plain.motions.machine_s
    assert (
        least_time_s(broken_off.motions, broken_off.profile)
        <= broken_off.motions.machine_s
        <= 1.1 * least_time_s(broken_off.motions, broken_off.profile)
    )


def test_nothing_is_slow_unless_asked_for():
    plain = plan_of(Side.BOTTOM)
    assert plain.profile.deposit.break_off_mm == 0
    z_mm_s = plain.profile.machine.speed_z_mm_s
    upward = [
        (before, move)
        for before, move in zip(plain.motions.moves, plain.motions.moves[1:], strict=False)
        if move.step is Step.LIFT and move.plunger_mm == before.plunger_mm
    ]
    assert upward
    assert all(move.speed_mm_s == z_mm_s for _, move in upward)

"""The least time of a journey: worked by hand, and what the demo's comes to."""

from dataclasses import replace

import pytest
from demo_plans import plan_of

from pastewright.board.model import Side
from pastewright.motion.bound import least_time_s
from pastewright.motion.model import Motions, Move, Step


def test_the_least_time_of_a_dot_worked_by_hand(profile):
    # Down 1 mm at 10 mm/s and 100 mm/s²: 0.2 s. Plunger 1 mm/s and 10 mm/s²: of a stroke of 0.4 mm (0.5 s) the first
    # 0.05 mm takes 0.1 s and is pressed on the way, so the rest stands for 0.4 s; back alike. Hop of 5 mm at 50 mm/s and
    # 500 mm/s²: 0.2 s. Wait 0.3 s.
    machine = replace(
        profile.machine,
        speed_z_mm_s=10.0,
        accel_z_mm_s2=100.0,
        speed_xy_mm_s=50.0,
        accel_xy_mm_s2=500.0,
    )
    bench = replace(
        profile, machine=machine, plunger=replace(profile.plunger, speed_mm_s=1.0, accel_mm_s2=10.0)
    )

    def move(step, x, z, plunger, seconds=9.0):
        return Move(
            step=step, x_mm=x, y_mm=0.0, z_mm=z, plunger_mm=plunger, speed_mm_s=1.0, duration_s=seconds
        )

    moves = (
        move(Step.RAISE, 0.0, 1.0, 0.0, 0.7),
        move(Step.TRAVEL, 5.0, 1.0, 0.0),
        move(Step.LOWER, 5.0, 0.0, 0.05),
        move(Step.PUSH, 5.0, 0.0, 0.4),
        move(Step.DWELL, 5.0, 0.0, 0.4, 0.3),
        move(Step.RETRACT, 5.0, 0.0, 0.05),
        move(Step.LIFT, 5.0, 1.0, 0.0),
    )
    journey = Motions(moves=moves, sections=(), machine_s=60.0, travel_mm=5.0, swept_ul=0.0)
    assert least_time_s(journey, bench) == pytest.approx(0.7 + 0.2 + 0.2 + 0.4 + 0.3 + 0.4 + 0.2)


def test_the_demo_comes_within_a_tenth_of_its_bound():
    plan = plan_of(Side.TOP)
    bound = least_time_s(plan.motions, plan.profile)
    assert bound <= plan.motions.machine_s <= 1.1 * bound
    assert plan.motions.machine_s <= 120.0
    assert plan.motions.strip_ul <= 5.0


@pytest.mark.parametrize("bench", ["bench-ngc-linear-u", "bench-ngc-rotary-a"])
def test_no_journey_beats_its_bound(bench):
    plan = plan_of(Side.TOP, bench)
    assert 0.8 * plan.motions.machine_s < least_time_s(plan.motions, plan.profile) < plan.motions.machine_s

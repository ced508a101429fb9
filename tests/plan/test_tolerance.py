"""How far deposits of the demo board are off on a bench that is not quite as profiled, by the bench written apart."""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of
from virtual_bench import lay, truth_of

from pastewright.board.model import Side
from pastewright.motion.cycles import plan_cycles
from pastewright.motion.plan import motions_of
from pastewright.place.surface import flat
from pastewright.place.transform import Placement, Placements, PlaceStep, affine
from pastewright.plan.pipeline import prepare
from pastewright.plan.tray import plan_tray
from pastewright.profile.examples import DEMO


def errors_95(plan, *, of_rest=0.5, **changes):
    """95th percentile of the errors [-], begun in the middle of no pressure and rest, which strips are made for, or not."""
    laid = lay(plan.motions, truth_of(plan.profile, start_kpa=of_rest * plan.bench.rest_kpa, **changes))
    errors = [laid.mean_ul.get(d.index, 0.0) / d.volume_ul - 1 for d in plan.layout.deposits]
    return float(np.percentile(np.abs(errors), 95))


@pytest.fixture(scope="module")
def top():
    return plan_of(Side.TOP)


def test_a_true_profile_is_met_within_a_per_cent(top):
    assert errors_95(top) < 0.01


def worst_first(plan, start_kpa):
    """Largest error of the first six deposits [-], where the barrel was left with a pressure."""
    laid = lay(plan.motions, truth_of(plan.profile, start_kpa=start_kpa)).mean_ul
    firsts = [plan.layout.deposits[visit.deposit] for visit in plan.tour.visits[:6]]
    return max(abs(laid[deposit.index] / deposit.volume_ul - 1) for deposit in firsts)


@pytest.mark.parametrize("side", [Side.TOP, Side.BOTTOM])
def test_the_first_deposits_are_within_a_per_cent_however_a_program_or_a_stop_left_the_barrel(side):
    """A program ends at rest; a stop, a purge or a loading without pressure. At yield it is left by a hand or a wait."""
    plan = plan_of(side)
    assert worst_first(plan, 0.0) < 0.01
    assert worst_first(plan, plan.bench.rest_kpa) < 0.01
    assert worst_first(plan, plan.bench.yield_kpa) < plan.profile.verify.volume_tolerance
    assert plan.motions.strip_ul <= 5.0


def test_behind_what_is_thrown_away_the_first_deposits_follow_their_like():
    plan = plan_of(Side.BOTTOM)
    thrown = plan_cycles(plan.layout, plan.tour, plan.profile)
    none = motions_of(replace(thrown, thrown=()), plan.layout, plan.tour, plan.profile)
    more_air = truth_of(plan.profile, bubble_ul=plan.profile.tuning.bubble_ul + 2.0)
    firsts = [plan.layout.deposits[visit.deposit] for visit in plan.tour.visits[:12]]

    def far_off(motions):
        laid = lay(motions, more_air).mean_ul
        return sum(abs(laid[one.index] / one.volume_ul - 1) > 0.06 for one in firsts)

    assert thrown.thrown
    assert far_off(plan.motions) <= 0.025 * len(plan.tour.visits) + 1
    assert far_off(none) > far_off(plan.motions)


# Before pushes were shared these were 0.21, 0.23, 0.41 and 0.16 (measured on the same bench), the machine time 207.7 s.
@pytest.mark.parametrize(
    ("constant", "change", "most"),
    [
        ("frame_n_mm", lambda was: 0.9 * was, 0.06),
        ("consistency", lambda was: 0.9 * was, 0.06),
        ("index", lambda was: was - 0.02, 0.10),
        ("bubble_ul", lambda was: was + 2.0, 0.06),
    ],
)
def test_a_bench_that_is_a_little_off_shows_it_little(top, constant, change, most):
    was = getattr(truth_of(top.profile), constant)
    assert errors_95(top, **{constant: change(was)}) < most
    assert top.motions.machine_s <= 1.15 * 207.7


OFF = {
    "frame_n_mm": (lambda was: 0.9 * was, lambda was: 1.1 * was, 0.06),
    "consistency": (lambda was: 0.9 * was, lambda was: 1.1 * was, 0.06),
    "index": (lambda was: was - 0.02, lambda was: was + 0.02, 0.10),
    "bubble_ul": (lambda was: was + 2.0, lambda was: was + 2.0, 0.06),
}


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("side", "bench"),
    [
        (Side.TOP, DEMO),
        (Side.BOTTOM, DEMO),
        (Side.TOP, "bench-ngc-rotary-a"),
        (Side.BOTTOM, "bench-ngc-rotary-a"),
        (Side.TOP, "bench-reprap-ul-abs"),
        (Side.BOTTOM, "bench-reprap-ul-abs"),
        (Side.TOP, "bench-ngc-turns-b"),
        (Side.BOTTOM, "bench-ngc-turns-b"),
        (Side.TOP, "bench-ngc-linear-u"),
        (Side.BOTTOM, "bench-ngc-linear-u"),
    ],
)
def test_other_boards_and_benches_show_as_little(side, bench):
    plan = plan_of(side, bench)
    assert plan.verdict.ok
    assert errors_95(plan) < 0.01
    # One dot of the 1 mL bench's top is 1.14 % off, however the barrel was left.
    first = 0.0115 if bench == "bench-ngc-linear-u" else 0.011
    assert max(worst_first(plan, start_kpa) for start_kpa in (0.0, plan.bench.rest_kpa)) < first
    for constant, (less, more, most) in OFF.items():
        was = getattr(truth_of(plan.profile), constant)
        for change in (less, more):
            for of_rest in (0.0, 0.5, 1.0):
                found = errors_95(plan, of_rest=of_rest, **{constant: change(was)})
                assert found <= most, (constant, change(was), of_rest)


@pytest.mark.campaign
def test_a_tray_of_six_is_one_chain(top):
    bed = top.profile.bed
    boards = tuple(
        Placement(
            name=f"{row}{column}",
            steps=(
                PlaceStep(
                    what="by hand",
                    affine=affine(shift_mm=(bed.board_x_mm + 55 * column, bed.board_y_mm + 45 * row)),
                ),
            ),
            surface=flat(bed.board_z_mm),
        )
        for row in range(2)
        for column in range(3)
    )
    (plan,) = plan_tray(prepare(top.board, top.profile), Placements(boards=boards), top.profile)
    assert plan.verdict.ok
    assert errors_95(plan) < 0.01
    for constant, (less, more, most) in OFF.items():
        was = getattr(truth_of(plan.profile), constant)
        for change in (less, more):
            assert errors_95(plan, **{constant: change(was)}) <= most, (constant, change(was))

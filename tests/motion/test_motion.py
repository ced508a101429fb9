"""The journey: heights, order of moves, exact volumes, backlash, microsteps, times, and what is refused."""

from collections.abc import Callable
from dataclasses import replace
from itertools import groupby, pairwise
from math import dist, hypot

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pastewright.deposit.model import Layout
from pastewright.kinematics import move_time_s
from pastewright.motion.cycles import plan_cycles
from pastewright.motion.drive import Drive
from pastewright.motion.dry import dry
from pastewright.motion.levels import bench_for
from pastewright.motion.model import Step
from pastewright.motion.paths import path_of
from pastewright.motion.plan import motions_of, plan_motions, standoff_mm
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle
from pastewright.plunger.draw import LIFT_SHARE, lift_leak_ul
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.strip import strip_wish
from pastewright.problems import InputError
from pastewright.route.model import Tour

Board = tuple[Layout, Tour]

DOT = [Step.TRAVEL, Step.LOWER, Step.PUSH, Step.DWELL, Step.RETRACT, Step.LIFT]


@pytest.fixture(scope="module")
def motions(small_board: Board, profile):
    return plan_motions(*small_board, profile)


def moves_of(motions, index):
    return [move for move in motions.moves if move.deposit == index]


def test_every_deposit_gets_its_volume_by_a_second_simulation(
    motions, small_board: Board, profile, delivered
):
    out = delivered(motions, profile)
    for deposit in small_board[0].deposits:
        # Microsteps, the settling strip and what comes out in lifts together stay within 1 % here.
        assert out[deposit.index] == pytest.approx(deposit.volume_ul, rel=0.01)


@pytest.mark.parametrize("of_yield", [0.0, 1.0])
def test_however_a_barrel_at_rest_was_left_the_first_deposits_are_right(
    motions, small_board: Board, profile, delivered, of_yield
):
    tip = profile.tip
    yield_kpa = 2 * tip.length_mm * profile.paste.yield_stress_kpa / tip.radius_mm
    out = delivered(motions, profile, start_kpa=of_yield * yield_kpa)
    for deposit in small_board[0].deposits:
        # Half the tolerance of the profile is the strip's, and half a microstep nobody's.
        within = 0.5 * profile.verify.volume_tolerance * deposit.volume_ul + profile.microstep_ul / 2
        assert out[deposit.index] == pytest.approx(deposit.volume_ul, abs=within)


def test_a_wrong_bench_shows_in_the_second_simulation(motions, small_board: Board, profile, delivered):
    # Or the test above could not fail: springs 30 % stiffer spoil the first dot.
    stiffer = replace(
        profile,
        plunger=replace(profile.plunger, frame_stiffness_n_mm=profile.plunger.frame_stiffness_n_mm * 1.3),
    )
    out = delivered(motions, stiffer)
    assert abs(out[0] / small_board[0].deposits[0].volume_ul - 1) > 0.1


def test_moves_come_in_the_order_that_a_deposit_needs(motions, small_board: Board):
    assert motions.moves[0].step is Step.RAISE
    for deposit in small_board[0].deposits:
        steps = [step for step, _ in groupby(move.step for move in moves_of(motions, deposit.index))]
        if len(deposit.points_mm) == 1:
            # A dot whose push alone lays enough does not wait.
            assert steps in (DOT, [step for step in DOT if step is not Step.DWELL])
        else:
            assert steps == [Step.TRAVEL, Step.LOWER, Step.PUSH, Step.LAY, Step.RETRACT, Step.LIFT]


def test_sections_name_strip_deposits_and_park(motions):
    (strip, strip_words), (deposits, _), (park, _) = motions.sections
    assert strip == 0
    assert "settling strip" in strip_words
    assert "uL" in strip_words
    assert all(move.deposit is None for move in motions.moves[:deposits])
    assert all(move.deposit is not None for move in motions.moves[deposits:park])
    assert [move.step for move in motions.moves[park:]] == [Step.TRAVEL]


def test_the_strip_lies_where_the_bed_says(motions, profile):
    bed = profile.bed
    laid = [move for move in motions.moves[: motions.sections[1][0]] if move.step is Step.LAY]
    ((x, y),) = [(move.x_mm, move.y_mm) for move in laid]
    assert y == bed.strip_y_mm
    assert bed.strip_x_mm + 4.0 <= x <= bed.strip_x_mm + bed.strip_length_mm
    assert (motions.moves[-1].x_mm, motions.moves[-1].y_mm) == (bed.park_x_mm, bed.park_y_mm)


def test_the_first_travel_is_made_even_from_where_the_tip_may_stand_already(
    board_of: Callable[..., Board], profile
):
    # Nobody knows where the tip stands before the program; only a stated place is a known one.
    bed = replace(profile.bed, park_x_mm=profile.bed.strip_x_mm, park_y_mm=profile.bed.strip_y_mm)
    motions = plan_motions(*board_of((((1.0, 1.0),), 0.1)), replace(profile, bed=bed))
    assert [move.step for move in motions.moves[:3]] == [Step.RAISE, Step.TRAVEL, Step.LOWER]
    assert (motions.moves[1].x_mm, motions.moves[1].y_mm) == (bed.strip_x_mm, bed.strip_y_mm)


def test_board_places_become_machine_places(motions, small_board: Board, profile):
    bed = profile.bed
    for deposit in small_board[0].deposits:
        there = [(x + bed.board_x_mm, y + bed.board_y_mm) for x, y in deposit.points_mm]
        moves = moves_of(motions, deposit.index)
        assert (moves[0].x_mm, moves[0].y_mm) == pytest.approx(there[0])
        # The corners of a bead, and where it ends; the walk's runs begin and end on its outer legs.
        laid = [(move.x_mm, move.y_mm) for move in moves if move.step is Step.LAY]
        assert laid[:-1] == [pytest.approx(point) for point in there[1:-1]]
        assert (moves[-1].x_mm, moves[-1].y_mm) == pytest.approx(there[-1])


def test_a_bead_laid_backwards_is_the_same_bead_from_its_other_end(board_of: Callable[..., Board], profile):
    bead = (((0.0, 0.0), (2.0, 0.0), (2.0, 1.0)), 0.4)
    there = plan_motions(*board_of(bead), profile)
    back = plan_motions(*board_of(bead, backwards=True), profile)
    moves = moves_of(back, 0)
    laid = [(move.x_mm, move.y_mm) for move in moves if move.step is Step.LAY]
    corner = profile.bed.board_x_mm, profile.bed.board_y_mm
    assert laid[:-1] == [pytest.approx((2.0 + corner[0], corner[1]))]
    assert (moves[-1].x_mm, moves[-1].y_mm) == pytest.approx(corner)
    # The strip before it follows what the solver leaves of the bead, 2e-5.
    assert there.swept_ul == pytest.approx(back.swept_ul, rel=1e-4)


def test_no_move_across_the_board_is_below_travel_height(motions, profile):
    for before, move in pairwise(motions.moves):
        if move.step is Step.TRAVEL:
            assert before.z_mm == move.z_mm == profile.travel_z_mm
        if (before.x_mm, before.y_mm) != (move.x_mm, move.y_mm):
            # Along a bead the plunger may prime and retract while the tip walks already, or still.
            own = move.deposit is not None and move.z_mm < profile.travel_z_mm
            assert move.step in (Step.TRAVEL, Step.LAY) or (own and move.step in (Step.PUSH, Step.RETRACT))


@pytest.mark.parametrize(
    ("height", "bores", "gap"),
    # By hand, with the demo's 0.21 mm bore: half a bore is 0.105; 0.8 of 0.1 is 0.08; and never under 0.05.
    [(0.4, 0.5, 0.105), (0.1, 0.5, 0.08), (0.02, 0.5, 0.05), (0.4, 0.1, 0.05)],
)
def test_standoff(profile, height, bores, gap):
    changed = replace(profile, deposit=replace(profile.deposit, standoff_bores=bores))
    assert standoff_mm(height, changed) == pytest.approx(gap)


def test_the_tip_stands_off_while_it_lays(motions, small_board: Board, profile):
    for deposit in small_board[0].deposits:
        low = {
            move.z_mm
            for move in moves_of(motions, deposit.index)
            if move.step not in (Step.TRAVEL, Step.LIFT)
        }
        assert low == {profile.bed.board_z_mm + standoff_mm(deposit.height_mm, profile)}


def test_commanded_travel_is_sweep_over_gain_plus_backlash(board_of: Callable[..., Board], profile):
    motions = plan_motions(*board_of((((1.0, 1.0),), 0.1)), profile)
    cycles = plan_cycles(*board_of((((1.0, 1.0),), 0.1)), profile)
    (cycle,) = cycles.visits
    assert isinstance(cycle, DotCycle)
    moves = moves_of(motions, 0)
    before = next(m for m in reversed(motions.moves) if m.deposit is None and m.step is Step.LIFT).plunger_mm
    pushed, back = moves[2].plunger_mm, moves[-1].plunger_mm
    per_mm = profile.barrel.area_mm2 * 0.93
    half = profile.plunger.microstep_mm  # two roundings of half a microstep each
    assert pushed - before == pytest.approx(cycle.push_ul / per_mm + profile.plunger.backlash_mm, abs=half)
    assert pushed - back == pytest.approx(cycle.retract_ul / per_mm + profile.plunger.backlash_mm, abs=half)
    assert moves[2].speed_mm_s == pytest.approx(cycle.push_ul_s / per_mm)


def test_the_last_position_is_the_net_sweep(motions, small_board: Board, profile):
    total = sum(deposit.volume_ul for deposit in small_board[0].deposits)
    strip = plan_cycles(*small_board, profile).strip_ul
    assert motions.swept_ul == pytest.approx(total + strip, rel=1e-9)
    # The drive ends on its back side, so that no backlash is in it.
    assert motions.moves[-1].plunger_mm == pytest.approx(
        motions.swept_ul / (profile.barrel.area_mm2 * 0.93), abs=profile.plunger.microstep_mm / 2
    )


sweeps = st.lists(st.floats(1e-4, 30.0).flatmap(lambda a: st.sampled_from([a, -a])), min_size=1, max_size=200)


@given(sweeps)
def test_rounding_never_adds_up(profile, volumes):
    bench = bench_of(profile)
    drive = Drive(bench)
    for volume in volumes:
        position = drive.sweep(volume)
        steps = position / bench.microstep_mm
        assert abs(steps - round(steps)) < 1e-6
        assert abs(position - drive.wanted_mm) <= bench.microstep_mm / 2 * (1 + 1e-9)
    assert drive.swept_ul == pytest.approx(sum(volumes), abs=1e-9)


@given(sweeps)
def test_a_plunger_with_play_follows_to_what_was_wanted(profile, volumes):
    # The mechanism itself: the plunger is dragged by a motor with play, and must end where the sweeps say.
    bench = bench_of(profile)
    drive = Drive(bench)
    plunger = play = bench.backlash_mm  # as after a retraction
    start = plunger
    for volume in volumes:
        motor = drive.sweep(volume)
        plunger = min(max(plunger, motor), motor + play)
        # Rounding may leave the play not quite used up: at most half a microstep each way.
        wanted = drive.swept_ul / bench.ul_per_mm
        assert abs(plunger - start - wanted) <= bench.microstep_mm * (1 + 1e-6)


def test_positions_in_motions_are_whole_microsteps(motions, profile):
    for move in motions.moves:
        steps = move.plunger_mm / profile.plunger.microstep_mm
        assert abs(steps - round(steps)) < 1e-6


def test_times_are_those_of_trapezoids(motions, profile):
    machine, drive = profile.machine, profile.plunger
    first = next(move for move in motions.moves if move.step is Step.TRAVEL)
    for before, move in pairwise(motions.moves):
        if move.step in (Step.PUSH, Step.RETRACT):
            way = abs(move.plunger_mm - before.plunger_mm)
            assert move.duration_s == pytest.approx(move_time_s(way, move.speed_mm_s, drive.accel_mm_s2))
        elif move.step is Step.TRAVEL:
            longer = max(abs(move.x_mm - before.x_mm), abs(move.y_mm - before.y_mm))
            wanted = move_time_s(longer, machine.speed_xy_mm_s, machine.accel_xy_mm_s2)
            assert move.duration_s == pytest.approx(wanted)
            way = hypot(move.x_mm - before.x_mm, move.y_mm - before.y_mm)
            # The first one comes from nobody knows where: no faster than one axis, whatever its direction.
            share = 1.0 if move is first else longer / way
            assert move.speed_mm_s * share == pytest.approx(machine.speed_xy_mm_s)
        elif move.step is Step.LAY:
            way = dist((before.x_mm, before.y_mm), (move.x_mm, move.y_mm))
            wanted = move_time_s(way, move.speed_mm_s, machine.accel_xy_mm_s2)
            assert move.duration_s == pytest.approx(wanted)
        elif move.step in (Step.LOWER, Step.LIFT):
            way, swept = abs(move.z_mm - before.z_mm), abs(move.plunger_mm - before.plunger_mm)
            speed, accel = machine.speed_z_mm_s, machine.accel_z_mm_s2
            if swept:  # in step with the plunger, the slower of the two
                speed = min(speed, drive.speed_mm_s * way / swept)
                accel = min(accel, drive.accel_mm_s2 * way / swept)
            assert move.duration_s == pytest.approx(move_time_s(way, speed, accel))
            assert move.speed_mm_s == pytest.approx(speed)
    assert motions.machine_s == pytest.approx(sum(move.duration_s for move in motions.moves))
    assert motions.travel_mm == pytest.approx(
        sum(
            hypot(b.x_mm - a.x_mm, b.y_mm - a.y_mm)
            for a, b in pairwise(motions.moves)
            if b.step is Step.TRAVEL
        )
    )


def test_a_bead_lasts_as_its_cycle_says(small_board: Board, profile):
    cycles = plan_cycles(*small_board, profile)
    motions = motions_of(cycles, *small_board, profile)
    for index, cycle in enumerate(cycles.visits):
        laid = [move for move in moves_of(motions, index) if move.step is Step.LAY]
        assert isinstance(cycle, BeadCycle) == bool(laid)
        if isinstance(cycle, BeadCycle):
            assert sum(move.duration_s for move in laid) == pytest.approx(cycle.travel_s, rel=1e-3)


def test_cycles_of_a_board_are_those_of_single_dots(small_board: Board, profile):
    bench = bench_for([deposit.volume_ul for deposit in small_board[0].deposits], profile)
    for deposit, cycle in zip(
        small_board[0].deposits, plan_cycles(*small_board, profile).visits, strict=True
    ):
        if isinstance(cycle, DotCycle):
            alone = dot_cycle(deposit.volume_ul, replace(bench, dwell_s=cycle.dwell_s))
            # The paste used so far changes the barrel a little; the rest is interpolation.
            assert cycle.push_ul == pytest.approx(alone.push_ul, rel=2e-3)
            assert cycle.push_ul - cycle.retract_ul == pytest.approx(deposit.volume_ul, rel=1e-9)


def scarce_and_soft(profile):
    """Little paste, soft paste, no air: the last of 60 dots of 0.3 µL find a barrel that is stiffer by a third."""
    return replace(
        profile,
        barrel=replace(profile.barrel, fill_ul=60.0),
        paste=replace(profile.paste, bulk_modulus_kpa=1500.0),
        tuning=replace(profile.tuning, bubble_ul=0.0),
    )


def test_a_barrel_half_used_is_planned_as_such(board_of: Callable[..., Board], profile):
    scarce = scarce_and_soft(profile)
    board = board_of(*[(((float(i), 1.0),), 0.3) for i in range(60)])
    dots = [cycle for cycle in plan_cycles(*board, scarce).visits if isinstance(cycle, DotCycle)]
    assert len(dots) == 60
    # With one push for all it is the wait that falls, with a push of their own each that.
    pushes, waits = [cycle.push_ul for cycle in dots], [cycle.dwell_s for cycle in dots]
    assert pushes == sorted(pushes, reverse=True)
    assert waits == sorted(waits, reverse=True)
    assert pushes[-1] < 0.9 * pushes[0] or waits[-1] < 0.9 * waits[0]


def test_doubled_points_of_a_path_are_one(board_of: Callable[..., Board]):
    layout, _ = board_of((((0.0, 0.0), (0.0, 0.0), (1.0, 0.0), (1.0, 0.0000001)), 0.1))
    assert path_of(layout.deposits[0], backwards=False) == ((0.0, 0.0), (1.0, 0.0))
    assert path_of(layout.deposits[0], backwards=True)[-1] == (0.0, 0.0)


# Pressing on the way down, drawing back on the way up.


def test_the_plunger_presses_below_yield_while_the_tip_comes_down_and_ends_drawing_while_it_goes_up(
    motions, small_board: Board, profile
):
    bench = bench_for([deposit.volume_ul for deposit in small_board[0].deposits], profile)
    assert bench.rest_kpa < bench.press_kpa < bench.yield_kpa
    per_mm = bench.ul_per_mm
    for deposit in small_board[0].deposits:
        moves = moves_of(motions, deposit.index)
        before = motions.moves[motions.moves.index(moves[0]) - 1]
        lower = next(move for move in moves if move.step is Step.LOWER)
        if len(deposit.points_mm) > 1:  # a bead has lines enough without
            assert lower.plunger_mm == before.plunger_mm
            assert moves[-1].plunger_mm == moves[-2].plunger_mm
            continue
        pressed = lower.plunger_mm - before.plunger_mm - profile.plunger.backlash_mm
        assert pressed * per_mm == pytest.approx(bench.press_ul, abs=bench.microstep_ul)
        retract, lift = [move for move in moves if move.step in (Step.RETRACT, Step.LIFT)][:2]
        assert lift.step is Step.LIFT
        drawn = (retract.plunger_mm - lift.plunger_mm) * per_mm
        assert drawn == pytest.approx(bench.draw_ul, abs=bench.microstep_ul)


def test_what_is_pressed_and_drawn_in_the_air_shrinks_with_the_paste_that_is_left(
    board_of: Callable[..., Board], profile
):
    # By hand: without air a barrel stores P·(A²/k + V/K), which takes a pressure from rest to just under yield.
    scarce = scarce_and_soft(profile)
    dots = plan_cycles(*board_of(*[(((float(i), 1.0),), 0.3) for i in range(60)]), scarce).visits
    bench, frame = bench_for([0.3], scarce), scarce.plunger.frame_stiffness_n_mm
    left_ul = scarce.barrel.fill_ul - strip_wish(scarce).most_ul - 0.3 * np.arange(60)
    per_kpa = scarce.barrel.area_mm2**2 * 0.001 / frame + left_ul / scarce.paste.bulk_modulus_kpa
    assert per_kpa[-1] < 0.8 * per_kpa[0]
    pressed, drawn = ([getattr(dot, name) for dot in dots] for name in ("press_ul", "draw_ul"))
    assert pressed == pytest.approx((bench.press_kpa - bench.rest_kpa) * per_kpa, rel=1e-6)
    assert drawn == pytest.approx((bench.draw_yields * bench.yield_kpa - bench.rest_kpa) * per_kpa, rel=1e-6)


def test_little_of_the_smallest_dot_comes_out_in_its_lift(profile):
    # Smaller doses leave less for the lift, until nothing is left.
    draws = [bench_for([volume], profile).draw_ul for volume in (0.1, 0.03, 0.003, 1e-6)]
    assert draws == sorted(draws, reverse=True)
    for volume in (0.1, 0.03, 0.003):
        assert lift_leak_ul(bench_for([volume], profile)) <= LIFT_SHARE * volume


def test_a_seal_that_grips_is_turned_round_standing(profile):
    gripping = replace(profile, tuning=replace(profile.tuning, seal_friction_n=3.0))
    assert bench_for([0.1], gripping).draw_ul == 0.0


# Dry.


def test_a_dry_run_keeps_plunger_and_height_still(motions, profile):
    still = dry(motions, profile)
    assert still.dry
    assert {move.plunger_mm for move in still.moves} == {0.0}
    assert {move.z_mm for move in still.moves} == {profile.travel_z_mm}
    assert still.swept_ul == 0.0


def test_a_dry_run_goes_the_same_way_at_the_same_pace(motions, profile):
    still = dry(motions, profile)

    def way(journey):
        return [place for place, _ in groupby((move.x_mm, move.y_mm) for move in journey.moves)]

    assert way(still) == way(motions)
    vertical = sum(move.duration_s for move in motions.moves if move.step in (Step.LOWER, Step.LIFT))
    assert still.machine_s == pytest.approx(motions.machine_s - vertical)
    assert {move.deposit for move in still.moves} == {move.deposit for move in motions.moves}
    for (index, heading), (was, was_heading) in zip(still.sections, motions.sections, strict=True):
        assert heading == was_heading
        assert still.moves[index].deposit == motions.moves[was].deposit


# What a person must hear.


def test_places_out_of_reach_are_refused_all_at_once(board_of: Callable[..., Board], profile):
    small = replace(profile, machine=replace(profile.machine, x_max_mm=70.0, y_max_mm=65.0))
    with pytest.raises(InputError) as refused:
        plan_motions(*board_of((((30.0, 30.0),), 0.1)), small)
    words = [problem.what for problem in refused.value.problems]
    assert any("X" in what and "70.000" in what for what in words)
    assert any("Y" in what and "65.000" in what for what in words)


def test_a_barrel_that_runs_dry_is_refused(board_of: Callable[..., Board], profile):
    board = board_of(*[(((float(i), 1.0),), 1.0) for i in range(30)])
    little = replace(profile, barrel=replace(profile.barrel, fill_ul=25.0))
    with pytest.raises(InputError, match=r"barrel holds 25 µL, enough for 0\.\d\d boards"):
        plan_motions(*board, little)


def test_a_stroke_that_is_too_short_is_refused(board_of: Callable[..., Board], profile):
    board = board_of((((1.0, 1.0),), 0.5))
    with pytest.raises(InputError, match=r"stroke is 0\.10 mm"):
        plan_motions(*board, replace(profile, plunger=replace(profile.plunger, stroke_mm=0.1)))


def test_doses_of_few_microsteps_warn_and_of_fewer_are_refused(board_of: Callable[..., Board], profile):
    step = profile.microstep_ul
    told = plan_motions(*board_of((((1.0, 1.0),), 6 * step), (((3.0, 1.0),), 0.1)), profile)
    assert any("fewer than 10 microsteps" in words and "6.0" in words for words in told.warnings)
    with pytest.raises(InputError, match="fewer than 3 microsteps"):
        plan_motions(*board_of((((1.0, 1.0),), 2 * step), (((3.0, 1.0),), 0.1)), profile)


def test_uneven_beads_and_slow_pushes_are_told_once_each(board_of: Callable[..., Board], profile):
    short = [(((float(i), 0.0), (float(i) + 0.05, 0.0)), 0.1) for i in range(5)]
    airy = replace(
        profile,
        tuning=replace(profile.tuning, bubble_ul=30.0, push_ul_s=500.0, fastest_push=False),
    )
    warnings = plan_motions(*board_of(*short), airy).warnings
    assert sum("5 of 5 beads are uneven" in words for words in warnings) == 1
    assert sum("push_ul_s is 500" in words for words in warnings) == 1


def test_a_good_bench_has_nothing_to_tell(board_of: Callable[..., Board], profile):
    assert (
        plan_motions(*board_of((((1.0, 1.0),), 0.1), (((0.0, 0.0), (6.0, 0.0)), 0.8)), profile).warnings == ()
    )


def test_slowed_dots_and_beads_are_told(board_of: Callable[..., Board], profile):
    # A motor that holds some 200 kPa with its margin.
    weak = replace(profile, plunger=replace(profile.plunger, torque_nm=0.0011))
    board = board_of((((1.0, 1.0),), 1.5), (((0.0, 0.0), (1.0, 0.0)), 2.0))
    warnings = plan_motions(*board, weak).warnings
    assert any("1 of 1 dots are pushed slower" in words for words in warnings)
    assert any("1 of 1 beads are walked slower" in words for words in warnings)


# Properties over made-up boards, and speed.

places = st.tuples(st.floats(0.0, 60.0), st.floats(0.0, 60.0))
paths = st.lists(places, min_size=1, max_size=4).map(tuple)
boards = st.lists(st.tuples(paths, st.floats(0.02, 1.0)), min_size=1, max_size=12)


@settings(max_examples=8, suppress_health_check=[HealthCheck.too_slow])
@given(boards)
def test_any_board_keeps_the_rules(board_of: Callable[..., Board], profile, deposits):
    board = board_of(*deposits)
    cycles = plan_cycles(*board, profile)
    motions = motions_of(cycles, *board, profile)
    assert len(cycles.visits) == len(deposits)
    for (_, volume), cycle in zip(deposits, cycles.visits, strict=True):
        if isinstance(cycle, DotCycle):
            net = cycle.push_ul - cycle.retract_ul
        else:
            net = cycle.prime_ul + cycle.feed_ul - cycle.retract_ul
        assert net == pytest.approx(volume, rel=1e-9)
    assert {move.deposit for move in motions.moves} == {None, *range(len(deposits))}
    low = [move for move in motions.moves if move.z_mm < profile.travel_z_mm]
    assert all(move.z_mm >= profile.bed.board_z_mm + 0.05 for move in low)
    assert all(move.step not in (Step.TRAVEL, Step.RAISE) for move in low)
    # A lift that goes on from where the plunger has drawn back ends at full height.
    for move, then in pairwise(motions.moves):
        if move.step is Step.LIFT and move.z_mm < profile.travel_z_mm:
            assert then.step is Step.LIFT
            assert then.z_mm == profile.travel_z_mm
    assert all(move.duration_s >= 0 for move in motions.moves)


def test_twenty_thousand_deposits_are_planned(board_of: Callable[..., Board], profile):
    kinds = [(((0.0, 0.0),), 0.05), (((0.0, 0.0), (1.5, 0.0)), 0.15), (((0.0, 0.0),), 0.02)]
    deposits = [
        (tuple((x + 0.5 * (i % 100), y + 0.5 * (i // 200)) for x, y in path), volume * (1 + i % 7 / 10))
        for i in range(20_000)
        for path, volume in [kinds[i % 3]]
    ]
    motions = plan_motions(*board_of(*deposits), profile)
    assert len(motions.moves) > 100_000

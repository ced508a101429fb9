"""Guided work played with lists of answers: what it asks, where the tip goes, what is written into the profile."""

from math import cos, hypot, radians, sin

import pytest
from guides_played import Played, bench
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from pastewright.hands.barrels import load, purge, swept_mm, unload
from pastewright.hands.finding import feel_heights, find_marks, lying
from pastewright.hands.guide import Act, Confirm, GivenUpError, Keep, Look, Tell
from pastewright.hands.measuring import (
    camera_scale,
    gain_by_mass,
    measure_backlash,
    measure_camera,
    measure_offset,
    measure_plunger,
    measure_plunger_by_scale,
    measure_stiffness,
    stiffness_n_mm,
)
from pastewright.hands.moves import Push, Spot
from pastewright.hands.reach import reach_of
from pastewright.hands.touching import touch_off_by_paper, touch_off_by_probe
from pastewright.place.fiducials.locate import MarkView
from pastewright.place.height.probe import Probing, Touch
from pastewright.place.transform import affine
from pastewright.problems import InputError

PROFILE = bench()
HIGH = Spot(x_mm=50.0, y_mm=50.0, z_mm=60.0)


def pushed_mm(played: Played) -> float:
    return sum(move.by_mm for act in played.of(Act) for move in act.moves if isinstance(move, Push))


def cautions(played: Played) -> int:
    return sum(tell.caution for tell in played.of(Tell))


def test_paper_is_taken_off_the_height() -> None:
    played = Played(PROFILE, HIGH).run(touch_off_by_paper(PROFILE), [{"z_mm": 20.42}, 0.12])
    assert played.result == approx(20.3)
    assert played.profile.bed.board_z_mm == 20.3
    assert played.at.z_mm == approx(22.3)  # up to the new travel height
    assert cautions(played) == 1


def test_a_height_far_from_the_old_one_is_asked_about_and_a_no_writes_nothing() -> None:
    with pytest.raises(GivenUpError, match="not written"):
        Played(PROFILE, HIGH).run(touch_off_by_paper(PROFILE), [{"z_mm": 15.0}, 0.1, False])


def test_a_probe_touches_three_times_and_its_offset_counts() -> None:
    played = Played(PROFILE, HIGH, ground_mm=19.73).run(touch_off_by_probe(PROFILE, HIGH), [True])
    assert played.result == approx(19.73)
    assert played.profile.bed.board_z_mm == 19.73
    assert len([one for one in played.requests if type(one).__name__ == "Feel"]) == 3
    assert any(confirm.safety for confirm in played.of(Confirm))


def test_a_probe_that_touches_nothing_gives_up_and_writes_nothing() -> None:
    played = Played(PROFILE, HIGH)
    with pytest.raises(GivenUpError, match="nothing was touched down to Z 19 mm"):
        played.run(touch_off_by_probe(PROFILE, HIGH), [True])
    assert not played.of(Keep)


def test_a_barrel_goes_in_and_is_fed_until_paste_shows() -> None:
    answers = [30.0, True, None, "no", "no", "yes"]
    played = Played(PROFILE, HIGH).run(load(PROFILE, HIGH, reach_of(PROFILE)), answers)
    assert played.result == approx(10.0)  # two portions of 5 µL
    # Drawn back by 30 mm, fed 10 µL, relieved by the profile's 2 µL.
    area_mm2 = PROFILE.barrel.area_mm2
    assert pushed_mm(played) == approx(-30 + (10 - PROFILE.run.relieve_ul) / area_mm2)
    assert cautions(played) == 1


def test_feeding_gives_up_when_no_paste_comes() -> None:
    with pytest.raises(GivenUpError, match="no paste after 375 µL"):  # 15 % of 2.5 mL
        Played(PROFILE, HIGH).run(load(PROFILE, HIGH, reach_of(PROFILE)), [0.0, True, None, *["no"] * 76])


def test_a_barrel_comes_out_relieved() -> None:
    played = Played(PROFILE, HIGH).run(unload(PROFILE, HIGH, reach_of(PROFILE)), [5.0, True])
    assert pushed_mm(played) == approx(-5.0 - swept_mm(PROFILE.run.relieve_ul, PROFILE))


def test_purging_presses_out_what_was_asked_and_relieves() -> None:
    guide = purge(PROFILE, HIGH, reach_of(PROFILE), volume_ul=12.0)
    played = Played(PROFILE, HIGH).run(guide, [True])
    assert pushed_mm(played) * PROFILE.barrel.area_mm2 == approx(12.0 - PROFILE.run.relieve_ul)


def test_nothing_is_pressed_out_where_the_card_is_not_confirmed() -> None:
    played = Played(PROFILE, HIGH)
    with pytest.raises(GivenUpError, match="nothing was pressed out"):
        played.run(purge(PROFILE, HIGH, reach_of(PROFILE), volume_ul=12.0), [False])
    assert pushed_mm(played) == 0.0


def test_a_caliper_tells_the_gain() -> None:
    # Commanded 10 mm; 12.50 to 22.24 mm read: 97.4 %.
    played = Played(PROFILE, HIGH).run(measure_plunger(PROFILE), [True, 12.50, 22.24])
    assert played.result == approx(0.974)
    assert played.profile.tuning.gain == approx(0.974)


def test_a_drive_whose_steps_are_wrong_is_told_by_what_to_multiply() -> None:
    with pytest.raises(GivenUpError, match=r"by 4\.0000"):
        Played(PROFILE, HIGH).run(measure_plunger(PROFILE), [True, 10.0, 12.5])


def test_a_scale_tells_the_gain_by_mass() -> None:
    # By hand: 100 µL swept, 0.96 of it out, density 5 mg/µL: 480 mg.
    assert gain_by_mass(480.0, 5.0, 100.0) == approx(0.96)
    density = PROFILE.paste.density_g_cm3
    played = Played(PROFILE, HIGH).run(
        measure_plunger_by_scale(PROFILE), [True, True, 100.0 * density * 0.93]
    )
    assert played.result == approx(0.93)


def test_backlash_is_the_difference_between_two_ways_to_one_place() -> None:
    # Readings are the plunger's: behind 10.00, from before it lags at 10.03, 10.05, 10.04.
    answers = [True, 10.00, 10.03, 10.00, 10.05, 10.00, 10.04]
    played = Played(PROFILE, HIGH).run(measure_backlash(PROFILE), answers)
    assert played.result == approx(0.04)
    assert played.profile.plunger.backlash_mm == 0.04
    assert pushed_mm(played) == approx(0.0)  # it ends where it began


def test_stiffness_of_a_spring_and_a_scale_that_gives() -> None:
    # 200 N/mm frame and a scale of 1 mm per 10 N in a row: 1/k = 0.005 + 0.1, k = 9.5238 N/mm.
    readings = [(feed / 10, 9.523809 * feed / 10) for feed in range(6)]
    assert stiffness_n_mm(readings, gives_mm_n=0.1) == approx(200.0, rel=1e-4)
    with pytest.raises(InputError, match="straight line"):
        stiffness_n_mm([(0, 0), (0.1, 10), (0.2, 10), (0.3, 2)])


def test_stiffness_is_read_off_a_scale() -> None:
    answers = [True, 0.0, None, 0.0, 15.0, 30.0, 45.0, 60.0, 75.0]  # steps of 10 N / 200 N/mm = 0.05 mm
    played = Played(PROFILE, HIGH).run(measure_stiffness(PROFILE), answers)
    assert played.result == approx(300.0)
    assert played.profile.plunger.frame_stiffness_n_mm == approx(300.0)


def test_stiffness_by_current_uses_torque_screw_and_gear() -> None:
    # Twice the current is twice the force: what is found scales with the readings.
    def found(factor: float) -> float:
        answers = [True, 1.0, None, *(factor * amps for amps in (0.0, 0.01, 0.02, 0.03, 0.04, 0.05))]
        return float(Played(PROFILE, HIGH).run(measure_stiffness(PROFILE, by_current=True), answers).result)

    assert found(2.0) == approx(2 * found(1.0), rel=1e-6)


@given(st.floats(0.003, 0.05), st.floats(-170, 170), st.floats(-3, 3), st.floats(1, 3))
def test_two_looks_tell_what_the_view_was_made_with(scale: float, turn: float, dx: float, dy: float) -> None:
    # The judge is the view that `locate` uses to lead pixels back to mm.
    view = MarkView(width_px=641, height_px=481, mm_per_px=scale, turn_deg=turn)

    def seen(off_mm: complex) -> tuple[float, float]:
        u = off_mm / scale * complex(cos(radians(-turn)), sin(radians(-turn)))
        return 320 + u.real, 240 - u.imag

    mark = complex(0.3, -0.2)
    first, second = seen(mark), seen(mark - complex(dx, dy))
    back = view.off_centre_mm(*first)
    assert complex(*back) == approx(mark, abs=1e-9)
    found_scale, found_turn = camera_scale((dx, dy), first, second)
    assert found_scale == approx(scale, rel=1e-6)
    assert found_turn == approx(turn, abs=1e-4)


def test_a_mark_that_did_not_move_tells_nothing() -> None:
    with pytest.raises(InputError, match=r"moved by 0\.0 pixels"):
        camera_scale((2.0, 2.0), (100.0, 100.0), (100.0, 100.0))


def test_camera_scale_and_offset_are_kept() -> None:
    reach = reach_of(PROFILE)
    # 2 mm both ways move the mark by 100 px: to the left, and down in the picture.
    played = Played(PROFILE, HIGH).run(
        measure_camera(PROFILE, HIGH, reach), [None, (400.0, 200.0), (300.0, 300.0)]
    )
    assert len(played.of(Look)) == 2
    assert played.profile.camera.mm_per_px == approx(0.02)
    assert played.profile.camera.turn_deg == approx(0.0, abs=1e-6)
    touched = [{"x_mm": 50.0, "y_mm": 60.0}, {"x_mm": 80.0, "y_mm": 62.0}]
    touched += [{"x_mm": 90.0, "y_mm": 40.0}, {"x_mm": 120.02, "y_mm": 42.02}]
    played = Played(PROFILE, HIGH).run(measure_offset(PROFILE, HIGH, reach), touched)
    assert (played.profile.camera.offset_x_mm, played.profile.camera.offset_y_mm) == approx((-30.01, -2.01))


@given(turn=st.floats(-30, 30), x=st.floats(-20, 20), y=st.floats(-20, 20))
def test_two_marks_lead_to_the_third(turn: float, x: float, y: float) -> None:
    true = affine(turn_deg=turn, shift_mm=(60 + x, 60 + y))
    where = affine(shift_mm=(60, 60))
    board = [(9.0, 36.6), (41.0, 36.6), (9.0, 3.4)]
    found = [(place, true.point(place)) for place in board[:2]]
    assert lying(found, where).point(board[2]) == approx(true.point(board[2]), abs=1e-6)
    # With one mark only its shift is known: off by the turn of the way between them, no more.
    near = lying(found[:1], where).point(board[1])
    off = hypot(near[0] - true.point(board[1])[0], near[1] - true.point(board[1])[1])
    assert off == approx(2 * 32.0 * sin(radians(abs(turn) / 2)), abs=1e-6)


def test_marks_are_gone_near_to_and_found_where_the_person_steers() -> None:
    places = {"F1": (9.0, 36.6), "F2": (41.0, 36.6), "F3": (9.0, 3.4)}
    where = affine(shift_mm=(60.0, 60.0))
    steered = [
        {"x_mm": 69.2, "y_mm": 96.8, "z_mm": 20.1},
        {"x_mm": 101.2, "y_mm": 96.8, "z_mm": 20.1},
        None,
    ]
    played = Played(PROFILE, HIGH).run(
        find_marks(places, where, PROFILE, HIGH, reach_of(PROFILE), by_camera=False), steered
    )
    found = {point.name: point.found_mm for point in played.result}
    assert found["F1"] == (69.2, 96.8)
    assert found["F3"] == approx((69.2, 63.6))  # gone there by itself: the board's shift was known by then
    assert played.at.z_mm == PROFILE.travel_z_mm


def test_a_probing_journey_is_carried_out_by_itself() -> None:
    journey = Probing(
        stops=(
            Touch(at_mm=(62.0, 62.0), over=True),
            Touch(at_mm=(100.0, 62.0)),
            Touch(at_mm=(100.0, 95.0), over=True),
        ),
        travel_z_mm=22.0,
        safe_z_mm=30.0,
        low_z_mm=19.0,
    )
    played = Played(PROFILE, HIGH, ground_mm=20.05).run(feel_heights(journey, PROFILE, HIGH), [True])
    assert played.result == [(62.0, 62.0, 20.05), (100.0, 62.0, 20.05), (100.0, 95.0, 20.05)]
    assert played.at.z_mm == 30.0
    with pytest.raises(GivenUpError, match=r"place 1 at X 62\.00 Y 62\.00 was not touched down to Z 19 mm"):
        Played(PROFILE, HIGH).run(feel_heights(journey, PROFILE, HIGH), [True])

"""A hand on both virtual controllers: it keeps the limits whatever is pressed, and says so when it is broken off."""

from itertools import count, pairwise

import pytest
from hands_on import hands_on
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.hands.held import Held, carried_out, down, next_move, paces_of, up
from pastewright.hands.jog import SIZES_MM, JogHalt, JogStep, pressed, speeds_of
from pastewright.hands.moves import Go, Push, Spot, Wait
from pastewright.hands.travel import lifted, to_place
from pastewright.link.bench import plunger_units_per_mm
from pastewright.link.events import Trouble
from pastewright.link.owner import MachineError
from pastewright.problems import InputError
from pastewright.virtual import Ground

PROTOCOLS = ("reprap", "cnc")
presses = st.builds(
    JogStep,
    axis=st.sampled_from("XXYYZZP"),
    by_mm=st.builds(lambda size, sign: size * sign, st.sampled_from(SIZES_MM), st.sampled_from((-1, 1))),
)


@pytest.mark.parametrize("protocol", PROTOCOLS)
@settings(max_examples=12)
@given(steps=st.lists(presses, max_size=25), corner=st.sampled_from([(0, 0), (1, 0), (1, 1), (0.5, 1)]))
def test_the_machine_never_leaves_its_travel_and_never_trips_a_switch(
    protocol: str, steps: list[JogStep], corner: tuple[float, float]
) -> None:
    on = hands_on(protocol)
    hand, profile = on.hand, on.hand.profile
    axes = profile.machine
    place = (
        axes.x_min_mm + corner[0] * (axes.x_max_mm - axes.x_min_mm),
        axes.y_min_mm + corner[1] * (axes.y_max_mm - axes.y_min_mm),
    )
    hand.go(to_place(place, hand.at, hand.reach(), profile))
    begun = len(on.machine.executed)
    for step in steps:
        move = pressed(step, hand.at, hand.reach(), speeds_of(profile), pushed_mm=hand.pushed_mm)
        if not isinstance(move, JogHalt):
            hand.go([move])
    assert on.machine.state.alarm == ""
    for x, y, z in on.all_true_mm(begun):
        assert axes.x_min_mm - 1e-4 <= x <= axes.x_max_mm + 1e-4
        assert axes.y_min_mm - 1e-4 <= y <= axes.y_max_mm + 1e-4
        assert profile.bed.board_z_mm - 1e-4 <= z <= axes.z_max_mm + 1e-4
    # What the hand believes is where the machine truly is.
    assert on.true_mm == approx((hand.at.x_mm, hand.at.y_mm, hand.at.z_mm), abs=1e-3)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_hundred_steps_of_a_hundredth_make_a_millimetre(protocol: str) -> None:
    # Places reported to two decimals must not round the sum away.
    on = hands_on(protocol)
    hand, profile = on.hand, on.hand.profile
    hand.go(lifted(hand.at, profile))
    begin_mm = on.true_mm[0]
    for _ in range(30):
        move = pressed(JogStep(axis="X", by_mm=0.01), hand.at, hand.reach(), speeds_of(profile))
        assert isinstance(move, Go)
        hand.go([move])
    assert on.true_mm[0] - begin_mm == approx(0.3, abs=1e-6)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_the_plunger_goes_in_its_own_unit_and_is_counted(protocol: str) -> None:
    on = hands_on(protocol)
    drive = on.hand.profile.plunger
    on.hand.go([Push(by_mm=1.5, speed_mm_s=0.5), Wait(seconds=0.01), Push(by_mm=-0.5, speed_mm_s=0.5)])
    per_mm = drive.sign * (1.0 if protocol == "reprap" else 360 * drive.gear / drive.screw.lead_mm)
    assert on.machine.state.plunger == approx(per_mm, rel=1e-5)
    assert on.hand.pushed_mm == approx(1.0)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_move_out_of_reach_sends_nothing(protocol: str) -> None:
    on = hands_on(protocol)
    on.hand.look()
    begun = len(on.machine.executed)
    for move in (Go(to_mm={"X": 1e4}, speed_mm_s=10.0), Go(to_mm={"Z": -1e3}, speed_mm_s=5.0)):
        with pytest.raises(InputError, match="out of reach"):
            on.hand.go([move])
    assert [done.text for done in on.machine.executed[begun:] if "G1" in done.text] == []


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_nothing_moves_while_the_place_is_not_known(protocol: str) -> None:
    on = hands_on(protocol)
    on.hand.owner.doubt("power was cut")
    with pytest.raises(InputError, match="power was cut"):
        on.hand.go([Go(to_mm={"Z": on.hand.profile.travel_z_mm}, speed_mm_s=5.0)])
    assert on.true_mm == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_limit_switch_in_the_middle_of_a_jog_is_told_and_ends_all_moving(protocol: str) -> None:
    on = hands_on(protocol, scale=0.02)
    hand, profile = on.hand, on.hand.profile
    hand.go(lifted(hand.at, profile))
    # The machine trips a switch that nobody expected there: a cable, a loose flag.
    before = hand.stop
    calls = count()

    def trip() -> bool:
        if next(calls) == 1:
            port = hand.owner.port
            on.machine.hit_limit(port._inner.now_s)  # type: ignore[attr-defined]
        return before() if before else False

    hand.stop = trip
    with pytest.raises(MachineError) as caught:
        hand.go([Go(to_mm={"X": 150.0}, speed_mm_s=2.0)])
    assert caught.value.trouble is Trouble.ALARM
    hand.stop = None
    with pytest.raises(InputError, match="not known"):
        hand.go([Go(to_mm={"X": 1.0}, speed_mm_s=2.0)])


def test_a_hand_stops_a_move_of_a_cnc_controller_at_once_and_knows_where() -> None:
    answers = iter([False] * 20 + [True] * 1000)
    on = hands_on("cnc", scale=1.0, stop=lambda: False)
    on.hand.go([Go(to_mm={"Z": 0.0}, speed_mm_s=15.0)])
    on.hand.stop = lambda: next(answers)
    with pytest.raises(MachineError) as caught:
        on.hand.go([Go(to_mm={"X": 150.0}, speed_mm_s=20.0)])
    assert caught.value.trouble is Trouble.STOPPED
    assert 0.0 < on.true_mm[0] < 100.0
    on.hand.stop = None
    assert on.hand.at.x_mm == approx(on.true_mm[0], abs=0.002)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_held_motion_has_one_move_on_the_machine_and_its_length_is_bounded(protocol: str) -> None:
    on = hands_on(protocol)
    hand, profile = on.hand, on.hand.profile
    hand.go(lifted(hand.at, profile))
    speeds, paces = speeds_of(profile), paces_of(profile)
    held, begun, most_queued = down(Held(), "X", 1, 0.0), len(on.machine.executed), 0
    for press in range(12):
        held, move = next_move(held, 0.0, hand.at, hand.reach(), speeds, paces)
        assert isinstance(move, Go)
        hand.go([move])
        most_queued = max(most_queued, on.machine.state.queued_moves)
        held = carried_out(held)
        if press == 9:
            held = up(held)
            break
    assert next_move(held, 0.0, hand.at, hand.reach(), speeds, paces)[1] is None
    assert most_queued == 0  # each was over before the next was sent
    places = [x for x, _, _ in on.all_true_mm(begun)]
    longest = max(after - before for before, after in pairwise(places))
    assert longest <= paces.slice_mm("X", speeds.level_mm_s) + 1e-6
    assert places[-1] == approx(10 * paces.slice_mm("X", speeds.level_mm_s), abs=1e-3)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_the_ground_is_felt_where_it_is(protocol: str) -> None:
    ground_mm = 18.37 if protocol == "reprap" else -41.63
    on = hands_on(protocol, ground=Ground(z_mm=ground_mm, slope_x=0.001))
    hand, profile = on.hand, on.hand.profile
    hand.go(to_place((40.0, 30.0), hand.at, hand.reach(), profile))
    low_mm = profile.machine.z_min_mm
    found = hand.feel(low_mm, 2.0)
    assert isinstance(found, Spot) and (found.x_mm, found.y_mm) == approx((40.0, 30.0))
    assert found.z_mm == approx(ground_mm + 0.04, abs=0.006)
    hand.go([Go(to_mm={"Z": hand.at.z_mm + 3}, speed_mm_s=5.0)], touching=True)
    assert hand.feel(hand.at.z_mm - 1.0, 2.0) is None
    assert hand.owner.known  # no contact is an answer, not an alarm


def test_a_probe_on_shifted_coordinates_answers_in_the_program_s_own() -> None:
    on = hands_on("cnc", ground=Ground(z_mm=-40.0))
    on.hand.owner.do(["G21", "G90", "G92 X100 Y50"])
    on.hand._at = None
    found = on.hand.feel(-45.0, 2.0)
    assert found is not None
    assert (found.x_mm, found.y_mm, found.z_mm) == approx((100.0, 50.0, -40.0), abs=1e-3)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_making_safe_lifts_from_wherever_it_is(protocol: str) -> None:
    on = hands_on(protocol)
    hand, profile = on.hand, on.hand.profile
    hand.go(to_place((40.0, 30.0), hand.at, hand.reach(), profile, down_to_mm=profile.bed.board_z_mm + 0.2))
    assert on.true_mm[2] < profile.travel_z_mm
    assert hand.safe("a test")
    assert on.true_mm[2] == approx(profile.travel_z_mm, abs=1e-3)
    # Paste that nobody pushed stays as it was left.
    assert on.machine.state.plunger == 0.0


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_making_safe_draws_back_what_was_pushed_and_tells_that(protocol: str) -> None:
    on = hands_on(protocol)
    hand, profile = on.hand, on.hand.profile
    told: list[float] = []
    hand.when_relieved = told.append
    units = plunger_units_per_mm(profile)
    hand.go([Push(by_mm=0.2, speed_mm_s=0.2), Push(by_mm=-0.1, speed_mm_s=0.2)])
    assert hand.safe("drawn back already") and not told
    assert on.machine.state.plunger == approx(0.1 * units, abs=1e-3)
    hand.go([Push(by_mm=0.2, speed_mm_s=0.2)])
    assert hand.safe("under pressure")
    relief_mm = profile.run.relieve_ul / profile.barrel.area_mm2
    assert told == [approx(relief_mm)]
    assert hand.pushed_mm == approx(0.3 - relief_mm)
    assert on.machine.state.plunger == approx(hand.pushed_mm * units, rel=0.01)
    assert hand.safe("again") and len(told) == 1

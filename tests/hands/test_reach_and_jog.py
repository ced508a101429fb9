"""One step a press: it stays within reach whatever is pressed; typed steps are whole or not at all."""

import pytest
from guides_played import bench
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from pastewright.hands.held import (
    LEASE_S,
    SLICE_S,
    Held,
    Paces,
    alive,
    carried_out,
    down,
    next_move,
    paces_of,
    up,
)
from pastewright.hands.jog import SIZES_MM, JogHalt, JogStep, pressed, speeds_of, stepped, typed_steps
from pastewright.hands.moves import Go, Push, Spot, after, length_mm
from pastewright.hands.reach import LEVEL_STEP_MM, Reach, kept, reach_of
from pastewright.hands.travel import to_place
from pastewright.problems import InputError

BENCHES = {name: bench(name) for name in ("bench-reprap-e", "bench-ngc-rotary-a")}
steps = st.builds(
    JogStep,
    axis=st.sampled_from("XYZP"),
    by_mm=st.builds(
        lambda size, sign: size * sign, st.sampled_from(SIZES_MM) | st.floats(0, 50), st.sampled_from((-1, 1))
    ),
)


def inside(name: str) -> st.SearchStrategy[Spot]:
    reach = reach_of(BENCHES[name])
    return st.builds(
        Spot,
        x_mm=st.floats(*reach.range_mm("X")),
        y_mm=st.floats(*reach.range_mm("Y")),
        z_mm=st.floats(*reach.range_mm("Z")),
    )


@pytest.mark.parametrize("name", BENCHES)
@given(data=st.data())
def test_no_sequence_of_presses_leaves_the_reach(name: str, data: st.DataObject) -> None:
    profile = BENCHES[name]
    reach, speeds = reach_of(profile, touching=data.draw(st.booleans())), speeds_of(profile)
    at, pushed_mm = data.draw(inside(name)), 0.0
    for step in data.draw(st.lists(steps, max_size=40)):
        move = pressed(step, at, reach, speeds, pushed_mm=pushed_mm)
        if isinstance(move, JogHalt):
            continue
        assert kept([move], at, reach) == (move,)
        if isinstance(move, Go):
            assert length_mm(at, move) <= min(abs(step.by_mm), 10.0) + 1e-9
            level = any(axis in move.to_mm for axis in "XY")
            assert (
                not level
                or at.z_mm >= reach.travel_z_mm - 1e-6
                or length_mm(at, move) <= LEVEL_STEP_MM + 1e-9
            )
        if isinstance(move, Push):
            pushed_mm += move.by_mm
        at = after(at, move)
        assert reach.holds(at)
        assert abs(pushed_mm) <= profile.plunger.stroke_mm + 1e-6
        assert reach.touching or at.z_mm >= profile.bed.board_z_mm - 1e-6


@pytest.mark.parametrize("name", BENCHES)
@given(data=st.data())
def test_a_step_back_is_possible_from_beyond_an_end_and_none_further_out(
    name: str, data: st.DataObject
) -> None:
    # Power-on at a place the profile does not have, or a profile that was changed.
    profile = BENCHES[name]
    reach, speeds = reach_of(profile), speeds_of(profile)
    high = reach.range_mm("X")[1]
    at = Spot(x_mm=high + data.draw(st.floats(0.01, 20)), y_mm=1.0, z_mm=reach.travel_z_mm)
    assert isinstance(pressed(JogStep(axis="X", by_mm=1.0), at, reach, speeds), JogHalt)
    back = pressed(JogStep(axis="X", by_mm=-1.0), at, reach, speeds)
    assert isinstance(back, Go)
    assert back.to_mm["X"] == approx(at.x_mm - 1.0)


def test_a_press_at_the_end_says_which_end_it_is() -> None:
    profile = BENCHES["bench-reprap-e"]
    reach, speeds = reach_of(profile), speeds_of(profile)
    at = Spot(x_mm=219.95, y_mm=0.0, z_mm=20.0)
    move = pressed(JogStep(axis="X", by_mm=0.1), at, reach, speeds)
    assert isinstance(move, Go)
    assert move.to_mm["X"] == 220.0  # shortened, not refused
    ends = {
        JogStep(axis="Y", by_mm=-0.1): "Y ends at 0 mm",
        JogStep(axis="Z", by_mm=-0.1): "the known surface is at Z 20 mm; only touch-off goes below it",
    }
    for step, words in ends.items():
        assert pressed(step, at, reach, speeds) == JogHalt(words=words)


def test_typed_steps_are_read_as_they_are_written() -> None:
    assert typed_steps(["x+0.1", "Y-2", "z+.05", "p -0.3"]) == (
        JogStep(axis="X", by_mm=0.1),
        JogStep(axis="Y", by_mm=-2.0),
        JogStep(axis="Z", by_mm=0.05),
        JogStep(axis="P", by_mm=-0.3),
    )


def test_every_typed_word_that_is_no_step_is_named() -> None:
    with pytest.raises(InputError) as caught:
        typed_steps(["x0.1", "q+1", "x+1e3", "x+nan", "z+11", "y+1"])
    assert [problem.what.split()[0] for problem in caught.value.problems] == [
        "'x0.1'",
        "'q+1'",
        "'x+1e3'",
        "'x+nan'",
        "'z+11'",
    ]


def test_typed_steps_beyond_the_reach_move_nothing_at_all() -> None:
    profile = BENCHES["bench-reprap-e"]
    at = Spot(x_mm=215.0, y_mm=0.0, z_mm=50.0)
    with pytest.raises(InputError, match="X 225 mm is out of reach: X ends at 220 mm"):
        stepped(typed_steps(["y+1", "x+10"]), at, reach_of(profile), speeds_of(profile))


def test_a_level_way_below_travel_height_is_refused_and_a_place_is_gone_to_over_it() -> None:
    profile = BENCHES["bench-reprap-e"]
    reach = reach_of(profile)
    low = Spot(x_mm=10.0, y_mm=10.0, z_mm=20.5)
    with pytest.raises(InputError, match="Lift it to Z 22 mm"):
        kept([Go(to_mm={"X": 12.0}, speed_mm_s=10.0)], low, reach)
    moves = to_place((100.0, 50.0), low, reach, profile, down_to_mm=21.0)
    assert [dict(move.to_mm) for move in moves if isinstance(move, Go)] == [
        {"Z": 22.0},
        {"X": 100.0, "Y": 50.0},
        {"Z": 21.0},
    ]


@given(st.floats(-300, 300), st.floats(-300, 300), st.floats(0, 200), st.floats(0, 200))
def test_the_way_to_a_place_never_crosses_below_travel_height(
    x: float, y: float, z: float, down_to: float
) -> None:
    profile = BENCHES["bench-reprap-e"]
    at = Spot(x_mm=50.0, y_mm=50.0, z_mm=z)
    try:
        moves = to_place((x, y), at, reach_of(profile), profile, down_to_mm=down_to)
    except InputError:
        assert not (0 <= x <= 220 and 0 <= y <= 220 and down_to >= 20)
        return
    for move in moves:
        assert isinstance(move, Go)
        if "X" in move.to_mm:
            assert at.z_mm >= profile.travel_z_mm
        at = after(at, move)
    assert (at.x_mm, at.y_mm) == (x, y)


def test_slices_by_hand() -> None:
    paces = Paces(level_mm_s2=1000.0, z_mm_s2=150.0, plunger_mm_s2=8.0)
    # 1000 mm/s² for 30 ms reaches 30 mm/s; rest to rest in 60 ms is a·t²/4 = 0.9 mm.
    assert paces.slice_mm("X", 50.0) == approx(0.9)
    # At no more than 10 mm/s: 10 ms up, 40 ms along, 10 ms down: 0.05 + 0.4 + 0.05.
    assert paces.slice_mm("X", 10.0) == approx(0.5)
    assert paces.slice_mm("Z", 7.5) == approx(0.135)


wishes = st.lists(
    st.sampled_from(("down", "up", "alive", "done")) | st.floats(0.001, 0.05), min_size=1, max_size=60
)


@given(wishes=wishes, axis=st.sampled_from("XYZP"), sign=st.sampled_from((-1, 1)))
def test_of_held_motion_one_short_move_is_out_at_most_and_none_follows_a_key_up(
    wishes: list[str | float], axis: str, sign: int
) -> None:
    profile = BENCHES["bench-reprap-e"]
    reach, speeds, paces = reach_of(profile), speeds_of(profile), paces_of(profile)
    held, now_s, heard_s = Held(), 0.0, -1.0
    at, pushed_mm, out, pressed_down = Spot(x_mm=110.0, y_mm=110.0, z_mm=60.0), 0.0, 0, False
    for wish in wishes:
        if isinstance(wish, float):
            now_s += wish
        elif wish == "down":
            held, pressed_down, heard_s = down(held, axis, sign, now_s), True, now_s
        elif wish == "up":
            held, pressed_down = up(held), False
        elif wish == "alive":
            held, heard_s = alive(held, now_s), now_s
        elif out:
            held, out = carried_out(held), 0
        held, move = next_move(held, now_s, at, reach, speeds, paces, pushed_mm=pushed_mm)
        if move is None:
            continue
        assert not isinstance(move, JogHalt)
        assert pressed_down, "a move after the key-up"
        assert now_s - heard_s <= LEASE_S, "a move for a page that is lost"
        out += 1
        assert out == 1, "two moves on their way"
        if isinstance(move, Go):
            assert length_mm(at, move) <= paces.slice_mm(axis, speeds.of(axis)) + 1e-9
            at = after(at, move)
            assert reach.holds(at)
        else:
            assert isinstance(move, Push)
            pushed_mm += move.by_mm


def test_held_motion_ends_at_the_limit() -> None:
    profile = BENCHES["bench-reprap-e"]
    reach, speeds, paces = reach_of(profile), speeds_of(profile), paces_of(profile)
    held, at = down(Held(), "X", 1, 0.0), Spot(x_mm=219.0, y_mm=0.0, z_mm=60.0)
    places = []
    for _ in range(5):
        held, move = next_move(held, 0.0, at, reach, speeds, paces)
        if isinstance(move, Go):
            at = after(at, move)
            places.append(at.x_mm)
            held = carried_out(held)
    assert places == [approx(219.9), approx(220.0)]
    assert held.step is None


def test_the_budget_of_a_tenth_of_a_second_is_kept_by_the_constants() -> None:
    assert LEASE_S + SLICE_S < 0.1


def test_a_reach_follows_a_measured_surface_that_is_higher() -> None:
    profile = BENCHES["bench-reprap-e"]
    assert reach_of(profile, surface_z_mm=20.7).low_mm[2] == 20.7
    assert reach_of(profile, surface_z_mm=19.5).low_mm[2] == 20.0
    assert isinstance(reach_of(profile, touching=True), Reach)
    assert reach_of(profile, touching=True).low_mm[2] == 0.0

"""Limit switches, probe contacts and jogs of the pretend controllers, as worked dialogues."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from pastewright.virtual import Ground, Manners, VirtualController
from pastewright.virtual.reach import share_to_contact, share_within

Talk = Callable[..., list[str]]

TRAVEL = {"X": (0.0, 50.0), "Y": (0.0, 40.0), "Z": (-20.0, 0.0)}


def cnc(*, scale: float = 0.0, ground: Ground | None = None, travel: bool = True) -> VirtualController:
    manners = Manners(travel=TRAVEL if travel else {}, ground=ground)
    controller = VirtualController("cnc", scale=scale, manners=manners)
    controller.feed(b"$H\nG21 G90\n", 0.0)
    controller.take(0.0)
    return controller


def reprap(*, ground: Ground | None = None, travel: bool = False, scale: float = 0.0) -> VirtualController:
    manners = Manners(travel={"X": (0.0, 50.0)} if travel else {}, ground=ground, chatter_lines=0)
    controller = VirtualController("reprap", scale=scale, manners=manners)
    controller.feed(b"G28\n", 0.0)
    controller.take(0.0)
    return controller


def test_a_move_into_a_switch_stops_there_and_locks(talk: Talk) -> None:
    controller = cnc()
    assert talk(controller, b"G0 X50 Y40 Z-20\n") == ["ok"]  # to the very ends trips nothing
    assert talk(controller, b"G0 X60\n") == ["ALARM:1", "[MSG:Reset to continue]"]
    assert controller.state.axes_mm == approx((50.0, 40.0, -20.0), abs=1e-5)
    assert talk(controller, b"G0 X0\n") == []  # nothing but a reset helps
    assert "ALARM" not in " ".join(talk(controller, b"\x18"))
    assert talk(controller, b"G0 X0\n") == ["error:9"]
    # Homed, it goes again.
    assert talk(controller, b"$H\nG0 X1\n") == ["ok", "ok"]


def test_a_switch_is_hit_where_the_first_axis_leaves(talk: Talk) -> None:
    # From (0, 0) towards (100, 50): X leaves at half of the way, Y would at four fifths.
    controller = cnc()
    talk(controller, b"G0 X100 Y50\n")
    assert controller.state.axes_mm[:2] == approx((50.0, 25.0), abs=1e-5)


def test_a_switch_is_hit_when_the_axis_gets_there_and_not_before() -> None:
    controller = cnc(scale=1.0)
    controller.feed(b"G1 X60 F600\n", 100.0)
    controller.take(102.0)
    assert controller.state.activity == "Run"
    assert b"ALARM:1" in controller.take(107.0)  # 50 mm at 10 mm/s


def test_a_printer_controller_halts_at_a_switch(talk: Talk) -> None:
    controller = reprap(travel=True)
    assert talk(controller, b"G1 X60 F6000\n") == ["Error:Printer halted. kill() called!"]
    assert controller.state.axes_mm[0] == approx(50.0, abs=1e-5)
    assert talk(controller, b"M114\n") == []


def test_soft_limits_refuse_a_jog_and_lock_after_a_move(talk: Talk) -> None:
    controller = cnc()
    assert talk(controller, b"$20=1\n") == ["ok"]
    assert talk(controller, b"$J=G91 X-0.1 F100\n") == ["error:15"]
    assert talk(controller, b"$J=G91 X0.1 F100\n") == ["ok"]
    assert talk(controller, b"G0 X-0.1\n") == ["ALARM:2", "ok"]
    assert controller.state.axes_mm[0] == approx(0.1)


def test_a_probe_stops_at_the_contact_and_says_where(talk: Talk) -> None:
    # By hand: z = -10 + 0.01·20 = -9.8 at X 20.
    controller = cnc(ground=Ground(z_mm=-10.0, slope_x=0.01))
    talk(controller, b"G0 X20\n")
    assert talk(controller, b"G38.2 Z-15 F60\n") == ["[PRB:20.000,0.000,-9.800,0.000:1]", "ok"]
    assert controller.state.axes_mm == approx((20.0, 0.0, -9.8))
    assert "[PRB:20.000,0.000,-9.800,0.000:1]" in talk(controller, b"$#\n")
    # The next one begins at the contact.
    assert talk(controller, b"G38.2 Z-15 F60\n") == ["ALARM:4", "ok"]


@pytest.mark.parametrize(("word", "alarm"), [(b"G38.2", ["ALARM:5"]), (b"G38.3", [])])
def test_a_probe_without_contact(talk: Talk, word: bytes, alarm: list[str]) -> None:
    controller = cnc(ground=Ground(z_mm=-19.0))
    assert talk(controller, word + b" Z-15 F60\n") == [*alarm, "[PRB:0.000,0.000,-15.000,0.000:0]", "ok"]
    assert talk(controller, b"G0 Z0\n") == (["error:9"] if alarm else ["ok"])


def test_a_probe_needs_a_feed_and_an_axis(talk: Talk) -> None:
    controller = cnc()
    assert talk(controller, b"G38.2 Z-5\nG38.2\n") == ["error:22", "error:26"]


def test_a_printer_controller_probes_with_both_words(talk: Talk) -> None:
    controller = reprap(ground=Ground(z_mm=1.5))
    talk(controller, b"G1 X10 Y5 Z6 F6000\n")
    assert talk(controller, b"G30\n") == ["Bed X: 10.00 Y: 5.00 Z: 1.50", "ok"]
    assert controller.state.axes_mm == approx((10.0, 5.0, 6.0))  # up again
    assert talk(controller, b"G38.2 Z0 F60\nM114\n")[:1] == ["ok"]
    assert controller.state.axes_mm == approx((10.0, 5.0, 1.5))
    talk(controller, b"G1 Z6\n")
    assert talk(controller, b"G38.2 Z2 F60\n") == ["Error:Failed to reach target", "ok"]
    assert controller.state.axes_mm == approx((10.0, 5.0, 2.0))
    deep = reprap(ground=Ground(z_mm=-5.0))
    talk(deep, b"G1 Z6 F6000\n")
    assert talk(deep, b"G30\n") == ["Error:Probing Failed", "ok"]


def test_a_jog_has_modes_of_its_own_and_leaves_none(talk: Talk) -> None:
    controller = cnc()
    assert talk(controller, b"$J=G91 G20 X1 F10\n") == ["ok"]
    assert controller.state.axes_mm[0] == approx(25.4)
    assert (controller.state.modal.relative, controller.state.modal.inches) == (False, False)
    assert talk(controller, b"$J=X5 Y3 F600\n") == ["ok"]
    assert controller.state.axes_mm[:2] == approx((5.0, 3.0))


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        (b"$J=X1\n", "error:22"),
        (b"$J=F100\n", "error:26"),
        (b"$J=G1 X1 F100\n", "error:16"),
        (b"$J=X1 P2 F100\n", "error:16"),
        (b"$J=X F100\n", "error:2"),
    ],
)
def test_a_bad_jog_moves_nothing(talk: Talk, line: bytes, answer: str) -> None:
    controller = cnc()
    assert talk(controller, line) == [answer]
    assert controller.state.axes_mm == (0.0, 0.0, 0.0)


def test_a_jog_is_cancelled_by_one_byte_with_all_behind_it() -> None:
    controller = cnc(scale=1.0)
    controller.feed(b"$J=G91 X10 F600\n$J=G91 X10 F600\n", 100.0)
    assert controller.take(100.5) == b"ok\r\nok\r\n"
    controller.feed(b"?G1 X0\n", 100.5)
    answer = controller.take(100.5)
    assert answer.startswith(b"<Jog|")
    assert b"error:9" in answer
    controller.feed(b"\x85?", 100.6)
    assert controller.take(100.6).startswith(b"<Idle|")
    x_mm = controller.state.axes_mm[0]
    assert 5.0 < x_mm < 6.5  # 10 mm/s for 0.6 s, less the ramp
    controller.take(110.0)
    assert controller.state.axes_mm[0] == x_mm
    controller.feed(b"G1 X0 F600\n", 110.0)
    assert controller.take(110.0) == b"ok\r\n"


def test_the_byte_that_cancels_jogs_leaves_other_moves_alone() -> None:
    controller = cnc(scale=1.0)
    controller.feed(b"G1 X10 F600\n\x85", 100.0)
    controller.take(105.0)
    assert controller.state.axes_mm[0] == approx(10.0)


def test_after_power_on_a_controller_does_not_know_where_it_truly_is(talk: Talk) -> None:
    manners = Manners(start_mm=(30.0, 20.0, -5.0), travel=TRAVEL)
    controller = VirtualController("cnc", manners=manners)
    controller.take(0.0)
    assert "MPos:0.000,0.000,0.000" in talk(controller, b"?")[-1]
    assert talk(controller, b"$X\nG0 X25\n")[-2:] == ["ALARM:1", "[MSG:Reset to continue]"]
    assert controller.state.axes_mm[0] == approx(50.0, abs=1e-5)
    talk(controller, b"\x18$H\n")
    assert controller.state.axes_mm == approx((0.0, 0.0, 0.0))


places = st.fixed_dictionaries({"X": st.floats(-60, 60), "Y": st.floats(-60, 60), "Z": st.floats(-30, 10)})


@given(at=places, way=places)
def test_a_share_of_a_move_ends_within_the_travel(at: dict[str, float], way: dict[str, float]) -> None:
    share = share_within(TRAVEL, at, way)
    for letter, (low, high) in TRAVEL.items():
        begin, end = at[letter], at[letter] + share * way[letter]
        inside = low <= begin <= high
        assert not inside or low - 1e-5 <= end <= high + 1e-5
    assert 0.0 <= share <= 1.0


@given(at=places, way=places, slope=st.floats(-0.1, 0.1), z_mm=st.floats(-30, 10))
def test_a_contact_is_on_the_ground(
    at: dict[str, float], way: dict[str, float], slope: float, z_mm: float
) -> None:
    ground = Ground(z_mm=z_mm, slope_x=slope, slope_y=-slope)
    share = share_to_contact(ground, at, way)
    end = {letter: at[letter] + way[letter] for letter in at}
    if share is None:
        assert not ground.touches(end) or at["Z"] - ground.z_at(at) <= end["Z"] - ground.z_at(end) + 1e-9
        return
    there = {letter: at[letter] + min(share, 1.0) * way[letter] for letter in at}
    assert there["Z"] <= ground.z_at(there) + 1e-6
    if at["Z"] > ground.z_at(at):
        assert there["Z"] == approx(ground.z_at(there), abs=1e-6)

"""The owner of a port, against the virtual controllers."""

from importlib.resources import files
from pathlib import Path

import pytest

from pastewright.link.detect import Found, Protocol
from pastewright.link.events import Trouble
from pastewright.link.owner import MachineError, Owner, OwnerState, connect
from pastewright.link.port import SerialPort
from pastewright.problems import InputError
from pastewright.profile.read import read_profile
from pastewright.virtual import VirtualController
from pastewright.virtual.port import VirtualPort

EXAMPLES = Path(str(files("pastewright.profile") / "examples"))
BENCHES = {"reprap": "bench-reprap-e.toml", "cnc": "bench-ngc-rotary-a.toml"}
HOME = {"reprap": "G28", "cnc": "$H"}


@pytest.fixture(params=["reprap", "cnc"])
def protocol(request):
    return request.param


def profile_of(protocol, tmp_path, home=""):
    text = (EXAMPLES / BENCHES[protocol]).read_text("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("home =")]
    if home:
        lines.insert(lines.index("[run]") + 1, f'home = "{home}"') if "[run]" in lines else lines.extend(
            ["[run]", f'home = "{home}"']
        )
    path = tmp_path / "bench.toml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return read_profile(path)


def owner_of(protocol, profile, *, fresh=True, scale=0.0):
    controller = VirtualController(protocol, scale=scale)
    port = VirtualPort(controller, timeout=0.02)
    found = Found(Protocol(protocol), "test", fresh)
    return Owner(SerialPort("pretend", port), found, profile), controller


def test_after_a_fresh_start_nothing_moves_until_it_is_homed(protocol, tmp_path):
    owner, controller = owner_of(protocol, profile_of(protocol, tmp_path, HOME[protocol]))
    stand = owner.look()
    assert not stand.known
    assert stand.state is (OwnerState.LOCKED if protocol == "cnc" else OwnerState.IDLE)
    with pytest.raises(InputError, match="not known"):
        owner.do(["G1 X10 F600"])
    assert controller.state.axes_mm == (0, 0, 0)
    owner.home()
    assert owner.look().known
    assert owner.do(["G21", "G90", "G1 X10 Y5 F600"])["X"] == pytest.approx(10)
    assert controller.state.axes_mm[:2] == (10, 5)


def test_a_person_who_has_looked_is_believed(protocol, tmp_path):
    owner, controller = owner_of(protocol, profile_of(protocol, tmp_path))
    owner.look()
    with pytest.raises(InputError, match="home"):
        owner.home()
    owner.believe("seen")
    stand = owner.look()
    assert stand.known
    assert stand.state is OwnerState.IDLE
    assert stand.position["Z"] == pytest.approx(0)
    owner.do(["G21", "G90", f"G1 Z{owner.bench.travel_z_mm - 5} F600"])
    owner.lift()
    assert controller.state.axes_mm[2] == pytest.approx(owner.bench.travel_z_mm)


def test_an_alarm_takes_the_place_away(tmp_path):
    owner, controller = owner_of("cnc", profile_of("cnc", tmp_path, "$H"))
    owner.home()
    port = owner.port._inner
    controller.hit_limit(port.now_s)
    with pytest.raises(MachineError):
        owner.do(["G1 X10 F600"])
    assert not owner.known


def test_a_reset_takes_the_place_away(protocol, tmp_path):
    owner, controller = owner_of(protocol, profile_of(protocol, tmp_path, HOME[protocol]))
    owner.home()
    controller.reset(owner.port._inner.now_s)
    with pytest.raises(MachineError) as caught:
        owner.do(["G1 X10 F600"])
    assert caught.value.trouble is Trouble.RESET
    assert not owner.known
    assert not owner.look().known


def test_a_stop_ends_the_motion_and_keeps_the_place(protocol, tmp_path):
    owner, controller = owner_of(protocol, profile_of(protocol, tmp_path, HOME[protocol]), scale=0.05)
    owner.home()
    asked = iter(range(1000))
    with pytest.raises(MachineError) as caught:
        owner.do(["G21", "G90", *(f"G1 X{x} F3000" for x in range(1, 200))], stop=lambda: next(asked) > 4)
    assert caught.value.trouble is Trouble.STOPPED
    assert 0 < controller.state.axes_mm[0] < 199
    assert caught.value.position["X"] == pytest.approx(controller.state.axes_mm[0], abs=0.01)
    assert owner.known


def test_an_exception_of_our_own_lifts_the_tip_and_relieves(protocol, tmp_path):
    owner, controller = owner_of(protocol, profile_of(protocol, tmp_path, HOME[protocol]), scale=0.02)
    owner.home()
    owner.do(["G21", "G90", f"G1 Z{owner.bench.travel_z_mm - 5} F600"])

    def broken():
        if controller.state.axes_mm[0] > 2:
            raise ZeroDivisionError
        return False

    with pytest.raises(ZeroDivisionError), owner:
        owner.do(["G21", "G90", *(f"G1 X{x} F3000" for x in range(1, 200))], stop=broken)
    assert controller.state.axes_mm[2] == pytest.approx(owner.bench.travel_z_mm)
    assert controller.state.axes_mm[0] < 199
    assert controller.state.plunger * owner.bench.relief < 0


def test_the_wrong_dialect_is_refused(protocol, tmp_path):
    other = "cnc" if protocol == "reprap" else "reprap"
    with pytest.raises(InputError, match="the profile says"):
        connect(f"sim:{other}?scale=0", profile_of(protocol, tmp_path))

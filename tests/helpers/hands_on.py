"""A hand on a virtual machine in this process, whose true places can be looked at."""

from collections.abc import Callable
from dataclasses import dataclass

from guides_played import bench

from pastewright.link.detect import Found, Protocol
from pastewright.link.hand import Hand
from pastewright.link.owner import Owner
from pastewright.link.port import READ_S, SerialPort
from pastewright.profile.model import Profile
from pastewright.virtual import Ground, Manners, VirtualController
from pastewright.virtual.port import VirtualPort

NAMES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}


@dataclass
class HandsOn:
    """The hand, and the machine that it moves."""

    hand: Hand
    machine: VirtualController

    @property
    def true_mm(self) -> tuple[float, float, float]:
        return self.machine.state.axes_mm

    def all_true_mm(self, since: int = 0) -> list[tuple[float, float, float]]:
        return [done.axes_mm for done in self.machine.executed[since:]]


def hands_on(
    protocol: str,
    *,
    scale: float = 0.0,
    ground: Ground | None = None,
    stop: Callable[[], bool] | None = None,
    switches: bool = True,
    profile: Profile | None = None,
) -> HandsOn:
    """Return a hand on a machine that has been homed, with switches just beyond the profile's travel."""
    profile = profile or bench(NAMES[protocol])
    axes = profile.machine
    travel = {
        "X": (axes.x_min_mm, axes.x_max_mm),
        "Y": (axes.y_min_mm, axes.y_max_mm),
        "Z": (axes.z_min_mm, axes.z_max_mm),
    }
    manners = Manners(travel=travel if switches else {}, ground=ground, chatter_lines=0, busy_s=0.5)
    machine = VirtualController(protocol, scale=scale, manners=manners)
    port = SerialPort("sim", VirtualPort(machine, timeout=READ_S))
    owner = Owner(port, Found(Protocol(protocol), "virtual"), profile)
    owner.believe("a test: homed at its zero")
    return HandsOn(hand=Hand(owner, stop=stop), machine=machine)

"""How long the axes still move after a key-up, a pulled cable, or the last word of a page, on both virtual controllers.

`python bench/held.py [TRIALS]`: real time, about a second a trial. A key is held for a random while; the time is taken
from the event to the end of the last move, on the controller's own clock.
"""

import random
import sys
from collections.abc import Callable
from contextlib import suppress
from time import monotonic

from pastewright.hands.held import LEASE_S, Held, alive, carried_out, down, next_move, paces_of, up
from pastewright.hands.jog import JogHalt, speeds_of
from pastewright.hands.moves import Go
from pastewright.link.detect import Found, Protocol
from pastewright.link.hand import Hand
from pastewright.link.owner import MachineError, Owner
from pastewright.link.port import READ_S, SerialPort
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile
from pastewright.virtual import Manners, VirtualController
from pastewright.virtual.port import VirtualPort

BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}
EVENTS = ("key up", "cable pulled", "page lost")


def trial(protocol: str, event: str, held_s: float) -> tuple[float, float]:
    """Return seconds from the event to the end of motion, and how far it still went [mm]."""
    profile = parse_profile(example_text(BENCHES[protocol]), "")
    machine = VirtualController(protocol, scale=1.0, manners=Manners(chatter_lines=0))
    port = VirtualPort(machine, timeout=READ_S)
    owner = Owner(SerialPort("sim", port), Found(Protocol(protocol), ""), profile)
    owner.believe("switched on at its zero")
    hand = Hand(owner)
    hand.go([Go(to_mm={"Z": max(profile.travel_z_mm, 0.0)}, speed_mm_s=200.0)])
    reach, speeds, paces = hand.reach(), speeds_of(profile), paces_of(profile)
    begun_s = monotonic()
    held = down(Held(), "X", 1, begun_s)
    happened_s, happened_mm = -1.0, 0.0

    def happen() -> bool:
        """Let the event happen when its time has come; looked at all the while, as a page's event loop would."""
        nonlocal held, happened_s, happened_mm
        now_s = monotonic()
        if happened_s < 0 and now_s - begun_s >= held_s:
            happened_s, happened_mm = port.now_s, machine.state.axes_mm[0]
            if event == "cable pulled":
                machine.disconnect(happened_s)
            held = up(held) if event == "key up" else held
        elif happened_s < 0:
            held = alive(held, now_s)
        return False

    hand.stop = happen
    with suppress(MachineError):
        while happened_s < 0 or held.step is not None:
            happen()
            held, move = next_move(held, monotonic(), hand.at, reach, speeds, paces)
            if isinstance(move, JogHalt) or (move is None and held.step is None):
                break
            if move is not None:
                hand.go([move])
                held = carried_out(held)
    end_s = port.now_s + 0.5
    while port.now_s < end_s:  # whatever is still out comes to its end
        machine.take(port.now_s)
    moves = [done for done in machine.executed if done.text.startswith("G1 X")]
    return max(moves[-1].time_s - happened_s, 0.0), machine.state.axes_mm[0] - happened_mm


def main(show: Callable[[str], None] = print) -> None:
    """Print the table."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    chance = random.Random(5)
    show(f"{trials} trials each; a page counts as lost {1000 * LEASE_S:.0f} ms after its last word")
    show("| controller | event | mean | longest | farthest |")
    show("|---|---|---|---|---|")
    for protocol in BENCHES:
        for event in EVENTS:
            found = [trial(protocol, event, chance.uniform(0.2, 0.6)) for _ in range(trials)]
            times = [1000 * seconds for seconds, _ in found]
            far = max(mm for _, mm in found)
            show(
                f"| {protocol} | {event} | {sum(times) / trials:.0f} ms | {max(times):.0f} ms | {far:.2f} mm |"
            )


if __name__ == "__main__":
    main()

"""The pretend controller without port or clock: bytes and times in, bytes out.

    host ──▶ wire (faults) ──▶ firmware (one of two protocols) ──▶ wire (faults) ──▶ host

Whoever runs it says what time it is; between two calls nothing happens, and each call catches up in order.
"""

from collections.abc import Mapping
from math import inf

from pastewright.virtual.cnc import CncFirmware
from pastewright.virtual.faults import Direction, Fault, FaultKind, Faults, Wire
from pastewright.virtual.firmware import Firmware
from pastewright.virtual.reprap import RepRapFirmware
from pastewright.virtual.state import Executed, Manners, VirtualState

PROTOCOLS: Mapping[str, type[RepRapFirmware] | type[CncFirmware]] = {
    "reprap": RepRapFirmware,
    "cnc": CncFirmware,
}

BITS_PER_BYTE = 10
"""On a serial line without parity: a start bit, 8 of data, a stop bit."""


class VirtualController:
    """A controller that pretends. `protocol` is "reprap" or "cnc".

    `scale` is host seconds per second of the machine: 1 for real time, 0.01 for a hundred times as fast, 0 for moves
    and waits that take no time at all. `faults` are what goes wrong on the wire, `seed` settles their chance.
    Raises ValueError for an unknown protocol or a scale below zero.
    """

    def __init__(
        self,
        protocol: str,
        *,
        scale: float = 0.0,
        faults: Faults | None = None,
        seed: int = 0,
        manners: Manners | None = None,
    ) -> None:
        if protocol not in PROTOCOLS:
            raise ValueError(f"no protocol {protocol!r}; there are {', '.join(PROTOCOLS)}")
        if not 0 <= scale < inf:
            raise ValueError(f"scale is {scale}; it is host seconds per machine second, 0 or more")
        manners = manners or Manners()
        self.protocol = protocol
        self.connected = True
        self._firmware: Firmware = PROTOCOLS[protocol](scale=scale, manners=manners)
        byte_s = BITS_PER_BYTE / manners.baud * scale if manners.baud else 0.0
        self._struck: list[Fault] = []
        self._in, self._out = (
            Wire(direction, faults=faults or Faults(), seed=seed, byte_s=byte_s, struck=self._struck)
            for direction in (Direction.TO_CONTROLLER, Direction.TO_HOST)
        )
        self._ready = bytearray()
        self._now_s = 0.0
        self._spoken_to = True

    # ---- what the host does

    def feed(self, data: bytes, now_s: float) -> None:
        """Take bytes that the host sends at `now_s`; after a disconnection they go nowhere."""
        self._advance(now_s)
        if self.connected:
            self._in.put(bytes(data), self._now_s)
            self._advance(now_s)

    def take(self, now_s: float) -> bytes:
        """Return the bytes that have reached the host by `now_s`, and hand them over for good."""
        self._advance(now_s)
        ready = bytes(self._ready)
        self._ready.clear()
        return ready

    def next_s(self, now_s: float) -> float | None:
        """Return when there may be something to take, `now_s` if there is already, None if nothing will come.

        At such a time there may still be nothing, as where a wait has ended and the next begun; then ask again.
        """
        self._advance(now_s)
        if self._ready:
            return now_s
        times = [
            time_s
            for time_s in (self._in.next_s(), self._out.next_s(), self._firmware.wake_s())
            if time_s is not None
        ]
        return max(now_s, min(times)) if times and self.connected else None

    # ---- what the person does

    def reset(self, now_s: float) -> None:
        """Press the reset button; opening the port of many boards does the same."""
        self._advance(now_s)
        self._firmware.power_on(self._now_s)
        self._advance(now_s)

    def disconnect(self, now_s: float) -> None:
        """Pull the cable. The controller goes on with what it has."""
        self._advance(now_s)
        self._unplug()

    def reconnect(self, now_s: float, *, reset: bool = True) -> None:
        """Plug the cable in again; boards that take their power from it start over."""
        self._advance(now_s)
        self.connected = True
        if reset:
            self._firmware.power_on(self._now_s)
        self._advance(now_s)

    def hit_limit(self, now_s: float) -> None:
        """Trip a limit switch (small-CNC protocol); the other protocol takes it as an emergency."""
        self._advance(now_s)
        self._firmware.hit_limit(self._now_s)
        self._advance(now_s)

    # ---- what it shows

    @property
    def executed(self) -> tuple[Executed, ...]:
        """The commands carried out, in order."""
        return tuple(self._firmware.timeline.executed)

    @property
    def executed_count(self) -> int:
        """How many there are; cheaper than asking for all of them."""
        return len(self._firmware.timeline.executed)

    def executed_since(self, count: int) -> tuple[Executed, ...]:
        """Return the commands carried out after the first `count`."""
        return tuple(self._firmware.timeline.executed[count:])

    @property
    def dropped(self) -> tuple[str, ...]:
        """Commands that were taken and acknowledged, or at work, and that a reset or stop kept from being done."""
        return tuple(self._firmware.timeline.dropped)

    @property
    def struck(self) -> tuple[Fault, ...]:
        """The faults that have struck, in order."""
        return tuple(self._struck)

    @property
    def lost_bytes(self) -> int:
        """How many bytes found the receive buffer full, or nobody listening."""
        return self._firmware.lost_bytes

    @property
    def state(self) -> VirtualState:
        """How the machine stands, as of the last time given."""
        return self._firmware.state()

    # ---- time

    def _advance(self, now_s: float) -> None:
        """Catch up with `now_s`: bytes that arrive, things that end, answers on their way, in order of time."""
        now_s = max(now_s, self._now_s)
        firmware = self._firmware
        while True:
            arrival_s = self._in.next_s()
            until_s = now_s if arrival_s is None else min(now_s, arrival_s)
            # Answers are put on the wire at the time they are given.
            while (wake_s := firmware.wake_s()) is not None and wake_s <= until_s:
                firmware.advance(max(wake_s, firmware.now_s))
                self._answer(firmware.now_s)
            firmware.advance(until_s)
            self._answer(until_s)
            if arrival_s is None or arrival_s > now_s:
                break
            for time_s, item in self._in.arrived(arrival_s):
                self._arrives(item, max(time_s, self._now_s))
        self._now_s = now_s
        self._collect(now_s)

    def _arrives(self, item: bytes | Fault, time_s: float) -> None:
        if not self.connected:
            return
        if isinstance(item, bytes):
            self._spoken_to = True
            self._firmware.receive(item, time_s)
            self._firmware.advance(time_s)
            self._answer(time_s)
        else:
            self._happens(item, time_s)

    def _answer(self, time_s: float) -> None:
        """Put what the firmware has said on the wire; a fault there may reset the firmware in mid-word."""
        said = self._firmware.said
        if not said:
            return
        data = bytes(said)
        said.clear()
        if self.connected:
            self._out.put(data, time_s)
            self._collect(time_s)

    def _collect(self, now_s: float) -> None:
        for time_s, item in self._out.arrived(now_s):
            if isinstance(item, bytes):
                if self.connected:
                    self._ready += item
            else:
                self._happens(item, time_s)

    def _happens(self, fault: Fault, time_s: float) -> None:
        firmware = self._firmware
        if fault.kind is FaultKind.RESET:
            if fault.direction is Direction.TO_HOST:
                if not self._spoken_to:
                    return  # or greetings cut short by resets would follow each other without end
                self._out.cut()  # the rest of the word is never said
            self._spoken_to = False
            firmware.power_on(time_s)
        elif fault.kind is FaultKind.DISCONNECT:
            self._unplug()
        elif fault.kind is FaultKind.STALL:
            firmware.stalled_until_s = max(firmware.stalled_until_s, time_s + fault.seconds)
        elif fault.kind is FaultKind.OVERRUN:
            firmware.no_room_bytes += fault.count

    def _unplug(self) -> None:
        self.connected = False
        self._in.cut()
        self._out.cut()

"""The pretend controller as a port: reads and writes as a serial port does, running on a clock.

No thread runs in it. Whenever somebody reads, writes or looks, the controller catches up with the clock; a read
that waits sleeps until the controller next has something to say.
"""

import time
from collections.abc import Callable
from dataclasses import replace
from threading import Condition
from urllib.parse import parse_qsl

from pastewright.problems import one_error
from pastewright.virtual.controller import PROTOCOLS, VirtualController
from pastewright.virtual.faults import Faults
from pastewright.virtual.reach import ground_of
from pastewright.virtual.state import Manners

PREFIX = "sim:"
LONGEST_SLEEP_S = 0.05
"""A read looks again at least this often, should the clock be a made-up one."""


class PortGoneError(OSError):
    """The cable has been pulled, or the port is closed; serial ports raise an OSError for it too."""


class VirtualPort:
    """A `VirtualController` on a clock, with the reading and writing methods of a serial port.

    `timeout` [s] is how long a read waits: None for ever, 0 not at all. Several threads may use it. Reads and
    writes raise PortGoneError once it is closed or the controller disconnected (and all that came is read).
    """

    def __init__(
        self,
        controller: VirtualController,
        *,
        name: str = "",
        timeout: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.controller = controller
        self.name = self.port = name
        self.timeout = timeout
        self.write_timeout: float | None = None
        self.baudrate = 115_200
        self.is_open = True
        self._clock = clock
        self._begin_s = clock()
        self._changed = Condition()
        self._came = bytearray()
        self._dtr = True
        self._cancelled = False

    @property
    def now_s(self) -> float:
        """Seconds on the controller's clock: since this port was opened."""
        return self._clock() - self._begin_s

    @property
    def in_waiting(self) -> int:
        """How many bytes can be read at once."""
        with self._changed:
            self._catch_up()
            self._must_be_there()
            return len(self._came)

    @property
    def out_waiting(self) -> int:
        """How many bytes wait to be sent; none ever do here."""
        return 0

    @property
    def dtr(self) -> bool:
        """The line that resets many boards when it rises, as it does when a port is opened."""
        return self._dtr

    @dtr.setter
    def dtr(self, on: bool) -> None:
        with self._changed:
            if on and not self._dtr:
                self.controller.reset(self.now_s)
            self._dtr = on
            self._changed.notify_all()

    def read(self, size: int = 1) -> bytes:
        """Return up to `size` bytes, as many as have come when the timeout ends."""
        with self._changed:
            self._cancelled = False
            end_s = None if self.timeout is None else self.now_s + self.timeout
            while True:
                self._catch_up()
                self._must_be_there()
                now_s = self.now_s
                done = len(self._came) >= size or self._cancelled or not self.controller.connected
                if done or (end_s is not None and now_s >= end_s):
                    break
                self._changed.wait(self._sleep_s(now_s, end_s))
            got = bytes(self._came[:size])
            del self._came[: len(got)]
            return got

    def readline(self) -> bytes:
        """Return bytes up to and with the next newline, or what has come when the timeout ends."""
        line = bytearray()
        while not line.endswith(b"\n"):
            byte = self.read(1)
            if not byte:
                break
            line += byte
        return bytes(line)

    def write(self, data: bytes) -> int:
        """Send bytes; returns how many, which is all of them."""
        with self._changed:
            self._must_be_there(writing=True)
            self.controller.feed(bytes(data), self.now_s)
            self._changed.notify_all()
        return len(data)

    def reset_input_buffer(self) -> None:
        """Throw away what has come and is not read."""
        with self._changed:
            self._catch_up()
            self._came.clear()

    def reset_output_buffer(self) -> None:
        """Throw away what waits to be sent: nothing."""

    def flush(self) -> None:
        """Wait until all is sent: at once."""

    def cancel_read(self) -> None:
        """Let a read that waits in another thread return with what it has."""
        with self._changed:
            self._cancelled = True
            self._changed.notify_all()

    def close(self) -> None:
        """Close the port; the controller stays and may be looked at."""
        with self._changed:
            self._catch_up()
            self.is_open = False
            self._changed.notify_all()

    def __enter__(self) -> "VirtualPort":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _catch_up(self) -> None:
        self._came += self.controller.take(self.now_s)

    def _must_be_there(self, *, writing: bool = False) -> None:
        if not self.is_open:
            raise PortGoneError(f"{self.name or 'the port'} is closed")
        if not self.controller.connected and (writing or not self._came):
            raise PortGoneError(f"{self.name or 'the port'} has been disconnected")

    def _sleep_s(self, now_s: float, end_s: float | None) -> float:
        times = [now_s + LONGEST_SLEEP_S]
        if end_s is not None:
            times.append(end_s)
        next_s = self.controller.next_s(now_s)
        if next_s is not None:
            times.append(next_s)
        return max(0.0, min(times) - now_s)


def open_virtual(
    name: str,
    *,
    scale: float | None = None,
    faults: Faults | None = None,
    seed: int = 0,
    manners: Manners | None = None,
    timeout: float | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> VirtualPort:
    """Return a port with a pretend controller behind it, just switched on.

    `name` is "sim:reprap" or "sim:cnc", with `?scale=0.1&seed=3` behind it where wanted; `ground` among them is the
    Z at which a probe touches, with two slopes behind it if wanted. What is given as an argument comes first. Without
    any, it runs in real time. Raises InputError for a name that means nothing.
    """
    protocol, _, query = name.removeprefix(PREFIX).partition("?")
    if not name.startswith(PREFIX) or protocol not in PROTOCOLS:
        known = " or ".join(PREFIX + one for one in PROTOCOLS)
        raise one_error(f"there is no pretend controller {name!r}", f"Write {known}.")
    words = dict(parse_qsl(query, keep_blank_values=True))
    try:
        given_scale, given_seed = float(words.pop("scale", "1")), int(words.pop("seed", str(seed)))
        if "ground" in words:
            manners = replace(manners or Manners(), ground=ground_of(words.pop("ground")))
        controller = VirtualController(
            protocol,
            scale=given_scale if scale is None else scale,
            faults=faults,
            seed=given_seed,
            manners=manners,
        )
    except ValueError as bad:
        raise one_error(f"{name!r}: {bad}", "Write for instance sim:reprap?scale=0.1&seed=3.") from bad
    if words:
        raise one_error(f"{name!r}: {', '.join(words)} is not known", "There are scale, seed and ground.")
    return VirtualPort(controller, name=name, timeout=timeout, clock=clock)

"""The pretend controller on a pseudo-terminal, for clients outside this process; it outlives them.

As with many boards, opening the terminal resets it (unless told not to), and closing it changes nothing: moves go on.
What is carried out is written to a record as it happens, one JSON object a line, for whoever wants to check later;
so are faults (`fault`) and bytes that were lost for want of room (`lost_bytes`, all so far).
"""

import json
import os
import pty
import select
import signal
import termios
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from pastewright.virtual.controller import VirtualController

LOOK_S = 0.005
"""How often to see whether somebody has opened the terminal."""

LONGEST_WAIT_S = 0.05
"""How long to wait at most before the record is brought up to date."""


class PseudoTerminal:
    """A pseudo-terminal with a controller on it. `name` is what a client opens."""

    def __init__(self, controller: VirtualController, *, record: TextIO | None, reset_on_open: bool) -> None:
        self._controller = controller
        self._record = record
        self._reset_on_open = reset_on_open
        self._recorded = 0
        self._struck = 0
        self._lost = 0
        self._begin_s = time.monotonic()
        self._unsent = bytearray()
        self._end, client = pty.openpty()
        self.name = os.ttyname(client)
        tty.setraw(self._end)
        os.set_blocking(self._end, False)
        # Closed once, the terminal shows by its hang-up flag whether anybody has it open.
        os.close(client)

    def run(self, stopped: Callable[[], bool]) -> None:
        """Serve until `stopped()` or until the controller is disconnected for good."""
        there = False
        poll = select.poll()
        while not stopped() and self._controller.connected:
            poll.register(self._end, select.POLLIN | (select.POLLOUT if self._unsent else 0))
            events = dict(poll.poll(0 if not there else 1000 * self._wait_s())).get(self._end, 0)
            hung_up = bool(events & select.POLLHUP)
            if hung_up and not events & select.POLLIN:
                there = False
                self._controller.take(self._now_s())
                self._write_record()
                time.sleep(LOOK_S)
                continue
            if not there:
                there = True
                self._opened()
            self._exchange(events)
        self._write_record()
        os.close(self._end)

    def _now_s(self) -> float:
        return time.monotonic() - self._begin_s

    def _wait_s(self) -> float:
        now_s = self._now_s()
        next_s = self._controller.next_s(now_s)
        return LONGEST_WAIT_S if next_s is None else min(LONGEST_WAIT_S, max(0.0, next_s - now_s))

    def _opened(self) -> None:
        modes = termios.tcgetattr(self._end)
        if modes[3] & (termios.ECHO | termios.ICANON):
            tty.setraw(self._end)  # a terminal that is opened anew may have forgotten that it is raw
        # What was said while nobody had it open was said to nobody: a greeting of the start would else be taken
        # for the one that follows the reset, and what is sent after it be lost by the reset.
        self._unsent.clear()
        self._controller.take(self._now_s())
        if self._reset_on_open:
            self._controller.reset(self._now_s())

    def _exchange(self, events: int) -> None:
        if events & select.POLLIN:
            try:
                data = os.read(self._end, 4096)
            except OSError:
                data = b""
            if data:
                self._controller.feed(data, self._now_s())
        self._unsent += self._controller.take(self._now_s())
        # Written down first, so that nothing is acknowledged that the record does not have.
        self._write_record()
        if self._unsent:
            try:
                del self._unsent[: os.write(self._end, self._unsent)]
            except OSError:
                return

    def _write_record(self) -> None:
        if self._record is None:
            return
        new = self._controller.executed_since(self._recorded)
        struck = self._controller.struck[self._struck :]
        for done in new:
            entry: dict[str, object] = {
                "line": done.line,
                "text": done.text,
                "time_s": done.time_s,
                "machine_s": done.machine_s,
                "axes_mm": done.axes_mm,
                "plunger": done.plunger,
                "share": done.share,
            }
            self._record.write(json.dumps(entry) + "\n")
        for fault in struck:
            entry = {"fault": fault.kind, "direction": fault.direction, "at_byte": fault.at_byte}
            self._record.write(json.dumps(entry) + "\n")
        lost = self._controller.lost_bytes
        if lost != self._lost:
            self._record.write(json.dumps({"lost_bytes": lost}) + "\n")
        if new or struck or lost != self._lost:
            self._record.flush()
        self._lost = lost
        self._recorded += len(new)
        self._struck += len(struck)


def serve_pty(
    controller: VirtualController,
    *,
    announce: Callable[[str], None],
    record: Path | None = None,
    reset_on_open: bool = True,
) -> None:
    """Serve `controller` on a new pseudo-terminal until it is told to stop by SIGTERM or Ctrl-C.

    `announce` gets the terminal's name once it can be opened.
    """
    stop: list[int] = []
    before = {
        number: signal.signal(number, lambda got, _: stop.append(got))
        for number in (signal.SIGTERM, signal.SIGINT)
    }
    file = record.open("a", encoding="utf-8") if record is not None else None
    try:
        terminal = PseudoTerminal(controller, record=file, reset_on_open=reset_on_open)
        announce(terminal.name)
        terminal.run(lambda: bool(stop))
    finally:
        if file is not None:
            file.close()
        for number, handler in before.items():
            signal.signal(number, handler)

"""The RepRap host protocol, seen from the controller: numbered lines, checksums, `ok` and `Resend`.

    bytes ─▶ receive buffer ─▶ lines checked ─▶ command queue (4) ─▶ one at work ─▶ planner (16 moves) ─▶ motion
             (128, overruns)   N, *, M110        `ok` when worked off                 M400, G4 and G28 wait for it

- A line is checked when it enters the command queue. One that is not the next number, or whose checksum is wrong,
  is answered `Error:…`, `Resend: n`, `ok`; whatever waits in the receive buffer is thrown away with it, and the line
  changes nothing. So a numbered line is carried out exactly once, however often it is sent.
- Lines without a number are taken as they are.
- While a command is at work for long, `echo:busy: processing` says so.
- M112 (and M410, M108) are recognised in the bytes as they come, past every buffer. M410 ends motion dead where it is;
  moves that are taken in the second after it are forgotten, though the place counts them as done (from memory of the
  common firmware's planner). Without the parser it acts in its turn.
- G38.2 goes towards a place until the contact closes, and complains when it does not; G30 probes straight down and says
  `Bed X: … Y: … Z: …`. A limit switch halts everything.

Sources: the public description of the protocol (reprap.org wiki, "G-code", sections "Comments", "Checking",
"Buffering" and "Replies from the RepRap machine to the host computer") and of its common firmware: advanced ok
with P and B, host keepalive of 2 s, a queue of 4 commands and 16 moves, a 128-byte receive buffer.

Longer than 400 lines because the controller of one protocol is one machine of buffers, above, and is read against it.
"""

import re
from collections import deque
from collections.abc import Callable, Mapping
from math import inf

from pastewright.virtual.firmware import Firmware, Work
from pastewright.virtual.interpreter import (
    ALL_LETTERS,
    BadLineError,
    Interpreter,
    code_of,
    without_comments,
    words_of,
)
from pastewright.virtual.pace import AXES
from pastewright.virtual.reprap_lines import HostLine, RefusedError, line_of
from pastewright.virtual.state import Manners

FIRST_FEED_MM_MIN = 1500.0
"""Feed before any F: a common firmware's default, from memory."""

PROBES_TO_MM = -2.0
"""How far down a single probe looks for the bed, machine coordinates: a common firmware's default, from memory."""

LONGEST_RAW_LINE = 1024
"""Bytes of a line that are looked at, note included; a bound for what never ends."""

LEAST_BUSY_S = 0.01
"""Host seconds between signs of life, however fast the machine's time runs."""

QUICK_STOP_DEAF_S = 1.0
"""How long moves are forgotten after a quick stop, in the machine's time: a common firmware's, from memory."""

ROOM_TEMPERATURE = "T:21.4 /0.0 B:21.2 /0.0 @:0 B@:0"

_EMERGENCY = re.compile(rb"^\s*(?:N\s*\d+\s*)?M(112|108|410)(?!\d)")
_TEXT_COMMANDS = ("M117", "M118")

_ACCEPTED = frozenset(
    f"M{number}"
    for number in (17, 104, 106, 107, 111, 140, *range(201, 206), 211, 220, 221, *range(500, 504))
)
"""Commands that a printer controller takes and that change nothing here."""


class RepRapFirmware(Firmware):
    """The controller's side of the RepRap host protocol."""

    END = b"\n"
    PLANNER_MOVES = 16
    RECEIVE_BYTES = 128

    def __init__(self, *, scale: float, manners: Manners) -> None:
        self._queue: deque[HostLine] = deque()
        self._line = bytearray()
        self._raw = bytearray()
        self._last = 0
        self._halted = False
        self._answer = ""
        self._answered = 0
        self._busy_at_s = inf
        self._temperature_every_s = 0.0
        self._temperature_at_s = inf
        self._cold_ok = False
        self._deaf_until_s = -inf
        interpreter = Interpreter(limits=manners.limits, e_has_own_mode=True, first_feed=FIRST_FEED_MM_MIN)
        super().__init__(scale=scale, manners=manners, interpreter=interpreter)

    # ---- life

    def forget(self) -> None:
        """Drop queue, line numbers and all that was being read."""
        self._drop_queue()
        self._last = 0
        self._halted = False
        self._busy_at_s = self._temperature_at_s = inf
        self._temperature_every_s = 0.0
        self._cold_ok = False
        self._deaf_until_s = -inf

    def greet(self) -> None:
        """Say `start`, which hosts wait for, and who is there."""
        self.say("start")
        self.say("echo:pastewright virtual controller, RepRap host protocol, no machine attached")

    def frozen(self) -> bool:
        """Tell whether an emergency has ended everything until a reset."""
        return self._halted

    def alarm(self) -> str:
        """Return why the controller is locked."""
        return "emergency stop" if self._halted else ""

    def activity(self) -> str:
        """Return the state's name."""
        return "Halted" if self._halted else super().activity()

    def last_line(self) -> int:
        """Return the last line number taken."""
        return self._last

    def wake_s(self) -> float | None:
        """Return when something will happen by itself that may end in words, or None."""
        if self._halted and self._greeted:
            return None
        times = [time_s for time_s in (super().wake_s(),) if time_s is not None]
        if self._greeted and self.now_s >= self.stalled_until_s:
            times += [time_s for time_s in (self._busy_at_s, self._temperature_at_s) if time_s < inf]
        return min(times, default=None)

    def _loop(self) -> None:
        super()._loop()
        if self._halted or not self._greeted or self.now_s < self.stalled_until_s:
            return
        if self.busy and self.now_s >= self._busy_at_s:
            self.say("echo:busy: paused for user" if self.paused() else "echo:busy: processing")
            self._busy_at_s = self.now_s + self._busy_every_s()
        if self.now_s >= self._temperature_at_s:
            self.say(f" {ROOM_TEMPERATURE}")
            self._temperature_at_s = self.now_s + self._temperature_every_s * self.scale

    def _busy_every_s(self) -> float:
        """Return the host's time between signs of life; infinite where there are none."""
        every_s = self.manners.busy_s * self.scale
        return max(every_s, LEAST_BUSY_S) if every_s > 0 else inf

    # ---- bytes in

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes off the wire, watching for an emergency."""
        self.now_s = max(self.now_s, now_s)
        for piece in data.splitlines(keepends=True):
            if self.deaf(piece):
                continue
            if self._halted:
                self.lost_bytes += len(piece)
                continue
            if self.manners.emergency_parser:
                self._watch(piece)
                if self._halted:
                    continue
            self.buffer(piece)

    def _watch(self, piece: bytes) -> None:
        self._raw += piece[: 96 - len(self._raw)] if len(self._raw) < 96 else b""
        if piece[-1:] not in b"\r\n":
            return
        found = _EMERGENCY.match(bytes(self._raw))
        self._raw.clear()
        if not found:
            return
        if found[1] == b"112":
            self._halt()
        elif found[1] == b"410":
            self._quick_stop()
        else:
            self.release()

    def hit_limit(self, now_s: float) -> None:
        """Trip a limit switch: an emergency, as with switches that guard the ends of travel."""
        self.now_s = max(self.now_s, now_s)
        self._halt()

    def _halt(self) -> None:
        self.stop_dead(self.now_s)
        self._drop_queue()
        self.received.clear()
        self._halted = True
        self._busy_at_s = self._temperature_at_s = inf
        self.say("Error:Printer halted. kill() called!")

    def _quick_stop(self) -> None:
        """Stop moving at once; commands that wait in the queue go on from there, their moves forgotten for a while."""
        working = self.busy
        self.stop_dead(self.now_s)
        self._deaf_until_s = self.now_s + QUICK_STOP_DEAF_S * self.scale
        if working:
            self.finished()

    def _drop_queue(self) -> None:
        self._queue.clear()
        self._line.clear()
        self._raw.clear()
        self._answer = ""

    # ---- lines

    def work_on(self) -> bool:
        """Read lines while the queue has room; begin the next command when none is at work."""
        progress = self._read()
        if self.busy or not self._queue:
            return progress
        line = self._queue[0]
        self._busy_at_s = self.now_s + self._busy_every_s()
        self.begin(self._carry_out(line), line.text)
        return True

    def _read(self) -> bool:
        """Move bytes from the receive buffer into lines; tell whether any line came of it."""
        got = False
        while self.received and len(self._queue) < self.manners.command_lines:
            end = min(
                (at for at in (self.received.find(b"\n"), self.received.find(b"\r")) if at >= 0), default=-1
            )
            if end < 0:
                self._line += self.received
                self.received.clear()
                del self._line[LONGEST_RAW_LINE:]
                break
            self._line += self.received[:end]
            del self.received[: end + 1]
            raw = bytes(self._line)
            self._line.clear()
            got = self._take(raw) or got
        return got

    def _take(self, raw: bytes) -> bool:
        """Check one line and queue it; an empty one is passed over without an answer."""
        try:
            line = line_of(raw, last=self._last)
        except RefusedError as refused:
            self.say(f"Error:{refused}, Last Line: {self._last}")
            self.received.clear()
            self.say(f"Resend: {self._last + 1}")
            self._ok(None)
            return True
        if line is None:
            return False
        if line.number is not None:
            self._last = line.number
        if line.text.startswith("M112"):
            self._halt()
        else:
            self._queue.append(line)
        return True

    def _ok(self, line: HostLine | None) -> None:
        text = "ok"
        if self.manners.advanced_ok:
            room = max(0, self.planner_moves - 1 - self.timeline.moves)
            text += f" N{line.number}" if line is not None and line.number is not None else ""
            text += f" P{room} B{self.manners.command_lines - len(self._queue)}"
        self.say(text + self._answer)
        self._answer = ""
        self._answered += 1
        if self.manners.chatter_lines and self._answered % self.manners.chatter_lines == 0:
            self.say(f" {ROOM_TEMPERATURE}")

    def finished(self) -> None:
        """Answer `ok` for the command that was at work."""
        if self._queue:
            self._ok(self._queue.popleft())
        self._busy_at_s = inf

    # ---- commands

    def _carry_out(self, line: HostLine) -> Work:
        """Do what a line says; a word that is not known is complained about and passed over."""
        text = line.text
        if text.startswith(_TEXT_COMMANDS):
            if text.startswith("M118"):
                self.say(text[4:].strip())
            self._done(line)
            return
        try:
            words = words_of(without_comments(text), bare=True)
        except BadLineError:
            words = []
        if not words or words[0][0] not in "GMT":
            self.say(f'echo:Unknown command: "{text}"')
            return
        code = code_of(*words[0])
        given = dict(words[1:])
        handler = _HANDLERS.get(code)
        if handler is not None:
            yield from handler(self, line, given)
        elif code in _ACCEPTED or code.startswith("T"):
            self._done(line)
        else:
            self.say(f'echo:Unknown command: "{text}"')

    def _done(self, line: HostLine) -> None:
        self.timeline.add(self.now_s, line=line.number, text=line.text)

    def _places(self, given: Mapping[str, float | None]) -> dict[str, float]:
        return {
            letter: value for letter, value in given.items() if letter in ALL_LETTERS and value is not None
        }

    def _move(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        yield from self.room()
        feed = given.get("F")
        if feed:
            self.interpreter.set_feed(feed)
        places = self._places(given)
        if "E" in places and self.manners.cold_guard and not self._cold_ok:
            self.say("echo: cold extrusion prevented")
            del places["E"]
        # G0 is no faster than G1 here: printer controllers go at F with both.
        step = self.interpreter.step(places, rapid=False)
        if self.now_s < self._deaf_until_s:
            self.timeline.dropped.append(line.text)
            return
        yield from self.drive(step, line=line.number, text=line.text)

    def _wait(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        seconds = given.get("S")
        if seconds is None:
            seconds = (given.get("P") or 0.0) / 1000
        yield from self.dwell(max(0.0, seconds), line=line.number, text=line.text)

    def _barrier(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        yield from self.standstill()
        self._done(line)

    def _home(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        letters = "".join(letter for letter in AXES if letter in given) or AXES
        yield from self.home(letters, line=line.number, text=line.text)

    def _rename(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        self.interpreter.rename_here(self._places(given) or dict.fromkeys(AXES, 0.0))
        self._done(line)
        yield from ()

    def _probe_towards(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        """G38.2: towards a place until the contact closes; without contact an error is said, and nothing else."""
        feed = given.get("F")
        if feed:
            self.interpreter.set_feed(feed)
        step = self.interpreter.step(self._places(given), rapid=False)
        if not (yield from self.probe(step, line=line.number, text=line.text)) and not self._halted:
            self.say("Error:Failed to reach target")

    def _probe_here(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        """G30: straight down until the contact closes, say the place, and go up to where it was."""
        begin_mm = self.interpreter.position["Z"]
        down = self.interpreter.step({"Z": PROBES_TO_MM}, rapid=False, machine=True)
        touched = yield from self.probe(down, line=line.number, text=line.text)
        if self._halted:
            return
        if touched:
            at = {letter: self.interpreter.work(letter) for letter in AXES}
            self.say(f"Bed X: {at['X']:.2f} Y: {at['Y']:.2f} Z: {at['Z']:.2f}")
        else:
            self.say("Error:Probing Failed")
        up = self.interpreter.step({"Z": begin_mm}, rapid=False, machine=True)
        yield from self.drive(up, line=line.number, text=line.text)

    def _where(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        # The position is the planned one; the counts are where the motors stand, here in steps of 1/80 mm.
        letter = self.timeline.plunger_letter or "E"
        planned = " ".join(f"{name}:{self.interpreter.work(name):.2f}" for name in (*AXES, letter))
        counts = " ".join(f"{name}:{round(80 * self.reported()[name])}" for name in AXES)
        self.say(f"{planned} Count {counts}")
        self._done(line)
        yield from ()

    def _temperature(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        self._answer = f" {ROOM_TEMPERATURE}"
        self._done(line)
        yield from ()

    def _temperature_reports(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        self._temperature_every_s = max(0, int(given.get("S") or 0))  # whole seconds
        on = self._temperature_every_s > 0 and self.scale > 0
        self._temperature_at_s = self.now_s + self._temperature_every_s * self.scale if on else inf
        self._done(line)
        yield from ()

    def _about(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        self.say(
            "FIRMWARE_NAME:pastewright virtual controller PROTOCOL_VERSION:1.0 "
            "MACHINE_TYPE:pretend gantry EXTRUDER_COUNT:1"
        )
        self.say(f"Cap:EMERGENCY_PARSER:{int(self.manners.emergency_parser)}")
        self.say("Cap:AUTOREPORT_TEMP:1")
        self._done(line)
        yield from ()

    def _renumber(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        number = given.get("N")
        if number is not None:
            self._last = int(number)
        self._done(line)
        yield from ()

    def _ask(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        yield from self.standstill()
        yield inf
        self._done(line)

    def _stop(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        if not self.manners.emergency_parser:  # else it was seen in the bytes already
            self.timeline.cut(self.now_s)
            self.see_where()
            self._deaf_until_s = self.now_s + QUICK_STOP_DEAF_S * self.scale
        self._done(line)
        yield from ()

    def _cold(self, line: HostLine, given: Mapping[str, float | None]) -> Work:
        self._cold_ok = given.get("P", 1.0) != 0
        self._done(line)
        yield from ()


_Handler = Callable[[RepRapFirmware, HostLine, Mapping[str, float | None]], Work]


def _mode(
    *,
    inches: bool | None = None,
    relative: bool | None = None,
    plunger_relative: bool | None = None,
    inverse_time: bool | None = None,
) -> _Handler:
    def take(firmware: RepRapFirmware, line: HostLine, given: Mapping[str, float | None]) -> Work:
        firmware.interpreter.set(
            inches=inches, relative=relative, plunger_relative=plunger_relative, inverse_time=inverse_time
        )
        firmware._done(line)
        yield from ()

    return take


_HANDLERS: Mapping[str, _Handler] = {
    "G0": RepRapFirmware._move,
    "G1": RepRapFirmware._move,
    "G4": RepRapFirmware._wait,
    "G20": _mode(inches=True),
    "G21": _mode(inches=False),
    "G28": RepRapFirmware._home,
    "G30": RepRapFirmware._probe_here,
    "G38.2": RepRapFirmware._probe_towards,
    "G90": _mode(relative=False, plunger_relative=False),
    "G91": _mode(relative=True, plunger_relative=True),
    "G92": RepRapFirmware._rename,
    "G93": _mode(inverse_time=True),
    "G94": _mode(inverse_time=False),
    "M0": RepRapFirmware._ask,
    "M1": RepRapFirmware._ask,
    "M18": RepRapFirmware._barrier,
    "M82": _mode(plunger_relative=False),
    "M83": _mode(plunger_relative=True),
    "M84": RepRapFirmware._barrier,
    "M105": RepRapFirmware._temperature,
    "M108": _mode(),
    "M110": RepRapFirmware._renumber,
    "M114": RepRapFirmware._where,
    "M115": RepRapFirmware._about,
    "M155": RepRapFirmware._temperature_reports,
    "M302": RepRapFirmware._cold,
    "M400": RepRapFirmware._barrier,
    "M410": RepRapFirmware._stop,
}

"""The small-CNC protocol: one answer a line, a receive buffer to count, and bytes that act at once.

How it goes, in plain words. Lines go out bare, without number or checksum. Each gets exactly one answer, `ok` or
`error:<n>`, when it has been taken out of the receive buffer. The buffer holds 128 bytes: the host adds up the
bytes of the lines that have no answer yet and sends no line that would not fit. Some bytes never enter the buffer
and act at once: `?` asks for a status report `<Idle|MPos:1.000,2.000,3.000|FS:0,0|WCO:…>`, `!` holds the feed,
`~` goes on, ctrl-X (0x18) resets. `ALARM:<n>` means locked, position doubtful. After a reset comes a greeting.

What can be known. Nothing here can be sent twice to be safe: a line without an answer may have been carried out or
not. So the sender counts, and where the count does not come out it stops (`miscount`) instead of guessing. A
barrier is `G4 P0` (answered when all motion before it has ended) and `$G` (answered by `[GC:…]`): when that text
comes, exactly one line, `$G` itself, may be without an answer. Then `?` until Idle, with the position. A digit that
the line garbles in such a way that another valid number results is carried out as it arrives; only its effect on
the position at the next barrier can show it. Cables that check their bytes (USB) do not do that.

    state       what came                          what follows
    ASKING      status Idle, or Hold at a stop     ctrl-X: counts, modes and half lines are gone, the place is kept
    ASKING      status Run                         wait until it stands
    RESETTING   another offset of X, Y or Z        Failed elsewhere: it was a G92, and the reset forgot it
    RESETTING   greeting, then status Idle         `$G`; its answer: READY, Ready
    READY       ok                                 next lines as far as the buffer goes
    READY       error:n                            Failed refused
    READY       ok with nothing unanswered         Failed miscount
    READY       nothing, Idle although unanswered  Failed miscount
    READY       greeting                           Failed reset
    HOLDING     status Hold at a stop, or Idle     ctrl-X, RESETTING
    any         ALARM                              Failed alarm
    any         nothing at all for `silence_s`     Failed silent

Source: the public interface description of the open CNC firmware that brought this protocol about, version 1.1
(from memory), whose buffer is 128 bytes and whose lines hold 80.

Longer than 400 lines because the sender of one protocol is one table of states, above, and is read against it.
"""

import re
from collections import deque
from collections.abc import Iterable
from enum import Enum

from pastewright.link.cnc_words import ALARMS, ERRORS
from pastewright.link.events import Event, Failed, Passed, Ready, Said, Standing, Trouble

RX_BYTES = 127
"""Bytes kept in the receive buffer: one less than it has, as rings often cannot hold their last."""
LINE_BYTES = 79
"""Longest line with its end: controllers keep 80 characters a line (public interface notes)."""
POLL_S = 0.05
"""At a barrier: its interface notes advise no more than some 5 to 20 questions a second (from memory)."""
LEAST_OFFSET_MM = 0.005
"""Half the last figure but one of a report: less is rounding."""
SLOW_POLL_S = 0.2
"""Between barriers: the least of what the notes advise. What a reset leaves in doubt is as long as this."""
SILENCE_S = 5.0
"""A status report comes within milliseconds whatever the axes do; this allows for a slow network (own choice)."""
MOST_BLIND = 35
"""The offset comes with every 10th to 30th status report at the latest (from memory)."""
IDLE_S = 2.0
"""Idle for so long with lines unanswered means that answers or lines were lost."""
STOP_S = 3.0
"""A feed hold that has not come to a stop by then will not."""
HOMING_S = 120.0
"""A metre of slow axis at 10 mm/s, and back (common practice)."""
MOST_PENDING = 4096
"""An answer line longer than this is no answer."""
EXACT_STOP, EXACT_PATH = "G61.1", "G61"
"""Small CNC controllers know only the second (from memory): they keep to the path but do not stop at its corners."""
STAND = b"G4 P0\n"
"""Answered when all motion before it has ended."""
RESET, STATUS, HOLD, GO = b"\x18", b"?", b"!", b"~"

_UNFIT = frozenset({"Hold", "Door", "Sleep", "Check", "Jog"})  # "Home" is a home line at work
"""States in which no program runs. A word that is none of theirs was garbled on the way: the next report tells."""
AXES = "XYZABCUVW"
_GREETING = re.compile(r"^grbl\w*\s|^\w[^\[]*\['\$'[^\]]*for help\]", re.IGNORECASE)
"""The greeting of the firmware that brought the protocol about, or any name that ends as greetings of its kind do."""
_PARSER = re.compile(r"^\[(?:GC:|G\d)")
_DWELL = re.compile(r"G0?4\s*P(\d+\.?\d*|\.\d+)")


class _State(Enum):
    ASKING = "asking"
    RESETTING = "resetting"
    READY = "ready"
    HOLDING = "holding"
    FAILED = "failed"


class CncSender:
    """Sends lines to a small CNC controller. See `events.Sender` for the shape, the module for the rules."""

    emergency = RESET
    heard_every_s: float | None = SLOW_POLL_S + POLL_S

    def __init__(self, *, silence_s: float = SILENCE_S, locked_is_fine: bool = False) -> None:
        """`locked_is_fine`: an alarm state at the start is accepted, because homing comes first."""
        self._silence_s = silence_s
        self._locked_is_fine = locked_is_fine
        self._state = _State.ASKING
        self._in = bytearray()
        self._queue: deque[tuple[bytes, int | None, int]] = deque()
        """Line, barrier that it ends, and bytes that must find room with it."""
        self._flight: deque[bytes] = deque()
        self._flight_bytes = 0
        self._room = RX_BYTES
        self._token: int | None = None  # barrier whose $G is in flight
        self._parser_seen = False
        self._standing: int | None = None  # barrier that waits for Idle
        self._held = False
        self._offset: dict[str, float] = {}
        self._offset_before: dict[str, float] = {}  # as it was before the reset of the handshake
        self._offset_known = False
        self._blind = 0  # status reports at a barrier that lacked the offset
        self._now = bytearray()  # bytes that act at once
        self._out = bytearray()
        self._heard_s = 0.0  # last byte of any kind
        self._polled_s = 0.0
        self._since_s = 0.0  # begin of the present state
        self._idle_s: float | None = None  # since when it stands idle with lines unanswered
        self._words = ""
        self._taken = 0

    # -- what the run asks for --------------------------------------------------------------------------

    @property
    def taken(self) -> int:
        """Lines answered with ok since the start, barriers included."""
        return self._taken

    @property
    def unsent(self) -> int:
        """Lines pushed and not yet sent, barriers not counted."""
        return sum(data is not STAND and token is None for data, token, _ in self._queue)

    @property
    def next_s(self) -> float | None:
        """When to tick: polls go on as long as something is awaited."""
        if self._state is _State.FAILED:
            return None
        if self._state is not _State.READY or self._standing is not None:
            return self._polled_s + POLL_S
        return self._polled_s + SLOW_POLL_S if self._flight else None

    def start(self, now_s: float) -> None:
        """Ask where it stands, then reset it gently, so that both sides count from nothing."""
        self._enter(_State.ASKING, now_s)
        self._heard_s = now_s
        self._poll(now_s)

    def push(self, lines: Iterable[str], *, whole: bool = False) -> None:
        """Queue lines; one too long for the controller is a ValueError."""
        begin = len(self._queue)
        for line in lines:
            if EXACT_STOP in line:
                line = line.replace(EXACT_STOP, EXACT_PATH)
            data = line.encode("ascii", "replace") + b"\n"
            if len(data) > LINE_BYTES:
                raise ValueError(f"a line of {len(line)} characters is too long to send: {line[:40]}…")
            self._queue.append((data, None, len(data)))
        if whole and len(self._queue) > begin:
            together = sum(len(self._queue[at][0]) for at in range(begin, len(self._queue)))
            self._queue[begin] = (self._queue[begin][0], None, min(together, self._room))

    def barrier(self, token: int) -> None:
        """Queue G4 P0 and $G."""
        self._queue.append((STAND, None, len(STAND)))
        self._queue.append((b"$G\n", token, 3))

    def drop_unsent(self) -> int:
        """Forget what was not sent yet; returns how many lines that were."""
        dropped = len(self._queue)
        self._queue.clear()
        return dropped

    def hold(self, now_s: float) -> bool:
        """Send the hold byte."""
        self._now += HOLD
        self._held = True
        return True

    def go_on(self, now_s: float) -> None:
        """Send the byte that ends a hold."""
        self._now += GO
        self._held = False
        self._idle_s = None

    def take_back(self, data: bytes) -> None:
        """Forget lines that never went out; what acts at once is of no account."""
        for _ in range(data.count(b"\n")):
            if self._flight:
                self._flight_bytes -= len(self._flight.pop())
        self._token = None

    def break_off(self, now_s: float, *, dead: bool = False) -> None:
        """Hold at once; when the axes stand, reset, which keeps the position. `Ready` comes after that."""
        self._queue.clear()
        self._token = self._standing = None
        self._held = True
        self._now += HOLD
        self._heard_s = now_s
        self._blind = 0
        self._enter(_State.HOLDING, now_s)
        self._poll(now_s)

    # -- bytes out --------------------------------------------------------------------------------------

    def to_send(self, now_s: float) -> bytes:
        """Return the bytes that may go out now; those that act at once come first."""
        if self._state is _State.READY and not self._held:
            self._fill(now_s)
        data = bytes(self._now + self._out)
        self._now.clear()
        self._out.clear()
        return data

    def _fill(self, now_s: float) -> None:
        # Nothing follows a barrier's $G before it has passed.
        while self._queue and self._token is None and self._standing is None:
            data, token, needs = self._queue[0]
            if self._flight and self._flight_bytes + needs > self._room:
                return
            self._queue.popleft()
            if not self._flight:
                self._polled_s = self._heard_s = now_s
                self._idle_s = None
            self._flight.append(data)
            self._flight_bytes += len(data)
            self._out += data
            if token is not None:
                self._token = token
                self._parser_seen = False

    # -- bytes in ---------------------------------------------------------------------------------------

    def received(self, data: bytes, now_s: float) -> list[Event]:
        """Take bytes from the controller."""
        events: list[Event] = []
        self._in += data
        while (end := self._in.find(b"\n")) >= 0:
            text = self._in[:end].decode("ascii", "replace").strip("\r\0 \t")
            del self._in[: end + 1]
            if text and self._state is not _State.FAILED:
                self._heard_s = now_s
                self._line(text, now_s, events)
        if len(self._in) > MOST_PENDING:
            del self._in[:-MOST_PENDING]
        return events

    def _line(self, text: str, now_s: float, events: list[Event]) -> None:
        if text == "ok":
            self._ok(now_s, events)
        elif text.startswith("<") and text.endswith(">"):
            self._status(text, now_s, events)
        elif _PARSER.match(text):
            self._parser(events)
        elif text.lower().startswith("error:"):
            self._refused(text, events)
        elif text.upper().startswith("ALARM"):
            code = _code(text)
            words = f" ({ALARMS[code]})" if code in ALARMS else ""
            self._fail(Trouble.ALARM, f"the controller says {text}{words}", events)
        elif _GREETING.match(text):
            self._greeting(text, now_s, events)
        else:
            events.append(Said(text))

    def _ok(self, now_s: float, events: list[Event]) -> None:
        if self._state in (_State.HOLDING, _State.ASKING):
            return  # of lines that are given up
        if not self._flight:
            if self._state is _State.READY:
                self._fail(Trouble.MISCOUNT, "there is one answer more than there were lines", events)
            return
        if len(self._flight) == 1 and self._token is not None and not self._parser_seen:
            if self._state is _State.RESETTING:
                return
            self._fail(Trouble.MISCOUNT, "an answer came before the one to $G", events)
            return
        self._flight_bytes -= len(self._flight.popleft())
        self._taken += 1
        self._idle_s = None
        if self._token is not None and not self._flight:
            token, self._token = self._token, None
            if token == -1:
                self._enter(_State.READY, now_s)
                events.append(Ready(self._words or "a CNC controller without a name"))
            else:
                self._standing = token
                self._blind = 0
                self._poll(now_s)

    def _parser(self, events: list[Event]) -> None:
        if self._state in (_State.HOLDING, _State.ASKING):
            return
        if self._token is None or len(self._flight) != 1:
            missing = max(len(self._flight) - 1, 0)
            self._fail(Trouble.MISCOUNT, f"{missing} lines before a barrier have no answer", events)
            return
        self._parser_seen = True

    def _refused(self, text: str, events: list[Event]) -> None:
        if self._state is not _State.READY:
            return  # half a line of an earlier host, or lines that are given up
        line = self._flight.popleft().decode("ascii").strip() if self._flight else ""
        code = _code(text)
        words = f" ({ERRORS[code]})" if code in ERRORS else ""
        about = f" to {line!r}" if line else ""
        self._fail(Trouble.REFUSED, f"the controller answers {text}{words}{about}", events)

    def _greeting(self, text: str, now_s: float, events: list[Event]) -> None:
        if self._state is _State.READY:
            self._fail(Trouble.RESET, f"the controller started anew ({text})", events)
            return
        if self._state is not _State.RESETTING:
            return
        self._words = text.split("[")[0].strip()
        self._flight.clear()
        self._flight_bytes = 0
        self._token = None
        self._held = False
        self._offset_known = False
        self._poll(now_s)

    def _status(self, text: str, now_s: float, events: list[Event]) -> None:
        fields = text[1:-1].split("|")
        state = fields[0]
        place, machine = self._place(fields[1:])
        word = state.split(":")[0]
        if self._state is _State.RESETTING:
            place = {}  # G92, by which the program counts its plunger, is forgotten: these are other numbers
        if self._state is _State.ASKING:
            if word == "Idle" or state == "Hold:0" or (word == "Alarm" and self._locked_is_fine):
                self._blind += 1
                if self._offset_known or self._blind > MOST_BLIND:
                    self._offset_before = self._offset if self._offset_known else {}
                    self._reset(now_s)
            elif word == "Alarm":
                self._fail(
                    Trouble.ALARM,
                    "the controller is locked after an alarm; home it or unlock it first",
                    events,
                )
            elif word in _UNFIT:
                self._unfit(state, events)
        elif self._state is _State.RESETTING:
            if self._words and self._token is None:
                self._after_reset(word, state, events)
        elif self._state is _State.HOLDING:
            self._held_still(state, word, now_s, events)
        elif self._state is _State.READY:
            self._watch(word, state, (place, machine), now_s, events)
        if self._state is not _State.FAILED:
            events.append(Standing(state, place, machine))

    def _held_still(self, state: str, word: str, now_s: float, events: list[Event]) -> None:
        """Reset once it stands, and once the plunger's place is told in the program's numbers: a reset forgets them."""
        if state == "Hold:0" or word == "Idle":
            self._blind += 1
            if self._offset_known or self._blind > MOST_BLIND:
                self._reset(now_s)
        elif word == "Alarm":
            self._fail(Trouble.ALARM, "the controller is locked after an alarm", events)

    def _after_reset(self, word: str, state: str, events: list[Event]) -> None:
        moved = [
            letter
            for letter in "XYZ"
            if self._offset_known
            and abs(self._offset_before.get(letter, 0.0) - self._offset.get(letter, 0.0)) > LEAST_OFFSET_MM
        ]
        if self._offset_before and moved:
            self._fail(
                Trouble.ELSEWHERE,
                f"the offset of {', '.join(moved)} was set with G92, which a reset forgets: set the board's place"
                " with G54 (G10 L20) instead",
                events,
            )
            return
        if word == "Idle" or (word == "Alarm" and self._locked_is_fine):
            self._flight.append(b"$G\n")
            self._flight_bytes = 3
            self._out += b"$G\n"
            self._token, self._parser_seen = -1, False
        elif word == "Alarm":
            self._fail(Trouble.ALARM, "the controller is locked after an alarm", events)
        elif word in _UNFIT and word != "Hold":
            self._unfit(state, events)

    def _watch(
        self,
        word: str,
        state: str,
        places: tuple[dict[str, float], dict[str, float]],
        now_s: float,
        events: list[Event],
    ) -> None:
        if word == "Alarm":
            nothing_at_work = not self._flight and self._standing is None
            unlocking = any(line[:2] in (b"$H", b"$X") for line in self._flight)
            if not (self._locked_is_fine and (nothing_at_work or unlocking)):
                self._fail(Trouble.ALARM, "the controller is locked after an alarm", events)
            return
        if word in _UNFIT and not (self._held and word == "Hold"):
            self._unfit(state, events)
            return
        if word != "Idle" or self._held:
            self._idle_s = None
            return
        if self._standing is not None:
            self._blind += 1
            if places[0] or self._blind > MOST_BLIND:
                token, self._standing = self._standing, None
                events.append(Passed(token, *places))
            return
        if not self._flight:
            return
        if self._idle_s is None:
            self._idle_s = now_s
        elif now_s - self._idle_s > IDLE_S + self._dwells_s():
            self._fail(
                Trouble.MISCOUNT,
                f"the controller stands idle, and {len(self._flight)} lines have no answer",
                events,
            )

    def _dwells_s(self) -> float:
        """Return how long it may stand idle over dwells that are in its buffer [s]."""
        found = (_DWELL.search(line.decode("ascii", "replace")) for line in self._flight)
        return sum(float(dwell[1]) for dwell in found if dwell)

    def _unfit(self, state: str, events: list[Event]) -> None:
        self._fail(Trouble.HELD, f"the controller reports {state}, which nobody here asked for", events)

    def ask(self) -> None:
        """Ask for a status report, which comes as `Standing`."""
        self._now += STATUS

    def _place(self, fields: list[str]) -> tuple[dict[str, float], dict[str, float]]:
        """Return the position in the program's and in the machine's coordinates, {} for what is not known."""
        machine: dict[str, float] = {}
        work: dict[str, float] = {}
        try:
            for field in fields:
                name, _, values = field.partition(":")
                if name == "MPos":
                    machine = _axes(values)
                elif name == "WPos":
                    work = _axes(values)
                elif name == "WCO":
                    self._offset, self._offset_known = _axes(values), True
        except ValueError:
            return {}, {}  # garbled on the way
        if self._offset_known and (machine or work).keys() == self._offset.keys():
            if machine:
                work = {letter: value - self._offset[letter] for letter, value in machine.items()}
            else:
                machine = {letter: value + self._offset[letter] for letter, value in work.items()}
        return work, machine

    # -- time -------------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> list[Event]:
        """Let time pass: poll, and give up on a controller that says nothing."""
        events: list[Event] = []
        due = self.next_s
        if due is None or now_s < due:
            return events
        patience = self._silence_s
        if any(line.startswith(b"$H") for line in self._flight):
            patience = HOMING_S
        if now_s - self._heard_s > patience:
            self._fail(Trouble.SILENT, f"no answer for {now_s - self._heard_s:.0f} s", events)
            return events
        if self._state is _State.HOLDING and now_s - self._since_s > STOP_S:
            self._reset(now_s)
        elif self._state is _State.RESETTING and now_s - self._since_s > self._silence_s:
            self._fail(Trouble.SILENT, "no greeting after a reset", events)
            return events
        self._poll(now_s)
        return events

    def _poll(self, now_s: float) -> None:
        self._now += STATUS
        self._polled_s = now_s

    def _reset(self, now_s: float) -> None:
        self._now += RESET
        self._out.clear()
        self._in.clear()
        self._words = ""
        self._token = None
        self._flight.clear()
        self._flight_bytes = 0
        self._enter(_State.RESETTING, now_s)
        self._polled_s = now_s

    def _enter(self, state: _State, now_s: float) -> None:
        self._state = state
        self._since_s = now_s
        self._idle_s = None

    def _fail(self, trouble: Trouble, what: str, events: list[Event]) -> None:
        self._state = _State.FAILED
        self._out.clear()
        self._queue.clear()
        self._token = self._standing = None
        events.append(Failed(trouble, what))


def _axes(values: str) -> dict[str, float]:
    return {letter: float(value) for letter, value in zip(AXES, values.split(","), strict=False)}


def _code(text: str) -> int:
    digits = "".join(letter for letter in text if letter.isdigit())
    return int(digits) if digits else 0

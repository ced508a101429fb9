"""The RepRap host protocol: numbered lines with checksums, an answer to each, `Resend` when one was bad.

How it goes, in plain words. Every line goes out as `N<number> <words>*<sum>`; the sum is the exclusive-or of all
bytes before the star. The controller takes lines in strict sequence and answers each with `ok`. A line that is
damaged, or not the next in sequence, changes nothing: the answer is an `Error:` text, `Resend: <n>` (some say
`rs <n>`) with the number it waits for, and an `ok`. Long commands are bridged by `echo:busy:`. Anything else
(temperatures, messages) is chatter. After a reset it says `start` and waits for line 1. Some controllers append
what they know to the ok: `ok N12 P15 B3`, last line taken, free places in planner and command buffer.

Why nothing is lost or doubled. The number decides, not the count of oks: `Resend: n` means "all before n is taken,
n is not". So an unanswered line may always be sent again; if it had been taken, the answer says so. An ok proves
little, as serial lines lose and double bytes; a barrier proves much: `M400` (wait until all moves have ended) and
`M114` (say where you are). The controller answers in sequence, so a position that comes after M114 went out comes
after everything before it was carried out. The ok of M114 is the first one *after* the position: oks before
it are surplus, and the count is right again at every barrier.

    state      what came                        what follows
    ASKING     position and ok of the handshake READY: Ready
    ASKING     nothing for `silence_s`          ask again, 3 times, then Failed silent
    READY      ok                               next line
    READY      Resend: n, n was sent            go on from n as soon as the answers in flight are in
    READY      Resend: n, n proved long ago     twice in a row: Failed reset
    READY      nothing for `silence_s`          the oldest unanswered line again, 12 times, then Failed silent
    READY      start                            Failed reset
    any        busy                             the wait starts anew

A stop that cannot wait is `M410`: it ends motion where it is. Controllers with an emergency parser see it past every
buffer, others in its turn; one that does not know it says so, and carries out what it was sent. What else had gone out is
then answered as ever, and of it nobody knows what moved: a common firmware forgets moves for a second (from memory), others
carry them out. So it is sent once more when all is answered, and after that second `M400` and `M114` tell where the
axes stand.

    STOPPING   all answered                     M410 once more, if anything was unanswered at the first
    STOPPING   `DEAF_S` after the last answer   M400, M114: Standing, Ready

Source: the public G-code pages of the RepRap wiki and the controllers' serial texts (from memory). One line is in
flight at a time; with an advanced ok as many as its B allows, up to `MOST_IN_FLIGHT` and `MOST_BYTES`.

Longer than 400 lines because the sender of one protocol is one table of states, above, and is read against it.
"""

import re
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from functools import reduce
from operator import xor

from pastewright.link.events import Event, Failed, Passed, Ready, Repeated, Said, Standing, Trouble

SILENCE_S = 5.0
"""Controllers say busy every 2 s while a command takes long (from memory): twice that, and a little."""
ASK_TRIES = 3
"""A handshake whose answer is lost twice is no accident (own choice)."""
LINE_TRIES = 12
"""A minute in all: a long bead or homing may take that long on a controller that does not say busy."""
LINE_BYTES = 96
"""Longest line sent; controllers keep 96 bytes a command (from memory)."""
MOST_IN_FLIGHT = 4
MOST_BYTES = 120
"""Receive buffers hold 128 bytes, some a few less (from memory)."""
COMMANDS = 3
"""Commands that have left the receive buffer and wait for their turn: queues hold 4 (from memory), one is at work."""
QUIET_S = 0.1
"""After a Resend with several lines in flight the controller may have thrown some away: wait this long for answers."""
DEAF_S = 1.1
"""A common firmware forgets the moves of one second after a quick stop (from memory): that, and a little."""
MOST_PENDING = 4096
"""An answer line longer than this is no answer."""

QUICK_STOP = "M410"
_NO_QUICK_STOP = re.compile(r"unknown command.*m410")
_RESEND = re.compile(r"^(?:resend|rs)\s*:?\s*N?\s*(\d+)", re.IGNORECASE)
_SENT = re.compile(rb"^N(\d+) ", re.MULTILINE)
_OK_NUMBER = re.compile(r"\bN(\d+)")
_OK_BUFFER = re.compile(r"\bB(\d+)")
_PLACE = re.compile(r"([A-Z]):\s*(-?\d+(?:\.\d+)?)")
_TEMPERATURE = re.compile(r"^[TBC]\d?:\s*-?\d")
_RESET = re.compile(r"^start\b|(?<=\S)(?<!re)(?<!auto)start$")
"""The greeting after a reset, which may follow what was being said without a line end; "restart" is a word of people's."""
_COLD = ("cold extrusion", "cold extruder", "extrusion prevented")
"""Texts (from memory) of a controller that keeps a cold extruder still: the plunger did not move. See M302."""
_UNKNOWN = re.compile(r"unknown command:?(.*)", re.IGNORECASE)
_HARMLESS = re.compile(r"\d{0,3}|\?|m(302|410)\b.*")
"""The tail of a checksum, cut off by a damaged line end; the question of detection; leave to move a cold extruder, which a
controller without a guard against that need not know; and the quick stop."""
_HELLO, _WHERE, _UNHEARD = -1, -2, -3
"""Barriers of the sender's own: of the handshake, of a stop; and one whose passing proves nothing any more."""


@dataclass(frozen=True, slots=True)
class _Queued:
    """A line to be numbered; `token` is the barrier that it ends, `together`: it belongs to the line before it."""

    line: str
    token: int | None = None
    together: bool = False
    barrier: bool = False


class _State(Enum):
    ASKING = "asking"
    READY = "ready"
    FAILED = "failed"


def _refusal(lower: str) -> bool:
    if any(words in lower for words in _COLD):
        return True
    unknown = _UNKNOWN.search(lower)
    return unknown is not None and not _HARMLESS.fullmatch(unknown[1].strip(' "'))


def numbered(line: str, number: int) -> bytes:
    """Return a line as it goes over the wire, with number, checksum and line end."""
    body = f"N{number} {line}".encode("ascii", "replace")
    return b"%s*%d\n" % (body, reduce(xor, body))


def position_of(text: str) -> dict[str, float]:
    """Return the axes of a position report, {} where the text is none; step counts behind `Count` are left out."""
    head = text.split("Count")[0]
    place = {letter: float(value) for letter, value in _PLACE.findall(head)}
    return place if {"X", "Y", "Z"} <= place.keys() else {}


class RepRapSender:
    """Sends lines to a printer controller. See `events.Sender` for the shape, the module for the rules."""

    emergency = b"M112\n"
    heard_every_s: float | None = None

    def __init__(self, *, silence_s: float = SILENCE_S, advanced: bool = True) -> None:
        self._silence_s = silence_s
        self._advanced = advanced
        self._state = _State.ASKING
        self._in = bytearray()
        self._queue: deque[_Queued] = deque()
        self._lines: dict[int, tuple[bytes, int | None]] = {}  # what was numbered and is not proved yet
        self._together: set[int] = (
            set()
        )  # numbers of lines that follow the one before without waiting for its answer
        self._next = 0  # the number that goes out next
        self._top = 0  # the highest number ever sent, plus one
        self._proved = 0  # all before it are proved carried out
        self._expected = 0  # all before it are believed taken
        self._flight: deque[int] = deque()  # numbers that wait for an answer, in order
        self._flight_bytes = 0
        self._resend: int | None = None  # number asked for in the answer that is coming in
        self._back_to: int | None = None  # go on from here when the answers in flight are in
        self._suspect = 0  # Resends in a row that ask for what was proved
        self._window = 1
        self._barriers: dict[int, int] = {}  # line number of each M114 in flight -> token
        self._stale = 0  # copies given up whose answers may still come
        self._copies = 0  # how often the barrier's question went out
        self._announce = False
        self._dead = False  # from a quick stop until its place is asked for
        self._dead_again = False  # whether it goes out once more, when all is answered
        self._deaf_until_s: float | None = None  # all is answered: moves may be forgotten until then
        self._waits_out = False  # an answer said what it waits for, but another may still be on its way
        self._position: dict[str, float] = {}
        self._tries = 0
        self._heard_s = 0.0
        self._alive_s = 0.0  # when it last said something that a controller in the midst of its work says
        self._piece_s: float | None = None  # when the first part of the line came that is being read
        self._out = bytearray()
        self._words = ""
        self._taken = 0

    # -- what the run asks for --------------------------------------------------------------------------

    @property
    def taken(self) -> int:
        """Lines acknowledged since the start, barriers included."""
        return self._taken

    @property
    def unsent(self) -> int:
        """Lines pushed and not yet sent, barriers not counted."""
        return sum(not queued.barrier for queued in self._queue)

    @property
    def next_s(self) -> float | None:
        """When to tick if nothing is received before."""
        if self._state is _State.FAILED:
            return None
        if self._announce:
            return self._heard_s
        if self._back_to is not None or self._resend is not None or self._waits_out:
            return self._heard_s + QUIET_S
        if self._deaf_until_s is not None and not self._flight:
            return self._deaf_until_s
        return self._heard_s + self._silence_s if self._flight else None

    def start(self, now_s: float) -> None:
        """Set the controller's line count to 0 and ask for its name and position.

        The empty line first ends whatever half line an earlier host left behind.
        """
        self._state = _State.ASKING
        self._heard_s = now_s
        self._tries = 0
        self._ask()

    def _ask(self) -> None:
        self._flight.clear()
        self._flight_bytes = 0
        self._lines = {0: (numbered("M110 N0", 0), None)}
        self._out += b"\n" + self._lines[0][0]
        self._flight.append(0)
        self._next = self._top = 1
        self._expected = self._proved = 0
        self._together.clear()
        asked = [_Queued("M115"), _Queued("M400"), _Queued("M114", _HELLO)]
        self._queue = deque([*asked, *_no_questions(self._queue)])
        self._barriers = {}
        self._back_to = self._resend = None
        self._waits_out = False
        self._position = {}
        self._window = 1

    def push(self, lines: Iterable[str], *, whole: bool = False) -> None:
        """Queue lines; a line too long for a controller's buffer is a ValueError."""
        for at, line in enumerate(lines):
            if len(line) > LINE_BYTES - 12:
                raise ValueError(f"a line of {len(line)} characters is too long to send: {line[:40]}…")
            self._queue.append(_Queued(line, together=whole and at > 0))

    def barrier(self, token: int) -> None:
        """Queue M400 and M114."""
        self._queue.append(_Queued("M400", barrier=True))
        self._queue.append(_Queued("M114", token, barrier=True))

    def drop_unsent(self) -> int:
        """Forget what was not sent; what is being repeated stays, as the controller waits for it."""
        dropped = len(self._queue)
        self._queue.clear()
        return dropped

    def hold(self, now_s: float) -> bool:
        """Return False: the protocol has no byte for it."""
        return False

    def go_on(self, now_s: float) -> None:
        """Nothing to end."""

    def take_back(self, data: bytes) -> None:
        """Forget lines that never went out: their numbers are free again."""
        numbers = [int(found[1]) for found in _SENT.finditer(data)]
        if not numbers:
            return
        first = min(numbers)
        for number in [number for number in self._flight if number >= first]:
            self._flight.remove(number)
        for number in range(first, self._top):
            self._lines.pop(number, None)
            self._together.discard(number)
            self._barriers.pop(number, None)
        self._flight_bytes = sum(len(self._lines[number][0]) for number in self._flight)
        self._next = self._top = first

    def break_off(self, now_s: float, *, dead: bool = False) -> None:
        """Forget what was not sent. What was sent comes to its own end, and `Ready` follows with the next tick.

        `dead`: it ends where it is, and `Standing` tells where before `Ready`.
        """
        self.drop_unsent()
        if self._state is _State.FAILED:
            self._state = _State.READY
        if not dead:
            self._announce = True
            return
        for number in self._barriers:  # what a question now proves is that it was answered
            self._barriers[number] = _UNHEARD
            self._lines[number] = self._lines[number][0], _UNHEARD
        clean = self._next == self._top and self._back_to is None and self._resend is None
        self._dead, self._dead_again, self._deaf_until_s = True, bool(self._flight) or not clean, None
        if clean:
            self._queue.append(_Queued(QUICK_STOP))
            self._send_next(now_s)
        else:  # it waits for another number: a line without one is taken as it is
            self._out += QUICK_STOP.encode() + b"\n"

    def _after_dead(self, now_s: float) -> None:
        """Go on with a quick stop, once all before it is answered."""
        if not self._dead or self._flight or self._queue or self._back_to is not None:
            return
        if self._next < self._top:
            return
        if self._dead_again:
            self._dead_again = False
            self._queue.append(_Queued(QUICK_STOP))
        elif self._deaf_until_s is None:
            self._deaf_until_s = now_s + DEAF_S
        elif now_s >= self._deaf_until_s:
            self._dead, self._deaf_until_s = False, None
            self.barrier(_WHERE)

    # -- bytes out --------------------------------------------------------------------------------------

    def to_send(self, now_s: float) -> bytes:
        """Return the bytes that may go out now."""
        self._after_dead(now_s)
        if self._state is not _State.FAILED and self._back_to is None:
            while self._room() and (self._next < self._top or self._queue):
                self._send_next(now_s)
        data = bytes(self._out)
        self._out.clear()
        return data

    def _room(self) -> bool:
        if not self._flight:
            return True
        if self._flight[-1] in self._barriers:  # nothing may follow a barrier's question before its answer
            return False
        if self._follows_at_once():
            waiting = sum(len(self._lines[number][0]) for number in list(self._flight)[COMMANDS:])
            return waiting < MOST_BYTES - LINE_BYTES / 2
        return len(self._flight) < self._window and self._flight_bytes < MOST_BYTES - LINE_BYTES

    def _follows_at_once(self) -> bool:
        """Tell whether the next line belongs to the one before it."""
        if self._next < self._top:
            return self._next in self._together
        return bool(self._queue) and self._queue[0].together

    def _send_next(self, now_s: float) -> None:
        if self._next == self._top:
            queued = self._queue.popleft()
            self._lines[self._top] = (numbered(queued.line, self._top), queued.token)
            if queued.together:
                self._together.add(self._top)
            self._top += 1
        data, token = self._lines[self._next]
        if token is not None:
            self._copies = self._copies + 1 if self._next in self._barriers else 1
            self._barriers[self._next] = token
            self._position = {}
        if not self._flight:
            self._heard_s = now_s
        self._flight.append(self._next)
        self._flight_bytes += len(data)
        self._out += data
        self._next += 1

    # -- bytes in ---------------------------------------------------------------------------------------

    def received(self, data: bytes, now_s: float) -> list[Event]:
        """Take bytes from the controller."""
        events: list[Event] = []
        self._piece_s = self._piece_s if self._in else now_s
        self._in += data
        while (end := self._in.find(b"\n")) >= 0:
            text = self._in[:end].decode("ascii", "replace").strip("\r\0 \t")
            del self._in[: end + 1]
            if text and self._state is not _State.FAILED:
                self._line(text, now_s, events)
            self._piece_s = now_s
        if len(self._in) > MOST_PENDING:
            del self._in[:-MOST_PENDING]
        return events

    def _line(self, text: str, now_s: float, events: list[Event]) -> None:
        self._heard_s = now_s
        lower = text.lower()
        if self._resend is None and not lower.startswith(("error:", "resend", "rs", "start")):
            self._alive_s = now_s
        if _RESET.search(lower):
            if self._state is _State.READY:
                # Where it was cut off in the midst of a line, it was at work as long as that.
                since_s = None if lower.startswith("start") else self._piece_s
                self._fail(Trouble.RESET, f"the controller started anew ({text})", events, since_s)
            return
        if text.startswith("ok"):
            if ":" in text and (
                place := position_of(text)
            ):  # some controllers answer M114 on one line: "ok C: X:… Y:…"
                self._position = place
            self._ok(text, events)
            return
        if resend := _RESEND.match(text):
            self._resend = int(resend[1])
            return
        if place := position_of(text):
            if self._barriers and self._flight and self._flight[0] in self._barriers:
                self._position = place
            else:
                events.append(Said(text))  # the answer of a probe, or to a question given up
            return
        if lower.startswith(("echo:busy", "busy:", "wait")):
            return
        if _TEMPERATURE.match(text):
            return
        if "FIRMWARE_NAME" in text:
            self._words = text
            return
        if lower.startswith("error:") and self._fatal(lower):
            self._fail(Trouble.ALARM, f"the controller halted: {text}", events)
            return
        if self._dead and _NO_QUICK_STOP.search(lower):  # then nothing is forgotten either
            self._dead_again, self._deaf_until_s = False, now_s
        if self._state is _State.READY and _refusal(lower):
            self._fail(Trouble.REFUSED, f"the controller refuses a line: {text}", events)
            return
        events.append(Said(text))

    @staticmethod
    def _fatal(lower: str) -> bool:
        return any(word in lower for word in ("halted", "kill", "stopped", "endstop", "homing failed"))

    def _ok(self, text: str, events: list[Event]) -> None:
        asked, self._resend = self._resend, None
        if asked is not None:
            self._answered_again(asked, events)
            return
        if not self._flight:
            return  # surplus: a doubled ok, or the answer to a line given up
        head = self._flight[0]
        if head in self._barriers and not self._position:
            return  # surplus: the position comes before the ok that counts
        told = _OK_NUMBER.search(text) if self._advanced else None
        if told:
            last = int(told[1])
            if last < head:
                return  # of an earlier line, doubled
            while self._flight and self._flight[0] <= last:
                if self._flight[0] in self._barriers and not self._position:
                    break
                self._accepted(self._pop(), events)
            if free := _OK_BUFFER.search(text):
                self._window = min(1 + int(free[1]), MOST_IN_FLIGHT)
        else:
            self._accepted(self._pop(), events)
        self._go_back_if_quiet()

    def _answered_again(self, asked: int, events: list[Event]) -> None:
        """An answer that asked for line `asked` is complete."""
        if self._stale and asked in self._flight:
            # The answer to a copy given up long ago: the one in flight will have its own, if we wait a moment.
            self._stale -= 1
            self._waits_out = True
            return
        if self._flight:
            self._pop()
        self._asked_again(asked, events)

    def _pop(self) -> int:
        number = self._flight.popleft()
        self._flight_bytes -= len(self._lines[number][0]) if number in self._lines else 0
        if not self._flight:
            self._flight_bytes = 0
        return number

    def _accepted(self, number: int, events: list[Event]) -> None:
        self._tries = self._suspect = 0
        self._waits_out = False
        if number >= self._expected:
            self._taken += number + 1 - self._expected
            self._expected = number + 1
        token = self._barriers.pop(number, None)
        if token is None:
            return
        position, self._position = self._position, {}
        for old in range(self._proved, number + 1):
            self._lines.pop(old, None)
            self._together.discard(old)
        self._proved = number + 1
        self._next = max(self._next, self._proved)
        self._back_to = None  # whatever was asked for again before, it has been carried out
        self._stale = min(self._stale, self._copies - 1)
        if token == _HELLO:
            self._state = _State.READY
            events.append(Ready(self._words or "a printer controller without a name"))
        elif token == _WHERE:
            events += [Standing("Idle", position), Ready(self._words)]
        elif token != _UNHEARD:
            events.append(Passed(token, position))

    def _asked_again(self, number: int, events: list[Event]) -> None:
        """Go on from `number`, unless it cannot be meant: damaged on the way, or from a controller that was reset."""
        if number > self._top:
            number = self._expected
        elif number < self._proved or number not in {*self._lines, self._top}:
            self._suspect += 1
            if self._suspect >= 2 and self._state is _State.READY:
                self._fail(
                    Trouble.RESET,
                    f"the controller asks for line {number}, which was carried out long ago: it was reset",
                    events,
                    self._alive_s,  # nobody has seen when
                )
                return
            number = self._expected
        else:
            self._suspect = 0
        events.append(Repeated(number))
        self._back_to = number
        self._go_back_if_quiet()

    def _go_back_if_quiet(self) -> None:
        if self._back_to is not None and not self._flight:
            self._go_back()

    def _go_back(self) -> None:
        assert self._back_to is not None
        self._expected = self._next = max(min(self._back_to, self._top), self._proved)
        self._back_to = None
        self._waits_out = False
        self._stale += len(self._flight)
        self._flight.clear()
        self._flight_bytes = 0
        for number, token in list(self._barriers.items()):
            if number < self._next:  # the question was taken, its answer was lost: ask anew
                del self._barriers[number]
                self._queue.appendleft(_Queued("M114", token, barrier=True))

    # -- time -------------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> list[Event]:
        """Let time pass: answers overdue are asked for."""
        events: list[Event] = []
        due = self.next_s
        if due is None or now_s < due:
            return events
        if self._deaf_until_s is not None and not self._flight:
            return events  # what is sent next is no repetition
        self._heard_s = now_s
        if self._announce:
            self._announce = False
            events.append(Ready(self._words))
            return events
        if self._resend is not None:  # no ok came with it
            asked, self._resend = self._resend, None
            self._answered_again(asked, events)
            return events
        if self._waits_out:
            self._back_to = self._expected
        if self._back_to is not None:
            self._go_back()
            return events
        self._tries += 1
        limit = ASK_TRIES if self._state is _State.ASKING else LINE_TRIES
        if self._tries >= limit:
            self._fail(
                Trouble.SILENT,
                f"no answer for {self._tries * self._silence_s:.0f} s",
                events,
            )
        elif self._state is _State.ASKING:
            self._ask()
        else:
            # From the oldest believed not taken; had it been taken, the answer says so.
            self._back_to = self._expected
            self._window = 1
            self._in.clear()  # half an answer will not be completed any more
            self._out += b"\n"  # nor half a line
            self._go_back()
        return events

    def _fail(self, trouble: Trouble, what: str, events: list[Event], since_s: float | None = None) -> None:
        self._state = _State.FAILED
        self._out.clear()
        self._queue.clear()
        events.append(Failed(trouble, what, since_s))


def _no_questions(queue: deque[_Queued]) -> list[_Queued]:
    """Return the queue without the handshake's questions that an earlier try left there."""
    rest = list(queue)
    for at, queued in enumerate(rest):
        if queued.token == _HELLO:
            return rest[at + 1 :]
    return rest

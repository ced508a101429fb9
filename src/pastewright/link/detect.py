"""Which protocol a controller speaks, from its greeting or from its answers to two harmless questions.

    1. listen: boards that reset when the port opens say `start`, or a name with `['$' for help]`, within seconds
    2. ask `?`      a CNC controller reports its status `<Idle|…>` at once
    3. ask `M115`   a printer controller gives its FIRMWARE_NAME

The order of 2 and 3 matters, and that time goes by between them: a host that was killed may have left half a line in the
controller, and the line end of the third step would complete it. A printer controller refuses such a line for its checksum;
a CNC controller would move, but has been recognised by then. One that has just said `start` holds no half line: it is asked
both at once.

What cannot be told is said to be so, with what was heard; nothing is guessed. No question moves anything.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum

QUIET_S = 0.3
"""Silence after which whatever was still coming has come."""
GREETING_S = 2.5
"""Boot loaders take one to two seconds (from memory)."""
STATUS_S = 0.7
"""A status report comes at once; this allows for a slow network."""
ANSWER_S = 3.0
"""A printer controller answers M115 in tens of milliseconds; a move that is being planned delays it (own choice)."""
MOST_S = 20.0
"""All questions twice over: a controller that chatters without end is not waited for (own choice)."""
GARBAGE = 0.3
"""Share of bytes that are no text above which the speed is taken to be wrong."""


class Protocol(StrEnum):
    """The two protocols."""

    REPRAP = "reprap"
    CNC = "cnc"


class Deaf(StrEnum):
    """Why no protocol was found."""

    SILENT = "silent"
    GARBAGE = "garbage"
    STRANGER = "stranger"


@dataclass(frozen=True, slots=True)
class Found:
    """The protocol, and the words it was told by. `fresh`: it started anew when the port was opened."""

    protocol: Protocol
    words: str
    fresh: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True)
class NotFound:
    """No protocol; `heard` is the last of what came."""

    why: Deaf
    heard: str


_CNC_SIGNS = (
    re.compile(r"^grbl\w*\s+v?\d[^\r\n]*", re.IGNORECASE | re.MULTILINE),
    re.compile(r"^\w[^\[\r\n]*\['\$'[^\]\r\n]*for help\]", re.MULTILINE),
    re.compile(r"^<(?:Idle|Run|Hold|Jog|Alarm|Door|Check|Home|Sleep|Tool)[|,:][^>\r\n]*>", re.MULTILINE),
)
_STARTED = re.compile(
    r"^(?:start\b|grbl\w*\s+v?\d|\w[^\[\r\n]*\['\$'[^\]\r\n]*for help\])", re.IGNORECASE | re.MULTILINE
)
_REPRAP_SIGNS = (
    re.compile(r"FIRMWARE_NAME:[^\r\n]*"),
    re.compile(r"^echo:\s?Marlin[^\r\n]*", re.MULTILINE),
)


class Detector:
    """Bytes and time in, questions and a finding out. `found` is None until it is sure one way or the other."""

    def __init__(self, now_s: float) -> None:
        self.found: Found | NotFound | None = None
        self._began_s = self._heard_s = now_s
        self._polled_s: float | None = None
        self._asked_s: float | None = None
        self._sign: Found | None = None
        self._heard = bytearray()
        self._out = bytearray()

    @property
    def next_s(self) -> float:
        """When to tick if nothing comes."""
        return min(self._heard_s + QUIET_S, self._began_s + GREETING_S)

    def received(self, data: bytes, now_s: float) -> None:
        """Take bytes of the controller."""
        if data:
            self._heard += data
            self._heard_s = now_s
            del self._heard[:-8192]
            self._look()

    def tick(self, now_s: float) -> None:
        """Let time pass; a finding comes when the controller has become quiet."""
        if self.found is not None:
            return
        if self._sign is None and now_s - self._began_s > MOST_S:
            self.found = self._deaf()
            return
        quiet = now_s - self._heard_s >= QUIET_S
        if self._sign is not None and quiet:
            self.found = replace(self._sign, fresh=self._is_fresh)
        elif self._polled_s is None:
            waited_s = now_s - self._began_s
            if (quiet and (self._heard or waited_s >= GREETING_S)) or waited_s >= GREETING_S + ANSWER_S:
                self._out += b"?"
                self._polled_s = now_s
        elif self._asked_s is None:
            if self._sign is None and (now_s - self._polled_s >= STATUS_S or self._is_fresh):
                self._out += b"\nM115\n"
                self._asked_s = now_s
        elif self._sign is None and now_s - max(self._asked_s, self._heard_s) >= ANSWER_S:
            self.found = self._deaf()

    @property
    def _is_fresh(self) -> bool:
        """Whether it said that it has just started."""
        return _STARTED.search(self._heard.decode("latin-1")) is not None

    def to_send(self) -> bytes:
        """Return the questions that are due, once."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def _look(self) -> None:
        text = self._heard.decode("latin-1")
        for protocol, signs in ((Protocol.REPRAP, _REPRAP_SIGNS), (Protocol.CNC, _CNC_SIGNS)):
            for sign in signs:
                if found := sign.search(text):
                    self._sign = Found(protocol, found[0].strip())
                    return

    def _deaf(self) -> NotFound:
        heard = bytes(self._heard[-400:])
        if not heard:
            return NotFound(Deaf.SILENT, "")
        odd = sum(byte not in b"\r\n\t" and not 32 <= byte < 127 for byte in heard)
        words = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in heard[-60:]).strip()
        return NotFound(Deaf.GARBAGE if odd > GARBAGE * len(heard) else Deaf.STRANGER, words)


def detect(
    read: Callable[[], bytes], write: Callable[[bytes], None], clock: Callable[[], float]
) -> Found | NotFound:
    """Return what speaks at the other end; `read` waits a little by itself."""
    detector = Detector(clock())
    while detector.found is None:
        data = read()
        now_s = clock()
        detector.received(data, now_s)
        detector.tick(now_s)
        if out := detector.to_send():
            write(out)
    return detector.found

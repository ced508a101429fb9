"""What a sender tells of: bytes of the controller, made into values. Both protocols speak in these.

A sender has no port and no clock. Bytes and the time come in, bytes and events go out:

    push lines ──▶ ┌────────┐ ──▶ to_send()      bytes for the controller
    received() ──▶ │ sender │ ──▶ events         what its answers mean
    tick()     ──▶ └────────┘ ──▶ next_s         when to tick again if nothing comes

`Passed` is the only proof that everything pushed before a barrier was carried out. `Failed` ends the sender: what
was sent since the last `Passed` may or may not have been done.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol


class Trouble(StrEnum):
    """Why a sender gave up, or a line was refused."""

    SILENT = "silent"  # no answer although asked again
    RESET = "reset"  # the controller started anew; its position is gone
    ALARM = "alarm"  # the controller locked itself; its position is doubtful
    REFUSED = "refused"  # a line was understood to be wrong
    MISCOUNT = "miscount"  # more or fewer answers than lines
    ELSEWHERE = "elsewhere"  # the tip is not where the program has it
    HELD = "held"  # it stands in a feed hold nobody asked for
    STRANGER = "stranger"  # it talks, but not this protocol
    STOPPED = "stopped"  # the person, or the end of the host, broke it off


KEEPS_PLACE = frozenset({Trouble.REFUSED, Trouble.MISCOUNT, Trouble.HELD, Trouble.ELSEWHERE})
"""Troubles after which the controller still knows where the tip is, so that it may be told to lift it."""


@dataclass(frozen=True, slots=True)
class Ready:
    """The handshake is through; `words` is how the controller calls itself."""

    words: str


@dataclass(frozen=True, slots=True)
class Passed:
    """Everything before barrier `token` was carried out; `position` is what the controller reports, by axis letter.

    `machine` is the same in the machine's own coordinates, {} where the report did not say.
    """

    token: int
    position: dict[str, float] = field(default_factory=dict)
    machine: dict[str, float] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Repeated:
    """The controller asked for line `number` again."""

    number: int


@dataclass(frozen=True, slots=True)
class Said:
    """Something worth keeping that changes nothing: chatter, messages, lines nobody can read."""

    text: str


@dataclass(frozen=True, slots=True)
class Standing:
    """The controller's state word (Idle, Run, Hold:0, …) and position, from a status report.

    `position` is in the program's coordinates, `machine` in the machine's own; {} where the report did not say.
    """

    state: str
    position: dict[str, float] = field(default_factory=dict)
    machine: dict[str, float] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Failed:
    """The sender cannot go on. `since_s`: when the controller was last known to be at work, where it is known so well."""

    trouble: Trouble
    what: str
    since_s: float | None = field(default=None, compare=False)


Event = Ready | Passed | Repeated | Said | Standing | Failed


class Sender(Protocol):
    """What the run needs of either protocol."""

    emergency: bytes
    """What stops everything, for a connection that is dropped right after it."""
    heard_every_s: float | None
    """A controller that lives is heard at least so often while lines are out; None where it says nothing by itself."""

    @property
    def taken(self) -> int:
        """Lines acknowledged since the start."""

    @property
    def unsent(self) -> int:
        """Lines pushed and not yet sent, barriers not counted."""

    @property
    def next_s(self) -> float | None:
        """When to tick if nothing is received before; None: whenever."""

    def start(self, now_s: float) -> None:
        """Begin the handshake."""

    def push(self, lines: Iterable[str], *, whole: bool = False) -> None:
        """Queue lines behind those already there.

        `whole`: they belong together. The first does not go out before the others can follow at once, as far as the
        controller's buffers take them, so that what begins with the tip going down ends with it up, host or no host.
        """

    def barrier(self, token: int) -> None:
        """Queue a barrier: `Passed(token)` comes when all before it has been carried out."""

    def drop_unsent(self) -> int:
        """Forget what was not sent yet; returns how many lines that were."""

    def received(self, data: bytes, now_s: float) -> list[Event]:
        """Take bytes from the controller."""

    def tick(self, now_s: float) -> list[Event]:
        """Let time pass."""

    def to_send(self, now_s: float) -> bytes:
        """Return the bytes that may go out now, once."""

    def hold(self, now_s: float) -> bool:
        """Stop motion at once where the protocol can; False where it cannot."""

    def go_on(self, now_s: float) -> None:
        """End a hold."""

    def take_back(self, data: bytes) -> None:
        """Forget that `to_send` gave these bytes, its last: they never went out."""

    def break_off(self, now_s: float, *, dead: bool = False) -> None:
        """Forget what was queued and come to a stop that keeps the position; `Ready` comes when lines are taken.

        `dead`: at once, even where the protocol has no word but one that ends motion without a ramp; `Standing` tells the
        place before `Ready`.
        """

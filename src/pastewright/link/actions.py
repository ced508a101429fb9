"""What a run asks for, in the order it must happen: bytes for the controller, and entries for the journal."""

from dataclasses import dataclass, field

from pastewright.link.phases import Phase

BROKEN_OFF = "broken off and relieved"
"""What the account calls a relief that ended a deposit, or work by hand, early."""


@dataclass(frozen=True, slots=True)
class Send:
    """Bytes for the controller. `unsent` is what the account of the plunger counts and is still not out after them.

    Once they have stopped the machine, `unsent` is what is likely not carried out, and may be wrong by `doubt`.
    For `busy_s` from now on the machine may be at work on what is out; a reset within that time leaves the account wrong
    by up to `at_risk`.
    """

    data: bytes
    unsent: float = field(default=0.0, compare=False)
    doubt: float = field(default=0.0, compare=False)
    busy_s: float = field(default=0.0, compare=False)
    at_risk: float = field(default=0.0, compare=False)


@dataclass(frozen=True, slots=True)
class Started:
    """These deposits are about to be sent: the journal must say so, for good, before the next `Send`.

    `units` is how far the plunger goes forward for each, less what it goes back, in the unit behind its letter.
    """

    deposits: tuple[int, ...]
    units: tuple[float, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class Swept:
    """The plunger is about to move outside deposits: the settling strip, a relief. Signed, in its letter's unit.

    `unsent` of it is yet to be sent; the rest puts right what was counted before, and may be wrong by `doubt`.
    """

    what: str
    units: float
    unsent: float = field(default=0.0, compare=False)
    doubt: float = field(default=0.0, compare=False)


@dataclass(frozen=True, slots=True)
class Done:
    """These deposits were carried out to their end."""

    deposits: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Doubt:
    """These deposits were started, and nobody knows how far they came."""

    deposits: tuple[int, ...]
    why: str


@dataclass(frozen=True, slots=True)
class Entered:
    """The run is in another phase. `goes_on`: it is over, and the machine may still carry out what it was sent."""

    phase: Phase
    why: str = ""
    goes_on: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True)
class Noted:
    """Something for the record."""

    kind: str
    text: str


Action = Send | Started | Swept | Done | Doubt | Entered | Noted

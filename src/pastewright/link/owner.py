"""The one owner of a port: it knows who speaks there and whether the machine's place may be believed, and it moves.

Opening a port starts many controllers anew, and then they do not know where their axes stand. So: connect first, look
at state and place, and move only when the place is known to be true:

    connect ──▶ look ──┬─ locked, or started anew ──▶ not known ──┬─ home()      the machine finds out
                       │                                          └─ believe()   a person has looked
                       └─ it has run on ──▶ known

`do` sends lines and waits until all of them are carried out. Whatever ends it early (the person, an end of the
host, an exception of our own) ends the motion; `safe` then lifts the tip and relieves the paste.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import inf
from time import monotonic

from pastewright.link.bench import bench_of, stop_lines
from pastewright.link.cnc import CncSender
from pastewright.link.detect import Deaf, Found, NotFound, Protocol, detect
from pastewright.link.events import KEEPS_PLACE, Failed, Passed, Ready, Said, Sender, Standing, Trouble
from pastewright.link.port import Port, PortLostError, open_port
from pastewright.link.reprap import RepRapSender
from pastewright.link.stroke import Punctuality
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import Profile

DIALECT_OF = {Protocol.REPRAP: "reprap", Protocol.CNC: "ngc"}
LOOK_S = 3.0
"""A status report comes within milliseconds; this allows for garbled ones and a slow network (common practice)."""
MOST_SAID = 200
"""Lines kept of what the controller says by itself: a probing of that many points is beyond any board."""


MENDS = {
    Trouble.ALARM: "Look at the machine and clear what stopped it; then home it.",
    Trouble.RESET: "It has lost its place: look where the tip is, raise it by hand if it is down, then home.",
    Trouble.SILENT: "Check cable and power; look where the tip is before anything moves.",
}


SWITCH_MET = (
    "A switch that is met within the limits means that [machine] of the profile is larger than the machine."
)


class OwnerState(StrEnum):
    """What the controller is doing."""

    IDLE = "idle"
    MOVING = "moving"
    HELD = "held"
    LOCKED = "locked"


_STATES = {
    "Run": OwnerState.MOVING,
    "Jog": OwnerState.MOVING,
    "Home": OwnerState.MOVING,
    "Hold": OwnerState.HELD,
    "Alarm": OwnerState.LOCKED,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """How the machine stands. Places by axis letter, mm (the plunger in its letter's unit); `machine` {} if not told.

    `known` tells whether the place may be believed, `why` the reason, in words.
    """

    state: OwnerState
    position: dict[str, float] = field(default_factory=dict)
    machine: dict[str, float] = field(default_factory=dict)
    known: bool = False
    why: str = ""

    @property
    def words(self) -> str:
        """Return the place for people: "X 10.00, Y 5.00, Z 40.00"."""
        axes = [f"{letter} {self.position[letter]:.2f}" for letter in "XYZ" if letter in self.position]
        return ", ".join(axes) or "no place"


class MachineError(InputError):
    """What was asked for was not carried out to its end. `position` is the last one reported."""

    def __init__(self, trouble: Trouble, what: str, position: dict[str, float]) -> None:
        super().__init__(
            [Problem(what=what, mend=MENDS.get(trouble, "Look at the machine, then connect anew."))]
        )
        self.trouble, self.what, self.position = trouble, what, position


class Owner:
    """An open port with a controller that was recognised. Leaving it by an exception makes safe first."""

    def __init__(
        self, port: Port, found: Found, profile: Profile, *, clock: Callable[[], float] = monotonic
    ) -> None:
        self.port, self.protocol, self.words, self.fresh = port, found.protocol, found.words, found.fresh
        self.profile, self.bench = profile, bench_of(profile)
        self.said: list[str] = []
        """What else the controller said since the last `do` began: answers of a probe, messages."""
        self.position: dict[str, float] = {}
        self.punctual = Punctuality()
        """What runs through this port have shown of the machine's clock."""
        self._clock = clock
        self._sender: Sender | None = None
        self._token = 0
        self._moved = False  # whether anything that may move went out and nothing proved its end
        self._believed = ""
        self._doubted = "it started anew when the port was opened" if found.fresh else ""

    def __enter__(self) -> "Owner":
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            # Without a sender the conversation is over: an alarm, a reset or silence ended all motion, or nobody hears.
            if kind is not None and self._moved and self._sender is not None:
                self.safe(f"our own end ({kind.__name__})")
        finally:
            self.port.close()

    # -- where it stands --------------------------------------------------------------------------------

    def look(self) -> Stand:
        """Return how the machine stands now; moves nothing."""
        sender = self._begun()
        if isinstance(sender, CncSender):
            return self._look_cnc(sender)
        self._barrier(sender, stop=None)
        if self.known and not self._believed and not any(self.position.get(axis, 1.0) for axis in "XYZ"):
            # Boards with a USB of their own do not start anew when the port is opened, and so do not greet.
            self._doubted = "it reports X 0, Y 0, Z 0, as after power-on"
        return self._stand(OwnerState.IDLE, self.position, {})

    def _look_cnc(self, sender: CncSender) -> Stand:
        end_s = self._clock() + LOOK_S
        last: Standing | None = None
        while self._clock() < end_s:
            sender.ask()
            for event in self._turn(sender):
                if isinstance(event, Standing):
                    last = event
            if last is not None and last.position:
                break
        if last is None:
            raise MachineError(Trouble.SILENT, "it does not say how it stands", self.position)
        self.position = last.position or self.position
        state = _STATES.get(last.state.split(":")[0], OwnerState.IDLE)
        if state is OwnerState.LOCKED:
            self._doubted = "it is locked, as after power-on or an alarm"
            self._believed = ""
        return self._stand(state, self.position, last.machine)

    def _stand(self, state: OwnerState, position: dict[str, float], machine: dict[str, float]) -> Stand:
        known = state is not OwnerState.LOCKED and self.known
        why = self._believed or self._doubted or "it has run on since it was last homed, as far as it tells"
        return Stand(state=state, position=dict(position), machine=dict(machine), known=known, why=why)

    @property
    def known(self) -> bool:
        """Whether the place may be believed."""
        return bool(self._believed) or not self._doubted

    def doubt(self, why: str) -> None:
        """Believe the place no longer: `why` is the reason, in words."""
        self._believed, self._doubted = "", why

    def believe(self, why: str) -> None:
        """The person has looked and found the tip where the controller says: believe it, and unlock it."""
        sender = self._begun()
        if isinstance(sender, CncSender) and self._look_cnc(sender).state is OwnerState.LOCKED:
            self._push(sender, ["$X"], stop=None)
        self._believed, self._doubted = why, ""

    def homed(self) -> None:
        """A run has homed it and come to its end: the place is known."""
        self._believed, self._doubted = "it has been homed", ""

    def home_lines(self) -> Sequence[str]:
        """Return the lines that home this machine; an `InputError` where the profile has none."""
        if not self.bench.home:
            raise one_error(
                "the profile does not say how this machine is homed",
                'Give [run] home, "G28" or "$H" for instance; or move the tip to a known place by hand and say so.',
                file=self.profile.file,
            )
        return self.bench.home

    def home(self, stop: Callable[[], bool] | None = None) -> dict[str, float]:
        """Home by the lines of the profile; returns the place, which is known from then on."""
        place = self._push(self._begun(), self.home_lines(), stop)
        self.homed()
        return place

    # -- moving -----------------------------------------------------------------------------------------

    def do(
        self, lines: Sequence[str], *, stop: Callable[[], bool] | None = None, blind: bool = False
    ) -> dict[str, float]:
        """Send lines and wait until they are carried out; returns the position then.

        Raises `InputError` while the place is not known (`blind`: the lines move no axis by a place), and
        `MachineError` where they did not come to their end. `stop` is asked all the time: true ends the motion.
        """
        if not (self.known or blind):
            raise one_error(
                f"nothing moves while the place of the tip is not known: {self._doubted}",
                "Home the machine, or look where the tip is and confirm it.",
                file=self.port.name,
            )
        self.said = []
        return self._push(self._begun(), lines, stop)

    def lift(self, *, above_mm: float = -inf) -> dict[str, float]:
        """Lift the tip to travel height if it is lower, or to `above_mm` where that is higher; returns the position."""
        return self.do(self._stop_lines(relief=False, above_mm=above_mm))

    def safe(self, why: str, *, above_mm: float = -inf, relief: bool = True) -> bool:
        """End motion, lift the tip, relieve the paste: what every end of the host does. Tells whether it was done.

        Without `relief` the plunger stays where it is. The tip goes up to travel height, or to `above_mm` where what lies
        there is higher.
        """
        try:
            sender = self._begun()
            sender.break_off(self._clock())
            self._until_ready(sender)
            lines = self._stop_lines(relief=relief, above_mm=above_mm) if self.known else []
            self._push(sender, lines, None)
        except (MachineError, PortLostError, InputError):
            return False
        self.said.append(why)
        return True

    def _stop_lines(self, *, relief: bool, above_mm: float) -> list[str]:
        return stop_lines(
            replace(self.bench, travel_z_mm=max(self.bench.travel_z_mm, above_mm)),
            z_mm=self.position.get("Z"),
            plunger=None,
            back_to=None,
            retraction=0.0,
            dry=not relief,
        )

    # -- the conversation -------------------------------------------------------------------------------

    def new_sender(self) -> Sender:
        """Return a sender for a run of its own on this port; the owner's begins anew after it."""
        self._sender = None
        return CncSender(locked_is_fine=True) if self.protocol is Protocol.CNC else RepRapSender()

    def _begun(self) -> Sender:
        if self._sender is None:
            sender = self.new_sender()
            sender.start(self._clock())
            self._until_ready(sender)
            self._sender = sender
        return self._sender

    def _until_ready(self, sender: Sender) -> None:
        while True:
            for event in self._turn(sender):
                if isinstance(event, Ready):
                    self.words = event.words or self.words
                    return

    def _push(
        self, sender: Sender, lines: Iterable[str], stop: Callable[[], bool] | None
    ) -> dict[str, float]:
        sender.push(lines)
        return self._barrier(sender, stop)

    def _barrier(self, sender: Sender, stop: Callable[[], bool] | None) -> dict[str, float]:
        self._token += 1
        self._moved = True
        sender.barrier(self._token)
        while True:
            if stop is not None and stop():
                sender.break_off(self._clock())
                self._until_ready(sender)
                self._barrier(sender, None)
                raise MachineError(Trouble.STOPPED, "it was stopped", self.position)
            for event in self._turn(sender):
                if isinstance(event, Passed) and event.token == self._token:
                    self.position = event.position or self.position
                    self._moved = False
                    return dict(self.position)

    def _turn(self, sender: Sender) -> list[Passed | Ready | Standing]:
        """Let bytes and a little time pass; returns what matters, keeps what was said, raises what ended it."""
        if out := sender.to_send(self._clock()):
            self._write(out)
        try:
            data = self.port.read()
        except PortLostError as error:
            self.doubt(str(error))
            raise MachineError(Trouble.SILENT, str(error), self.position) from None
        now_s = self._clock()
        events = [*(sender.received(data, now_s) if data else ()), *sender.tick(now_s)]
        matters: list[Passed | Ready | Standing] = []
        for event in events:
            if isinstance(event, Failed):
                if event.trouble not in KEEPS_PLACE:
                    self.doubt(event.what)
                    self._sender = None
                raise MachineError(event.trouble, event.what, self.position)
            if isinstance(event, Said):
                self.said = [*self.said[-MOST_SAID:], event.text]
            elif isinstance(event, Passed | Ready | Standing):
                if isinstance(event, Standing):
                    self.position = event.position or self.position
                matters.append(event)
        if late := sender.to_send(now_s):
            self._write(late)
        return matters

    def _write(self, data: bytes) -> None:
        try:
            self.port.write(data)
        except PortLostError as error:
            self.doubt(str(error))
            raise MachineError(Trouble.SILENT, str(error), self.position) from None


def connect(name: str, profile: Profile, *, baud: int | None = None) -> Owner:
    """Return the owner of a port on which the profile's dialect is spoken; moves nothing.

    Raises `InputError` where there is no such port, nobody answers, or another dialect is spoken.
    """
    speed = baud or profile.run.baud
    port = open_port(name, baud=speed)
    try:
        found = detect(port.read, port.write, monotonic)
        recognised = understood(found, str(profile.controller.dialect), name, speed)
        owner = Owner(port, recognised, profile)
        if name.startswith("sim:"):
            owner.believe("a virtual machine, switched on at its zero")
        return owner
    except PortLostError as error:
        port.close()
        raise one_error(str(error), "Check the cable.", file=name) from None
    except BaseException:
        port.close()
        raise


def understood(found: Found | NotFound, dialect: str, name: str, baud: int) -> Found:
    """Return what was found; raises `InputError` where it is no protocol, or not the dialect's."""
    if isinstance(found, Found):
        if DIALECT_OF[found.protocol] != dialect:
            raise one_error(
                f"the controller speaks {found.protocol} ({found.words}), the profile says {dialect}",
                "Another port, or a profile whose [controller] dialect is the machine's.",
                file=name,
            )
        return found
    messages = {
        Deaf.SILENT: (
            "nothing answers here",
            "Is the controller switched on, and is this its port? `pastewright ports` lists them.",
        ),
        Deaf.GARBAGE: (
            f"what comes is no text ({found.heard[:40]!r}): the speed is wrong",
            f"{baud} baud was used; 115200 and 250000 are common. Set it with --baud or [run] baud.",
        ),
        Deaf.STRANGER: (
            f"something talks here but understands neither protocol: {found.heard[:60]!r}",
            "Is this the motion controller's port?",
        ),
    }
    what, mend = messages[found.why]
    raise one_error(what, mend, file=name)

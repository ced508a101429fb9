"""The loop around a `Run`: it reads, writes, looks at the clock and keeps the journal, and decides nothing.

Actions are carried out in the order the run gives them: whatever the journal must hold is on the disk before the
bytes that follow it go out.

Whatever ends the host ends the motion first. A wish to stop carries its reason. A terminal that is gone, a journal
that cannot be written, and an exception of our own stop the run as a person does: motion ends, the tip is lifted, the
paste relieved. What could not be written down meanwhile is kept, and written at the end if it can be.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from time import monotonic, sleep, time
from typing import Protocol

from pastewright.link.actions import Action, Send, Started, Swept
from pastewright.link.port import Port, PortLostError
from pastewright.link.run import Run

LAST_TRIES = 4
LAST_WAIT_S = 0.5
"""At the end a journal that is locked or has no room is tried again, beside the database's own patience."""


TERMINAL_GONE = "the terminal is gone"


class RecordLostError(Exception):
    """The journal cannot be written any more."""


class Wish(StrEnum):
    """What a person can want of a run."""

    PAUSE = "pause"
    HOLD = "hold"
    GO_ON = "go on"
    STOP = "stop"
    EMERGENCY = "emergency"


@dataclass(frozen=True, slots=True)
class Halt:
    """A wish to stop with its reason, as the end of the process is."""

    why: str


class Record(Protocol):
    """Where actions are written down: the journal with its run."""

    def __call__(self, actions: list[Action]) -> None:
        """Write them down, for good, before returning; raises `RecordLostError` where that cannot be done."""


Wishes = Callable[[], Sequence[Wish | Halt]]


class _Conductor:
    """One run on its way through one port."""

    def __init__(
        self,
        run: Run,
        port: Port,
        record: Record,
        show: Callable[[list[Action]], None],
        clock: Callable[[], float],
        mark: Callable[[Send], None],
    ) -> None:
        self._run, self._port, self._record, self._clock = run, port, record, clock
        self._mark = mark
        self._show: Callable[[list[Action]], None] | None = show
        self._kept: list[Action] = []  # what the journal does not have yet
        self._lenient = False  # once it failed, bytes go out without an entry: they only make safe

    def carry(self, wishes: Wishes | None) -> None:
        """Go on until the run is over."""
        self._perform()
        while not self._run.over:
            self._turn(wishes)

    def _turn(self, wishes: Wishes | None) -> None:
        run = self._run
        try:
            data = self._port.read()
        except PortLostError as error:
            run.lost(str(error))
            data = b""
        now_s = self._clock()
        for wish in self._wanted(wishes, now_s):
            _grant(run, wish, now_s)
        if data:
            run.received(data, now_s)
        run.tick(now_s)
        self._perform()

    def _wanted(self, wishes: Wishes | None, now_s: float) -> Sequence[Wish | Halt]:
        if wishes is None:
            return ()
        try:
            return wishes()
        except OSError as error:
            return (Halt(f"{TERMINAL_GONE} ({error.strerror or error})"),)

    def _perform(self) -> None:
        """Do what the run asks for, in its order."""
        actions = self._run.actions()
        pending: list[Action] = []
        at = 0
        while at < len(actions):
            action = actions[at]
            at += 1
            if not isinstance(action, Send):
                pending.append(action)
                continue
            if pending and not self._written(pending, actions[at - 1 :]):
                rest = [act for act in actions[at - 1 :] if not isinstance(act, Send)]
                actions = [*actions[: at - 1], *rest, *self._run.actions()]
                at -= 1
                pending = []
                continue
            pending = []
            try:
                self._port.write(action.data)
                self._mark(action)
            except PortLostError as error:
                self._run.lost(str(error))
                actions += [late for late in self._run.actions() if not isinstance(late, Send)]
        if pending and not self._written(pending, []):
            self._tell(actions)
            self._perform()
            return
        self._tell(actions)

    def _written(self, pending: list[Action], unsent: Sequence[Action]) -> bool:
        """Write down; False where that failed for the first time, and the run now stops instead of sending `unsent`."""
        try:
            self._record([*self._kept, *pending])
            self._kept = []
        except RecordLostError as error:
            if self._lenient or self._run.over:
                self._kept += pending
                return True
            self._lenient = True
            # What was not written and not sent did not happen.
            begun = [action for action in pending if isinstance(action, Started | Swept)] if unsent else []
            self._kept += [action for action in pending if action not in begun]
            self._run.unrecorded([*begun, *unsent], self._clock(), str(error))
            return False
        return True

    def _tell(self, actions: list[Action]) -> None:
        """Show what happened; a terminal that is gone stops the run."""
        if self._show is None:
            return
        try:
            self._show(actions)
        except (OSError, ValueError) as error:  # ValueError: written to a closed file
            self._show = None
            self._run.stop(self._clock(), f"{TERMINAL_GONE} ({error})")
            self._perform()

    def make_safe(self, why: str, rescue: Callable[[str], bool]) -> None:
        """End motion, lift and relieve after our own mistake; where the run itself is broken, by other means."""
        self._show = None
        if self._run.over:
            return
        try:
            self._run.stop(self._clock(), why)
            self.carry(None)
        except Exception:  # the run's own code is what failed
            done = rescue(why)
            self._run.lost(why + ("; the tip was lifted" if done else "; the tip may be down"))
            with suppress(RecordLostError):
                self._record(
                    [*self._kept, *(act for act in self._run.actions() if not isinstance(act, Send))]
                )

    def close(self) -> None:
        """Write what the journal does not have yet; raises `RecordLostError` where it cannot be done in the end."""
        for left in range(LAST_TRIES, -1, -1):
            if not self._kept:
                return
            try:
                self._record(self._kept)
                self._kept = []
            except RecordLostError:
                if not left:
                    raise
                sleep(LAST_WAIT_S)


def conduct(
    run: Run,
    port: Port,
    record: Record,
    *,
    wishes: Wishes,
    show: Callable[[list[Action]], None],
    clock: Callable[[], float] = monotonic,
    rescue: Callable[[str], bool] = lambda why: False,
    mark: Callable[[Send], None] = lambda sent: None,
) -> None:
    """Carry a run to its end. `wishes` gives what the person wants since it was last asked; `show` tells them.

    `rescue` makes the machine safe without the run, for the case that the run itself is broken; it tells whether it
    did. `mark` is told, after bytes went out, what they leave of the plunger's account. Raises `RecordLostError` at the
    end where the journal could not be brought up to date.
    """
    conductor = _Conductor(run, port, record, show, clock, mark)
    try:
        run.start(clock())
        conductor.carry(wishes)
    except BaseException as error:
        conductor.make_safe(f"our own mistake ({type(error).__name__}: {error})", rescue)
        with suppress(RecordLostError):
            conductor.close()
        raise
    conductor.close()


def _grant(run: Run, wish: Wish | Halt, now_s: float) -> None:
    if isinstance(wish, Halt):
        run.stop(now_s, wish.why)
    elif wish is Wish.PAUSE:
        run.pause()
    elif wish is Wish.HOLD:
        run.hold(now_s)
    elif wish is Wish.GO_ON:
        run.go_on(now_s)
    elif wish is Wish.STOP:
        run.stop(now_s)
    else:
        run.emergency()


def unix_s() -> float:
    """Seconds since 1970, for the journal."""
    return time()

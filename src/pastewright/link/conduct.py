"""The loop around a `Run`: it reads, writes, looks at the clock and keeps the journal, and decides nothing.

Actions are carried out in the order the run gives them: whatever the journal must hold is on the disk before the
bytes that follow it go out.
"""

from collections.abc import Callable
from enum import StrEnum
from time import monotonic, time
from typing import Protocol

from pastewright.link.port import Port, PortLostError
from pastewright.link.run import Action, Run, Send


class RecordLostError(Exception):
    """The journal cannot be written any more."""


class Wish(StrEnum):
    """What a person can want of a run."""

    PAUSE = "pause"
    HOLD = "hold"
    GO_ON = "go on"
    STOP = "stop"
    EMERGENCY = "emergency"


class Record(Protocol):
    """Where actions are written down: the journal with its run."""

    def __call__(self, actions: list[Action]) -> None:
        """Write them down, for good, before returning; raises `RecordLostError` where that cannot be done."""


def conduct(
    run: Run,
    port: Port,
    record: Record,
    *,
    wishes: Callable[[], list[Wish]],
    show: Callable[[list[Action]], None],
    clock: Callable[[], float] = monotonic,
) -> None:
    """Carry a run to its end. `wishes` gives what the person wants since it was last asked; `show` tells them."""
    run.start(clock())
    perform(run, port, record, show)
    while not run.over:
        try:
            data = port.read()
        except PortLostError as error:
            run.lost(str(error))
            data = b""
        now_s = clock()
        for wish in wishes():
            _grant(run, wish, now_s)
        if data:
            run.received(data, now_s)
        run.tick(now_s)
        perform(run, port, record, show)


def perform(run: Run, port: Port, record: Record, show: Callable[[list[Action]], None]) -> None:
    """Do what the run asks for, in its order.

    What cannot be written down is not sent: a deposit begins with an entry, and at that moment the tip is up.
    """
    try:
        _perform(run, port, record, show)
    except RecordLostError as error:
        run.lost(str(error))
        show(run.actions())


def _perform(run: Run, port: Port, record: Record, show: Callable[[list[Action]], None]) -> None:
    actions = run.actions()
    pending: list[Action] = []
    at = 0
    while at < len(actions):
        action = actions[at]
        at += 1
        if not isinstance(action, Send):
            pending.append(action)
            continue
        if pending:
            record(pending)
            pending = []
        try:
            port.write(action.data)
        except PortLostError as error:
            run.lost(str(error))
            actions += [late for late in run.actions() if not isinstance(late, Send)]
    if pending:
        record(pending)
    show(actions)


def _grant(run: Run, wish: Wish, now_s: float) -> None:
    if wish is Wish.PAUSE:
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

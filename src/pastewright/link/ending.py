"""The ends of a host that can be heard: signals to reasons. While it is guarded, no signal cuts a motion short.

SIGINT               Ctrl-C                                  stop; the second one drops everything
SIGTERM              the system shuts down, somebody's kill  stop, however often it comes
SIGHUP               the terminal was closed                 stop, however often it comes
SIGQUIT              Ctrl-\\                                  stop
SIGTSTP              Ctrl-Z                                  pause: a process that sleeps cannot lift the tip
SIGTTIN, SIGTTOU     it runs in the background               nothing: it goes on without the terminal
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

REASONS = {
    "SIGINT": "Ctrl-C",
    "SIGTERM": "the process was told to end (SIGTERM)",
    "SIGHUP": "the terminal was closed (SIGHUP)",
    "SIGQUIT": "Ctrl-\\ (SIGQUIT)",
}
POLITE_ENDS = tuple(words for name, words in REASONS.items() if name != "SIGINT")
PAUSES = ("SIGTSTP",)
IGNORED = ("SIGTTIN", "SIGTTOU")


@dataclass
class Ending:
    """What the signals want. `wanted` is the first reason to stop, "" for none; `presses` counts Ctrl-C."""

    wanted: str = ""
    presses: int = 0
    pauses: int = 0


@contextmanager
def guarded() -> Iterator[Ending]:
    """Give an `Ending` that hears the signals until the block is left; only the main thread can, others get a deaf one."""
    ending = Ending()
    if threading.current_thread() is not threading.main_thread():
        yield ending
        return

    def hear(number: int, frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        if name in PAUSES:
            ending.pauses += 1
            return
        ending.presses += name == "SIGINT"
        ending.wanted = ending.wanted or REASONS[name]

    before = {}
    for name in (*REASONS, *PAUSES, *IGNORED):
        number = getattr(signal, name, None)  # Windows has only some of them
        if number is not None:
            before[number] = signal.signal(number, signal.SIG_IGN if name in IGNORED else hear)
    try:
        yield ending
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)

"""Two things at once: a second process works out what is independent of the rest, from a copy of all that is known here.

The copy costs nothing until one of the two writes to it (fork). Where there is no second core, no fork, or no room for
another process, and where the second process fails for whatever reason, the work is done here instead, when its result
is asked for: the result is the same, and so is every error.
"""

import gc
import os
import pickle
import signal
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TypeVar, cast

T = TypeVar("T")

FORKS = sys.platform == "linux"
"""Elsewhere a forked process may not use the system's own libraries (macOS), or there is no fork (Windows)."""

MOST_FILES = 4096
"""Open files of a process that are looked for, and closed in a copy of it; we have dozens."""


@contextmanager
def meanwhile(work: Callable[[], T], *, worth: bool = True) -> Iterator[Callable[[], T]]:
    """Have `work` done by a second process meanwhile; what is given waits for its result, and is called at most once.

    `work` may not write anything, and its result is pickled on its way. When the body ends, however it does, the second
    process is gone. `worth` says that there is enough to do.
    """
    second = _begun(work) if worth and FORKS and len(os.sched_getaffinity(0)) > 1 else None
    if second is None:
        yield work
        return
    try:
        yield lambda: _result(second, work)
    finally:
        second.end()


class _Second:
    """The second process, and the pipe through which its result comes."""

    def __init__(self, pid: int, pipe: int) -> None:
        self.pid = pid
        self.pipe = pipe
        self.over = False

    def result(self) -> tuple[object] | None:
        """Return what it sent, taken apart as it comes so that it is here but once; None where it failed."""
        try:
            with open(self.pipe, "rb", closefd=False) as sent:
                result = pickle.load(sent)
        except (EOFError, pickle.UnpicklingError):
            return None
        _, status = os.waitpid(self.pid, 0)
        self.over = True
        return (result,) if status == 0 else None

    def end(self) -> None:
        """Leave nothing behind."""
        os.close(self.pipe)
        if not self.over:
            with suppress(OSError):
                os.kill(self.pid, signal.SIGKILL)
                os.waitpid(self.pid, 0)


def _result(second: _Second, work: Callable[[], T]) -> T:
    sent = second.result()
    return work() if sent is None else cast(T, sent[0])


def _begun(work: Callable[[], object]) -> _Second | None:
    """Return the second process at work; None where there cannot be one."""
    ours, its = os.pipe()
    try:
        with warnings.catch_warnings():
            # Newer Pythons warn of threads: a bar's or a server's are not used in the second process.
            warnings.simplefilter("ignore", DeprecationWarning)
            pid = os.fork()
    except OSError:
        os.close(ours)
        os.close(its)
        return None
    if pid == 0:
        _be_second(work, its)
    os.close(its)
    return _Second(pid, ours)


def _be_second(work: Callable[[], object], pipe: int) -> None:
    """Do the work, send its result, and end without a word, whatever happens."""
    code = 1
    try:
        for name in (signal.SIGINT, signal.SIGTERM, signal.SIGPIPE):
            signal.signal(name, signal.SIG_DFL)
        gc.disable()  # it would write to every object, and so copy all of them
        # Ports, journals and pipes of the first process are none of ours: who waits for their end must see it.
        os.closerange(3, pipe)
        os.closerange(pipe + 1, MOST_FILES)
        with open(pipe, "wb") as out:
            pickle.dump(work(), out, protocol=pickle.HIGHEST_PROTOCOL)
        code = 0
    finally:
        os._exit(code)

"""One window at a time may steer the machine; every other shows the same, and may stop.

A window names itself by a random word that it keeps while it is open. Who steers goes on steering while its stream of
events is open; a window that was closed loses the wheel after `GRACE_S`, one that is loaded anew keeps it.
"""

from collections.abc import Callable
from time import monotonic

GRACE_S = 8.0
"""A page loaded anew, or a phone whose screen was dark, is back within that (own choice)."""


class Steering:
    """Who steers, by the word of its window; "" while nobody does."""

    def __init__(self, changed: Callable[[str], None], *, clock: Callable[[], float] = monotonic) -> None:
        self._changed, self._clock = changed, clock
        self._holder = ""
        self._open: dict[str, int] = {}
        self._left_s: dict[str, float] = {}

    @property
    def holder(self) -> str:
        """The word of the window that steers, "" when none does (any more)."""
        if self._holder and not self._open.get(self._holder):
            left_s = self._left_s.get(self._holder, 0.0)
            if self._clock() - left_s > GRACE_S:
                self._holder = ""
        return self._holder

    def opened(self, window: str) -> None:
        """A stream of this window was opened."""
        self._open[window] = self._open.get(window, 0) + 1

    def closed(self, window: str) -> None:
        """A stream of this window was closed."""
        self._open[window] = self._open.get(window, 1) - 1
        if not self._open[window]:
            del self._open[window]
            self._left_s = {
                window: self._clock(),
                **{w: s for w, s in self._left_s.items() if w == self._holder},
            }

    def take(self, window: str, *, over: bool = False) -> bool:
        """Let a window steer where nobody does, or where it takes `over`; tells whether it steers now."""
        if window and (over or self.holder in ("", window)):
            if self._holder != window:
                self._holder = window
                self._changed(window)
            return True
        return False

    def leave(self, window: str) -> None:
        """Let go of the wheel."""
        if self._holder == window:
            self._holder = ""
            self._changed("")

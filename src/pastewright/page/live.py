"""What goes on, told to every open window: topics whose last word is the whole of what is known.

A message replaces the one before it, so a window that is slow, or was closed and is opened again, misses nothing: it
gets the last word of every topic. `tell` may be called from any thread.
"""

import asyncio
import json
from collections import defaultdict
from collections.abc import AsyncIterator, Callable
from threading import Lock
from typing import Any

BEAT_S = 5.0
"""A comment that often keeps a quiet line open, and shows a window within twice as long that the server is gone."""


class Live:
    """The last word of each topic, and the windows that listen."""

    def __init__(self) -> None:
        self._last: dict[str, str] = {}
        self._windows: list[_Window] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closed = False
        self._looking: defaultdict[str, Lock] = defaultdict(Lock)

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Say which loop the windows are served by; before that, words are only kept."""
        self._loop = loop

    def tell(self, topic: str, data: Any) -> None:
        """Make `data` (JSON-ready) the last word of a topic, from any thread."""
        text = json.dumps(data, separators=(",", ":"))
        if self._loop is None or self._loop.is_closed():
            self._last[topic] = text
            return
        self._loop.call_soon_threadsafe(self._told, topic, text)

    def show(self, topic: str, look: Callable[[], Any]) -> None:
        """Make what `look` finds the last word of a topic, from any thread.

        One looks and tells at a time: of two threads the later to look is the later to tell, so that what was seen
        before a change never becomes the last word after it.
        """
        with self._looking[topic]:
            self.tell(topic, look())

    def _told(self, topic: str, text: str) -> None:
        self._last[topic] = text
        for window in self._windows:
            window.pending[topic] = text
            window.woken.set()

    def last(self, topic: str) -> Any:
        """Return the last word of a topic, None where nothing was said."""
        text = self._last.get(topic)
        return None if text is None else json.loads(text)

    def close(self) -> None:
        """End all streams; from the loop's own thread."""
        self._closed = True
        for window in self._windows:
            window.woken.set()

    async def stream(self) -> AsyncIterator[bytes]:
        """Yield what goes on as server-sent events: first the last word of every topic, then each new one."""
        window = _Window(dict(self._last))
        self._windows.append(window)
        try:
            yield b"retry: 500\n\n"
            while not self._closed:
                waiting, window.pending = window.pending, {}
                for topic, text in waiting.items():
                    yield f"event: {topic}\ndata: {text}\n\n".encode()
                window.woken.clear()
                if window.pending:
                    continue
                try:
                    await asyncio.wait_for(window.woken.wait(), BEAT_S)
                except TimeoutError:
                    yield b": still here\n\n"
        finally:
            self._windows.remove(window)


class _Window:
    """What one window has not been sent yet, by topic."""

    def __init__(self, pending: dict[str, str]) -> None:
        self.pending = pending
        self.woken = asyncio.Event()

"""A person at a terminal of their own, and a virtual machine in a process of its own: what they see, and what they type."""

import fcntl
import json
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path
from types import TracebackType
from typing import Any

LONGEST_S = 60.0
"""For one answer, on a machine that has other work; nothing is asserted about time."""

AGREED = {
    "(y/n)": "y",
    "(Enter: later):": "\r",
    "Enter lays it": "\r",
    "Enter when it lies there": "\r",
    "Enter ends it": "\r",
}
"""Questions of the commands, and what a person who agrees to all of them types."""


class Person:
    """A command of pastewright on a pseudo-terminal. `sees` waits for words, `types` sends keys; `before` is Python."""

    def __init__(self, *words: object, before: str = "") -> None:
        self._screen, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, b"\x28\x00\x90\x01\x00\x00\x00\x00")  # 40 × 400
        self.seen = ""
        self._read_to = 0

        def own_terminal() -> None:
            os.setsid()
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

        code = f"{before}\nfrom pastewright.cli.app import main; main()"
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *map(str, words)],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env={**os.environ, "TERM": "dumb", "COLUMNS": "400"},
            preexec_fn=own_terminal,  # noqa: PLW1509 - the only way to a controlling terminal of its own
        )
        os.close(theirs)

    def __enter__(self) -> "Person":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.close_terminal()

    def sees(self, words: str) -> None:
        """Wait until words are on the screen, behind those seen before."""
        end_s = time.monotonic() + LONGEST_S
        while (at := self.seen.find(words, self._read_to)) < 0:
            if time.monotonic() > end_s or not self._look():
                raise AssertionError(f"never saw {words!r} in:\n{self.seen[self._read_to :]}")
        self._read_to = at + len(words)

    def types(self, keys: str, *, enter: bool = True) -> None:
        """Send keys, and Enter."""
        os.write(self._screen, (keys + ("\r" if enter else "")).encode())

    def answers(self, *pairs: tuple[str, str]) -> None:
        """Wait for each question and type its answer."""
        for words, keys in pairs:
            self.sees(words)
            self.types(keys)

    def agrees(self) -> int:
        """Answer every question as in `AGREED` until the command is over; returns its exit code."""
        end_s = time.monotonic() + 3 * LONGEST_S
        while self.process.poll() is None:
            found = [(self.seen.find(words, self._read_to), words) for words in AGREED]
            if asked := min((one for one in found if one[0] >= 0), default=None):
                self._read_to = asked[0] + len(asked[1])
                self.types(AGREED[asked[1]], enter=False)
            self._look()
            assert time.monotonic() < end_s, self.seen[self._read_to :]
        return self.ends()

    def ends(self) -> int:
        """Wait until the command is over; returns its exit code."""
        end_s = time.monotonic() + LONGEST_S
        while self.process.poll() is None:
            self._look()
            assert time.monotonic() < end_s, self.seen[self._read_to :]
        while self._look():
            pass
        return self.process.returncode

    def close_terminal(self) -> None:
        """Close the window: what runs in it gets SIGHUP."""
        if self._screen >= 0:
            os.close(self._screen)
            self._screen = -1

    def _look(self) -> bool:
        """Read what came; tells whether more may come."""
        try:
            if select.select([self._screen], [], [], 0.1)[0]:
                data = os.read(self._screen, 4096)
                # A line that is folded at the screen's edge is one line of words.
                for letter in data.decode("utf-8", "replace").replace("\r", ""):
                    self.seen += ("" if self.seen.endswith(" ") else " ") if letter == "\n" else letter
                return bool(data)
        except OSError:
            return False
        return self.process.poll() is None


class Machine:
    """A virtual machine on a pseudo-terminal, in its own process, with a record of what it did."""

    def __init__(self, protocol: str, folder: Path, *options: str) -> None:
        self._record = folder / "done.jsonl"
        serve = (sys.executable, "-m", "pastewright.virtual")
        self.process = subprocess.Popen(
            [*serve, "--protocol", protocol, "--pty", "--record", str(self._record), *options],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.port = self.process.stdout.readline().strip()

    def __enter__(self) -> "Machine":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(10)
        assert self.process.stdout is not None
        self.process.stdout.close()

    def done(self) -> list[dict[str, Any]]:
        """Return the commands carried out so far."""
        if not self._record.exists():
            return []
        rows = [json.loads(line) for line in self._record.read_text(encoding="utf-8").splitlines()]
        return [row for row in rows if "axes_mm" in row]

    def where_mm(self) -> tuple[float, float, float]:
        """Return where the tip truly is."""
        x, y, z = self.done()[-1]["axes_mm"]
        return x, y, z

"""Bytes of a terminal to keys by name, and a terminal that gives them one by one without Enter.

Where input is no terminal, lines are read instead; a script writes what a person would press.
"""

import os
import select
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import TextIO

from pastewright.problems import one_error

SEQUENCES = {
    "\x1b[A": "up",
    "\x1b[B": "down",
    "\x1b[C": "right",
    "\x1b[D": "left",
    "\x1bOA": "up",
    "\x1bOB": "down",
    "\x1bOC": "right",
    "\x1bOD": "left",
    "\x1b[5~": "page up",
    "\x1b[6~": "page down",
    "\r": "enter",
    "\n": "enter",
    "\x7f": "rub out",
    "\x08": "rub out",
    "\x15": "rub all out",
    "\x1b": "escape",
}
"""What terminals send (ECMA-48 cursor sequences, and the two that DEC's terminals added for pages)."""
LONGEST = max(len(sequence) for sequence in SEQUENCES)
WAIT_S = 0.1
"""How long a wait for a key lasts before the signals are looked at."""


def decoded(text: str) -> list[str]:
    """Return the keys in what a terminal sent; a letter is itself, a sequence that is not known "unknown"."""
    keys: list[str] = []
    at = 0
    while at < len(text):
        known = next(
            (text[at : at + size] for size in range(LONGEST, 0, -1) if text[at : at + size] in SEQUENCES),
            None,
        )
        if known == "\x1b" and text[at + 1 : at + 2] in ("[", "O"):
            end = at + 2
            while end < len(text) and not text[end].isalpha() and text[end] != "~":
                end += 1
            keys.append("unknown")
            at = end + 1
        elif known is not None:
            keys.append(SEQUENCES[known])
            at += len(known)
        else:
            keys.append(text[at])
            at += 1
    return keys


class EndedError(Exception):
    """The host is ending: a signal, or a terminal that is gone. The message is the reason."""


class Terminal:
    """The person's keys, or lines where there is no terminal. `ended` says why everything should end, "" if not."""

    def __init__(self, ended: Callable[[], str], *, source: TextIO | None = None) -> None:
        self._ended = ended
        self._source = source or sys.stdin
        self.is_there = self._source.isatty()
        self._restore: Callable[[], None] | None = None
        self._waiting: list[str] = []

    def __enter__(self) -> "Terminal":
        if self.is_there:
            self._restore = key_by_key(self._source.fileno())
            self.is_there = self._restore is not None
        return self

    def __exit__(self, *_: object) -> None:
        if self._restore is not None:
            self._restore()

    def pressed(self, wait_s: float = 0.0) -> list[str]:
        """Return the keys pressed since the last look, after waiting up to `wait_s`; raises `EndedError`."""
        if reason := self._ended():
            raise EndedError(reason)
        if not self.is_there:
            return []
        if waiting := self._waiting:
            self._waiting = []
            return waiting
        try:
            ready = select.select([self._source], [], [], wait_s)[0]
            typed = os.read(self._source.fileno(), 256) if ready else None
        except (OSError, ValueError):
            typed = b""
        if typed == b"":
            raise EndedError(self._ended() or "the terminal was closed")
        return decoded(typed.decode("utf-8", "replace")) if typed else []

    def key(self) -> str:
        """Return the next key; what was pressed with it waits, and `pressed` takes all of that away at once."""
        while True:
            if keys := self.pressed(WAIT_S):
                self._waiting = keys[1:]
                return keys[0]

    def line(self, prompt: str) -> str:
        """Return a line that was typed or read; raises `InputError` where a script has no more lines."""
        if not self.is_there:
            if reason := self._ended():
                raise EndedError(reason)
            line = self._source.readline()
            if not line:
                raise one_error(
                    f"nobody answers: {prompt.strip()}",
                    "Run this at a terminal, or give the answers as lines of standard input.",
                )
            return line.strip()
        print(prompt, end="", flush=True)
        typed = ""
        while True:
            key = self.key()
            if key == "enter":
                print(flush=True)
                return typed.strip()
            if key in ("rub out", "rub all out") and typed:
                gone = len(typed) if key == "rub all out" else 1
                typed = typed[:-gone]
                print("\b \b" * gone, end="", flush=True)
            elif len(key) == 1 and key.isprintable():
                typed += key
                print(key, end="", flush=True)


def key_by_key(descriptor: int) -> Callable[[], None] | None:
    """Let keys come without Enter and unseen; returns what sets the terminal back, None where it cannot be done."""
    try:
        import termios
        import tty

        mode = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)
    except (ImportError, OSError, ValueError):
        return None

    def restore() -> None:
        with suppress(termios.error, OSError):  # the terminal may be gone
            termios.tcsetattr(descriptor, termios.TCSADRAIN, mode)

    return restore

"""A run before a person's eyes: a progress bar, the keys p r h s, and Ctrl-C."""

import os
import select
import stat
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from errno import EPIPE

from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn

from pastewright.link.actions import Action, Done, Doubt, Entered, Noted, Started
from pastewright.link.conduct import Halt, Wish
from pastewright.link.ending import guarded
from pastewright.link.job import Laid, ProgramJob
from pastewright.link.phases import Phase
from pastewright.link.run import Run
from pastewright.work.keys import key_by_key
from pastewright.work.printing.console import err

KEYS = {"p": Wish.PAUSE, "h": Wish.HOLD, "r": Wish.GO_ON, "s": Wish.STOP}
KEYS_HELP = (
    "keys: p pause before the next deposit, h hold at once, r resume, s stop; Ctrl-C stops, twice drops all"
)
SHOW_EVERY_S = 0.1  # as often as an eye follows a number


@contextmanager
def wishes() -> Iterator[Callable[[], list[Wish | Halt]]]:
    """Give a function that returns what the person wants since it was last asked.

    Keys count only at a terminal. Ctrl-C, a polite end of the process, a closed terminal or a pipe that nobody reads stop
    the run as the key s does, with the reason; a second Ctrl-C drops everything. Ctrl-Z pauses: a process that sleeps
    lifts no tip.
    """
    watching = sys.stdin.isatty()
    pipes = _pipes_out()
    restore = key_by_key(sys.stdin.fileno()) if watching else None
    halted = pauses = 0

    with guarded() as ending:

        def ask() -> list[Wish | Halt]:
            nonlocal halted, pauses
            wanted: list[Wish | Halt] = []
            if ending.wanted and not halted:
                halted = 1
                wanted.append(Halt(ending.wanted))
            if ending.presses > 1 and halted == 1:
                halted = 2
                wanted.append(Wish.EMERGENCY)
            if ending.pauses > pauses:
                pauses = ending.pauses
                wanted.append(Wish.PAUSE)
            _must_be_read(pipes)
            return [*_keys(watching), *wanted]

        try:
            yield ask
        finally:
            if restore is not None:
                restore()


def _pipes_out() -> list[int]:
    """Return the descriptors of what is said and complained, where they are pipes to another process."""
    found = []
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError, AttributeError):  # closed, or none of the system's
            number = stream.fileno()
            if stat.S_ISFIFO(os.fstat(number).st_mode):
                found.append(number)
    return found if hasattr(select, "poll") else []


def _must_be_read(pipes: Sequence[int]) -> None:
    """Raise `BrokenPipeError` where nobody reads a pipe any more: else only the next word into it would tell."""
    if not pipes:
        return
    look = select.poll()
    for number in pipes:
        look.register(number, 0)
    if look.poll(0):
        raise BrokenPipeError(EPIPE, os.strerror(EPIPE))


def _in_background() -> bool:
    """Tell whether the terminal's keys are for another process just now."""
    try:
        return os.tcgetpgrp(sys.stdin.fileno()) != os.getpgrp()
    except OSError:
        return False  # no terminal of ours, or none any more: reading from it tells


def _keys(watching: bool) -> list[Wish | Halt]:
    """Return the wishes of the keys pressed; read past Python's own buffer, which `select` cannot see into."""
    if not watching or _in_background():
        return []
    if not select.select([sys.stdin], [], [], 0)[0]:
        return []
    typed = os.read(sys.stdin.fileno(), 64).decode("utf-8", "replace").lower()
    if not typed:
        raise OSError("nobody is at the other end")
    return [KEYS[key] for key in typed if key in KEYS]


class LiveView:
    """The bar: pads done, µL laid, time left, and what is being laid now."""

    def __init__(self, job: ProgramJob, run: Run) -> None:
        self._laid: dict[int, Laid] = {laid.id: laid for laid in job.deposits}
        self._run = run
        self._ul = 0.0
        self._seconds = job.machine_s * (run.total / max(len(job.deposits), 1))
        self._left: dict[str, int] = {}
        for laid in job.deposits:
            for pad in laid.pads:
                self._left[pad] = self._left.get(pad, 0) + 1
        self._pads_done = 0
        self._began_s: float | None = None
        self._shown_s = 0.0
        self._now = ""
        self._bar = Progress(
            TextColumn("{task.description:<10}"),
            BarColumn(bar_width=30),
            TextColumn("{task.completed:.0f}/{task.total:.0f} deposits{task.fields[words]}"),
            console=err,
            transient=True,
            disable=not err.is_terminal,
            auto_refresh=False,
        )
        self._task = self._bar.add_task("", total=run.total, words="")

    def __enter__(self) -> "LiveView":
        self._bar.start()
        if err.is_terminal:
            self._bar.console.print(f"[dim]{KEYS_HELP}[/]")
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(OSError, ValueError):  # the terminal may be gone
            self._bar.stop()

    def __call__(self, actions: Sequence[Action]) -> None:
        """Show what happened."""
        for action in actions:
            if isinstance(action, Started):
                self._begin(action.deposits)
            elif isinstance(action, Done):
                self._done(action.deposits)
            elif isinstance(action, Entered):
                self._say(f"[bold]{action.phase}[/]" + (f": {escape(action.why)}" if action.why else ""))
                if action.phase is Phase.PAUSED:
                    self._say("[dim]r resumes, s stops[/]")
            elif isinstance(action, Doubt):
                self._say(f"[bold red]in doubt[/] {escape(', '.join(self._names(action.deposits)))}")
            elif isinstance(action, Noted) and action.kind == "controller":
                self._say(f"[dim]the controller is {escape(action.text)}[/]")
        now_s = time.monotonic()
        if now_s - self._shown_s > SHOW_EVERY_S or self._run.over:
            self._shown_s = now_s
            self._bar.update(
                self._task,
                description=str(self._run.phase),
                completed=len(self._run.done),
                words=f", {self._pads_done} pads, {self._ul:.2f} µL{self._time_left(now_s)}  {escape(self._now)}",
            )
            self._bar.refresh()

    def _begin(self, deposits: Sequence[int]) -> None:
        if self._began_s is None:
            self._began_s = time.monotonic()
        self._now = ", ".join(self._names(deposits)[:3])

    def _done(self, deposits: Sequence[int]) -> None:
        for deposit in deposits:
            laid = self._laid[deposit]
            self._ul += laid.volume_ul
            for pad in laid.pads:
                self._left[pad] -= 1
                self._pads_done += self._left[pad] == 0

    def _names(self, deposits: Sequence[int]) -> list[str]:
        return [f"{self._laid[deposit].pads[0]} {self._laid[deposit].kind}" for deposit in deposits]

    def _time_left(self, now_s: float) -> str:
        """Say what is left: by the plan at first, by the pace so far as soon as there is one."""
        done, total = len(self._run.done), self._run.total
        share = 1 - done / total if total else 0.0
        left_s = self._seconds * share
        if self._began_s is not None and done >= 5:
            left_s = (now_s - self._began_s) / done * (total - done)
        return f", {left_s / 60:.0f} min left" if left_s >= 90 else f", {left_s:.0f} s left"

    def _say(self, words: str) -> None:
        self._bar.console.print(words)

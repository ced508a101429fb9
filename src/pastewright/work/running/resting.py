"""A machine that outlives its host: what it was sent is left to end before its port is opened again.

A host that was killed, or whose cable was pulled, leaves lines in the controller's buffers, and with them the tip goes up
and the paste comes to rest. Opening a port starts many controllers anew: done too soon, it stops the tip in the paste, and
of a stroke nobody knows how far it came.
"""

from collections.abc import Callable
from time import sleep, time

from rich.markup import escape

from pastewright.link.journal import Journal
from pastewright.link.port import NOBODY_ELSES
from pastewright.work.holder import same_port
from pastewright.work.printing.console import out as console
from pastewright.work.running.choice import at_work
from pastewright.work.running.records import default_journal

LOOK_S = 0.2
"""How often the clock is looked at."""


def _say(words: str) -> None:
    console.print(f"[yellow]look[/] {escape(words)}")


def let_end(
    port: str,
    journal: Journal,
    *,
    say: Callable[[str], None] = _say,
    pause: Callable[[float], None] = sleep,
) -> None:
    """Wait until the machine has ended what a run that broke off sent to it; a virtual one ended with its host."""
    if port.startswith(NOBODY_ELSES):
        return
    told = False
    while busy := [
        (run, left)
        for run, its_port, process, left in journal.busy(time())
        if same_port(its_port) == same_port(port) and not at_work(process)
    ]:
        run, left_s = max(busy, key=lambda one: one[1])
        if not told:
            told = True
            say(
                f"run {run} broke off {_ago(journal, run)}, and the machine may still carry out what it was sent. Opening"
                f" its port may start it anew with the tip in the paste: waiting for {left_s:.0f} s (Ctrl-C leaves)"
            )
        pause(min(LOOK_S, left_s))


def _ago(journal: Journal, run: int) -> str:
    row = journal.run(run)
    return "a moment ago" if row.ended_at is None else f"{max(time() - row.ended_at, 0.0):.0f} s ago"


def let_end_by_default(port: str, *, say: Callable[[str], None] = _say) -> None:
    """The same for work without a journal of its own: by the one in the user's state folder, if it is there."""
    path = default_journal()
    if port.startswith(NOBODY_ELSES) or not path.exists():
        return
    journal = Journal(path)
    try:
        let_end(port, journal, say=say)
    finally:
        journal.close()

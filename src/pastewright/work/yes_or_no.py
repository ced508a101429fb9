"""Yes or no: how every question for it ends, and how a person at a terminal answers it.

One key, y or n; Escape is a no, and Enter says neither. Many press Enter behind it out of habit: that is swallowed, so
that it answers nothing that is asked next. Where lines are read, one that begins with y is a yes.
"""

import typer

from pastewright.work.keys import EndedError, Terminal

YES_OR_NO = "(y/n)"
"""How a question ends where it is yes or no."""
HABIT_S = 0.3
"""So long after the answer an Enter belongs to it (own choice)."""


def yes_key(terminal: Terminal) -> bool:
    """Wait for the key that says yes or no, and show it; raises `EndedError` where the terminal is gone."""
    while (key := terminal.key().lower()) not in ("y", "n", "escape"):
        pass
    print("y" if key == "y" else "n", flush=True)
    terminal.pressed(HABIT_S)
    return key == "y"


def yes(question: str) -> bool:
    """Ask at the process's own terminal; raises `typer.Abort` where that is gone."""
    try:
        with Terminal(lambda: "") as terminal:
            if not terminal.is_there:
                return terminal.line(question).lower().startswith("y")
            print(f"{question} {YES_OR_NO} ", end="", flush=True)
            return yes_key(terminal)
    except EndedError:
        raise typer.Abort from None

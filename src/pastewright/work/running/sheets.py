"""A tuning sheet laid by the command that designed it, and the wait for its photos."""

import shlex
import sys
from pathlib import Path

import typer
from rich.markup import escape

from pastewright.link.port import NOBODY_ELSES
from pastewright.problems import InputError
from pastewright.work.exits import DONE
from pastewright.work.options import Sending
from pastewright.work.photos import measured_sheet
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems
from pastewright.work.running.sending import SendChoice, send


def lay_sheet(program: Path, sheet: Path, profile: Path, sending: Sending) -> int:
    """Lay a sheet, then wait for its photos at a terminal and read them; returns the exit code."""
    code = send(program, sheet, profile, sending, SendChoice())
    if code != DONE:
        return code
    if sending.port.startswith(NOBODY_ELSES) or not sys.stdin.isatty():
        console.print(
            f"  Take a photo of it from above, then: pastewright tune read {escape(str(sheet))} PHOTO"
        )
        return code
    console.print(
        "Take a photo from straight above, with all dots in it and the light from the side; two or three are better."
    )
    while True:
        words = typer.prompt("Photos, parted by spaces (Enter: later)", default="", show_default=False)
        try:
            photos = [Path(word) for word in shlex.split(words)]
        except ValueError as error:  # a quote that is never closed
            console.print(
                f"[bold red]{escape(words)}[/]: {error}. Put a name with spaces between two quotes."
            )
            continue
        if not photos:
            console.print(f"  Later: pastewright tune read {escape(str(sheet))} PHOTO")
            return DONE
        try:
            return measured_sheet(sheet, photos)
        except InputError as error:
            print_problems(error.problems)

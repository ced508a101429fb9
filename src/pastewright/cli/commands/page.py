"""`pastewright page`: the bench day in a browser."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import JournalOption


def page(
    what: Annotated[
        Path | None,
        typer.Argument(metavar="[PLAN or folder]", help="A folder to work in, or a plan [this folder]."),
    ] = None,
    *,
    profile: Annotated[
        Path | None, typer.Option("--profile", "-p", help="The bench [the folder's bench.toml].")
    ] = None,
    journal: JournalOption = None,
    at: Annotated[int, typer.Option("--at", min=0, max=65535, help="Port to listen on [any free one].")] = 0,
    phone: Annotated[
        bool, typer.Option("--phone", help="Let one phone of the local network send photos, and stop.")
    ] = False,
    show: Annotated[bool, typer.Option("--show/--no-show", help="Open the browser.")] = True,
) -> int:
    """Show the whole job in a browser: a server on this computer, for you alone."""
    from rich.markup import escape

    from pastewright.page.desk import desk_of
    from pastewright.page.serve import open_page, show_in_browser
    from pastewright.work.exits import DONE
    from pastewright.work.printing.console import out

    opened = open_page(desk_of(what, bench=profile), port=at, journal=journal, phone=phone)
    out.print(f"The page of {escape(str(opened.context.desk.folder))} is at\n  {escape(opened.address)}")
    out.print("This address lets a browser in: keep it to yourself. Ctrl-C here ends the page.")
    if opened.phone is not None:
        out.print(f"For one phone, as the QR code on the Start screen:\n  {escape(opened.phone.address)}")
    sys.stdout.flush()  # into a pipe, too: who started the page waits for its address
    if show:
        show_in_browser(opened.address, lambda: opened.server.started)
    opened.run()
    return DONE

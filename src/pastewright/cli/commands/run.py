"""`pastewright run`: choose, show, ask, lay."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import CompanionFile, ProfilePath, Sending


def run(
    program: Annotated[
        Path, typer.Argument(help="The verified program, its plan.json or sheet.json, or their folder.")
    ],
    *,
    plan_file: CompanionFile = None,
    profile: ProfilePath,
    dry: Annotated[
        bool, typer.Option("--dry", help="Tip in the air, plunger still: for the first run.")
    ] = False,
    from_pad: Annotated[
        str | None, typer.Option("--from", metavar="PAD", help="Begin with the deposit of this pad.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="REF", help="Only this reference or pad, shell-style. Repeat."),
    ] = None,
    board: Annotated[
        int | None, typer.Option("--board", min=1, help="Number of the board [the next].")
    ] = None,
    sending: Sending,
    even_if_unverified: Annotated[
        bool, typer.Option("--even-if-unverified", help="Run the program although the verdict has findings.")
    ] = False,
) -> int:
    """Send a program of any kind to the controller, deposit by deposit, and keep the journal."""
    from pastewright.work.holder import held_by_page
    from pastewright.work.running.sending import SendChoice, send

    held = held_by_page(sending.port)
    if held is not None:
        from pastewright.cli.by_page import done_by_page

        asked = {
            "--plan": plan_file,
            "--from": from_pad,
            "--only": only,
            "--board": board,
            "--even-if-unverified": even_if_unverified,
        }
        code = done_by_page(
            held,
            "begin",
            program,
            profile,
            options=asked,
            data={"dry": dry, "barrel": sending.barrel, "note": sending.note},
        )
        if code is not None:
            return code
    choice = SendChoice(
        dry=dry,
        from_pad=from_pad,
        only=tuple(only or ()),
        board_number=board,
        even_if_unverified=even_if_unverified,
    )
    return send(program, plan_file, profile, sending, choice)

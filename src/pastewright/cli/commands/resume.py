"""`pastewright resume`: go on with a board that was not finished."""

from enum import StrEnum
from typing import Annotated

import typer

from pastewright.work.options import ProfilePath, Sending


class InDoubtName(StrEnum):
    """What to do with deposits in doubt."""

    ASK = "ask"
    LEAVE = "leave"
    LAY = "lay"
    THERE = "there"


def resume(
    run_number: Annotated[
        int | None, typer.Argument(metavar="[RUN]", help="Run to go on with [the latest not finished].")
    ] = None,
    *,
    profile: ProfilePath,
    in_doubt: Annotated[
        InDoubtName,
        typer.Option("--in-doubt", help="Deposits in doubt: ask, leave them, lay them, or they are there."),
    ] = InDoubtName.ASK,
    sending: Sending,
    even_if_running: Annotated[
        bool, typer.Option("--even-if-running", help="Go on although its process seems to be alive.")
    ] = False,
) -> int:
    """Go on with a board after a stop, a crash, a power cut or an unplugged cable."""
    from pastewright.work.running.resuming import go_on

    return go_on(run_number, profile, in_doubt.value, sending, even_if_running=even_if_running)

"""`pastewright batch`: boards one after the other, one key a board."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ProfilePath, Sending


def batch(
    program: Annotated[
        Path | None,
        typer.Argument(
            metavar="[PROGRAM]", help="The program, its plan.json or their folder [go on with a batch]."
        ),
    ] = None,
    *,
    boards: Annotated[int, typer.Option("--boards", min=1, max=10_000, help="How many boards.")] = 1,
    second: Annotated[
        Path | None,
        typer.Option("--second", help="Program of the other side, laid when all first sides are."),
    ] = None,
    zone: Annotated[
        list[str] | None,
        typer.Option(
            "--zone",
            metavar="X0,Y0,X1,Y1,HEIGHT",
            help="Parts stand here on the side that is up: corners [mm, board] and height; the second side's, if"
            " there is one. Repeat.",
        ),
    ] = None,
    go_on: Annotated[
        int | None,
        typer.Option("--go-on", metavar="BATCH", help="Go on with this batch [the latest not ended]."),
    ] = None,
    name: Annotated[str, typer.Option("--name", help="Name of the batch [the board's].")] = "",
    serials: Annotated[
        str,
        typer.Option(
            "--serials", metavar="FORM", help='Serials: "GH-{:03d}" counts, "A,B,C" names each [the numbers].'
        ),
    ] = "{}",
    witness: Annotated[
        bool, typer.Option("--witness/--no-witness", help="A row of witness dots before each board.")
    ] = True,
    temperature_c: Annotated[
        float | None, typer.Option("--temperature", help="Of the room [°C], for the record.")
    ] = None,
    profile: ProfilePath,
    sending: Sending,
) -> int:
    """Lay a batch of boards, one key a board; without a program, go on with one."""
    from pastewright.work.holder import held_by_page
    from pastewright.work.running.batch_desk import batch_command
    from pastewright.work.running.batch_wish import BatchWish

    held = held_by_page(sending.port)
    if held is not None:
        from pastewright.cli.by_page import done_by_page

        data = {
            "boards": boards,
            "go_on": go_on,
            "name": name,
            "serials": serials,
            "witness": witness,
            "temperature": temperature_c,
            "barrel": sending.barrel,
            "note": sending.note,
        }
        code = done_by_page(
            held, "batch", program, profile, options={"--second": second, "--zone": zone}, data=data
        )
        if code is not None:
            return code
    wanted = BatchWish(
        program=program,
        second=second,
        boards=boards,
        zones=tuple(zone or ()),
        go_on=go_on,
        name=name,
        serials=serials,
        witness=witness,
        temperature_c=temperature_c,
    )
    return batch_command(wanted, profile, sending)

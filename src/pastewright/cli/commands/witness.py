"""`pastewright witness row` and `witness check`: a dozen dots that say go, correct or stop, without a whole sheet."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ProfilePath


def row(
    *,
    profile: ProfilePath,
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for the program and sheet.json.")] = Path(
        "witness-row"
    ),
) -> int:
    """Write the program of a strip and a dozen dots beside it, read back: for the start of a day, or after a refill."""
    from pastewright.work.rows import written_row

    return written_row(profile, out)


def check(
    row: Annotated[Path, typer.Argument(metavar="ROW", help="Folder of the row, or its sheet.json.")],
    *,
    profile: ProfilePath,
    diameters: Annotated[
        str,
        typer.Option(
            "--diameters",
            metavar="MM",
            help='Diameters in the order of laying: "0.31 0.32 0.44 …"; - where none lies, ? where it cannot be told.',
        ),
    ] = "",
    dots: Annotated[Path | None, typer.Option("--dots", help="A dots.csv of the row instead.")] = None,
    photo: Annotated[
        list[Path] | None,
        typer.Option("--photo", help="A photo of the row instead, alone or beside a board; may be repeated."),
    ] = None,
    plan: Annotated[
        Path, typer.Option("--plan", help="plan.json of the next board: it is planned anew when corrected.")
    ],
    refilled: Annotated[
        bool, typer.Option("--refilled", help="Paste was filled in since the last trial or row.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Folder for the board's new program [beside its plan, -corrected]."),
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Correct without asking; otherwise you are asked.")
    ] = False,
) -> int:
    """Say of a measured row: go, correct or stop; correct the profile by one more entry of its history."""
    from pastewright.work.running.witness_check import Given, checked

    given = Given(
        row=row,
        profile=profile,
        diameters=diameters,
        dots=dots,
        photos=tuple(photo or ()),
        plan=plan,
        refilled=refilled,
        out=out,
        accept=accept,
    )
    return checked(given)

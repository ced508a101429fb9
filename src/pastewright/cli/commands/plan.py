"""`pastewright plan`: read, plan, write its files, say what matters."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import Asking, EvenIfUnverified, ProfilePath, Source


def plan(
    source: Source,
    *,
    profile: ProfilePath,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for the results [paste-plan-SIDE].")
    ] = None,
    dry: Annotated[
        bool, typer.Option("--dry", help="Same moves, plunger still, tip lifted: for the first run in air.")
    ] = False,
    even_if_unverified: EvenIfUnverified = False,
    placement: Annotated[
        Path | None,
        typer.Option("--placement", help="Where the board lies: placement.json [the bed's corner]."),
    ] = None,
    tray: Annotated[Path | None, typer.Option("--tray", help="Several boards: a tray, a TOML file.")] = None,
    every_warning: Annotated[
        bool, typer.Option("--every-warning", help="List each warning; else those alike are told together.")
    ] = False,
    asked: Asking,
) -> int:
    """Plan one side of a board: program, plan.json, pads.csv, board.svg, report.html and, for photos, legend.json."""
    from pastewright.cli.planning import Wanted, plan_board, plan_boards
    from pastewright.problems import one_error
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.reading import load_job, side_asked

    job = load_job(source, asked.job)
    side = side_asked(asked, job)
    wanted = Wanted(
        source=source,
        profile=profile,
        side=side,
        out=out or Path(f"paste-plan-{side}" + ("-dry" if dry else "")),
        files=asked,
        job=job,
        dry=dry,
        even_if_unverified=even_if_unverified,
        every_warning=every_warning,
    )
    if tray is not None and placement is not None:
        raise one_error("--placement and --tray are both given", "A tray file says where each board lies.")
    good = plan_boards(wanted, tray) if tray is not None else plan_board(wanted, placement)
    return DONE if good else FINDINGS

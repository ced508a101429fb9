"""`pastewright touch-up`: an inspection to a program that lays what is missing."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import EvenIfUnverified, JournalOption, ProfilePath


def touch_up(
    inspection: Annotated[Path, typer.Argument(help="The inspection.json of the board.")],
    *,
    profile: ProfilePath,
    plan: Annotated[
        Path | None, typer.Option("--plan", help="The plan.json that was inspected [as the inspection says].")
    ] = None,
    wiped: Annotated[
        bool, typer.Option("--wiped", help="All that the inspection says to wipe is wiped: lay that as well.")
    ] = False,
    placement: Annotated[
        Path | None,
        typer.Option(
            "--placement",
            help="Where the board lies now: placement.json [where it was laid; in the bed's corner as the profile has it].",
        ),
    ] = None,
    left_ul: Annotated[
        float | None, typer.Option("--left-ul", min=0, help="Paste left in the barrel [the profile's fill].")
    ] = None,
    barrel: Annotated[
        str,
        typer.Option(
            "--barrel", metavar="NAME", help="The barrel in the machine; what is left is in the journal."
        ),
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Folder for the results [touch-up beside the inspection]."),
    ] = None,
    even_if_unverified: EvenIfUnverified = False,
    journal: JournalOption = None,
) -> int:
    """Write a program that lays only what is missing or low, clear of the paste that stands; run sends it as any other."""
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.touching_up import Touched, touched_up

    good = touched_up(
        Touched(
            inspection=inspection,
            profile=profile,
            plan=plan,
            wiped=wiped,
            left_ul=left_ul,
            barrel=barrel,
            out=out or inspection.parent / "touch-up",
            even_if_unverified=even_if_unverified,
            journal=journal,
            placement=placement,
        )
    )
    return DONE if good else FINDINGS

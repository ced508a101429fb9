"""`pastewright inspect`: photos of a pasted board to findings."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import JobOption, JournalOption, SideName


def inspect(
    plan: Annotated[Path, typer.Argument(help="The plan.json of the program that was run.")],
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="PHOTO...", help="Photos of the pasted board: JPEG, PNG or HEIC, overlapping or not."
        ),
    ] = None,
    *,
    frames: Annotated[
        Path | None,
        typer.Option(
            "--frames", help="Frames of a camera on the head: CSV with file, x_mm, y_mm [mm, machine]."
        ),
    ] = None,
    before: Annotated[
        list[Path] | None,
        typer.Option(
            "--before",
            metavar="PHOTO",
            help="Photo of the bare board before pasting, kept beside the plan for the next boards; repeatable.",
        ),
    ] = None,
    board: Annotated[
        str,
        typer.Option(
            "--board",
            metavar="NAME",
            help="Which board it is: its serial or number in the journal, or of a tray.",
        ),
    ] = "",
    side: Annotated[
        SideName | None, typer.Option("--side", help="The side in the photos [the plan's].")
    ] = None,
    job: JobOption = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "-o",
            help="Folder for the results [inspection, or inspection-NAME with --board, beside the plan].",
        ),
    ] = None,
    journal: JournalOption = None,
) -> int:
    """Compare photos of a pasted board with its plan: what is good, low, high, missing, bridged, off, or not seen."""
    from pastewright.records.kinds import DepositVerdict
    from pastewright.work.exits import DONE, FINDINGS
    from pastewright.work.inspecting import Looked, folder_of, looked_at

    inspection = looked_at(
        Looked(
            plan=plan,
            photos=tuple(photos or ()),
            frames=frames,
            board=board,
            side=side.value if side is not None else "",
            job=job,
            out=out or plan.parent / folder_of(board),
            journal=journal,
            before=tuple(before or ()),
        )
    )
    good = all(one.verdict is DepositVerdict.GOOD for one in inspection.deposits)
    return DONE if good else FINDINGS

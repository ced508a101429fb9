"""`pastewright tune read`: photos of a sheet to dots.csv and overlay pictures."""

from pathlib import Path
from typing import Annotated

import typer


def read(
    sheet: Annotated[Path, typer.Argument(help="The sheet.json that was written with the sheet.")],
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO...", help="Photos of it: JPEG, PNG or HEIC.")
    ],
    *,
    weighed: Annotated[
        str, typer.Option("--weighed", metavar="WORDS", help='A weighing, such as "100 dots = 41.2 mg".')
    ] = "",
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for dots.csv and pictures [the sheet's].")
    ] = None,
) -> int:
    """Measure the dots on photos of a sheet: dots.csv and a picture of what was measured."""
    from pastewright.work.photos import measured_sheet

    return measured_sheet(sheet, photos, weighed=weighed, out=out)

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
    from rich.markup import escape

    from pastewright.cli.exits import DONE
    from pastewright.cli.photos import loaded_photos, overlay_names
    from pastewright.cli.printing.console import out as console
    from pastewright.cli.printing.console import print_problems
    from pastewright.cli.printing.tuning import print_measurements
    from pastewright.problems import one_error
    from pastewright.tune.photo.overlay import overlay_png
    from pastewright.tune.photo.read import MOST_PHOTOS, measure_photos, merged, parse_weighed
    from pastewright.tune.record.dots_csv import dots_csv
    from pastewright.tune.sheet.model import read_sheet
    from pastewright.writing import writing

    scale = parse_weighed(weighed) if weighed else None
    laid = read_sheet(sheet)
    if len(photos) > MOST_PHOTOS:
        raise one_error(f"{len(photos)} photos are too many; at most {MOST_PHOTOS} are merged")
    loaded = loaded_photos(photos)
    readings, warnings = measure_photos(laid, loaded, lambda name: console.print(f"reading {escape(name)}"))
    folder = out or sheet.parent
    names = overlay_names([reading.photo.name for reading in readings])
    with writing("the results", folder, "Choose another folder with --out."):
        folder.mkdir(parents=True, exist_ok=True)
        # Pictures first: they help most when the photos turn out not to belong together.
        for name, reading in zip(names, readings, strict=True):
            (folder / name).write_bytes(overlay_png(laid, reading))
        measurements = merged(laid, readings, warnings, scale)
        (folder / "dots.csv").write_text(dots_csv(laid, measurements), encoding="utf-8")
    print_measurements(measurements)
    print_problems(measurements.warnings)
    for name in ("dots.csv", *names):
        console.print(f"wrote {escape(str(folder / name))}")
    return DONE

"""Photos as commands take them. Apart from `tuning`, whose fit takes a second to load."""

from collections.abc import Sequence
from pathlib import Path

from pastewright.photo.file import Photo, read_photo
from pastewright.problems import InputError, Problem, one_error


def loaded_photos(files: Sequence[Path]) -> list[Photo]:
    """Return the photos; every file that cannot be read is told at once."""
    photos: list[Photo] = []
    problems: list[Problem] = []
    for file in files:
        try:
            photos.append(read_photo(file))
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems)
    return photos


def overlay_names(photos: Sequence[str]) -> list[str]:
    """Return a file name for the picture of each photo, different ones for photos of one name."""
    stems = [Path(name).stem for name in photos]
    return [
        f"overlay-{stem}.png" if stems.count(stem) == 1 else f"overlay-{stem}-{number}.png"
        for number, stem in enumerate(stems, start=1)
    ]


def measured_sheet(sheet: Path, photos: Sequence[Path], *, weighed: str = "", out: Path | None = None) -> int:
    """Measure the dots on photos of a sheet into dots.csv and pictures; returns the exit code. Raises `InputError`."""
    from rich.markup import escape

    from pastewright.tune.photo.overlay import overlay_png
    from pastewright.tune.photo.read import MOST_PHOTOS, measure_photos, merged, parse_weighed
    from pastewright.tune.record.dots_csv import dots_csv
    from pastewright.tune.sheet.model import read_sheet
    from pastewright.work.exits import DONE
    from pastewright.work.printing.console import out as console
    from pastewright.work.printing.console import print_problems
    from pastewright.work.printing.measured import print_measurements
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

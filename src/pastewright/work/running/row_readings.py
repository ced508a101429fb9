"""What a person gives of a witness row to readings: a photo, a dots.csv, or diameters as typed."""

from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median

from pastewright.learn.dots import of_this_row, typed_dots
from pastewright.photo import PHOTO_ENDINGS
from pastewright.records.sheet import SheetRecord
from pastewright.tune.record.dots_csv import read_dots_csv
from pastewright.tune.record.measurements import DotReading, DotState, Measurements
from pastewright.work.running.board_laid import Newest


def given_readings(
    words: str, record: SheetRecord, *, newest: Newest, say: Callable[[str], None]
) -> Sequence[DotReading]:
    """Return readings of what a person typed: a photo's path, a dots.csv's, or diameters. Raises `InputError`.

    What a photo shows, and what is doubtful in it, is said.
    """
    path = words.strip().strip("'\"")
    ending = Path(path).suffix.lower()
    if ending == ".csv":
        return of_this_row(read_dots_csv(Path(path)).readings, record, file=path)
    if ending in PHOTO_ENDINGS:
        found = photographed([Path(path)], record, newest=newest)
        for line in photo_words(found):
            say(line)
        return found.readings
    return typed_dots(words, record)


def photographed(
    photos: Sequence[Path], record: SheetRecord, *, newest: Newest = (0.0, 0.0), pictures: Path | None = None
) -> Measurements:
    """Return what photos of a row show; into the folder `pictures` goes one of each with what was measured."""
    from pastewright.tune.photo.overlay import overlay_png
    from pastewright.tune.photo.read import measure_each, merged
    from pastewright.tune.photo.row import measure_row, row_laid
    from pastewright.work.photos import loaded_photos, overlay_names
    from pastewright.writing import writing

    row = row_laid(record, newest=newest)
    readings, warnings = measure_each(loaded_photos(photos), lambda photo: measure_row(photo, row))
    if pictures is not None:
        names = overlay_names([reading.photo.name for reading in readings])
        with writing("the pictures", pictures, "Choose a folder that can be written."):
            for name, reading in zip(names, readings, strict=True):
                (pictures / name).write_bytes(overlay_png(row, reading))
    return merged(row, readings, warnings)


def photo_words(found: Measurements) -> list[str]:
    """Return what photos of a row showed, in lines: how many dots, how sure, what is doubtful, what was refused and why."""
    shares = [dot.sigma_mm / dot.diameter_mm for dot in found.readings if dot.diameter_mm and dot.sigma_mm]
    states = [dot.state for dot in found.readings]
    sure = f", each within {median(shares):.1%} (one standard error)" if shares else ""
    lines = [f"{len(shares)} of {len(states)} dots were measured in the photo{sure}"]
    lines += [
        f"  dot {dot.index + 1}: {dot.why or dot.state}"
        for dot in found.readings
        if dot.state is not DotState.MEASURED
    ]
    return lines + [f"  {problem.what}" for problem in found.warnings]

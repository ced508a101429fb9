"""`pastewright tune read`: photos of a sheet to dots.csv and overlay pictures."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape
from rich.table import Table

from pastewright.cli.console import out as console
from pastewright.cli.console import print_problems
from pastewright.cli.exits import DONE
from pastewright.problems import InputError, Problem, one_error
from pastewright.tune.photo.overlay import overlay_png
from pastewright.tune.photo.photo import Photo, read_photo
from pastewright.tune.photo.read import MOST_PHOTOS, measure_photos, merged, parse_weighed
from pastewright.tune.record.dots_csv import dots_csv
from pastewright.tune.record.measurements import Measurements, State
from pastewright.tune.sheet.model import read_sheet


def tune_read_command(
    sheet_file: Path, photo_files: Sequence[Path], *, weighed: str, out: Path | None
) -> int:
    """Read the photos, write dots.csv and one overlay per photo, and say what was measured and what was not."""
    scale = parse_weighed(weighed) if weighed else None
    sheet = read_sheet(sheet_file)
    if len(photo_files) > MOST_PHOTOS:
        raise one_error(f"{len(photo_files)} photos are too many; at most {MOST_PHOTOS} are merged")
    photos = _loaded(photo_files)
    readings, warnings = measure_photos(sheet, photos, lambda name: console.print(f"reading {escape(name)}"))
    folder = out or sheet_file.parent
    names = _overlay_names([reading.photo.name for reading in readings])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # Pictures first: they help most when the photos turn out not to belong together.
        for name, reading in zip(names, readings, strict=True):
            (folder / name).write_bytes(overlay_png(sheet, reading))
        measurements = merged(sheet, readings, warnings, scale)
        (folder / "dots.csv").write_text(dots_csv(sheet, measurements), encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the results cannot be written: {error.strerror}",
            "Choose another folder with --out.",
            file=str(folder),
        ) from error
    _tell(measurements)
    print_problems(measurements.warnings)
    console.print(f"wrote {escape(str(folder / 'dots.csv'))}")
    for name in names:
        console.print(f"wrote {escape(str(folder / name))}")
    return DONE


def _loaded(files: Sequence[Path]) -> list[Photo]:
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


def _overlay_names(photos: Sequence[str]) -> list[str]:
    stems = [Path(name).stem for name in photos]
    return [
        f"overlay-{stem}.png" if stems.count(stem) == 1 else f"overlay-{stem}-{number}.png"
        for number, stem in enumerate(stems, start=1)
    ]


def _tell(measurements: Measurements) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("photo", "px/mm", "blur px", "tilt °", "centres off mm", "lens k1", "found", "measured"):
        table.add_column(heading, justify="left" if heading == "photo" else "right")
    for facts in measurements.photos:
        table.add_row(
            escape(facts.name),
            f"{facts.px_per_mm:.1f}",
            f"{facts.blur_px:.1f}",
            f"{facts.tilt_deg:.0f}",
            f"{facts.residual_mm:.3f}",
            "not told" if facts.k1 is None else f"{facts.k1:+.4f}",
            str(facts.found),
            str(facts.measured),
        )
    console.print(table)
    states = Counter(reading.state for reading in measurements.readings)
    console.print(
        f"{states[State.MEASURED]} dots measured, {states[State.MISSING]} missing, {states[State.REFUSED]} refused"
    )
    reasons = Counter(reading.why for reading in measurements.readings if reading.state is State.REFUSED)
    for why, count in reasons.most_common():
        console.print(f"  {count} refused: {escape(why)}")
    if measurements.weighed is not None:
        console.print(f"weighed: {measurements.weighed.mean_mg:.4g} mg per dot")

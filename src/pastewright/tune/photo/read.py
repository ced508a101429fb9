"""Photos of one sheet to its measurements: each is measured by itself, then dots are merged.

A dot measured on several photos takes the mean, weighted by the errors; what photos disagree on is told, and refused
where the difference is too large to be an error of reading.
"""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from pastewright.photo.file import Photo
from pastewright.problems import InputError, Problem, Severity, one_error
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.measure import PhotoReading, measure_photo
from pastewright.tune.record.measurements import DotReading, DotState, Measurements, Weighed
from pastewright.tune.sheet.model import Sheet

MOST_PHOTOS = 20
OTHER_SHEET = (
    0.06  # median difference of diameters between two photos of one sheet; one print differs by under 2 %
)
DISAGREE = 0.10  # of the diameter: no number for such a dot
# What all diameters of a photo share is alike on two photos of one sheet by so much: correlation of the error over what the
# photo tells, 749 pairs of 788 photos rendered for development, in other light from other places: 0.23.
ALIKE = 0.3
FLOOR = 0.004  # of the diameter: what two photos of one dot differ by even when both are good


def read_photos(sheet: Sheet, photos: Sequence[Photo], weighed: Weighed | None = None) -> Measurements:
    """Return the measurements of a sheet from one or more photos of it.

    A photo that cannot be used becomes a warning as long as another one can; raises InputError with the reasons of
    all when none can, and when two photos do not show the same print.
    """
    readings, warnings = measure_photos(sheet, photos)
    return merged(sheet, readings, warnings, weighed)


def measure_photos(
    sheet: Sheet, photos: Sequence[Photo], begun: Callable[[str], None] = lambda name: None
) -> tuple[tuple[PhotoReading, ...], tuple[Problem, ...]]:
    """Return a reading per usable photo, and warnings; `begun` is told each photo's name before it is read."""

    def measure(photo: Photo) -> PhotoReading:
        begun(photo.name)
        return measure_photo(photo, sheet)

    return measure_each(photos, measure)


def measure_each(
    photos: Sequence[Photo], measure: Callable[[Photo], PhotoReading]
) -> tuple[tuple[PhotoReading, ...], tuple[Problem, ...]]:
    """Return what `measure` makes of each usable photo, and warnings; raises InputError when none is usable."""
    readings: list[PhotoReading] = []
    refused: list[Problem] = []
    for photo in photos:
        try:
            readings.append(measure(photo))
        except InputError as error:
            refused.extend(error.problems)
    if not readings:
        raise InputError(refused) if refused else one_error("no photo was given", "Give one or more photos.")
    warnings = [
        replace(problem, severity=Severity.WARNING, what=f"this photo is left out: {problem.what}")
        for problem in refused
    ]
    for reading in readings:
        warnings.extend(reading.warnings)
    return tuple(readings), tuple(warnings)


def merged(
    sheet: LaidDots,
    readings: Sequence[PhotoReading],
    warnings: Sequence[Problem] = (),
    weighed: Weighed | None = None,
) -> Measurements:
    """Return the measurements of a sheet from the readings of its photos."""
    _check_same_print(readings)
    dots = tuple(
        _merged_dot([reading.readings[place] for reading in readings]) for place in range(len(sheet.dots))
    )
    said = list(warnings)
    disagree = sum(1 for dot in dots if dot.why.startswith("the photos"))
    if disagree:
        said.append(
            Problem(
                what=f"{disagree} dots are refused because the photos disagree about them",
                mend="Look at them in the overlay pictures; leave out the worse photo.",
                severity=Severity.WARNING,
            )
        )
    landed = sum(1 for dot in dots if dot.state is not DotState.MISSING)
    measured = sum(1 for dot in dots if dot.state is DotState.MEASURED)
    if weighed is not None and weighed.dots % len(sheet.dots) and not measured <= weighed.dots <= len(dots):
        said.append(
            Problem(
                what=f"{weighed.dots} dots were weighed, {landed} of the sheet's {len(dots)} landed: "
                "their mean is taken for the mean of the dots that were measured",
                mend="Weigh whole sheets, without the beads, to be exact.",
                severity=Severity.WARNING,
            )
        )
    return Measurements(
        sheet=sheet.name,
        readings=dots,
        photos=tuple(reading.facts for reading in readings),
        weighed=weighed,
        warnings=tuple(said),
    )


def parse_weighed(text: str) -> Weighed:
    """Return the weighing in words such as "100 dots = 41.2 mg"; mg, g and µg are known. Raises InputError."""
    match = re.fullmatch(
        r"\s*(\d+)\s*dots?\s*=\s*(\d+(?:[.,]\d+)?|[.,]\d+)\s*(mg|g|ug|µg|μg)\s*", text, re.IGNORECASE
    )
    if not match:
        raise one_error(f"--weighed {text!r} is not understood", 'Write it as "100 dots = 41.2 mg".')
    dots = int(match[1])
    unit = {"mg": 1.0, "g": 1000.0}.get(match[3].lower(), 0.001)
    mass_mg = float(match[2].replace(",", ".")) * unit
    if dots < 1 or mass_mg <= 0:
        raise one_error(f"--weighed {text!r}: dots and mass must be above zero", "Weigh again.")
    if not 1e-4 <= mass_mg / dots <= 1000:
        raise one_error(
            f"--weighed {text!r} makes {mass_mg / dots:g} mg per dot; dots have 0.0001 to 1000 mg",
            "Check the number and its unit.",
        )
    return Weighed(dots=dots, mass_mg=mass_mg)


def _merged_dot(seen: Sequence[DotReading]) -> DotReading:
    """Return one reading from those of the photos."""
    measured = [dot for dot in seen if dot.state is DotState.MEASURED]
    missing = [dot for dot in seen if dot.state is DotState.MISSING]
    if not measured:
        if missing:
            return replace(missing[0], photos=len(missing))
        return replace(seen[0], photos=len(seen))
    index = seen[0].index
    if missing:
        return DotReading(
            index=index,
            state=DotState.REFUSED,
            why="the photos disagree: one shows a dot, another none",
            photos=len(measured) + len(missing),
        )
    if len(measured) == 1:
        return measured[0]
    widths = np.array([dot.diameter_mm for dot in measured], dtype=np.float64)
    sigmas = np.array([dot.sigma_mm for dot in measured], dtype=np.float64)
    shared = np.array([dot.shared_sd or 0.0 for dot in measured], dtype=np.float64)
    spread = float(widths.max() - widths.min())
    if spread > DISAGREE * float(widths.mean()):
        return DotReading(
            index=index,
            state=DotState.REFUSED,
            why=f"the photos disagree: {widths.min():.3f} and {widths.max():.3f} mm wide",
            photos=len(measured),
        )
    weights = 1 / (sigmas**2 + (FLOOR * widths) ** 2)
    weights /= weights.sum()

    def mean(name: str) -> float:
        return float(weights @ np.array([getattr(dot, name) for dot in measured], dtype=np.float64))

    diameter_mm = float(weights @ widths)
    # The larger of what the photos claim and of what they differ by.
    own = weights**2 @ np.maximum(sigmas**2 - (shared * widths) ** 2, 0.0)
    in_common = math.sqrt((1 - ALIKE) * float(weights**2 @ shared**2) + ALIKE * float(weights @ shared) ** 2)
    claimed = math.hypot(math.sqrt(float(own)), in_common * diameter_mm)
    differ = float(widths.std(ddof=1)) / math.sqrt(len(widths))
    return DotReading(
        index=index,
        state=DotState.MEASURED,
        x_mm=mean("x_mm"),
        y_mm=mean("y_mm"),
        area_mm2=math.pi / 4 * diameter_mm**2,
        diameter_mm=diameter_mm,
        sigma_mm=max(claimed, differ),
        aspect=mean("aspect"),
        photos=len(measured),
        shared_sd=in_common if all(dot.shared_sd is not None for dot in measured) else None,
    )


def _check_same_print(readings: Sequence[PhotoReading]) -> None:
    """Raise InputError when two photos cannot show the same dots."""
    first = {dot.index: dot.diameter_mm for dot in readings[0].readings if dot.diameter_mm is not None}
    for other in readings[1:]:
        ratios = [
            dot.diameter_mm / first[dot.index]
            for dot in other.readings
            if dot.diameter_mm is not None and dot.index in first
        ]
        if len(ratios) < 10:
            continue
        # One factor for all dots would be a fault of scale; what tells prints apart is what is left.
        off = float(np.median(np.abs(np.log(ratios))))
        if off > OTHER_SHEET:
            raise one_error(
                f"this photo and {readings[0].photo.name} do not show the same print: "
                f"the dots' diameters differ by {100 * off:.0f} % (median), at most {100 * OTHER_SHEET:.0f} %",
                "Give the photos of one print; read each print by itself.",
                file=other.photo.name,
            )

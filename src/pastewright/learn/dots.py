"""What a person says of a row's dots to readings: diameters as typed, one a dot, in the order of laying."""

import re
from collections.abc import Sequence

from pastewright.problems import one_error
from pastewright.records.sheet import SheetRecord
from pastewright.tune.record.measurements import DotReading, DotState

TYPED_SPREAD = 0.03
"""Of a diameter read with a loupe's scale or on a screen [-] (own choice: a tenth of a graduation of 0.1 mm on 0.3 mm)."""
LEAST_MM, MOST_MM = 0.02, 20.0
NOT_SEEN, MISSING = "?", "-"


def typed_dots(words: str, record: SheetRecord) -> tuple[DotReading, ...]:
    """Return the readings of diameters in mm, parted by blanks or semicolons; `-` is a dot that is not there, `?` one that
    cannot be measured. Raises `InputError` when they are not as many as the dots, or no diameters.
    """
    parts = [part for part in re.split(r"[\s;]+", words.strip()) if part]
    if len(parts) != len(record.dots):
        raise one_error(
            f"{len(parts)} diameters were given, the row has {len(record.dots)} dots",
            f"Write one for each dot, in the order of laying: mm, {MISSING} where none lies, {NOT_SEEN} where it cannot be"
            " measured.",
        )
    return tuple(_typed(dot.index, part) for dot, part in zip(record.dots, parts, strict=True))


def _typed(index: int, part: str) -> DotReading:
    if part == MISSING:
        return DotReading(index=index, state=DotState.MISSING)
    if part == NOT_SEEN:
        return DotReading(index=index, state=DotState.REFUSED, why="not measured")
    try:
        diameter_mm = float(part.replace(",", "."))
    except ValueError:
        diameter_mm = 0.0
    if not LEAST_MM <= diameter_mm <= MOST_MM:
        raise one_error(f"{part!r} is no diameter of a dot in mm", f"{LEAST_MM:g} to {MOST_MM:g} mm.")
    return DotReading(
        index=index,
        state=DotState.MEASURED,
        diameter_mm=diameter_mm,
        sigma_mm=TYPED_SPREAD * diameter_mm,
        photos=0,
    )


def of_this_row(
    readings: Sequence[DotReading], record: SheetRecord, *, file: str = ""
) -> Sequence[DotReading]:
    """Return readings of a table that name dots of the row only; raises `InputError` otherwise."""
    known = {dot.index for dot in record.dots}
    strange = [one.index for one in readings if one.index not in known]
    if strange:
        raise one_error(
            f"the table has a dot {strange[0]}, which the row has not",
            "Give the table of this row.",
            file=file,
        )
    return readings

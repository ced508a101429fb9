"""A witness row in photos, measured in a worker process."""

from collections.abc import Sequence
from pathlib import Path

from pastewright.page.workers import Tell
from pastewright.records.sheet import SheetRecord
from pastewright.tune.record.measurements import DotReading
from pastewright.work.running.board_laid import Newest
from pastewright.work.running.row_readings import photo_words, photographed


def row_dots(
    photos: Sequence[Path], record: SheetRecord, newest: Newest, tell: Tell
) -> tuple[Sequence[DotReading], list[str]]:
    """Return what photos of a row show, dot by dot, and that in words."""
    tell("measuring the dots", 0, 1)
    found = photographed(photos, record, newest=newest)
    return found.readings, photo_words(found)

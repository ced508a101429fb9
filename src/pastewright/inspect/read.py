"""Photos of one board to findings: each is found and read by itself, then they are put together row by row."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.agree import ToldRow, agreed
from pastewright.inspect.before import as_before
from pastewright.inspect.find import FoundBoard, find_board
from pastewright.inspect.fit import bare_land, fit_rows
from pastewright.inspect.flat import blur_mm, laid_flat
from pastewright.inspect.judge import WORTH_A_WORD, JudgedRow, judged, scatter_of, usual_share
from pastewright.inspect.measure import RowReading, read_rows
from pastewright.inspect.picture import BoardPicture
from pastewright.inspect.settled import settled
from pastewright.job.limits import DEFAULT_LIMITS, InspectionLimits
from pastewright.photo.file import Photo
from pastewright.problems import InputError, Problem, Severity, one_error
from pastewright.records.kinds import DepositVerdict

Floats = NDArray[np.float64]
MOST_BLUR_MM = 0.12
"""One standard deviation: twice as much as a gap of 0.2 mm between pastes can be seen through. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoFindings:
    """One photo: how the board was found in it, and what it shows of each row."""

    found: FoundBoard
    readings: tuple[RowReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """All photos together. For each row of the picture: its verdict, its reading and the photo that it comes from."""

    picture: BoardPicture
    photos: tuple[PhotoFindings, ...]
    verdicts: tuple[JudgedRow, ...]
    readings: tuple[RowReading | None, ...]
    shown_by: tuple[int | None, ...]
    limits: InspectionLimits
    warnings: tuple[Problem, ...]


def findings_of(
    picture: BoardPicture,
    photos: Sequence[Photo],
    limits: InspectionLimits = DEFAULT_LIMITS,
    begun: Callable[[str], None] = lambda name: None,
    near_mm: Mapping[str, Floats] | None = None,
    bare: Sequence[FoundBoard] = (),
) -> Findings:
    """Return what photos show of a board; `near_mm` tells by name where a photo's middle should lie, `bare` are photos of
    the board before pasting, as found.

    A photo in which the board is not found becomes a warning as long as another shows it; raises `InputError` with the
    reasons of all when none does.
    """
    read: list[PhotoFindings] = []
    refused: list[Problem] = []
    for photo in photos:
        begun(photo.name)
        try:
            read.append(read_photo_of(photo, picture, (near_mm or {}).get(photo.name), bare))
        except InputError as error:
            refused.extend(error.problems)
    if not read:
        raise InputError(refused)
    warnings = [
        replace(problem, severity=Severity.WARNING, what=f"this photo is left out: {problem.what}")
        for problem in refused
    ]
    return joined(picture, read, limits, warnings)


def read_photo_of(
    photo: Photo, picture: BoardPicture, near_mm: Floats | None = None, bare: Sequence[FoundBoard] = ()
) -> PhotoFindings:
    """Return what one photo shows."""
    found = settled(find_board(photo, picture, near_mm), picture)
    flat = laid_flat(found, picture)
    blur = blur_mm(flat, picture)
    if blur > MOST_BLUR_MM:
        raise one_error(
            f"this photo is blurred by {blur:.2f} mm on the board, more than {MOST_BLUR_MM:g} mm",
            "Hold still, give the camera time to focus, go closer, and use more light.",
            file=photo.name,
        )
    flat = replace(flat, blur_px=blur * flat.scale)
    if bare:
        flat = replace(flat, before=as_before(flat, bare, bare_land(flat)))
    return PhotoFindings(found=found, readings=read_rows(flat, fit_rows(flat, picture), picture))


def joined(
    picture: BoardPicture,
    photos: Sequence[PhotoFindings],
    limits: InspectionLimits,
    warnings: Sequence[Problem] = (),
) -> Findings:
    """Return the findings of several photos: each row's verdict is that of all that see it."""
    verdicts: list[JudgedRow] = []
    readings: list[RowReading | None] = []
    shown_by: list[int | None] = []
    usual = [usual_share(photo.readings, picture.rows) for photo in photos]
    scatter = [scatter_of(photo.readings, picture.rows) for photo in photos]
    by_row = [{reading.row: reading for reading in photo.readings} for photo in photos]
    for number in range(len(picture.rows)):
        told = [
            ToldRow(
                reading=reading,
                verdict=judged(reading, picture.rows, limits, usual=usual[place], scatter=scatter[place]),
                place=place,
            )
            for place, rows in enumerate(by_row)
            if (reading := rows.get(number)) is not None
        ]
        if not told:
            verdicts.append(judged(None, picture.rows, limits))
            readings.append(None)
            shown_by.append(None)
            continue
        best, verdict = agreed(told)
        verdicts.append(verdict)
        readings.append(best.reading)
        shown_by.append(best.place)
    return Findings(
        picture=picture,
        photos=tuple(photos),
        verdicts=tuple(verdicts),
        readings=tuple(readings),
        shown_by=tuple(shown_by),
        limits=limits,
        warnings=(*warnings, *_sizes_told(photos, usual), *_unseen_told(verdicts, readings)),
    )


def _unseen_told(verdicts: Sequence[JudgedRow], readings: Sequence[RowReading | None]) -> list[Problem]:
    """Return what is to be said of deposits that photos show whole and yet do not tell."""
    count = sum(
        reading is not None and reading.whole and verdict.verdict is DepositVerdict.NOT_SEEN
        for verdict, reading in zip(verdicts, readings, strict=True)
    )
    if not count:
        return []
    what = f"{count} deposit{'s lie' if count > 1 else ' lies'} in the photos and {'are' if count > 1 else 'is'} not seen"
    mend = "Take another photo with the light from another side, and give both."
    return [Problem(what=what, mend=mend, severity=Severity.WARNING)]


def _sizes_told(photos: Sequence[PhotoFindings], usual: Sequence[float | None]) -> list[Problem]:
    """Return what is to be said once of all sizes in a photo, instead of deposit by deposit."""
    told = []
    for photo, share in zip(photos, usual, strict=True):
        if share is None:
            what = "the deposits in this photo look all larger or all smaller than planned: their sizes are not believed"
        elif abs(share - 1) > WORTH_A_WORD:
            what = f"the usual deposit in this photo has {share:.0%} of its planned volume; each is judged by the others"
        else:
            continue
        mend = "Use flatter, even light without reflections; if it stays so, check the bench's tuning."
        told.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=photo.found.photo.name))
    return told

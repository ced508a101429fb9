"""A witness row in a photo: (Photo, record) → PhotoReading. A dozen dots in two lines, alone or beside a board.

A row has no lattice; what it has is places that are known exactly and sizes that differ. Pairs of blobs are taken for
two dots far apart; where the others then lie is foretold, and the pair that most blobs agree with, in place and in size,
is the row. The view through it is that of an ideal camera (`photo.posed`), and all else is measured as on a sheet.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pastewright.photo.file import Photo
from pastewright.photo.posed import PosedPoints, fit_pose
from pastewright.photo.view import PhotoView
from pastewright.problems import InputError, Problem, one_error
from pastewright.records.sheet import SheetDotRecord, SheetRecord
from pastewright.tune.photo.find import BlobCandidates, find_dark
from pastewright.tune.photo.grid import Match, refusal
from pastewright.tune.photo.judge import GOOD_DIAMETER_PX, TOO_SMALL
from pastewright.tune.photo.measure import PhotoReading, measured
from pastewright.tune.photo.rank import rank_correlation

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

WORKS_PX = (2600, 1000)
"""Longer side of the copy that is searched: twice that for sheets, since in a board's photo a row is a fifth of it. Where no
row is found there, a coarser one, in which noise and grain are less."""
MOST_BLOBS = 300
"""Strongest first: more are a board's own pads, and the row on its card is not among the weakest."""
LEAST_SPAN_PX = 150.0
"""From end to end in the photo itself: below, dots are under four pixels wide."""
LEAST_APART_MM = 0.4
"""Standard deviation of the dots across the row: less is one line, which does not tell how the camera was tilted."""
ENDS = 2
"""As many dots at either end may stand for it, since one of them may be missing."""
AGREE = 0.3
"""How far a blob may lie from where it is foretold, in pitches: perspective bends a long row by so much."""
SETTLED = 0.25
"""The same, once a camera is fitted to those that agree, …"""
CLOSE = 0.09
"""… and at last: light and shade move the places of blobs by 0.02 (drawn photos), a low lamp by up to 0.08 (rendered)."""
WIDER = 1.9
"""How many times wider or narrower than foretold, against the pair's own scale, a blob may be."""
LEAST_SEEN = 8
"""Of the dots, as many as a row needs that is to teach anything (`learn.update`)."""
LEAST_RANK = 0.6
"""Rank correlation of width and dose: a dozen blobs taken at random reach it once in fifty times, and they must lie in
place besides."""
MOST_STRANGERS = 2
"""Blobs as wide as dots between those of a row: dust, and not the pads of a board or the dots of a sheet."""
AROUND_MM = 0.4
"""Of the dots' middles, where such strangers are looked for: the strip lies farther out."""
STRANGE_WIDTH = 0.7
"""Of the narrowest dot: what is narrower is dirt."""
LEAST_FOLLOWS = 0.75
"""The same of what was measured at last: by chance a dozen dots reach it once in 400 times."""
MOST_TRIED = 40
"""Pairs, those that most blobs agree with first."""
RIVAL = 2
"""A row with so many dots fewer than the best is no row of its own: grain makes rows of eight."""
ROUNDS = 4
NEAR_SHARE = 0.8
"""Of the distance to the nearest dot, taken for the pitch: ground is looked for at half of that, short of the strip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowLaid:
    """The dots of a row; `newest` points from older rows on the card to newer ones [mm], (0, 0) where it is the only one."""

    name: str
    pitch_mm: float
    dots: tuple[SheetDotRecord, ...]
    newest: tuple[float, float] = (0.0, 0.0)

    @property
    def places_mm(self) -> Floats:
        """Commanded places (dots, 2)."""
        return np.array([[dot.x_mm, dot.y_mm] for dot in self.dots])


def row_laid(record: SheetRecord, *, newest: tuple[float, float] = (0.0, 0.0), file: str = "") -> RowLaid:
    """Return the row of a record; raises `InputError` where its dots cannot tell how a camera saw them."""
    places = np.array([[dot.x_mm, dot.y_mm] for dot in record.dots])
    across = np.linalg.svd(places - places.mean(axis=0))[1][-1] / np.sqrt(len(places))
    if len(places) < LEAST_SEEN or across < LEAST_APART_MM:
        raise one_error(
            "the dots of this row lie in one line, which does not tell how a camera saw them",
            "Measure their diameters and type them, or lay a fresh row: its dots stand in two lines.",
            file=file,
        )
    gaps = np.linalg.norm(places[:, None] - places[None], axis=2)
    np.fill_diagonal(gaps, np.inf)
    return RowLaid(name=record.name, pitch_mm=NEAR_SHARE * float(gaps.min()), dots=record.dots, newest=newest)


def measure_row(photo: Photo, row: RowLaid) -> PhotoReading:
    """Measure every dot of a row in a photo; raises InputError when the photo cannot support an answer."""
    height, width = photo.pixels.shape[:2]
    matches = _indexed(row, photo)

    def fit(sheet_mm: Floats, places_px: Floats, *_: int) -> tuple[PhotoView, float, float | None]:
        try:
            return fit_pose(
                PosedPoints(
                    sheet_mm=sheet_mm,
                    places_px=places_px,
                    width_px=width,
                    height_px=height,
                    focal_px=photo.focal_px,
                )
            )
        except ValueError as error:
            raise refusal(
                "the dots that have a clear outline do not tell how the camera saw them",
                "Photograph the row from above, sharp and evenly lit.",
                photo.name,
            ) from error

    try:
        reading = measured(photo, row, matches, fit)
    except InputError as error:
        raise InputError(_refused(matches, error.problems, photo.name)) from error
    reading = replace(reading, warnings=tuple(map(_of_a_row, reading.warnings)))
    seen = [(dot.diameter_mm, laid.dose_ul) for dot, laid in zip(reading.readings, row.dots, strict=True)]
    pairs = [(wide, dose) for wide, dose in seen if wide is not None]
    if not rank_correlation(*zip(*pairs, strict=True)) >= LEAST_FOLLOWS:
        raise refusal(
            "the sizes of the dots do not follow those of the row",
            "Check that it is this row and no mirrored picture; otherwise the barrel holds air, or the tip is clogged.",
            photo.name,
        )
    return reading


def _refused(matches: Sequence[Match], problems: Sequence[Problem], name: str) -> list[Problem]:
    """Return why a row is refused. Where its dots are few pixels wide that is mended most easily, and the rest may follow
    from it.
    """
    widths = [match.width_px for match in matches]
    told = [_of_a_row(problem) for problem in problems]
    if min(widths) >= GOOD_DIAMETER_PX:
        return told
    far = Problem(
        what=f"the dots are {min(widths):.0f} to {max(widths):.0f} pixels wide in the photo;"
        f" {GOOD_DIAMETER_PX:.0f} are needed to tell the smallest well",
        mend="Come nearer, until the row goes from one side of the picture to the other, with all of the camera's pixels.",
        file=name,
    )
    return [far] if any(TOO_SMALL in problem.what for problem in told) else [*told, far]


def _of_a_row(problem: Problem) -> Problem:
    """Return a problem of the reader of sheets in the words of a row."""
    what, mend = (re.sub(r"\bsheet\b(?!\.json)", "row", text) for text in (problem.what, problem.mend))
    return replace(problem, what=what, mend=mend)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FoundRow:
    """A row as found: blobs by the dots' places in the row, −1 where none lies; the view through them."""

    places_px: Floats
    widths_px: Floats
    blobs: Whole
    view: PhotoView

    @property
    def seen(self) -> int:
        return int((self.blobs >= 0).sum())


def _indexed(row: RowLaid, photo: Photo) -> tuple[Match, ...]:
    """Return the matches of the newest row in the photo."""
    rows: list[_FoundRow] = []
    for work_px in WORKS_PX:
        blobs = find_dark(photo.pixels, work_px=work_px)
        rows = _rows_among(blobs, row, photo) if blobs is not None else []
        if rows:
            break
    if not rows:
        raise refusal(
            f"no witness row was found in the photo: {LEAST_SEEN} of its {len(row.dots)} dots have to be seen",
            "Photograph the row from near and from above, sharp and evenly lit, all of it in the picture; check that it is"
            " this row.",
            photo.name,
        )
    rows.sort(key=lambda found: -found.seen)
    rows = [found for found in rows if found.seen >= rows[0].seen - RIVAL]
    best = _newest(_distinct(rows, row), row, photo.name)
    return tuple(
        Match(
            index=dot.index,
            place_px=(float(best.places_px[blob, 0]), float(best.places_px[blob, 1])),
            width_px=float(best.widths_px[blob]),
        )
        for dot, blob in zip(row.dots, best.blobs.tolist(), strict=True)
        if blob >= 0
    )


def _distinct(rows: Sequence[_FoundRow], row: RowLaid) -> list[_FoundRow]:
    """Return one of each row, the one with most dots; `rows` begin with these."""
    middle = row.places_mm.mean(axis=0)
    kept: list[_FoundRow] = []
    for found in rows:
        at = found.view.to_px(middle)
        near = row.pitch_mm * float(found.view.px_per_mm(middle))
        if all(np.linalg.norm(other.view.to_px(middle) - at) > near for other in kept):
            kept.append(found)
    return kept


def _newest(rows: Sequence[_FoundRow], row: RowLaid, name: str) -> _FoundRow:
    """Return the row that lies farthest on the way from older to newer ones; refuses where there is no such way."""
    if len(rows) == 1:
        return rows[0]
    if not any(row.newest):
        raise refusal(
            f"{len(rows)} rows of dots like this one are in the photo, and nothing says which is meant",
            "Photograph this row alone, or cover the others.",
            name,
        )
    middle = row.places_mm.mean(axis=0)
    frame = rows[0].view
    along = [float(frame.to_sheet(found.view.to_px(middle)) @ np.array(row.newest)) for found in rows]
    return rows[int(np.argmax(along))]


def _rows_among(found: BlobCandidates, row: RowLaid, photo: Photo) -> list[_FoundRow]:
    """Return all rows among the blobs."""
    places, widths = found.places_px[:MOST_BLOBS], found.widths_px[:MOST_BLOBS]
    if len(places) < LEAST_SEEN:
        return []
    tree = cKDTree(places)
    sizes = np.cbrt([dot.dose_ul for dot in row.dots])
    count = len(row.dots)
    tried: list[tuple[int, Whole]] = []
    for first, last in product(range(ENDS), range(count - ENDS, count)):
        tried += _by_two(places, widths, tree, row.places_mm, sizes, (first, last))
    tried.sort(key=lambda one: -one[0])
    rows: list[_FoundRow] = []
    used: set[frozenset[int]] = set()
    for _, blobs in tried[:MOST_TRIED]:
        key = frozenset(blobs[blobs >= 0].tolist())
        if any(len(key & other) > len(key) // 2 for other in used):
            continue
        settled = _settled(places, widths, tree, row, sizes, blobs, photo)
        if settled is not None:
            used.add(frozenset(settled.blobs[settled.blobs >= 0].tolist()))
            rows.append(settled)
    return rows


def _by_two(
    places: Floats, widths: Floats, tree: cKDTree, laid: Floats, sizes: Floats, ends: tuple[int, int]
) -> list[tuple[int, Whole]]:
    """Return (dots that agree, blobs by dot) of all pairs of blobs taken for two dots of the row."""
    first, last = ends
    plane = laid[:, 0] - 1j * laid[:, 1]  # y runs downward in a photo
    photo = places[:, 0] + 1j * places[:, 1]
    a, b = np.nonzero(np.abs(photo[:, None] - photo[None]) > LEAST_SPAN_PX)
    ratio = (widths[b] / widths[a]) / (sizes[last] / sizes[first])
    alike = (ratio < WIDER) & (ratio > 1 / WIDER)
    a, b = a[alike], b[alike]
    if not len(a):
        return []
    factor = (photo[b] - photo[a]) / (plane[last] - plane[first])
    # Dots stand apart by more than they are wide: pairs that would have them overlap are none.
    step = np.abs(factor) * float(np.hypot(*(laid[1] - laid[0])))
    loose = (widths[a] < step) & (widths[b] < step)
    a, b, factor, step = a[loose], b[loose], factor[loose], step[loose]
    expected = photo[a][:, None] + factor[:, None] * (plane - plane[first])[None]
    gap, near = tree.query(np.stack([expected.real, expected.imag], axis=-1))
    own = np.sqrt(widths[a] * widths[b] / (sizes[first] * sizes[last]))
    share = widths[near] / (own[:, None] * sizes[None])
    agree = (gap < AGREE * step[:, None]) & (share < WIDER) & (share > 1 / WIDER)
    blobs = np.where(agree, near, -1)
    ordered = np.sort(blobs, axis=1)
    hits = ((ordered[:, 1:] != ordered[:, :-1]) & (ordered[:, 1:] >= 0)).sum(axis=1) + (ordered[:, 0] >= 0)
    return [(int(hits[at]), blobs[at]) for at in np.flatnonzero(hits >= LEAST_SEEN - 1)]


def _settled(
    places: Floats,
    widths: Floats,
    tree: cKDTree,
    row: RowLaid,
    sizes: Floats,
    blobs: Whole,
    photo: Photo,
) -> _FoundRow | None:
    """Return the row seen by a camera through the blobs, None where they do not lie as a camera shows a plane."""
    height, width = photo.pixels.shape[:2]
    laid = row.places_mm
    for turn in range(ROUNDS):
        seen = blobs >= 0
        if seen.sum() < LEAST_SEEN - 1:
            return None
        try:
            view, _, _ = fit_pose(
                PosedPoints(
                    sheet_mm=laid[seen],
                    places_px=places[blobs[seen]],
                    width_px=width,
                    height_px=height,
                    focal_px=photo.focal_px,
                )
            )
        except ValueError:
            return None
        gap, near = tree.query(view.to_px(laid))
        own = float(np.median(widths[blobs[seen]] / sizes[seen]))
        share = widths[near] / (own * sizes)
        reach = CLOSE if turn == ROUNDS - 1 else SETTLED
        close = gap < reach * row.pitch_mm * view.px_per_mm(laid)
        blobs = np.where(close & (share < WIDER) & (share > 1 / WIDER), near, -1)
    seen = blobs >= 0
    if seen.sum() < LEAST_SEEN or len(set(blobs[seen].tolist())) < seen.sum():
        return None
    if not rank_correlation(widths[blobs[seen]], sizes[seen]) >= LEAST_RANK:
        return None
    at = view.to_sheet(places)
    low, high = laid.min(axis=0) - AROUND_MM, laid.max(axis=0) + AROUND_MM
    strange = ((at > low) & (at < high)).all(axis=1) & (widths > STRANGE_WIDTH * widths[blobs[seen]].min())
    # One dot may be several blobs, one in another, where it shines in its middle.
    gap, near = cKDTree(places[blobs[seen]]).query(places)
    strange &= gap > widths[blobs[seen]][near] / 2
    if strange.sum() > MOST_STRANGERS:
        return None
    return _FoundRow(places_px=places, widths_px=widths, blobs=blobs, view=view)

"""A photo and its sheet to one reading per dot: (Photo, Sheet) → PhotoReading. Merging photos is in `read`.

The dots are found as blobs, indexed, and followed along rays for a first view. Then all are laid over one another:
`common` tells their sizes against each other, `rim` where the paste ends, `dots` what becomes of each dot, `judge` what
becomes of the photo.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.file import Photo
from pastewright.photo.fitted import fit_view
from pastewright.photo.view import PhotoView, camera_place_mm
from pastewright.problems import InputError, Problem
from pastewright.tune.photo.alike import Lot, few_dots, tell_a_view, tilt_of
from pastewright.tune.photo.aside import PERSPECTIVE_TOLD_BY
from pastewright.tune.photo.coarse import FitView
from pastewright.tune.photo.dots import readings_of, with_shared
from pastewright.tune.photo.find import SOFT_PX, either_way, find_candidates
from pastewright.tune.photo.grid import Match, index_dots, refusal
from pastewright.tune.photo.judge import (
    LOST,
    MENDS,
    ROUGH_ROW_SD,
    ROUGH_SHEET_SD,
    Judged,
    lost_share,
    verdict,
)
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.parted import never_missing, parts_differ, read_parts, together, told_parts
from pastewright.tune.record.measurements import GOOD_ROW_SD, GOOD_SD, DotReading, DotState, PhotoFacts
from pastewright.tune.sheet.model import Sheet

Floats = NDArray[np.float64]

SOFTER_PX = (1.6, 2.5, 4.0)  # where no dots are found: fainter ones show when grain is blurred away
# Found lighter, or darker, than their ground; where fewer are, they are looked for both ways.
MOST_OF_DOTS = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoReading:
    """One photo read: its facts, the view, one reading per dot of the sheet in the sheet's order, warnings."""

    photo: Photo
    facts: PhotoFacts
    view: PhotoView
    readings: tuple[DotReading, ...]
    warnings: tuple[Problem, ...]


def measure_photo(photo: Photo, sheet: Sheet) -> PhotoReading:
    """Measure every dot of the sheet in a photo; raises InputError when the photo cannot support an answer."""
    matches = dots_found(photo, sheet)
    return measured(photo, sheet, matches, fit_view, most_sd=ROUGH_SHEET_SD)


def dots_found(photo: Photo, sheet: Sheet) -> tuple[Match, ...]:
    """Return where dots of the sheet are seen; raises InputError when they cannot be told."""
    refused: InputError | None = None
    for soft_px in (SOFT_PX, *SOFTER_PX):
        found = find_candidates(photo.pixels, soft_px=soft_px)
        ways: list[tuple[Match, ...]] = []
        for maps in (found, [both] if (both := either_way(found)) else []):
            try:
                ways.append(index_dots(maps, sheet, photo.name))
            except InputError as error:
                refused = refused or error
            if ways and len(ways[0]) >= MOST_OF_DOTS * len(sheet.dots):
                break
        if ways:
            return max(ways, key=len)
    assert refused is not None  # as no way was found
    raise refused


def measured(
    photo: Photo, sheet: LaidDots, matches: Sequence[Match], fit: FitView, *, most_sd: float = ROUGH_ROW_SD
) -> PhotoReading:
    """Measure dots of which `matches` tell the places in the photo; `fit` makes the view through such places, `most_sd` is
    what all diameters together may be off by, one standard error, as a share.
    """
    commanded = np.array([[dot.x_mm, dot.y_mm] for dot in sheet.dots])
    lot = Lot(photo=photo, laid=sheet, matches=matches, fit=fit, few=few_dots(sheet))
    parts = told_parts(read_parts(lot), most_sd)
    dots = together(parts)
    good, places_px = np.zeros(len(commanded), dtype=np.bool_), np.zeros((len(commanded), 2))
    for part in parts:
        good[part.which] = part.read.good
        places_px[part.which] = part.read.view.to_px(part.read.dots.centres)
    if not tell_a_view(good):
        raise _no_outlines(int(good.sum()), len(commanded), photo.name)
    view = parts[0].read.view
    last, residual_mm, k1 = fit(commanded[good], places_px[good], view.width_px, view.height_px)
    centres = last.to_sheet(places_px)
    readings = readings_of(dots, sheet, centres, dots.scale / last.px_per_mm(centres))
    readings = never_missing(readings, parts)
    rim, blur_px = dots.rim, parts[0].read.blur_px
    differ = parts_differ(parts, readings, sheet)
    shared_sd = float(np.linalg.norm([rim.shared_sd, _view_sd(commanded[good], residual_mm), differ]))
    facts = _facts(photo, last, commanded.mean(axis=0), (blur_px, residual_mm, k1, shared_sd), readings)
    readings = with_shared(readings, facts.shared_sd)
    warnings = verdict(
        Judged(
            sheet=sheet,
            facts=facts,
            readings=readings,
            rim=rim,
            unlike=float(np.median(dots.common.left[good])),
            by_lightness=parts[0].read.by_lightness,
            most_sd=most_sd,
            differ=differ,
        )
    )
    return PhotoReading(photo=photo, facts=facts, view=last, readings=readings, warnings=warnings)


def _view_sd(commanded: Floats, residual_mm: float) -> float:
    """Return what the view may have all diameters wrong by, as a share.

    How long a pixel is across the dots, the way they are spread least, follows from places that are off by the residual;
    half of that goes into a diameter.
    """
    across = np.linalg.svd(commanded - commanded.mean(axis=0), compute_uv=False)[-1]
    return float(0.5 * residual_mm / max(across, 1e-9))


def _no_outlines(good: int, dots: int, name: str) -> Exception:
    return refusal(f"only {good} of {dots} dots have a clear outline", MENDS["no clear outline"], name)


def _facts(
    photo: Photo,
    view: PhotoView,
    middle: Floats,
    told: tuple[float, float, float | None, float],
    readings: tuple[DotReading, ...],
) -> PhotoFacts:
    """Return how good a photo was; `told` is blur [px], rms of the centres [mm], the lens's k1 or None, the rim's error."""
    to_camera = camera_place_mm(view, photo.focal_px) - np.append(middle, 0.0)
    return PhotoFacts(
        name=photo.name,
        width_px=view.width_px,
        height_px=view.height_px,
        px_per_mm=float(view.px_per_mm(middle)),
        blur_px=told[0],
        residual_mm=told[1],
        k1=told[2],
        shared_sd=float(np.hypot(told[3], LOST * lost_share(readings))),
        good_sd=GOOD_ROW_SD if len(readings) < PERSPECTIVE_TOLD_BY else GOOD_SD,
        tilt_deg=float(np.degrees(tilt_of(to_camera))),
        found=sum(1 for reading in readings if reading.state is not DotState.MISSING),
        measured=sum(1 for reading in readings if reading.state is DotState.MEASURED),
    )

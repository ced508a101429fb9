"""A photo and its sheet to one reading per dot: (Photo, Sheet) → PhotoReading. Merging photos is in `read`.

The dots are found as blobs, indexed, and followed along rays for a first view. Then all are laid over one another:
`common` tells their sizes against each other, `rim` where the paste ends, `dots` what becomes of each dot, `judge` what
becomes of the photo.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.file import Photo
from pastewright.photo.fitted import fit_view
from pastewright.photo.light import colour_light, grey_light, opponent_light
from pastewright.photo.posed import LEAST_POINTS
from pastewright.photo.view import PhotoView, camera_place_mm
from pastewright.problems import Problem
from pastewright.tune.photo.aside import PERSPECTIVE_TOLD_BY, middle_of_bases
from pastewright.tune.photo.coarse import (
    USUAL_BLUR_PX,
    FitView,
    coarse_pass,
    plausible_blobs,
    refitted,
    usual_blur_px,
)
from pastewright.tune.photo.common import HALF, Common, burnt_picture, darker_paste, laid_over
from pastewright.tune.photo.dots import (
    LEAST_STRENGTH,
    MOST_LEFT,
    dots_of,
    plausible,
    readings_of,
    with_shared,
)
from pastewright.tune.photo.find import find_candidates
from pastewright.tune.photo.grid import Match, index_dots, refusal
from pastewright.tune.photo.judge import (
    LEAST_MEASURED_OF_ALL,
    LOST,
    MENDS,
    ROUGH_ROW_SD,
    ROUGH_SHEET_SD,
    Judged,
    lost_share,
    verdict,
)
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.outset import Outset, outset
from pastewright.tune.photo.rays import tells_by_lightness
from pastewright.tune.photo.rim import COLOUR_BLUR_PX, Rim, RimLook, common_rim
from pastewright.tune.record.measurements import GOOD_ROW_SD, GOOD_SD, DotReading, DotState, PhotoFacts
from pastewright.tune.sheet.model import Sheet

Floats = NDArray[np.float64]

# Followed along rays, the shaded flank of a dot on a coloured ground looks like blur: there blur is less than half of
# what the rays say, but no photo is sharper than its pixels (both measured on photos rendered for development).
BLUR_ON_COLOUR, LEAST_BLUR_PX = 0.4, 0.8
# Where paste is darker than the ground, as on metal, its flank is as dark as the rest, and the rays say the truth.
BLUR_OF_DARK = 0.85
# A rim that lies far from where dots were thought to end is looked for again around it: the picture of all dots shows
# only so much, and trial circles go only so far.
MOST_STARTS, FAR_OFF = 3, 0.15  # radii
AROUND = 2.0  # pitches around the dots whose light is looked at: rays go 0.62, the pictures laid over one another 0.9
LEAST_CLEAR = 0.15  # of the dots must have a clear outline along their rays; fewer are a photo out of focus


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoReading:
    """One photo read: its facts, the view, one reading per dot of the sheet in the sheet's order, warnings."""

    photo: Photo
    facts: PhotoFacts
    view: PhotoView
    readings: tuple[DotReading, ...]
    warnings: tuple[Problem, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _First:
    """What blobs and rays tell: a view, centres and radii [mm], blur [px], whether lightness tells paste from ground."""

    view: PhotoView
    centres: Floats
    radii: Floats
    blur_px: float
    by_lightness: bool


def measure_photo(photo: Photo, sheet: Sheet) -> PhotoReading:
    """Measure every dot of the sheet in a photo; raises InputError when the photo cannot support an answer."""
    matches = index_dots(find_candidates(photo.pixels), sheet, photo.name)
    return measured(photo, sheet, matches, fit_view, most_sd=ROUGH_SHEET_SD)


def measured(
    photo: Photo, sheet: LaidDots, matches: Sequence[Match], fit: FitView, *, most_sd: float = ROUGH_ROW_SD
) -> PhotoReading:
    """Measure dots of which `matches` tell the places in the photo; `fit` makes the view through such places, `most_sd` is
    what all diameters together may be off by, one standard error, as a share.
    """
    commanded = np.array([[dot.x_mm, dot.y_mm] for dot in sheet.dots])
    first = _first_look(photo, sheet, commanded, matches, fit)
    view = first.view
    light = _where_laid(
        photo, view, commanded, sheet.pitch_mm, partial(opponent_light, fine=photo.fine_colour)
    )
    camera = camera_place_mm(view, photo.focal_px)
    begun = Outset(centres=first.centres, radii=first.radii, by_colour=False)
    if not (first.by_lightness and _few(commanded)):
        begun = outset(light, view, first.centres, first.radii, camera, sheet.pitch_mm)
    blur_px = _matching_blur_px(first.blur_px, by_colour=begun.by_colour)
    view, common, rim = _laid(photo, first, light, camera, begun, blur_px, sheet, fit)
    dots = dots_of(light, view, camera, common, rim, blur_px)
    good = plausible(dots, commanded, sheet.pitch_mm)
    if not _tell_a_view(good):
        raise _no_outlines(int(good.sum()), len(commanded), photo.name)
    places_px = view.to_px(dots.centres)
    last, residual_mm, k1 = fit(commanded[good], places_px[good], view.width_px, view.height_px)
    centres = last.to_sheet(places_px)
    readings = readings_of(dots, sheet, centres, view.px_per_mm(dots.centres) / last.px_per_mm(centres))
    shared_sd = float(np.hypot(rim.shared_sd, _view_sd(commanded[good], residual_mm)))
    facts = _facts(photo, last, commanded.mean(axis=0), (blur_px, residual_mm, k1, shared_sd), readings)
    readings = with_shared(readings, facts.shared_sd)
    warnings = verdict(
        Judged(
            sheet=sheet,
            facts=facts,
            readings=readings,
            rim=rim,
            unlike=float(np.median(common.left[good])),
            by_lightness=first.by_lightness,
            most_sd=most_sd,
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


def _laid(
    photo: Photo,
    first: _First,
    light: NDArray[np.uint16],
    camera: Floats,
    begun: Outset,
    blur_px: float,
    sheet: LaidDots,
    fit: FitView,
) -> tuple[PhotoView, Common, Rim]:
    """Return the dots laid over one another with a blur, their rim, and the view in which they lie.

    A rim far from where dots were thought to end is looked for again, around where it was found.
    """
    view, centres, radii, pitch_mm = first.view, begun.centres, begun.radii, sheet.pitch_mm
    commanded = np.array([[dot.x_mm, dot.y_mm] for dot in sheet.dots])
    by_light = first.by_lightness and _few(commanded)
    for turn in range(MOST_STARTS):
        common = laid_over(light, view, centres, radii, pitch_mm, blur_px, by_light=by_light)
        rim = _rim(photo, view, common, commanded, camera, (first.blur_px, blur_px), pitch_mm)
        near = abs(rim.value - 1) < FAR_OFF and float(np.linalg.norm(rim.centre)) < FAR_OFF
        if near or turn == MOST_STARTS - 1:
            break
        centres, radii = common.centres + common.radii[:, None] * rim.centre, common.radii * rim.value
        alike = (common.strength > LEAST_STRENGTH) & (common.left < MOST_LEFT)
        if _tell_a_view(alike):
            view, centres, grown = refitted(view, commanded, centres, alike, fit)
            radii = radii * grown
    return view, common, rim


def _where_laid(
    photo: Photo,
    view: PhotoView,
    commanded: Floats,
    pitch_mm: float,
    lit: Callable[[NDArray[np.uint8]], NDArray[np.uint16]],
) -> NDArray[np.uint16]:
    """Return the photo's light where dots were laid and around them, nil elsewhere: most of a photo shows other things."""
    low, high = commanded.min(axis=0) - AROUND * pitch_mm, commanded.max(axis=0) + AROUND * pitch_mm
    corners = view.to_px(np.array([low, high, [low[0], high[1]], [high[0], low[1]]]))
    size = np.array([view.width_px, view.height_px])
    left, top = np.clip(np.floor(corners.min(axis=0)), 0, size - 2).astype(int).tolist()
    right, bottom = np.clip(np.ceil(corners.max(axis=0)), [left + 2, top + 2], size).astype(int).tolist()
    part = lit(photo.pixels[top:bottom, left:right])
    light = np.zeros((*photo.pixels.shape[:2], part.shape[2]), np.uint16)
    light[top:bottom, left:right] = part
    return light


def _matching_blur_px(blur_px: float, *, by_colour: bool) -> float:
    """Return the blur with which dots are laid over one another."""
    return max(BLUR_ON_COLOUR * blur_px, LEAST_BLUR_PX) if by_colour else blur_px


def _rim(
    photo: Photo,
    view: PhotoView,
    common: Common,
    commanded: Floats,
    camera: Floats,
    blurs_px: tuple[float, float],
    pitch_mm: float,
) -> Rim:
    """Return the rim of the common picture; `blurs_px` are the blur along rays, and that of the common picture."""
    seen, matched = blurs_px
    blur_px = matched
    darker = darker_paste(common.picture)
    if matched < seen and darker:
        blur_px = max(BLUR_OF_DARK * seen, LEAST_BLUR_PX)
    good = (common.strength > LEAST_STRENGTH) & (common.left < MOST_LEFT)
    good &= np.linalg.norm(common.centres - commanded, axis=1) < 0.15 * pitch_mm
    middle = middle_of_bases(common.centres, common.radii, commanded, good)
    to_camera = camera - np.append(commanded.mean(axis=0), 0.0)
    return common_rim(
        RimLook(
            picture=common.picture,
            half=HALF,
            blur=common.blur * blur_px / matched,
            colour_blur=0.0 if photo.fine_colour else common.blur * COLOUR_BLUR_PX / matched,
            middle=middle.place,
            middle_sd=middle.sd,
            darker=darker,
            to_camera=float(np.arctan2(to_camera[1], to_camera[0])),
            burnt=burnt_picture(photo.pixels, view, common.centres[good], common.radii[good]),
            ground=common.ground,
            fine_colour=photo.fine_colour,
            few=_few(commanded),
            tilt=_tilt(to_camera),
        )
    )


def _few(commanded: Floats) -> bool:
    """Tell whether so few dots are a witness row. Where lightness tells it from its card, colour is left out: JPEG keeps
    colour by blocks as wide as the small dots, and the few large ones would have all look like themselves.
    """
    return len(commanded) < PERSPECTIVE_TOLD_BY


def _tilt(to_camera: Floats) -> float:
    """Return how far from aside a camera looked [rad]; `to_camera` (3) leads there from what it looked at."""
    return float(np.arctan2(np.hypot(to_camera[0], to_camera[1]), to_camera[2]))


def _first_look(
    photo: Photo, sheet: LaidDots, commanded: Floats, matches: Sequence[Match], fit: FitView
) -> _First:
    """Follow the dots along rays for a first view."""
    height, width = photo.pixels.shape[:2]
    order = {dot.index: place for place, dot in enumerate(sheet.dots)}
    matched = np.array([order[match.index] for match in matches])
    blobs = np.array([match.place_px for match in matches])
    widths = np.array([match.width_px for match in matches])
    view, _, _ = fit(commanded[matched], blobs, width, height)
    by_lightness = tells_by_lightness(photo.pixels, blobs, widths)
    lit = grey_light if by_lightness else partial(colour_light, fine=photo.fine_colour)
    light = _where_laid(photo, view, commanded, sheet.pitch_mm, lit)
    coarse = coarse_pass(light, view, sheet, commanded, matched, blobs, matches)
    good = plausible_blobs(coarse, commanded, sheet.pitch_mm)
    share = np.cbrt([dot.dose_ul for dot in sheet.dots])
    if good.sum() < LEAST_CLEAR * len(commanded):
        # Grain, or a hard lamp: no single dot has a clear outline, and yet all of them together may have one.
        usual = float(np.median(widths / 2 / view.px_per_mm(commanded[matched]) / share[matched]))
        return _First(
            view=view,
            centres=commanded,
            radii=usual * share,
            blur_px=USUAL_BLUR_PX,
            by_lightness=by_lightness,
        )
    centres, factor = coarse.centres, np.ones(len(commanded))
    if _tell_a_view(good):
        view, centres, factor = refitted(view, commanded, coarse.centres, good, fit)
    radii = coarse.outline.radius * factor
    # A dot without a clear outline is begun where and as wide as its dose says; never one with an outline, lest dots that
    # do not follow their doses be refused one by one, and the photo of another sheet be taken.
    usual = float(np.median((radii / share)[good]))
    return _First(
        view=view,
        centres=np.where(good[:, None], centres, commanded),
        radii=np.where(good, radii, usual * share),
        blur_px=usual_blur_px(coarse, view, good),
        by_lightness=by_lightness,
    )


def _tell_a_view(good: NDArray[np.bool_]) -> bool:
    """Tell whether so many dots tell the view: of a witness row's dozen, a pose wants more than a quarter."""
    return bool(good.sum() >= max(LEAST_MEASURED_OF_ALL * len(good), LEAST_POINTS))


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
        tilt_deg=float(np.degrees(_tilt(to_camera))),
        found=sum(1 for reading in readings if reading.state is not DotState.MISSING),
        measured=sum(1 for reading in readings if reading.state is DotState.MEASURED),
    )

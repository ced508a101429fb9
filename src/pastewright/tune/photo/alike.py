"""Dots that are lit alike, read together: (photo, dots, blobs) → what is seen of each, in a view.

Followed along rays for a first view, then laid over one another (`common`), with the rim (`rim`) of what they have in
common. Which dots are lit alike is told in `parted`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.file import Photo
from pastewright.photo.light import colour_light, grey_light, opponent_light
from pastewright.photo.posed import LEAST_POINTS
from pastewright.photo.view import PhotoView, camera_place_mm
from pastewright.tune.photo.aside import PERSPECTIVE_TOLD_BY, middle_of_bases
from pastewright.tune.photo.beyond import within_doubt
from pastewright.tune.photo.coarse import (
    USUAL_BLUR_PX,
    FitView,
    coarse_pass,
    plausible_blobs,
    refitted,
    usual_blur_px,
)
from pastewright.tune.photo.common import HALF, Common, burnt_picture, darker_paste, laid_over
from pastewright.tune.photo.dots import LEAST_STRENGTH, MOST_LEFT, SeenDots, dots_of, plausible
from pastewright.tune.photo.grid import Match
from pastewright.tune.photo.judge import LEAST_MEASURED_OF_ALL
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.outset import Outset, outset
from pastewright.tune.photo.rays import tells_by_lightness
from pastewright.tune.photo.rim import COLOUR_BLUR_PX, Rim, RimLook, common_rim

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Followed along rays, the shaded flank of a dot on a coloured ground looks like blur: there blur is less than half of
# what the rays say, but no photo is sharper than its pixels (both measured on photos rendered for development).
BLUR_ON_COLOUR, LEAST_BLUR_PX = 0.4, 0.8
# Where paste is darker than the ground, as on metal, its flank is as dark as the rest, and the rays say the truth.
BLUR_OF_DARK = 0.85
# A rim that lies far from where dots were thought to end is looked for again around it: the picture of all dots shows
# only so much, and trial circles go only so far.
MOST_STARTS, FAR_OFF = 3, 0.15  # radii
LARGER = 1.5  # times the radius of a rim that lies within the paste, to begin anew
AROUND = 2.0  # pitches around the dots whose light is looked at: rays go 0.62, the pictures laid over one another 0.9
LEAST_CLEAR = 0.15  # of the dots must have a clear outline along their rays; fewer are a photo out of focus


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lot:
    """Dots to be read together: the photo, the dots as laid, which blobs are theirs, how a view is fitted through places,
    whether they are the `few` of a row, and the `view` to begin with, where there is one.
    """

    photo: Photo
    laid: LaidDots
    matches: Sequence[Match]
    fit: FitView
    few: bool
    view: PhotoView | None = None

    @property
    def commanded(self) -> Floats:
        """Where the dots were commanded [mm], (dots, 2)."""
        return np.array([[dot.x_mm, dot.y_mm] for dot in self.laid.dots])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alike:
    """Dots as read together: what is seen of each, in which view, whether lightness told them from their ground, and which
    look like dots well enough to fit a view to.
    """

    dots: SeenDots
    view: PhotoView
    by_lightness: bool
    good: Flags
    blur_px: float


def read_alike(lot: Lot) -> Alike:
    """Read the dots of a lot as if all were lit alike."""
    first = _first_look(lot)
    photo, view, commanded, pitch_mm = lot.photo, first.view, lot.commanded, lot.laid.pitch_mm
    light = _where_laid(photo, view, commanded, pitch_mm, partial(opponent_light, fine=photo.fine_colour))
    camera = camera_place_mm(view, photo.focal_px)
    begun = Outset(centres=first.centres, radii=first.radii, by_colour=False)
    if not (first.by_lightness and lot.few):
        begun = outset(light, view, first.centres, first.radii, camera, pitch_mm)
    blur_px = _matching_blur_px(first.blur_px, by_colour=begun.by_colour)
    view, common, rim = _laid(lot, first, light, camera, begun, blur_px)
    dots = dots_of(light, view, camera, common, rim, blur_px)
    good = plausible(dots, commanded, pitch_mm)
    return Alike(dots=dots, view=view, by_lightness=first.by_lightness, good=good, blur_px=blur_px)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _First:
    """What blobs and rays tell: a view, centres and radii [mm], blur [px], whether lightness tells paste from ground."""

    view: PhotoView
    centres: Floats
    radii: Floats
    blur_px: float
    by_lightness: bool


def _laid(
    lot: Lot, first: _First, light: NDArray[np.uint16], camera: Floats, begun: Outset, blur_px: float
) -> tuple[PhotoView, Common, Rim]:
    """Return the dots laid over one another with a blur, their rim, and the view in which they lie.

    A rim far from where dots were thought to end is looked for again, around where it was found.
    """
    view, centres, radii, pitch_mm = first.view, begun.centres, begun.radii, lot.laid.pitch_mm
    commanded = lot.commanded
    # Where lightness tells a row from its card, colour is left out: JPEG keeps colour by blocks as wide as the small dots,
    # and the few large ones would have all look like themselves.
    by_light = first.by_lightness and lot.few
    for turn in range(MOST_STARTS):
        common = laid_over(light, view, centres, radii, pitch_mm, blur_px, by_light=by_light)
        rim = _rim(lot, view, common, camera, (first.blur_px, blur_px))
        near = abs(rim.value - 1) < FAR_OFF and float(np.linalg.norm(rim.centre)) < FAR_OFF
        if (near and not within_doubt(rim.beyond)) or turn == MOST_STARTS - 1:
            break
        centres, radii = common.centres + common.radii[:, None] * rim.centre, common.radii * rim.value
        if within_doubt(rim.beyond):
            radii = radii * LARGER
        alike = (common.strength > LEAST_STRENGTH) & (common.left < MOST_LEFT)
        if tell_a_view(alike):
            view, centres, grown = refitted(view, commanded, centres, alike, lot.fit)
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


def _rim(lot: Lot, view: PhotoView, common: Common, camera: Floats, blurs_px: tuple[float, float]) -> Rim:
    """Return the rim of the common picture; `blurs_px` are the blur along rays, and that of the common picture."""
    photo, commanded, pitch_mm = lot.photo, lot.commanded, lot.laid.pitch_mm
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
            few=lot.few,
            tilt=tilt_of(to_camera),
            unlike=float(np.median(common.left[good])) if good.any() else 1.0,
        )
    )


def few_dots(laid: LaidDots) -> bool:
    """Tell whether so few dots are a witness row."""
    return len(laid.dots) < PERSPECTIVE_TOLD_BY


def tilt_of(to_camera: Floats) -> float:
    """Return how far from aside a camera looked [rad]; `to_camera` (3) leads there from what it looked at."""
    return float(np.arctan2(np.hypot(to_camera[0], to_camera[1]), to_camera[2]))


def _first_look(lot: Lot) -> _First:
    """Follow the dots along rays for a first view."""
    photo, sheet, commanded, matches, fit = lot.photo, lot.laid, lot.commanded, lot.matches, lot.fit
    height, width = photo.pixels.shape[:2]
    order = {dot.index: place for place, dot in enumerate(sheet.dots)}
    matched = np.array([order[match.index] for match in matches])
    blobs = np.array([match.place_px for match in matches])
    widths = np.array([match.width_px for match in matches])
    view = lot.view or fit(commanded[matched], blobs, width, height)[0]
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
    if tell_a_view(good):
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


def tell_a_view(good: NDArray[np.bool_]) -> bool:
    """Tell whether so many dots tell the view: of a witness row's dozen, a pose wants more than a quarter."""
    return bool(good.sum() >= max(LEAST_MEASURED_OF_ALL * len(good), LEAST_POINTS))

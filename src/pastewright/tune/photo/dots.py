"""What the common picture and a dot's own rays say, dot by dot: measured, missing, or refused with the reason."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.light import sampled
from pastewright.photo.view import PhotoView, visible_rays
from pastewright.tune.photo.blaze import by_size
from pastewright.tune.photo.common import MATCHED, Common
from pastewright.tune.photo.edge import Outlines, aspect_of, outlines
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.polar import RAYS
from pastewright.tune.photo.rank import rank_correlation
from pastewright.tune.photo.rays import FULL, ray_places
from pastewright.tune.photo.rim import Rim
from pastewright.tune.record.measurements import DotReading, DotState

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LEAST_DIAMETER_PX = 8.0  # four pixels of radius: below, blur and pixels are most of what is seen
MOST_BLUR = (
    0.3  # blur σ over radius; more, and blur itself cannot be told from shade (photos blurred by 12 pixels)
)
# Of the radius, of the rays about the outline: odd, and on all dots alike.
MOST_SCATTER, MOST_SCATTER_OF_ALL = 0.08, 0.2
LEAST_KEPT = 0.7  # of the rays
MOST_ASPECT = 1.35  # longer over shorter axis
MOST_OFFSET = 0.2  # pitch
# A ground that mirrors a lamp is lighter than the white at which the camera cuts it off, and blurred, it eats into darker
# paste. Discs drawn with σ of 0.8 to 2.2 pixels on grounds 1.2 to 5 times as light as white came out narrower by 0.1 to 3.3
# pixels of radius, half of them by more than 1.1; neither is told by the photo, since what is cut off looks sharp.
EATEN_PX, EATEN_SD_PX = 1.1, 0.7
MOST_EATEN = 0.06  # of the radius
STRANGE_BEYOND = 0.4  # light beside a dot against the usual, over the contrast of paste: more than a speck
MOST_STRANGE = 0.09  # of the rays; a dot of like size that touches covers 0.13, a hair across 0.08
MOST_STRANGE_OF_ALL = 0.25
LEAST_STRENGTH = 0.25  # of what a usual dot shows
MOST_OF_NOTHING = 0.15
LEAST_GAIN = 0.25  # of a usual dot's light
# Dots that a mirrored lamp pales below this were 6 to 40 % too narrow, others had 0.53 and more (photos rendered for
# development).
PALED = 0.55
MOST_LEFT = 0.45  # of a dot's light that the common picture may leave unexplained
# Times what dots of like size have, from where on a dot is odd: noise and a ground's grain are on all of them.
ODD, ODD_LEFT = 2.2, 0.15  # left unexplained: two dots in one, half a dot
FAR_FROM_DOSE = 2.6  # times the width that its dose has on this sheet: 18 times the volume
FOLLOWS = 0.6  # rank correlation of width and dose, from where on a dose tells what a dot may be
LIKE_SIZED = 9  # dots
NEAREST = 0.02  # pitch: dots closer than this touch
# What a dot's own diameter is off by, as a share: for each unit of what its rays' scatter says, of what the common picture
# leaves unexplained (a dot that looks otherwise is measured by a picture that is not its own), of gain that is missing, of
# the logarithm of gain beyond a usual dot's (it is lit otherwise); and in pixels of its radius. Likeliest numbers over 3 832
# dots of 143 photos rendered for development, by a law with heavy tails (Student's, of four degrees of freedom), widened by
# a third so that the tails are told: 95 of 100 dots are off by less than 2.1 of these.
SCATTERED, UNLIKE, PALE, LIT, OWN_PX = 0.34, 0.10, 0.11, 0.03, 0.08


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenDots:
    """All dots as found in a view: centres, radii of their bases and blur [mm], and what speaks for and against each."""

    centres: Floats
    radii: Floats
    blur: Floats
    outline: Outlines
    common: Common
    rim: Rim
    scale: Floats
    inside: Flags
    clipped: Floats
    strange: Floats


def dots_of(
    light: NDArray[np.uint16],
    view: PhotoView,
    camera: Floats,
    common: Common,
    rim: Rim,
    blur_px: float,
) -> SeenDots:
    """Put the common picture and the rim together."""
    centres = common.centres + common.radii[:, None] * rim.centre
    scale = view.px_per_mm(centres)
    radii = common.radii * rim.value
    if rim.blaze is not None:
        radii = radii * (1 - by_size(radii * scale, _usual_px(radii * scale, common), rim.burnt))
    angles = np.asarray(np.arange(RAYS) * (2 * np.pi / RAYS), dtype=np.float64)
    seen = visible_rays(centres, camera, angles)
    outline = outlines(radii[:, None] * (1 + common.shifts), angles, seen)
    ring = radii[:, None] * np.linspace(1.15, MATCHED, 6)
    values, inside = sampled(light, view, ray_places(centres, angles[::2], ring))
    return SeenDots(
        centres=centres,
        radii=radii,
        blur=blur_px / scale,
        outline=outline,
        common=common,
        rim=rim,
        scale=scale,
        inside=np.asarray(inside.all(axis=(1, 2))),
        clipped=(values[..., 0] > FULL).mean(axis=(1, 2)),
        strange=((common.beyond > STRANGE_BEYOND) & seen).sum(axis=1) / np.maximum(seen.sum(axis=1), 1),
    )


def _usual_px(radii_px: Floats, common: Common) -> float:
    """Return the radius of the wider half of the dots, of which the common picture is made."""
    seen = radii_px[common.strength > LEAST_STRENGTH]
    return float(np.quantile(seen, 0.75)) if len(seen) else float(np.max(radii_px))


def plausible(dots: SeenDots, commanded: Floats, pitch_mm: float) -> Flags:
    """Tell which dots look like dots, well enough to fit the view to."""
    off = np.linalg.norm(dots.centres - commanded, axis=1)
    return np.asarray(
        (off < 0.15 * pitch_mm)
        & (dots.outline.kept > LEAST_KEPT)
        & (aspect_of(dots.outline) < MOST_ASPECT)
        & (dots.common.strength > LEAST_STRENGTH)
        & (dots.common.left < MOST_LEFT)
        & dots.inside
    )


def readings_of(dots: SeenDots, sheet: LaidDots, centres: Floats, grown: Floats) -> tuple[DotReading, ...]:
    """Return a reading a dot, with its own error only; `centres` (dots, 2) [mm] lie in the last view, where lengths have
    `grown` (dots).
    """
    commanded = np.array([[dot.x_mm, dot.y_mm] for dot in sheet.dots])
    aspect = aspect_of(dots.outline)
    swing = np.hypot(dots.outline.ellipse[:, 0], dots.outline.ellipse[:, 1])
    eaten, _ = _eaten(dots)
    radius = np.sqrt(dots.radii**2 + np.minimum(swing, 0.3 * dots.radii) ** 2 / 2) * (1 + eaten) * grown
    share = _own_error(dots)
    offset = np.linalg.norm(centres - commanded, axis=1)
    unlikely = _far_from_dose(dots, np.cbrt([dot.dose_ul for dot in sheet.dots]))
    reasons = _reasons(dots, offset, centres, aspect, sheet.pitch_mm, unlikely)
    found = []
    for place, dot in enumerate(sheet.dots):
        state, why = next(
            ((state, why) for state, why, holds in reasons if holds[place]), (DotState.MEASURED, "")
        )
        if state is not DotState.MEASURED:
            found.append(DotReading(index=dot.index, state=state, why=why, photos=1))
            continue
        found.append(
            DotReading(
                index=dot.index,
                state=state,
                x_mm=float(centres[place, 0]),
                y_mm=float(centres[place, 1]),
                area_mm2=float(np.pi * radius[place] ** 2),
                diameter_mm=float(2 * radius[place]),
                sigma_mm=float(2 * radius[place] * share[place]),
                aspect=float(aspect[place]),
                photos=1,
            )
        )
    return tuple(found)


def _eaten(dots: SeenDots) -> tuple[Floats, Floats]:
    """Return by how much dots look too narrow on a full white ground, and the error of that, shares of the radius."""
    white = dots.clipped / np.maximum(dots.radii * dots.scale, 1.0)
    return EATEN_PX * white, EATEN_SD_PX * white


def _own_error(dots: SeenDots) -> Floats:
    """Return what each dot's diameter is off by, of its own: one standard error, as a share."""
    # Neighbouring rays share pixels: their error is that of a third of them.
    scattered = dots.outline.error / np.maximum(dots.radii, 1e-9) * np.sqrt(3)
    gain = dots.common.gain
    parts = (
        SCATTERED * scattered,
        UNLIKE * dots.common.left,
        PALE * np.maximum(1 - gain, 0),
        LIT * np.log(np.maximum(gain, 1)),
        OWN_PX / np.maximum(dots.radii * dots.scale, 1e-9),
        _eaten(dots)[1],
    )
    return np.asarray(np.linalg.norm(parts, axis=0))


def with_shared(readings: Sequence[DotReading], shared_sd: float) -> tuple[DotReading, ...]:
    """Return the readings with what all diameters of the photo have in common, a share, within each one's error."""
    return tuple(
        dot
        if dot.diameter_mm is None or dot.sigma_mm is None
        else replace(
            dot, sigma_mm=float(np.hypot(dot.sigma_mm, shared_sd * dot.diameter_mm)), shared_sd=shared_sd
        )
        for dot in readings
    )


def _reasons(
    dots: SeenDots, offset: Floats, centres: Floats, aspect: Floats, pitch_mm: float, unlikely: Flags
) -> tuple[tuple[DotState, str, Flags], ...]:
    """Return the table of reasons, in the order in which they count: state, words, and the dots they hold for."""
    radii, common = dots.radii, dots.common
    seen = (common.strength > LEAST_STRENGTH) & (common.gain > LEAST_GAIN)
    sound = np.isfinite(radii) & (radii > 0)
    absent = (common.strength < MOST_OF_NOTHING) & (dots.strange <= MOST_STRANGE)
    width = np.where(seen & (offset < 0.4 * pitch_mm), 2 * radii, 0.0)
    strange = (
        _odd_one_out(dots.strange, radii, least=MOST_STRANGE)
        | (dots.strange > MOST_STRANGE_OF_ALL)
        | (dots.outline.kept < LEAST_KEPT)
        | _odd_one_out(dots.outline.scatter / np.maximum(radii, 1e-9), radii, least=MOST_SCATTER)
        | (dots.outline.scatter > MOST_SCATTER_OF_ALL * radii)
        | (common.left > MOST_LEFT)
        | _odd_one_out(common.left, radii, least=ODD_LEFT)
        | unlikely
    )
    refused = DotState.REFUSED
    table: tuple[tuple[DotState, str, Flags], ...] = (
        (refused, "outside the photo", ~dots.inside),
        (refused, "overexposed", _eaten(dots)[1] > MOST_EATEN),
        (DotState.MISSING, "nothing lies here", absent),
        (refused, "hardly visible", ~seen | ~sound),
        (refused, "paled by a reflection", common.gain < PALED),
        (refused, "not at its place", offset > MOST_OFFSET * pitch_mm),
        (refused, "touches its neighbour", _touching(centres, width, pitch_mm)),
        (refused, "too small in the photo", 2 * radii * dots.scale < LEAST_DIAMETER_PX),
        (refused, "blurred", dots.blur > MOST_BLUR * radii),
        (refused, "not round", aspect > MOST_ASPECT),
        (refused, "no clear outline", strange),
    )
    return table


def _far_from_dose(dots: SeenDots, usual: Floats) -> Flags:
    """Tell which dots are so wide or narrow for their doses, of all others, that something else must have been seen.

    None are where sizes do not follow doses at all: that is for `judge` to tell, from all dots.
    """
    share = dots.radii / usual
    seen = dots.common.strength > LEAST_STRENGTH
    if seen.sum() < 2 or not rank_correlation(dots.radii[seen], usual[seen]) >= FOLLOWS:
        return np.zeros(len(usual), dtype=np.bool_)
    middle = float(np.median(share[seen]))
    return np.asarray((share < middle / FAR_FROM_DOSE) | (share > middle * FAR_FROM_DOSE))


def _odd_one_out(values: Floats, radii: Floats, *, least: float) -> Flags:
    """Tell which dots have more than `least` of something, and far more than dots of their size have."""
    alike = np.argsort(np.abs(radii[:, None] - radii[None]), axis=1)
    usual = np.median(values[alike[:, 1 : LIKE_SIZED + 1]], axis=1)
    return np.asarray((values > ODD * usual) & (values > least))


def _touching(centres: Floats, width: Floats, pitch_mm: float) -> Flags:
    gaps = np.linalg.norm(centres[:, None] - centres[None], axis=2)
    gaps -= (width[:, None] + width[None]) / 2
    np.fill_diagonal(gaps, np.inf)
    return np.asarray((gaps < NEAREST * pitch_mm).any(axis=1))

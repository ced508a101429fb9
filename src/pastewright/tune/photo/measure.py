"""A photo and its sheet to one reading per dot: (Photo, Sheet) → PhotoReading. Merging photos is in `read`.

The view is fitted twice, to blobs and then to measured centres; each dot is then measured along rays in the sheet's
plane. What cannot be trusted is refused with the reason, dot by dot, and the whole photo where too much is refused.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import spearmanr

from pastewright.problems import InputError, Problem, Severity
from pastewright.tune.photo.edge import unblurred
from pastewright.tune.photo.find import find_candidates
from pastewright.tune.photo.grid import fit_view, index_dots, refusal
from pastewright.tune.photo.passes import Pass, aspect_of, coarse_pass, fine_pass
from pastewright.tune.photo.photo import Photo
from pastewright.tune.photo.rays import colour_light, grey_light, tells_by_lightness
from pastewright.tune.photo.soft_edge import Edges, find_edges
from pastewright.tune.photo.view import PhotoView, camera_place_mm
from pastewright.tune.record.measurements import DotReading, DotState, PhotoFacts
from pastewright.tune.sheet.model import Sheet

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LEAST_DIAMETER_PX = 8.0
GOOD_DIAMETER_PX = 20.0
MOST_BLUR = 0.45  # blur σ over radius; the halfway line moves by σ²/2r, 10 % here, and its correction is to first order
MOST_SCATTER = 0.06  # of the radius
LEAST_KEPT = 0.7  # of the rays
MOST_ASPECT = 1.35
MOST_OFFSET = 0.2  # pitch
MOST_CLIPPED = 0.25
MOST_UNEVEN = 0.12  # of the rays
GREY_PX, COLOUR_PX = 0.07, 0.25  # error of a radius that no scatter shows [px]; measured on rendered photos
LEAST_SHARE_OF_TYPICAL = 0.25  # contrast of a dot against that of the dots around it
MOST_SHARE_OF_NOTHING = 0.15
LEAST_RISE_NOISE = 4.0  # contrast over the noise of the ground
MOST_TILT_DEG = 45.0
LEAST_MEASURED = 0.6  # of the dots that are not plainly missing, …
LEAST_MEASURED_OF_ALL = 0.25  # … and of all
MOST_RESIDUAL = 0.05  # pitch, rms of the centres
LEAST_RANK = 0.3  # rank correlation of dose and diameter

ALIKE = "paste and ground hardly differ in lightness: sizes come from colour, which cameras keep less exactly"
MEND_ALIKE = "For the best figures lay the sheet on white paper."

MENDS = {
    "too small in the photo": "Go closer: the sheet should fill the picture.",
    "blurred": "Hold still, give the camera time to focus, and use more light.",
    "overexposed": "Avoid the lamp's reflection, or make the picture darker.",
    "hardly visible": "Use flatter, more even light from the side; avoid reflections and shadows.",
    "outside the photo": "Get the whole sheet into the picture.",
    "touches its neighbour": "Lay the sheet again with a wider pitch or smaller doses.",
    "not round": "Check the dot by eye: a tail, a hair, or two dots in one.",
    "no clear outline": "Use flatter, more even light; wipe the lens.",
    "not at its place": "Check the dot by eye: dirt, or a dot that was dragged.",
}


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
    height, width = photo.pixels.shape[:2]
    matches = index_dots(find_candidates(photo.pixels), sheet, photo.name)
    commanded = np.array([[dot.x_mm, dot.y_mm] for dot in sheet.dots])
    order = {dot.index: place for place, dot in enumerate(sheet.dots)}
    matched = np.array([order[match.index] for match in matches])
    blobs = np.array([match.place_px for match in matches])
    view, _, _ = fit_view(commanded[matched], blobs, width, height)
    widths = np.array([match.width_px for match in matches])
    grey = tells_by_lightness(photo.pixels, blobs, widths)
    light = grey_light(photo.pixels) if grey else colour_light(photo.pixels, fine=photo.fine_colour)
    coarse, axis = coarse_pass(light, view, sheet, commanded, matched, blobs, matches)
    good = _plausible(coarse, commanded, sheet.pitch_mm)
    if good.sum() < LEAST_MEASURED_OF_ALL * len(commanded):
        raise refusal(
            f"only {int(good.sum())} of {len(commanded)} dots have a clear outline",
            MENDS["no clear outline"],
            photo.name,
        )
    view, centres, factor = _refitted(view, commanded, coarse.centres, good)
    near = coarse.outline.radius * factor
    camera = camera_place_mm(view, photo.focal_px)
    usual_blur = _usual_blur(coarse, view, good)
    fine = fine_pass(light, view, centres, near, camera, axis, usual_blur)
    usual_blur = _usual_blur(fine, view, _plausible(fine, commanded, sheet.pitch_mm))
    fine = fine_pass(light, view, fine.centres, fine.outline.radius, camera, axis, usual_blur)
    good = _plausible(fine, commanded, sheet.pitch_mm)
    blur_share = usual_blur / view.px_per_mm(fine.centres) / np.maximum(fine.outline.radius, 1e-9)
    edges = find_edges(fine.profiles, blur_share, good, commanded)
    places_px = view.to_px(fine.centres)
    last, residual_mm, k1 = fit_view(commanded[good], places_px[good], width, height)
    centres = last.to_sheet(places_px)
    grown = view.px_per_mm(fine.centres) / last.px_per_mm(centres)
    readings = _readings(sheet, last, fine, centres, grown, edges, GREY_PX if grey else COLOUR_PX)
    blur_px = edges.blur * fine.outline.radius * view.px_per_mm(fine.centres)
    usual_blur = float(np.median(blur_px[good])) if good.any() else usual_blur
    facts = _facts(photo, sheet, last, usual_blur, residual_mm, k1, readings)
    warnings = _judged(photo, sheet, facts, readings)
    if not grey:
        warnings = (*warnings, _warning(ALIKE, MEND_ALIKE, photo.name))
    return PhotoReading(photo=photo, facts=facts, view=last, readings=readings, warnings=warnings)


def _refitted(
    view: PhotoView, commanded: Floats, centres: Floats, good: Flags
) -> tuple[PhotoView, Floats, Floats]:
    """Return the view through measured centres, the centres in it, and by how much lengths change."""
    px = view.to_px(centres)
    better, _, _ = fit_view(commanded[good], px[good], view.width_px, view.height_px)
    moved = better.to_sheet(px)
    # A centre that ran away (nothing there) starts anew where it was commanded.
    lost = np.linalg.norm(moved - commanded, axis=1) > 4 * float(
        np.median(np.linalg.norm((moved - commanded)[good], axis=1))
    ) + 0.15 * float(np.min(np.linalg.norm(commanded[1:] - commanded[:1], axis=1)))
    moved = np.where(lost[:, None], commanded, moved)
    return better, moved, view.px_per_mm(centres) / better.px_per_mm(moved)


def _plausible(seen: Pass, commanded: Floats, pitch_mm: float) -> Flags:
    """Tell which dots look like dots, well enough to fit the view to."""
    off = np.linalg.norm(seen.centres - commanded, axis=1)
    return np.asarray(
        (off < 0.15 * pitch_mm)
        & (seen.outline.kept > LEAST_KEPT)
        & (seen.outline.scatter < MOST_SCATTER * seen.outline.radius)
        & (aspect_of(seen.outline) < MOST_ASPECT)
        & (seen.rise > LEAST_RISE_NOISE * seen.noise)
        & (seen.inside > 0.98)
    )


def _usual_blur(seen: Pass, view: PhotoView, good: Flags) -> float:
    """Return the photo's blur σ [px], the median over dots wide enough to tell."""
    blur_px = seen.blur * view.px_per_mm(seen.centres)
    wide = good & np.isfinite(blur_px) & (seen.outline.radius > 2.5 * seen.blur)
    if wide.sum() < 5:
        wide = good & np.isfinite(blur_px)
    return float(np.median(blur_px[wide])) if wide.any() else 1.5


def _readings(
    sheet: Sheet,
    view: PhotoView,
    fine: Pass,
    centres: Floats,
    grown: Floats,
    edges: Edges,
    shared_px: float,
) -> tuple[DotReading, ...]:
    commanded = np.array([[dot.x_mm, dot.y_mm] for dot in sheet.dots])
    scale = view.px_per_mm(centres)
    halfway = fine.outline.radius * grown
    blur = edges.blur * halfway
    mean_radius = unblurred(halfway * edges.factor, blur)
    swing = np.hypot(fine.outline.ellipse[:, 0], fine.outline.ellipse[:, 1]) * grown
    area = np.pi * (mean_radius**2 + swing**2 / 2)
    diameter = 2 * np.sqrt(area / np.pi)
    offset = np.linalg.norm(centres - commanded, axis=1)
    aspect = aspect_of(fine.outline)
    near = _neighbours(commanded, fine)
    typical = np.median(fine.rise[near], axis=1)
    # In shadow the ratio of paste to ground stays the same; under a reflection, which adds light, the difference.
    light = fine.rise * fine.level
    share = np.maximum(
        fine.rise / np.maximum(typical, 1e-9),
        light / np.maximum(np.median(light[near], axis=1), 1e-9),
    )
    seen = (share > LEAST_SHARE_OF_TYPICAL) & (fine.rise > LEAST_RISE_NOISE * fine.noise)
    absent = (share < MOST_SHARE_OF_NOTHING) & (typical > 1.5 * LEAST_RISE_NOISE * fine.noise)
    touching = _touching(
        centres, np.where(seen & (offset < 0.4 * sheet.pitch_mm), diameter, 0.0), sheet.pitch_mm
    )
    readings = []
    for place, dot in enumerate(sheet.dots):
        radius = mean_radius[place]
        state, why = DotState.REFUSED, ""
        if fine.inside[place] < 0.98:
            why = "outside the photo"
        elif fine.clipped[place] > MOST_CLIPPED:
            why = "overexposed"
        elif not seen[place] or not np.isfinite(radius) or radius <= 0:
            if absent[place] and fine.uneven[place] <= MOST_UNEVEN:
                state, why = DotState.MISSING, "nothing lies here"
            else:
                why = "hardly visible"
        elif offset[place] > MOST_OFFSET * sheet.pitch_mm:
            why = "not at its place"
        elif touching[place]:
            why = "touches its neighbour"
        elif 2 * radius * scale[place] < LEAST_DIAMETER_PX:
            why = "too small in the photo"
        elif blur[place] > MOST_BLUR * radius:
            why = "blurred"
        elif aspect[place] > MOST_ASPECT:
            why = "not round"
        elif (
            fine.uneven[place] > MOST_UNEVEN
            or fine.outline.kept[place] < LEAST_KEPT
            or fine.outline.scatter[place] > MOST_SCATTER * radius
        ):
            why = "no clear outline"
        else:
            state = DotState.MEASURED
        if state is not DotState.MEASURED:
            readings.append(DotReading(index=dot.index, state=state, why=why, photos=1))
            continue
        # Neighbouring rays share pixels: their error is that of a third of them.
        error = 2 * np.hypot(fine.outline.error[place] * grown[place] * np.sqrt(3), shared_px / scale[place])
        readings.append(
            DotReading(
                index=dot.index,
                state=state,
                x_mm=float(centres[place, 0]),
                y_mm=float(centres[place, 1]),
                area_mm2=float(area[place]),
                diameter_mm=float(diameter[place]),
                sigma_mm=float(error),
                aspect=float(aspect[place]),
                photos=1,
            )
        )
    return tuple(readings)


def _neighbours(commanded: Floats, fine: Pass) -> NDArray[np.int64]:
    """Return the nine nearest dots of each dot, of those that plainly are dots: elsewhere nothing may lie."""
    plain = (fine.rise > LEAST_RISE_NOISE * fine.noise) & (
        fine.rise > LEAST_SHARE_OF_TYPICAL * np.quantile(fine.rise, 0.9)
    )
    gaps = np.linalg.norm(commanded[:, None] - commanded[None], axis=2)
    gaps += np.where(plain, 0.0, np.inf)[None] + np.diag(np.full(len(gaps), np.inf))
    return np.asarray(np.argsort(gaps, axis=1)[:, :9])


def _touching(centres: Floats, diameter: Floats, pitch_mm: float) -> Flags:
    gaps = np.linalg.norm(centres[:, None] - centres[None], axis=2)
    gaps -= (diameter[:, None] + diameter[None]) / 2
    np.fill_diagonal(gaps, np.inf)
    return np.asarray((gaps < 0.02 * pitch_mm).any(axis=1))


def _facts(
    photo: Photo,
    sheet: Sheet,
    view: PhotoView,
    blur_px: float,
    residual_mm: float,
    k1: float | None,
    readings: tuple[DotReading, ...],
) -> PhotoFacts:
    middle = np.mean([[dot.x_mm, dot.y_mm] for dot in sheet.dots], axis=0)
    to_camera = camera_place_mm(view, photo.focal_px) - np.append(middle, 0.0)
    return PhotoFacts(
        name=photo.name,
        width_px=view.width_px,
        height_px=view.height_px,
        px_per_mm=float(view.px_per_mm(middle)),
        blur_px=blur_px,
        residual_mm=residual_mm,
        k1=k1,
        tilt_deg=float(np.degrees(np.arctan2(np.hypot(to_camera[0], to_camera[1]), to_camera[2]))),
        found=sum(1 for reading in readings if reading.state is not DotState.MISSING),
        measured=sum(1 for reading in readings if reading.state is DotState.MEASURED),
    )


def _judged(
    photo: Photo, sheet: Sheet, facts: PhotoFacts, readings: tuple[DotReading, ...]
) -> tuple[Problem, ...]:
    """Return warnings; raise InputError when the photo as a whole cannot be trusted."""
    refused = Counter(reading.why for reading in readings if reading.state is DotState.REFUSED)
    problems: list[Problem] = []

    def refuse(what: str, mend: str) -> None:
        problems.append(Problem(what=what, mend=mend, file=photo.name))

    if facts.tilt_deg > MOST_TILT_DEG:
        refuse(
            f"the camera looked at the sheet from {facts.tilt_deg:.0f}° aside; at most {MOST_TILT_DEG:.0f}° can be used",
            "Hold the phone flat above the sheet.",
        )
    if facts.residual_mm > MOST_RESIDUAL * sheet.pitch_mm:
        refuse(
            f"the dots lie {facts.residual_mm:.2f} mm (rms) from their places, "
            f"more than {MOST_RESIDUAL * sheet.pitch_mm:.2f} mm",
            "Lay the sheet flat; check that sheet.json and photo belong together.",
        )
    if facts.measured < max(LEAST_MEASURED * facts.found, LEAST_MEASURED_OF_ALL * len(readings)):
        why, count = (refused or Counter({"hardly visible": 0})).most_common(1)[0]
        refuse(
            f"only {facts.measured} of {len(readings)} dots could be measured; {count} are refused as: {why}",
            MENDS.get(why, "Photograph the sheet again."),
        )
    elif (rank := _rank_of_sizes(sheet, readings)) is not None and rank < LEAST_RANK:
        refuse(
            f"the sizes of the dots do not follow the doses (rank correlation {rank:.2f}, at least {LEAST_RANK:g})",
            "Check that sheet.json and photo belong together; otherwise the barrel holds air or the tip is clogged.",
        )
    if problems:
        raise InputError(problems)
    warnings: list[Problem] = []
    for why, count in refused.most_common():
        warnings.append(
            _warning(f"{count} dot{'s' if count > 1 else ''}: {why}", MENDS.get(why, ""), photo.name)
        )
    small = sum(
        1
        for reading in readings
        if reading.diameter_mm is not None and reading.diameter_mm * facts.px_per_mm < GOOD_DIAMETER_PX
    )
    if small > 0.3 * len(readings):
        warnings.append(
            _warning(
                f"{small} dots are less than {GOOD_DIAMETER_PX:.0f} pixels wide; their sizes are less exact",
                MENDS["too small in the photo"],
                photo.name,
            )
        )
    return tuple(warnings)


def _rank_of_sizes(sheet: Sheet, readings: tuple[DotReading, ...]) -> float | None:
    """Return Spearman's rank correlation of dose and diameter; None when the doses hardly differ."""
    dose = {dot.index: dot.dose_ul for dot in sheet.dots}
    pairs = [
        (dose[reading.index], reading.diameter_mm) for reading in readings if reading.diameter_mm is not None
    ]
    doses, widths = (np.array(values) for values in zip(*pairs, strict=True))
    if doses.max() < 1.5 * doses.min():
        return None
    return float(spearmanr(doses, widths).statistic)


def _warning(what: str, mend: str, name: str) -> Problem:
    return Problem(what=what, mend=mend, severity=Severity.WARNING, file=name)

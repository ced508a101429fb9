"""A photo's readings to a verdict: warnings, or the refusal of the whole photo. The rules stand in tables."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pastewright.problems import InputError, Problem, Severity
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.rank import rank_correlation
from pastewright.tune.photo.rim import Rim
from pastewright.tune.record.measurements import DotReading, DotState, PhotoFacts

GOOD_DIAMETER_PX = 20.0  # from here on errors of diameters are as documented; measured on rendered photos
MOST_TILT_DEG = 45.0  # beyond, a cap hides much of its base
MOST_RESIDUAL = 0.05  # pitch, rms of the centres: a sheet that is bent, or another one
LEAST_MEASURED = 0.6  # of the dots that are not plainly missing, …
LEAST_MEASURED_OF_ALL = 0.25  # … and of all
LEAST_RANK = 0.3  # rank correlation of dose and diameter; by chance 60 dots reach it once in 100 times
MOST_DOUBT = 0.04  # of the diameter: what the two ways of telling the paste's edge may leave open
# σ of the blur over the radius of the wider dots: sharp photos stay below 0.12; blurred by six pixels (0.184), a twentieth
# of the dots was 20 % off (photos rendered for development)
MOST_BLUR = 0.17
# Of the paste's rim, full in all colours: beyond, photos rendered for development were up to 5 % too wide. Where only one
# colour is full, the others still tell the edge, up to most of the rim: one of seven beyond was 7.5 % too wide.
MOST_BURNT, MOST_FULL = 0.35, 0.6
# How much narrower the halfway line and hue may have the paste, and how far lightness and the halfway line may lie apart
# where more than so much of the rim is burnt out: of 160 photos rendered for development, eight of twelve beyond were 2 to
# 12 % too wide, and none below was more than 4 % off.
MOST_NARROWER, MOST_PARTED, BLAZING = 0.034, 0.05, 0.15
# The same, of the halfway line alone; and how far apart a fifth and half of the rays may see the edge. Of 412 photos that
# were rendered for development twelve were more than 4 % off before these, and six of 392 are now: 4.1 to 4.8 %, one 8.1 %.
MOST_OVER_HALFWAY, MOST_UNEVEN = 0.038, 0.06
MOST_UNLIKE = (
    0.42  # of a usual dot's light that is not as on the others; all but wrong readings stay below it
)
MANY_SMALL = 0.3  # share of the dots below GOOD_DIAMETER_PX that is worth a warning
SMALL_FOR_DOSE = 0.82  # of the width that the dose would give a cap 0.4 as high as wide: half of the volume
USUAL_SHAPE = 0.4  # height over width of a dot (common practice)

ALIKE = "paste and ground hardly differ in lightness: sizes come from colour, which cameras keep less exactly"
MEND_ALIKE = "For the best figures lay the sheet on white paper."

MENDS = {
    "too small in the photo": "Go closer: the sheet should fill the picture.",
    "blurred": "Hold still, give the camera time to focus, and use more light.",
    "overexposed": "Avoid the lamp's reflection, or make the picture darker.",
    "hardly visible": "Use flatter, more even light from the side; avoid reflections and shadows.",
    "paled by a reflection": "Turn the sheet or move the lamp, so that its reflection lies beside the sheet.",
    "outside the photo": "Get the whole sheet into the picture.",
    "touches its neighbour": "Lay the sheet again with a wider pitch or smaller doses.",
    "not round": "Check the dot by eye: a tail, a hair, or two dots in one.",
    "no clear outline": "Use flatter, more even light; wipe the lens.",
    "not at its place": "Check the dot by eye: dirt, or a dot that was dragged.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """All that is judged: the sheet, the photo's facts and readings, its rim, how unlike a usual dot is, lightness."""

    sheet: LaidDots
    facts: PhotoFacts
    readings: Sequence[DotReading]
    rim: Rim
    unlike: float
    by_lightness: bool

    @property
    def refused(self) -> Counter[str]:
        """How many dots are refused for each reason."""
        return Counter(reading.why for reading in self.readings if reading.state is DotState.REFUSED)

    @property
    def sizes(self) -> tuple[np.ndarray, np.ndarray]:
        """Doses [µL] and diameters [mm] of the measured dots."""
        dose = {dot.index: dot.dose_ul for dot in self.sheet.dots}
        pairs = [(dose[r.index], r.diameter_mm) for r in self.readings if r.diameter_mm is not None]
        doses, widths = (
            (np.array(values, dtype=np.float64) for values in zip(*pairs, strict=True))
            if pairs
            else (
                np.empty(0),
                np.empty(0),
            )
        )
        return doses, widths


Said = tuple[str, str]  # what, how to mend


def _tilted(photo: Judged) -> Said | None:
    if photo.facts.tilt_deg <= MOST_TILT_DEG:
        return None
    return (
        f"the camera looked at the sheet from {photo.facts.tilt_deg:.0f}° aside; at most {MOST_TILT_DEG:.0f}° can be used",
        "Hold the phone flat above the sheet.",
    )


def _astray(photo: Judged) -> Said | None:
    most_mm = MOST_RESIDUAL * photo.sheet.pitch_mm
    if photo.facts.residual_mm <= most_mm:
        return None
    return (
        f"the dots lie {photo.facts.residual_mm:.2f} mm (rms) from their places, more than {most_mm:.2f} mm",
        "Lay the sheet flat; check that sheet.json and photo belong together.",
    )


def _too_few(photo: Judged) -> Said | None:
    facts, count = photo.facts, len(photo.readings)
    if facts.measured >= max(LEAST_MEASURED * facts.found, LEAST_MEASURED_OF_ALL * count):
        return None
    why, lost = (photo.refused or Counter({"hardly visible": 0})).most_common(1)[0]
    return (
        f"only {facts.measured} of {count} dots could be measured; {lost} are refused as: {why}",
        MENDS.get(why, "Photograph the sheet again."),
    )


def _not_as_dosed(photo: Judged) -> Said | None:
    doses, widths = photo.sizes
    if _too_few(photo) or len(doses) < 2 or doses.max() < 1.5 * doses.min():
        return None
    rank = rank_correlation(doses, widths)
    if rank >= LEAST_RANK:
        return None
    return (
        f"the sizes of the dots do not follow the doses (rank correlation {rank:.2f}, at least {LEAST_RANK:g})",
        "Check that sheet.json and photo belong together; otherwise the barrel holds air or the tip is clogged.",
    )


def _out_of_focus(photo: Judged) -> Said | None:
    if photo.rim.blur <= MOST_BLUR:
        return None
    return (
        f"no dot has a clear outline: the picture is blurred by {100 * photo.rim.blur:.0f} % of the dots' radius",
        MENDS["blurred"],
    )


def _edge_in_doubt(photo: Judged) -> Said | None:
    rim = photo.rim
    parted = rim.parted if rim.blank > BLAZING else 0.0
    over = rim.over_halfway if rim.over_halfway > MOST_OVER_HALFWAY else 0.0
    if rim.doubt <= MOST_DOUBT and rim.narrower <= MOST_NARROWER and parted <= MOST_PARTED and not over:
        return None
    return (
        "the dots have no clear outline: two ways of telling where the paste ends differ by "
        f"{100 * max(2 * rim.doubt, rim.narrower, parted, over):.0f} % of the width",
        "Let the camera focus; use flatter light, from a window or from above; lay the sheet on white paper.",
    )


def _shaded(photo: Judged) -> Said | None:
    if photo.rim.uneven <= MOST_UNEVEN:
        return None
    return (
        "a shadow looks like paste: on one side of the dots the edge is seen "
        f"{100 * photo.rim.uneven:.0f} % of the radius farther out than on the other",
        "Use flatter light, from a window or from above, or from two sides.",
    )


def _burnt(photo: Judged) -> Said | None:
    blank, full = photo.rim.blank, photo.rim.burnt
    if blank <= MOST_BURNT and full <= MOST_FULL:
        return None
    told = (
        f"{100 * blank:.0f} % of its rim is full white"
        if blank > MOST_BURNT
        else f"{100 * full:.0f} % is full in a colour"
    )
    return (
        f"the paste is burnt out: {told}, and looks wider than it is",
        "Make the picture darker (touch the screen on a dot to expose for it), or lay the sheet on white paper.",
    )


def _unlike(photo: Judged) -> Said | None:
    if photo.unlike <= MOST_UNLIKE:
        return None
    return (
        f"the dots look too different from one another: {100 * photo.unlike:.0f} % of their light is not alike",
        "Avoid reflections of lamps and windows in the ground, and uneven shadows.",
    )


REFUSALS: tuple[Callable[[Judged], Said | None], ...] = (
    _tilted,
    _astray,
    _too_few,
    _not_as_dosed,
    _out_of_focus,
    _edge_in_doubt,
    _shaded,
    _burnt,
    _unlike,
)


def _by_colour_only(photo: Judged) -> Said | None:
    return None if photo.by_lightness else (ALIKE, MEND_ALIKE)


def _narrow(photo: Judged) -> Said | None:
    scale = photo.facts.px_per_mm
    small = sum(1 for r in photo.readings if r.diameter_mm and r.diameter_mm * scale < GOOD_DIAMETER_PX)
    if small <= MANY_SMALL * len(photo.readings):
        return None
    return (
        f"{small} dots are less than {GOOD_DIAMETER_PX:.0f} pixels wide; their sizes are less exact",
        MENDS["too small in the photo"],
    )


def _small_for_dose(photo: Judged) -> Said | None:
    """Small in all sizes: a rim lost into the ground does this, and so does a bench that lays half of its doses."""
    doses, widths = photo.sizes
    if len(doses) < 9:
        return None
    expected = (6 * doses / (np.pi * USUAL_SHAPE * (0.75 + USUAL_SHAPE**2))) ** (1 / 3)
    thirds = np.array_split((widths / expected)[np.argsort(doses)], 3)
    ratio = max(float(np.median(third)) for third in thirds)
    if ratio >= SMALL_FOR_DOSE:
        return None
    return (
        f"dots of all sizes are small for their doses ({100 * ratio:.0f} % of the usual width)",
        "Look at the overlay: if its circles lie inside the paste's edge, photograph the sheet on white paper.",
    )


WARNINGS: tuple[Callable[[Judged], Said | None], ...] = (_narrow, _small_for_dose, _by_colour_only)


def verdict(photo: Judged) -> tuple[Problem, ...]:
    """Return warnings; raise InputError when the photo as a whole cannot be trusted."""
    name = photo.facts.name
    said = [found for rule in REFUSALS if (found := rule(photo)) is not None]
    if said:
        raise InputError([Problem(what=what, mend=mend, file=name) for what, mend in said])
    dots = [
        (f"{count} dot{'s' if count > 1 else ''}: {why}", MENDS.get(why, ""))
        for why, count in photo.refused.most_common()
    ]
    dots += [found for rule in WARNINGS if (found := rule(photo)) is not None]
    return tuple(Problem(what=what, mend=mend, severity=Severity.WARNING, file=name) for what, mend in dots)

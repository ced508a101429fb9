"""A photo's readings to a verdict: warnings, or the refusal of the whole photo. The rules stand in tables."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pastewright.problems import InputError, Problem, Severity
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.rank import rank_correlation
from pastewright.tune.photo.rim import Rim, RimDoubt
from pastewright.tune.record.measurements import DotReading, DotState, PhotoFacts, PhotoGrade

GOOD_DIAMETER_PX = 20.0  # from here on errors of diameters are as documented; measured on rendered photos
MOST_TILT_DEG = 45.0  # beyond, a cap hides much of its base
MOST_RESIDUAL = 0.05  # pitch, rms of the centres: a sheet that is bent, or another one
LEAST_MEASURED = 0.6  # of the dots that are not plainly missing, …
LEAST_MEASURED_OF_ALL = 0.25  # … and of all
LEAST_RANK = 0.3  # rank correlation of dose and diameter; by chance 60 dots reach it once in 100 times
# What all diameters together may be off by, one standard error, as a share of the diameter: beyond, too little is known to
# be of use. A sheet's fit needs its dots beside each other, and weighs what they share as the photo tells it; a witness row
# is measured for what its dots share.
ROUGH_SHEET_SD, ROUGH_ROW_SD = 0.055, 0.045
# So much where the paste of a sheet is burnt out: sizes hold beside each other, and the fit has the rest from the plunger.
BURNT_SD = 0.09
# More of it for each share of the dots that had to be refused one by one: what hides them hardly spares the others.
LOST = 0.05
# σ of the blur over the radius of the wider dots: sharp photos stay below 0.12; blurred by six pixels (0.184), a twentieth
# of the dots was 20 % off (photos rendered for development)
MOST_BLUR = 0.17
# Of the few dots of a witness row, whose photo tells ± 5 % then: six rows rendered for development, blurred by 0.17 to 0.19,
# are 1.5 to 3.3 % off.
MOST_BLUR_OF_FEW = 0.2
MOST_UNLIKE = (
    0.42  # of a usual dot's light that is not as on the others; all but wrong readings stay below it
)
MANY_SMALL = 0.3  # share of the dots below GOOD_DIAMETER_PX that is worth a warning
SMALL_FOR_DOSE = 0.82  # of the width that the dose would give a cap 0.4 as high as wide: half of the volume
USUAL_SHAPE = 0.4  # height over width of a dot (common practice)

ALIKE = "paste and ground hardly differ in lightness: sizes come from colour, which cameras keep less exactly"
MEND_ALIKE = "For the best figures lay the sheet on white paper."

TOO_SMALL = "too small in the photo"
MENDS = {
    TOO_SMALL: "Go closer: the sheet should fill the picture.",
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
    """All that is judged: the sheet, the photo's facts and readings, its rim, how unlike a usual dot is, lightness,
    the most that all diameters together may be off by, and by how much parts of the sheet differ that are lit otherwise.
    """

    sheet: LaidDots
    facts: PhotoFacts
    readings: Sequence[DotReading]
    rim: Rim
    unlike: float
    by_lightness: bool
    most_sd: float
    differ: float = 0.0

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
    if photo.rim.blur <= (MOST_BLUR if photo.rim.few is None else MOST_BLUR_OF_FEW):
        return None
    return (
        f"no dot has a clear outline: the picture is blurred by {100 * photo.rim.blur:.0f} % of the dots' radius",
        MENDS["blurred"],
    )


def _edge_in_doubt(photo: Judged) -> Said | None:
    # How much wider burnt-out paste looks nobody can tell, and yet its dots look so alike.
    burnt = min(photo.rim.errors[RimDoubt.BURNT], photo.facts.shared_sd)
    others = float(np.sqrt(photo.facts.shared_sd**2 - burnt**2))
    most_sd = photo.most_sd if photo.rim.few is not None else max(photo.most_sd, BURNT_SD)
    if others <= photo.most_sd and photo.facts.shared_sd <= most_sd:
        return None
    why, mend = _doubted(photo)
    return f"the dots have no clear outline, all may be {100 * photo.facts.shared_sd:.0f} % off: {why}", mend


def _doubted(photo: Judged) -> Said:
    """Return what most of the doubt about all diameters together comes from, and how to mend it."""
    rim = photo.rim
    flat = "Use flatter light, from a window or from above, or from two sides; lay the sheet on white paper."
    why, most = max(rim.errors.items(), key=lambda one: one[1])
    if photo.differ > max(most, LOST * lost_share(photo.readings)):
        return (
            "dots on one side of the sheet are narrower for their doses than on the other, whose ground is lit otherwise",
            "Turn the sheet or move the lamp, so that its reflection lies beside the sheet.",
        )
    if LOST * lost_share(photo.readings) > most:
        (usual, _), *_ = photo.refused.most_common(1)
        return (
            f"{sum(photo.refused.values())} dots cannot be measured, and what hides them hardly spares the others",
            MENDS.get(usual, "Avoid the lamp's reflection in the ground; use flatter light."),
        )
    match why:
        case RimDoubt.GROUND:
            return "paste is lighter than its ground, which looks like the shade at its foot", MEND_ALIKE
        case RimDoubt.WAYS:
            differ = max(abs(rim.halfway / rim.value - 1), rim.narrower)
            return (
                f"two ways of telling where the paste ends differ by {100 * differ:.0f} % of the width",
                f"Let the camera focus. {flat}",
            )
        case RimDoubt.SHADOW:
            return (
                "a shadow looks like paste: on one side of the dots the edge is seen "
                f"{100 * rim.uneven:.0f} % of the radius farther out than on the other",
                flat,
            )
        case RimDoubt.BURNT:
            return (
                f"the paste is burnt out: {100 * rim.blank:.0f} % of its rim is full white,"
                f" {100 * rim.burnt:.0f} % full in a colour, and looks wider than it is",
                "Make the picture darker (touch the screen on a dot to expose for it), or lay the sheet on white paper.",
            )
        case RimDoubt.HIDDEN:
            return (
                f"on {100 * rim.hidden:.0f} % of their rim the paste looks like the ground beside it",
                f"Let the camera focus. {flat}",
            )
        case RimDoubt.WITHIN:
            return (
                f"on {100 * rim.beyond:.0f} % of their rim it is bright beyond it: bright spots on them may have been read",
                flat,
            )
        case RimDoubt.MIDDLE:
            return "one side of the dots lies in shadow, and where their middles are is hardly told", flat


def lost_share(readings: Sequence[DotReading]) -> float:
    """Return the share of the dots that lie there which were refused one by one."""
    there = [reading for reading in readings if reading.state is not DotState.MISSING]
    return sum(reading.state is DotState.REFUSED for reading in there) / max(len(there), 1)


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
        MENDS[TOO_SMALL],
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


def _rough(photo: Judged) -> Said | None:
    if photo.facts.grade is PhotoGrade.GOOD:
        return None
    why, mend = _doubted(photo)
    return (
        f"rough: all diameters together may be {200 * photo.facts.shared_sd:.0f} % off (two standard errors), since {why}",
        f"Beside each other the sizes hold, and a fit takes it into account. {mend}",
    )


WARNINGS: tuple[Callable[[Judged], Said | None], ...] = (
    _rough,
    _narrow,
    _small_for_dose,
    _by_colour_only,
)


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

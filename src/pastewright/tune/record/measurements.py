"""What was read from the photos of a sheet: one reading per dot, as values. `read` makes them, `fit` explains them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from pastewright.problems import Problem


class DotState(StrEnum):
    """What became of a dot on the photos."""

    MEASURED = "measured"
    MISSING = "missing"  # nothing lies where the dot was commanded, on a photo good enough to show it
    REFUSED = "refused"  # something is there, or cannot be seen, and no number for it can be trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class DotReading:
    """One dot as read. `index` is the sheet's. Numbers are None unless the dot was measured.

    `x_mm`, `y_mm` is the centre found, in sheet coordinates; `area_mm2` is π/4 of the ellipse's axes, and
    `diameter_mm` that of the circle of this area; `aspect` is the longer axis over the shorter one;
    `sigma_mm` is the standard error of the diameter (from the scatter along the edge, and between photos); `shared_sd`
    is the part of it that all dots of the photo have in common, as a share of the diameter, None where it is not known.
    """

    index: int
    state: DotState
    why: str = ""
    x_mm: float | None = None
    y_mm: float | None = None
    area_mm2: float | None = None
    diameter_mm: float | None = None
    sigma_mm: float | None = None
    aspect: float | None = None
    photos: int = 0
    shared_sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """So many dots of this sheet weigh so much: the absolute scale when there is a jeweller's scale."""

    dots: int
    mass_mg: float

    @property
    def mean_mg(self) -> float:
        """Mean mass of a dot [mg]."""
        return self.mass_mg / self.dots


class PhotoGrade(StrEnum):
    """What a photo's diameters are good for as a whole; rough ones hold beside each other."""

    GOOD = "good"
    ROUGH = "rough"


GOOD_SD = 0.0175
"""Of a diameter: what all diameters of a good photo may be off by together, one standard error. No good photo should be
more than 4 % off, which is 2.3 of them. Of 300 rendered photos looked at once 57 told 1.75 to 2.0 %, and five of these were
4.8 to 9.5 % off; of 111 that told less none was more than 3.9 %."""

GOOD_ROW_SD = 0.02
"""The same of a witness row, which tells how far a bench has drifted and is weighed by this error: of 43 fresh photos within
it one was 4.3 % off, the others 3.3 % at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFacts:
    """How good a photo was: `px_per_mm` in the middle, `blur_px` the standard deviation of its edge's blur,
    `residual_mm` the rms distance of dot centres from their commanded places, `k1` the lens distortion (per square
    of half the diagonal), None where the photo cannot tell it; `shared_sd` is what all diameters together may be off
    by, one standard error, as a share, and `good_sd` up to where that is good."""

    name: str
    width_px: int
    height_px: int
    px_per_mm: float
    blur_px: float
    residual_mm: float
    k1: float | None
    tilt_deg: float
    found: int
    measured: int
    shared_sd: float
    good_sd: float = GOOD_SD

    @property
    def grade(self) -> PhotoGrade:
        """Good, or rough."""
        return PhotoGrade.GOOD if self.shared_sd <= self.good_sd else PhotoGrade.ROUGH


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements:
    """All dots of a sheet as read, in the sheet's order, with the photos' facts, warnings, and the weighing if any."""

    sheet: str
    readings: tuple[DotReading, ...]
    photos: tuple[PhotoFacts, ...]
    weighed: Weighed | None = None
    warnings: tuple[Problem, ...] = ()
    bead_widths_mm: Mapping[int, float] = field(default_factory=dict)

    @property
    def measured(self) -> tuple[DotReading, ...]:
        """The readings with numbers."""
        return tuple(reading for reading in self.readings if reading.state is DotState.MEASURED)

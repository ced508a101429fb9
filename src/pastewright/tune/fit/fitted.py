"""What a fit answers: the constants with their uncertainty, how the dots lie about them, and what else explains them."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pastewright.tune.fit.constants import (
    CONSTANTS,
    OWN,
    SHARED,
    Z95,
    Constant,
    Floats,
    as_seen,
    lasting_seen,
)
from pastewright.tune.fit.drawn import DrawnBenches

# A datum that leaves more of the prior's spread than this has told nothing about the constant.
HELD_SHARE = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One fitted constant. `sd` is as the fit sees it (of the logarithm where `constant.logarithmic`).

    `held` says that the data could not tell it, and the value is mostly the prior's.
    """

    constant: Constant
    value: float
    prior: float
    sd: float
    prior_sd: float
    sheet: int | None = None

    @property
    def held(self) -> bool:
        """Whether the value is mostly the prior's."""
        return self.sd > HELD_SHARE * self.prior_sd

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self._end(-Z95)

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self._end(Z95)

    def _end(self, z: float) -> float:
        if self.constant.logarithmic:
            return float(self.value * np.exp(z * self.sd))
        return self.value + z * self.sd


@dataclass(frozen=True, slots=True, kw_only=True)
class DotResidual:
    """One dot that counted: model and measurement [µL, by the fitted shape], and how far apart [in its sd]."""

    sheet: int
    index: int
    row: int
    model_ul: float
    measured_ul: float
    pull: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RowLeftOut:
    """A row that was left out of the fit and predicted: rms and mean of ln(measured/model) [-]."""

    sheet: int
    row: int
    dots: int
    rms: float
    bias: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """Another set of constants that explains the sheets as well; `weight` is its likelihood over that of the best."""

    constants: dict[str, float]
    weight: float


# A number of a bench, as vectors of the fit tell it: its logarithm by lane.
Quantity = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The answer. `covariance` is of the shared constants, in the order of `NAMES`; other modes widen it.
    `whole` is that of the shared and the last sheet's own constants, `alone` the same without other modes.
    `furthest` tells how much larger a number of the bench may be, see `reach.furthest`; `drawn` gives benches that the
    fit leaves possible, as boards feel them, lanes × constants.
    `middle_s` is the middle of the last sheet's time, which the consistency that lasts is of.

    `spread` is that of measured about model [-, of ln V]: two thirds of the dots lie within it, as one standard
    deviation would have it; `before` is that of the profile as it was;
    `chi` the rms of residuals over their stated errors.
    """

    estimates: tuple[Estimate, ...]
    constants: dict[str, float]
    covariance: Floats
    dots: tuple[DotResidual, ...]
    measured: int
    missing: int
    spread: float
    before: float
    chi: float
    weighed: bool
    left_out: tuple[RowLeftOut, ...] = ()
    modes: tuple["Mode", ...] = ()
    middle_s: float = 0.0
    whole: Floats | None = None
    alone: Floats | None = None
    furthest: Callable[[Quantity, float], float] | None = None
    drawn: Callable[[], DrawnBenches] | None = None

    @property
    def lasting(self) -> dict[str, float]:
        """The constants that hold beyond the sheets; the consistency is that of the middle of the last sheet's time,
        where what thinning took from it is as much as it will take from a board of like length.
        """
        own = {CONSTANTS[at].name for at in OWN}
        kept = {name: value for name, value in self.constants.items() if name not in own}
        kept["consistency_kpa_sn"] *= float(np.exp(-self.constants.get("thinning", 0.0) / 2))
        return kept

    @property
    def lasting_covariance(self) -> tuple[tuple[str, ...], Floats]:
        """Names and covariance of the constants that `lasting` holds, as the fit sees them."""
        return self._lasting(self.whole)

    @property
    def modes_away(self) -> tuple[Floats, ...]:
        """How far each other mode lies from `lasting`, as the fit sees it, by the constants of `lasting_covariance`."""
        return tuple(
            (lasting_seen(as_seen(mode.constants)) - lasting_seen(as_seen(self.constants)))[list(SHARED)]
            for mode in self.modes
        )

    @property
    def covariance_alone(self) -> tuple[tuple[str, ...], Floats]:
        """The same about the best constants alone, no other mode counted."""
        return self._lasting(self.whole if self.alone is None else self.alone)

    def _lasting(self, whole: Floats | None) -> tuple[tuple[str, ...], Floats]:
        shared = [CONSTANTS[at].name for at in SHARED]
        if whole is None:
            return tuple(shared), self.covariance
        names = [CONSTANTS[at].name for at in (*SHARED, *OWN)]
        turn = np.zeros((len(shared), len(names)))
        for row, name in enumerate(shared):
            turn[row, names.index(name)] = 1.0
        # ln K of the sheet's middle is ln K − thinning/2.
        turn[shared.index("consistency_kpa_sn"), names.index("thinning")] = -0.5
        return tuple(shared), turn @ whole @ turn.T

    def estimate(self, name: str, sheet: int | None = None) -> Estimate:
        """Return the estimate of a constant; those of one sheet need its number."""
        return next(e for e in self.estimates if e.constant.name == name and e.sheet in (None, sheet))

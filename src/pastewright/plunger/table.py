"""Many dots for the price of a few dozen: solve a ladder of volumes, interpolate the rest.

The push is interpolated as its part beyond reaching yield, over the volume, both in logarithms, where the curve is
close to straight (a power law near yield). The retraction is never interpolated: it is push − volume, so that
conservation holds exactly whatever the interpolation does.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.monotone import monotone_curve
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.cycle import Dots, limited_dots, limited_fan, solved_dots
from pastewright.plunger.storage import stored_ul

Floats = NDArray[np.float64]

# Steps of the ladder per factor e of volume, and at least. Delivered volumes then stay within 0.1 % of the
# solved ones (measured in the tests: 2e-5 where pushes are not slowed by the pressure limit).
STEPS_PER_E = 8
LEAST_STEPS = 24
MOST_STEPS = 160  # bounds the work for a board whose doses differ by a factor of 5e8


@dataclass(frozen=True, slots=True)
class DotTable:
    """The ladder: natural logarithms of volume, of push beyond yield, of push rate, and of peak pressure.

    At `corner` the pressure limit begins to slow the pushes; the curves bend there, so that each side is read
    from its own knots.
    """

    log_volume: Floats
    log_beyond: Floats
    log_rate: Floats
    log_peak: Floats
    corner: int
    to_yield_ul: float
    dwell_s: float

    def dots(self, volumes_ul: ArrayLike) -> Dots:
        """Return the dots of the given volumes [µL], which must lie on the ladder."""
        volumes = np.atleast_1d(np.asarray(volumes_ul, dtype=float))
        at = np.log(volumes)
        if at.size and (at.min() < self.log_volume[0] - 1e-9 or at.max() > self.log_volume[-1] + 1e-9):
            raise ValueError("a volume beyond the table; make the table for the board's own range")
        at = np.clip(at, self.log_volume[0], self.log_volume[-1])
        beyond, rate, peak = (
            np.exp(self._read(at, column)) for column in (self.log_beyond, self.log_rate, self.log_peak)
        )
        return Dots(volumes, self.to_yield_ul + beyond, rate, peak, np.full_like(volumes, self.dwell_s))

    def _read(self, at: Floats, column: Floats) -> Floats:
        if self.corner == 0:
            return monotone_curve(at, self.log_volume, column)
        free, slowed = slice(None, self.corner + 1), slice(self.corner, None)
        return np.where(
            at < self.log_volume[self.corner],
            monotone_curve(at, self.log_volume[free], column[free]),
            monotone_curve(at, self.log_volume[slowed], column[slowed]),
        )


@lru_cache(maxsize=8)
def dot_table(smallest_ul: float, largest_ul: float, bench: PlungerBench) -> DotTable:
    """Return the table for volumes from `smallest_ul` to `largest_ul` [µL], both above zero."""
    # A hair wider than asked, so that a single volume too has a ladder.
    first, last = smallest_ul * 0.999, largest_ul * 1.001
    volumes, corner = _ladder(first, last), 0
    dots = solved_dots(volumes, bench)
    if float(dots.push_ul_s.min()) < bench.push_ul_s == float(dots.push_ul_s.max()):
        bend = float(limited_fan(bench)[1][0])
        if first < bend < last:
            below, above = _ladder(first, bend), _ladder(bend, last)
            volumes, corner = np.concatenate([below, above[1:]]), below.size - 1
            dots = limited_dots(volumes, bench)
    to_yield = float(stored_ul(bench.yield_kpa, bench.store)) - bench.rest_ul
    return DotTable(
        np.log(volumes),
        np.log(dots.push_ul - to_yield),
        np.log(dots.push_ul_s),
        np.log(dots.peak_kpa),
        corner,
        to_yield,
        bench.dwell_s,
    )


def _ladder(first_ul: float, last_ul: float) -> Floats:
    span = np.log(last_ul / first_ul)
    steps = int(np.clip(np.ceil(STEPS_PER_E * span), LEAST_STEPS, MOST_STEPS))
    return np.geomspace(first_ul, last_ul, steps)

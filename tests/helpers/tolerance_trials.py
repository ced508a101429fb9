"""Predicted against simulated spreads: benches drawn from a covariance, the demo board laid on each of them.

The benches are simulated by `virtual_bench`, which shares no code with the prediction.
"""

from dataclasses import dataclass, replace

import numpy as np
from demo_plans import plan_of
from virtual_bench import lay, truth_of

from pastewright.board.model import Side
from pastewright.plan.pipeline import Plan
from pastewright.tolerance.changes import sheet_spread
from pastewright.tolerance.predict import Z95, predicted
from pastewright.tune.fit.spread import COUNTED, Spread, of_sds

# Constants of the fit → fields of the bench in the computer.
FIELDS = {
    "frame_stiffness_n_mm": "frame_n_mm",
    "backlash_mm": "backlash_mm",
    "gain": "gain",
    "bubble_ul": "bubble_ul",
    "consistency_kpa_sn": "consistency",
    "flow_index": "index",
    "yield_stress_kpa": "yield_kpa",
}

# Deposits whose volumes agree within this factor are one class.
CLASS = 1.3


def after_a_sheet() -> Spread:
    """What one sheet of dots leaves of the demo's bench (`tolerance/sheet.toml`), without what `virtual_bench` has not."""
    kept = np.array([name in FIELDS for name in COUNTED])
    return replace(of_sds({}), covariance=sheet_spread(COUNTED) * np.outer(kept, kept))


@dataclass(frozen=True, kw_only=True)
class SizeClass:
    """Deposits of about one volume: root mean squares of what 95 of 100 benches are within, predicted and simulated [-, of
    ln V, about the plan], and of the standard deviation of those simulated, which single benches far off decide.
    """

    volume_ul: float
    deposits: int
    predicted: float
    simulated: float
    deviation: float


def simulated_within(plan: Plan, spread: Spread, benches: int, *, seed: int = 7) -> float:
    """Return what 95 of 100 deposits of a plan are within at 95 % [-], from so many benches, each begun without pressure;
    the scatter of single dots is added by its formula.
    """
    kept = np.array([name in FIELDS for name in spread.names])
    known = replace(spread, covariance=spread.covariance * np.outer(kept, kept))
    plain = truth_of(plan.profile)
    ul = {deposit.index: deposit.volume_ul for deposit in plan.layout.deposits}
    rows = []
    for shift in known.drawn(np.random.default_rng(seed), benches):
        changes = {
            field: getattr(plain, field) * float(np.exp(shift[spread.names.index(name)]))
            for name, field in FIELDS.items()
        }
        laid = lay(plan.motions, replace(plain, **changes)).mean_ul
        rows.append([max(laid.get(index, 0.0), 0.05 * volume) for index, volume in ul.items()])
    off = np.abs(np.log(np.array(rows) / list(ul.values())))
    reach = np.sqrt(np.percentile(off, 95, axis=0) ** 2 + (Z95 * spread.scatter) ** 2)
    return float(np.percentile(reach, 95))


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def size_classes(side: Side, benches: int, *, seed: int = 7, of_doubt: float = 1.0) -> list[SizeClass]:
    """Return the classes of a side's deposits, largest first, from so many benches, each begun without pressure.

    `of_doubt` is the share that they are off of what a sheet leaves.
    """
    plan = plan_of(side)
    spread = after_a_sheet()
    spread = replace(spread, covariance=of_doubt**2 * spread.covariance)
    found = predicted(plan.motions, plan.layout.deposits, plan.profile, spread)
    plain = truth_of(plan.profile)
    ul = {deposit.index: deposit.volume_ul for deposit in plan.layout.deposits}
    rows = []
    for shift in spread.drawn(np.random.default_rng(seed), benches):
        changes = {
            field: getattr(plain, field) * float(np.exp(shift[COUNTED.index(name)]))
            for name, field in FIELDS.items()
        }
        laid = lay(plan.motions, replace(plain, **changes)).mean_ul
        # What is as good as missing is no further off than that.
        rows.append([max(laid.get(index, 0.0), 0.05 * ul[index]) for index in found.deposits])
    off = np.log(np.array(rows) / [ul[index] for index in found.deposits])
    within, deviation = np.percentile(np.abs(off), 95, axis=0), off.std(axis=0, ddof=1)
    volumes = np.array([plan.layout.deposits[index].volume_ul for index in found.deposits])
    own = Z95 * found.systematic()
    classes = []
    left = np.ones(volumes.size, dtype=bool)
    while left.any():
        most = volumes[left].max()
        here = left & (volumes > most / CLASS)
        left &= ~here
        classes.append(
            SizeClass(
                volume_ul=float(volumes[here].mean()),
                deposits=int(here.sum()),
                predicted=rms(own[here]),
                simulated=rms(within[here]),
                deviation=rms(deviation[here]),
            )
        )
    return classes

"""One push for deposits of many sizes: the dwell decides what a dot lays, the speed what a bead does.

    dot:   push a, dwell t(V), retract a − V          a the same for all, t found
    bead:  walked so that its pressure stores what the push a does

Why. What a bench is off from its profile (stiffness, consistency, index) asks for another push, by about the same share
ε of each push: a board's deposits would start from rest + ε·a instead of from rest. Where all pushes are alike all of
them start alike, every dot still lays exactly a − (a − V), and nothing is seen of the mistake. Where the push changes
from a to a', the difference ε·(a − a') comes out with the dots that follow:

    error of the first ≈ ε·(1/n + 1)·(a − a')/a', fading by the share (1/n + 1)·V/a a dot

With dwells all alike pushes differ by two and more on any board; with one push, dwells differ instead, and the few
deposits that are too large or too small for it are laid first and last. The push is chosen by what it costs in time
and what it leaves of such steps (`choice`).
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.distinct import distinct
from pastewright.monotone import monotone_curve
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.cycle import Dots, dots_begun, most_flow_ul_s, retractions_ul, solved_dots
from pastewright.plunger.flow import flow_ul_s
from pastewright.plunger.pressure import after_legs, still
from pastewright.plunger.storage import pressure_of_stored_kpa, stored_ul
from pastewright.plunger.table import dot_table

Floats = NDArray[np.float64]

# Dwells that are planned with. None is needed where the push alone lays enough: the motor's way across its backlash is a
# wait of its own. Controllers keep a dwell to a millisecond or two (measured on the virtual controllers), so that shorter
# ones than four are read between none and that. A longer one than the longest would be taken for a slip of seconds and
# milliseconds (3 s, the read-back). The longer they may be, the fewer sizes need a push of their own: of the demo board's
# top 2.0 s take a second and a half more than 1.5 s and leave 5.6 % for 5.8 %, where the paste is 10 % off; 2.8 s take four
# and a half and leave 4.9 %.
LEAST_DWELL_S = 0.0
SHORT_DWELL_S = 0.004
MOST_DWELL_S = 1.6

# Knots of one push's dwells; volumes read between them are within 1e-4 of solved ones (tests).
KNOTS = 40


@dataclass(frozen=True, slots=True)
class CommonPush:
    """One push [µL] and the dots it lays: `dwell_at_s` for each of the rising volumes `laid_ul` [µL]."""

    push_ul: float
    peak_kpa: float
    laid_ul: Floats
    dwell_at_s: Floats

    def lays(self, volumes_ul: Floats) -> NDArray[np.bool_]:
        """Tell which volumes this push lays within the dwells that are planned with."""
        inside: NDArray[np.bool_] = (volumes_ul >= self.laid_ul[0]) & (volumes_ul <= self.laid_ul[-1])
        return inside

    def dwells_s(self, volumes_ul: Floats) -> Floats:
        """Return the dwell [s] of each volume that it lays."""
        inside = np.clip(volumes_ul, self.laid_ul[0], self.laid_ul[-1])
        return monotone_curve(np.log(inside), np.log(self.laid_ul), self.dwell_at_s)


@lru_cache(maxsize=64)
def common_push(push_ul: float, bench: PlungerBench) -> CommonPush:
    """Return what one push lays, by dwell. The push must stay below the pressure limit at the tuned rate."""
    times, pressures, peaks = decays(np.array([push_ul]), bench, KNOTS)
    laid = push_ul - retractions_ul(pressures[:, 0], bench)
    return CommonPush(push_ul, float(peaks[0]), laid, times)


def dots_of(volumes_ul: ArrayLike, push_ul: ArrayLike, bench: PlungerBench) -> Dots:
    """Return dots of volumes > 0 [µL]: with the common push where it lays them, else with the nearest that does; several
    volumes may each have a push of their own.
    """
    volumes = np.atleast_1d(np.asarray(volumes_ul, dtype=float))
    pushes = np.broadcast_to(np.asarray(push_ul, dtype=float), volumes.shape)
    each, which = np.unique(pushes, return_inverse=True)
    found = _dots_of_one(volumes, float(each[0]), bench)
    for number, push in enumerate(each[1:].tolist(), start=1):
        here = which == number
        found = found.where(~here, _dots_of_one(np.where(here, volumes, volumes[here][0]), push, bench))
    return found


def _dots_of_one(volumes: Floats, push_ul: float, bench: PlungerBench) -> Dots:
    common = common_push(push_ul, bench)
    found = Dots(
        volumes,
        np.full_like(volumes, push_ul),
        np.full_like(volumes, bench.push_ul_s),
        np.full_like(volumes, common.peak_kpa),
        common.dwells_s(volumes),
    )
    for dwell, these in (
        (LEAST_DWELL_S, volumes < common.laid_ul[0]),
        (MOST_DWELL_S, volumes > common.laid_ul[-1]),
    ):
        if these.any():
            found = found.where(~these, _all_at(volumes, these, replace(bench, dwell_s=dwell)))
    return found


def _all_at(volumes: Floats, these: NDArray[np.bool_], bench: PlungerBench) -> Dots:
    """Dots of those volumes at the bench's dwell; the others stand in for the nearest of them."""
    low, high = float(volumes[these].min()), float(volumes[these].max())
    wanted = np.clip(volumes, low, high)
    if distinct(volumes[these]).size <= 2:
        ends = solved_dots([low, high], bench)
        return ends.taken(np.where(wanted == low, 0, 1))
    return dot_table(low, high, bench).dots(wanted)


def bead_flow_ul_s(push_ul: float, bench: PlungerBench) -> float:
    """Flow [µL/s] of a bead whose pressure stores what the common push does."""
    _, pressures, _ = decays(np.array([push_ul]), bench, 2)
    return min(float(flow_ul_s(pressures[0, 0], bench.tip)), most_flow_ul_s(bench))


def decays(
    pushes: Floats, bench: PlungerBench, knots: int, above_rest_ul: float = 0.0
) -> tuple[Floats, Floats, Floats]:
    """Dwells [s], the pressure after each [kPa] dwells × pushes, and the peaks [kPa], after pushes from rest."""
    start = pressure_of_stored_kpa(np.array([bench.rest_ul + above_rest_ul]), bench.store)
    pressure, peaks = dots_begun(pushes, bench, start)
    times = np.append(LEAST_DWELL_S, np.geomspace(SHORT_DWELL_S, MOST_DWELL_S, knots - 1))
    found = []
    for step in np.diff(times, prepend=0.0):
        pressure, _ = after_legs(pressure, [still(np.full_like(pressure, step))], bench, least_steps=4)
        found.append(pressure)
    return times, np.array(found), peaks


def retractions_read(pressures: Floats, bench: PlungerBench) -> Floats:
    """Retraction from each pressure to rest [µL]; what flows meanwhile is read from a ladder."""
    low, high = float(pressures.min()), float(pressures.max())
    ladder = np.geomspace(max(low, 1.001 * bench.rest_kpa), high * 1.0001, KNOTS)
    leaks = stored_ul(ladder, bench.store) - bench.rest_ul - retractions_ul(ladder, bench)
    leak = monotone_curve(np.log(np.maximum(pressures, ladder[0])), np.log(ladder), leaks)
    spare: Floats = stored_ul(pressures, bench.store) - bench.rest_ul
    return spare - leak

"""What is known of a bench to a `Spread`: how far its constants may be from the profile's, together.

    Σ = Σ of the last trial (or wide priors, where there was none) + drift since, and the scatter of single dots beside it

Which trial counts for which constant is decided where profiles are read (`profile.tuned`): constants of one trial keep
their covariance, those of different trials have none. Everything is as the fit sees it: of natural logarithms, of the
seal's friction in N, of the thickening of standing paste as a share.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pastewright.profile.model import Drift, Profile, TuningRecord
from pastewright.profile.tuned import MACHINE, OF_FLOW, OF_PASTE, paste_key, tip_key
from pastewright.tune.fit.constants import CONSTANTS, LEAST_BUBBLE_UL, Constant, Group, constant_named

Floats = NDArray[np.float64]

# Constants that a board answers to; the shape of dots is no matter of volume.
COUNTED: tuple[str, ...] = (
    *(c.name for c in CONSTANTS if c.group not in (Group.SHEET, Group.SHAPE, Group.STRUCTURE)),
    "standing",
)

# A bench whose profile has a date of its own is taken to be off by a factor of 1.5 where one without is by 3
# (`tune.sheet`): ln 1.5/ln 3 of the prior's spread.
DATED_SHARE = 0.37

# Scatter of single dots where no trial told it (from memory: a few per cent on a steady bench).
USUAL_SCATTER = 0.03

# What a warmer paste loses of its consistency is itself known to a third (from memory: 3 to 5 % a °C).
THERMAL_DOUBT = 1 / 3

# Keys of a trial's own standard deviations, where it says no covariance.
SDS = {
    "frame_stiffness_n_mm": "frame_stiffness_sd",
    "backlash_mm": "backlash_sd",
    "gain": "gain_sd",
    "bubble_ul": "bubble_sd",
    "seal_friction_n": "seal_friction_sd_n",
    "consistency_kpa_sn": "consistency_sd",
    "flow_index": "flow_index_sd",
    "yield_stress_kpa": "yield_stress_sd",
    "standing": "standing_sd",
}


@dataclass(frozen=True)
class Spread:
    """How far the constants `names` may be from the profile's: `covariance`, n × n, about `bias`, n, where it is known
    which way they went. `scatter` is that of single dots [-, of ln V]. `tuned` are the names that a trial told.
    """

    names: tuple[str, ...]
    covariance: Floats
    bias: Floats
    scatter: float
    tuned: frozenset[str]

    @property
    def sds(self) -> Floats:
        """Standard deviation of each constant."""
        found: Floats = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return found

    def sd(self, name: str) -> float:
        """Standard deviation of one constant."""
        return float(self.sds[self.names.index(name)])

    def over(self, names: Sequence[str]) -> "Spread":
        """Return the spread of some of the constants only."""
        at = [self.names.index(name) for name in names]
        return replace(
            self,
            names=tuple(names),
            covariance=self.covariance[np.ix_(at, at)],
            bias=self.bias[at],
            tuned=self.tuned & set(names),
        )

    def drawn(self, rng: "np.random.Generator", count: int) -> Floats:
        """Return so many random benches as shifts of the constants, count × n."""
        lengths, axes = np.linalg.eigh(self.covariance)
        steps = rng.standard_normal((count, lengths.size)) * np.sqrt(np.maximum(lengths, 0.0))
        found: Floats = self.bias + steps @ axes.T
        return found


def spread_of(profile: Profile, drift: Drift | None = None) -> Spread:
    """Return the spread of a profile's constants when a board is laid; `drift` in place of the profile's own."""
    known = known_spread(profile)
    return drifted(known, profile, profile.drift if drift is None else drift)


def known_spread(profile: Profile) -> Spread:
    """Return the spread of the constants at the last trial, or that of a bench nobody has tried."""
    told = _records_of(profile)
    dated = bool(profile.tuning.dated)
    covariance = np.diag([_variance(constant_named(name), told.get(name), dated=dated) for name in COUNTED])
    for row, one in enumerate(COUNTED):
        for column, other in enumerate(COUNTED):
            record = told.get(one)
            if row != column and record is not None and record is told.get(other) and record.covariance:
                names = record.covariance.names
                if one in names and other in names:
                    covariance[row, column] = record.covariance.rows[names.index(one)][names.index(other)]
    newest = [record for record in told.values() if record.spread is not None]
    scatter = max(newest, key=profile.history.index).spread if newest else None
    return Spread(
        names=COUNTED,
        covariance=covariance,
        bias=np.zeros(len(COUNTED)),
        scatter=USUAL_SCATTER if scatter is None else scatter,
        tuned=frozenset(told),
    )


def drifted(spread: Spread, profile: Profile, drift: Drift) -> Spread:
    """Return the spread widened by what has been since the trial, and moved where it is known which way."""
    bubble_ul = max(profile.tuning.bubble_ul, LEAST_BUBBLE_UL)
    at = {name: place for place, name in enumerate(spread.names)}
    added, bias = np.zeros(len(at)), spread.bias.copy()
    emptied = _emptied(profile)
    air_ul2 = drift.refills * drift.bubble_ul_refill**2 + (emptied * drift.bubble_ul_barrel) ** 2
    rows: Mapping[str, float] = {
        "consistency_kpa_sn": (drift.hours * drift.consistency_h) ** 2,
        "frame_stiffness_n_mm": drift.refills * drift.stiffness_refill**2,
        "bubble_ul": air_ul2 / bubble_ul**2,
        "seal_friction_n": (emptied * drift.seal_n_barrel) ** 2,
    }
    for name, variance in rows.items():
        added[at[name]] += variance
    warmer_c = _warmer_c(profile, drift)
    thinner = drift.consistency_c * warmer_c
    bias[at["consistency_kpa_sn"]] -= thinner
    added[at["consistency_kpa_sn"]] += (THERMAL_DOUBT * thinner) ** 2
    return replace(spread, covariance=spread.covariance + np.diag(added), bias=bias)


def _records_of(profile: Profile) -> dict[str, TuningRecord]:
    """The trial that tells each constant, as the profile was read."""
    used = [record for record in profile.history if record.use]
    paste, tip = paste_key(profile.paste), tip_key(profile.tip)
    groups = (
        (MACHINE, used),
        (OF_PASTE, [record for record in used if record.paste == paste]),
        (OF_FLOW, [record for record in used if record.paste == paste and record.tip == tip]),
    )
    return {
        name: record
        for names, records in groups
        for record in records
        for name in names
        if name in COUNTED and getattr(record, name) is not None
    }


def _variance(constant: Constant, record: TuningRecord | None, *, dated: bool) -> float:
    """Of one constant: the trial's covariance, its standard deviation, or the prior's."""
    if record is not None:
        if record.covariance is not None and constant.name in record.covariance.names:
            at = record.covariance.names.index(constant.name)
            return record.covariance.rows[at][at]
        sd: float | None = getattr(record, SDS.get(constant.name, ""), None)
        if sd is not None:
            return sd**2
    return (constant.sd * (DATED_SHARE if dated else 1.0)) ** 2


def _emptied(profile: Profile) -> float:
    """How much of a barrel's content was laid since the trial that told its air [-]."""
    record = _records_of(profile).get("bubble_ul")
    if record is None or record.fill_ul is None:
        return 0.0
    return max(record.fill_ul - profile.barrel.fill_ul, 0.0) / profile.barrel.capacity_ul


def _warmer_c(profile: Profile, drift: Drift) -> float:
    """How much warmer the paste is than at the trial that told its flow [°C]; 0 where nobody said."""
    record = _records_of(profile).get("consistency_kpa_sn")
    if record is None or record.temperature_c is None or drift.temperature_c is None:
        return 0.0
    return drift.temperature_c - record.temperature_c


def words_of(spread: Spread) -> str:
    """Return the spread in a sentence: how far stiffness, consistency, index and air may be off, one standard deviation."""
    named = (
        ("stiffness", "frame_stiffness_n_mm"),
        ("consistency", "consistency_kpa_sn"),
        ("flow index", "flow_index"),
        ("trapped air", "bubble_ul"),
    )
    told = ", ".join(f"{words} ±{spread.sd(name):.1%}" for words, name in named)
    return told if spread.tuned else f"this bench was never tuned: {told}"


def of_sds(sds: Mapping[str, float], *, scatter: float = 0.0) -> Spread:
    """Return a spread of constants that know nothing of each other, each with its standard deviation; others stand still."""
    return Spread(
        names=COUNTED,
        covariance=np.diag([sds.get(name, 0.0) ** 2 for name in COUNTED]),
        bias=np.zeros(len(COUNTED)),
        scatter=scatter,
        tuned=frozenset(),
    )

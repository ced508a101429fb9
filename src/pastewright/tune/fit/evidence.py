"""Constants and what was read from a sheet to residuals: predicted against measured, dot by dot, with derivatives.

    a dot that was measured     (ln V_model − ln V(d)) / σ        V(d) = d³·π·s·(3/4 + s²)/6, the cap of `deposit.shape`
    a dot that is missing       its drop was smaller than what the tip lets go: √(2·softplus(z)), censored data
    a dot that was refused      nothing, but that its paste is gone
    dots that were weighed      (ln ΣρV − ln m) / σ

A drop that the tip does not let go hangs there and lands with the next dot; paste drawn back must be made good
first. Which dots landed is known from the photo, so that this bookkeeping has no jumps in it.
"""

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from math import log, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pastewright.materials.cap import dot_volume_ul
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import AT, Floats
from pastewright.tune.fit.model import Flowed, Forward, score_of, setting_of
from pastewright.tune.fit.strokes import STRIP, turns_from_data
from pastewright.tune.record.measurements import DotReading, DotState, Measurements, Weighed
from pastewright.tune.sheet.model import Sheet

Ints = NDArray[np.int64]

# Spread of a dot's volume about the model [-, of ln V]: what pumps, seals and lumps of powder do (common practice: a
# few percent), and what the model itself may miss.
DOT_SPREAD = 0.04
MODEL_SPREAD = 0.01

# Error of a diameter where the reader states none [-].
DIAMETER_SPREAD = 0.01

# What all diameters have in common where nobody says that they have [-]: next to nothing, but a spread all the same.
NO_PHOTO_SD = 1e-4

# Spread of a weighing, the paste's density included [-].
WEIGHING_SPREAD = 0.015

# Over how much of a volume, in logarithms, a tip comes to let go.
LETTING_GO = 0.12

# Drops below this share of the smallest dose are as good as none; keeps logarithms finite.
NOTHING_SHARE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What is known of each turn after the strip: `state`, ln of the diameter, the error of ln V that the reader states,
    and the error that it counts with: that, the dots' own scatter, and what the model may miss.

    What all dots of a photo have in common is in neither: `shared_sd` [-, of the diameter], a constant of the sheet.
    """

    index: Ints
    measured: NDArray[np.bool_]
    missing: NDArray[np.bool_]
    log_diameter: Floats
    read_spread: Floats
    spread: Floats
    shared_sd: float


def landed_ul(out: Floats, back: Floats, missing: NDArray[np.bool_]) -> Floats:
    """Return what lay at the tip, ready to land, at each turn after the strip, turns × lanes [µL].

    `out` and `back` are those of all turns, the strip's first. What did not land (`missing`) waits for the next turn.
    """
    drops = np.empty_like(out[1:])
    carried = np.zeros(out.shape[1])
    for turn in range(drops.shape[0]):
        drop = carried + out[turn + 1]
        drops[turn] = drop
        stays = drop if missing[turn] else np.minimum(drop, 0.0)
        carried = stays - back[turn + 1]
    return drops


class Evidence:
    """One sheet and what was read from it; gives residuals for vectors of constants."""

    def __init__(self, sheet: Sheet, measurements: Measurements, profile: Profile, *, file: str = "") -> None:
        if measurements.sheet and measurements.sheet != sheet.name:
            raise one_error(
                f"these dots were read from the sheet {measurements.sheet}, the sheet is {sheet.name}",
                "Give the sheet.json and the dots.csv of one sheet.",
                file=file,
            )
        turns = turns_from_data(sheet.process, file=file)
        by_index = {reading.index: reading for reading in measurements.readings}
        known = {dot.index for dot in sheet.dots}
        # Nothing after the last dot tells of a dot.
        last = max(place for place, turn in enumerate(turns) if turn.index in known)
        turns = turns[: last + 1]
        if turns[0].index != STRIP:
            raise one_error("the sheet's record does not begin with the settling strip", file=file)
        self.sheet = sheet
        self.dots = known
        self.turns = turns
        self.forward = Forward(score_of(turns), setting_of(profile))
        self.reading = _reading([turn.index for turn in turns[1:]], by_index, known)
        if self.reading.measured.sum() < 12:
            raise one_error(
                f"{int(self.reading.measured.sum())} dots of the sheet were measured; a fit needs 12 or more",
                "Take another photo, or lay the sheet again with a wider tip or larger doses.",
                file=file,
            )
        self.bore_mm = profile.tip.bore_mm
        self.density_mg_ul = profile.paste.density_g_cm3
        self.weighed = measurements.weighed
        doses = [dot.dose_ul for dot in sheet.dots]
        self.nothing_ul = NOTHING_SHARE * min(doses)
        self._last: tuple[bytes, Flowed] | None = None

    def with_scatter(self, scatter: float) -> "Evidence":
        """Return the same evidence where single dots scatter by so much [-, of ln V]."""
        other = copy(self)
        other.reading = replace(self.reading, spread=_counted(self.reading.read_spread, scatter))
        return other

    @property
    def photo_sd(self) -> float:
        """What all diameters read from the sheet may be off by together [-]: one standard error."""
        return self.reading.shared_sd

    @property
    def seconds(self) -> float:
        """How long the sheet's dots take [s]."""
        return sum(turn.seconds for turn in self.turns)

    @property
    def count(self) -> int:
        """How many residuals there are."""
        reading = self.reading
        return 2 * int(reading.measured.sum()) + int(reading.missing.sum()) + (self.weighed is not None)

    def flowed(self, seen: Floats) -> Flowed:
        """Return what the model lets flow; the last answer is remembered."""
        key = seen.tobytes()
        if self._last is None or self._last[0] != key:
            self._last = (key, self.forward.run(seen))
        return self._last[1]

    def drops_ul(self, seen: Floats) -> Floats:
        """Return the volume that lay at the tip, ready to land, at each turn after the strip [µL]."""
        flowed = self.flowed(seen)
        drops: Floats = self._drops(flowed.out_ul, flowed.back_ul)[:, 0]
        return drops

    def residuals(self, seen: Floats, *, keep: NDArray[np.bool_] | None = None) -> Floats:
        """Return the residuals; `keep` picks turns (after the strip)."""
        flowed = self.flowed(seen)
        rows: Floats = self._residuals(flowed.out_ul, flowed.back_ul, seen[None, :], keep)[:, 0]
        return rows

    def survey(self, seen: Floats) -> Floats:
        """Return the residuals for many vectors of constants, lanes × constants: residuals × lanes."""
        flowed = self.forward.run(seen)
        return self._residuals(flowed.out_ul, flowed.back_ul, seen, None)

    def slopes(
        self,
        seen: Floats,
        active: Sequence[int],
        *,
        keep: NDArray[np.bool_] | None = None,
        one_sided: bool = False,
        nudges: Floats | None = None,
    ) -> tuple[Floats, Floats]:
        """Return residuals and their derivatives by the constants `active`, residuals × constants."""
        flowed, by_out, by_back = self.forward.slopes(
            seen, active, one_sided=one_sided, nudges=nudges, here=self.flowed(seen)
        )
        step = 1e-5
        out = np.concatenate([flowed.out_ul, flowed.out_ul + step * by_out], axis=1)
        back = np.concatenate([flowed.back_ul, flowed.back_ul + step * by_back], axis=1)
        lanes = np.repeat(seen[None, :], 1 + len(active), axis=0)
        lanes[np.arange(1, 1 + len(active)), list(active)] += step
        rows = self._residuals(out, back, lanes, keep)
        return rows[:, 0], (rows[:, 1:] - rows[:, :1]) / step

    @property
    def rows(self) -> Ints:
        """The sheet's row of each turn after the strip; -1 for odd dots and beads."""
        row = {dot.index: dot.row for dot in self.sheet.lattice}
        return np.array([row.get(index, -1) for index in self.reading.index.tolist()])

    def compared(self, seen: Floats, *, sheet: int) -> list[dict[str, Any]]:
        """Return model and measurement of each measured dot, as fields of `fit.DotResidual`."""
        reading, rows = self.reading, self.rows
        drops = self.drops_ul(seen)
        positive = (drops + np.sqrt(drops * drops + 4 * self.nothing_ul**2)) / 2 + 1e-12
        shape = float(np.exp(seen[AT["dot_shape_ratio"]]))
        true_log = reading.log_diameter - float(seen[AT["photo_width"]])
        measured = dot_volume_ul(1.0, shape) * np.exp(3 * true_log)
        return [
            {
                "sheet": sheet,
                "index": int(reading.index[at]),
                "row": int(rows[at]),
                "model_ul": float(positive[at]),
                "measured_ul": float(measured[at]),
                "pull": float((np.log(measured[at]) - np.log(positive[at])) / reading.spread[at]),
            }
            for at in np.flatnonzero(reading.measured).tolist()
        ]

    def _on_the_scale(self, weighed: Weighed) -> tuple[float, NDArray[np.bool_]]:
        """Return a mass [mg] and the turns that make it up.

        A weighing of as many dots as the sheet has, or as landed, or of several such sheets, is of all that landed,
        also of what no photo could measure; one of another number gives the mean of the dots that were measured.
        """
        dots = np.array([index in self.dots for index in self.reading.index.tolist()])
        landed = dots & ~self.reading.missing
        whole = len(self.dots)
        if int(self.reading.measured.sum()) <= weighed.dots <= whole:
            return weighed.mass_mg, landed
        if weighed.dots % whole == 0:
            return weighed.mass_mg * whole / weighed.dots, landed
        return weighed.mean_mg * int(self.reading.measured.sum()), self.reading.measured

    def _drops(self, out: Floats, back: Floats) -> Floats:
        return landed_ul(out, back, self.reading.missing)

    def _residuals(self, out: Floats, back: Floats, lanes: Floats, keep: NDArray[np.bool_] | None) -> Floats:
        reading = self.reading
        drops = self._drops(out, back)
        positive = (drops + np.sqrt(drops * drops + 4 * self.nothing_ul**2)) / 2 + 1e-12
        log_drop = np.log(positive)
        shape = np.exp(lanes[:, AT["dot_shape_ratio"]])
        log_cap = np.log(dot_volume_ul(np.ones(1), shape))
        least_mm = np.exp(lanes[:, AT["smallest_dot_bores"]]) * self.bore_mm
        beyond = (log_drop - log_cap - 3 * np.log(least_mm)) / LETTING_GO
        seen_log = log_cap + 3 * (reading.log_diameter[:, None] - lanes[:, AT["photo_width"]])
        kept = np.ones(len(reading.index), dtype=bool) if keep is None else keep
        lay, gone = reading.measured & kept, reading.missing & kept
        rows = [
            (log_drop[lay] - seen_log[lay]) / reading.spread[lay, None],
            np.sqrt(2 * np.logaddexp(0.0, -beyond[lay])),
            np.sqrt(2 * np.logaddexp(0.0, beyond[gone])),
        ]
        if self.weighed is not None:
            mass_mg, on_scale = self._on_the_scale(self.weighed)
            there_mg = self.density_mg_ul * positive[on_scale].sum(axis=0)
            rows.append(((np.log(there_mg) - log(mass_mg)) / WEIGHING_SPREAD)[None, :])
        return np.concatenate(rows)


def _reading(order: Sequence[int], by_index: Mapping[int, DotReading], dots: set[int]) -> Reading:
    count = len(order)
    measured, missing = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    log_d, read, shared = np.zeros(count), np.zeros(count), np.zeros(count)
    for place, index in enumerate(order):
        one = by_index.get(index)
        if one is None or index not in dots:
            continue
        missing[place] = one.state is DotState.MISSING
        if one.state is DotState.MEASURED and one.diameter_mm:
            measured[place] = True
            log_d[place] = log(one.diameter_mm)
            share = (one.sigma_mm or DIAMETER_SPREAD * one.diameter_mm) / one.diameter_mm
            shared[place] = min(one.shared_sd or 0.0, share)
            read[place] = 3 * sqrt(share**2 - shared[place] ** 2)
    return Reading(
        index=np.array(order, dtype=np.int64),
        measured=measured,
        missing=missing,
        log_diameter=log_d,
        read_spread=read,
        spread=_counted(read, DOT_SPREAD),
        shared_sd=max(float(np.median(shared[measured])) if measured.any() else 0.0, NO_PHOTO_SD),
    )


def _counted(read: Floats, scatter: float) -> Floats:
    """The error of ln V that each dot counts with [-]."""
    whole: Floats = np.sqrt(scatter**2 + MODEL_SPREAD**2 + read * read)
    return whole

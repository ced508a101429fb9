"""Commanded strokes and constants to what leaves the tip, turn by turn, with the memory from one turn to the next.

The score of a sheet and vectors of the fit go in; `chain` does the physics. Derivatives by the constants are differences
of whole runs, which are cheap: a run of a sheet takes about a millisecond.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np
from numpy.typing import NDArray

from pastewright.profile.model import Profile
from pastewright.profile.strength import N_PER_KPA_MM2
from pastewright.tune.fit.chain import LANE, chains
from pastewright.tune.fit.constants import AT, CONSTANTS, UNFELT
from pastewright.tune.fit.strokes import Turn

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Steps of a stroke and of a wait.
STROKE_STEPS = 18
WAIT_STEPS = 9

# Differences are taken this far from a vector of the fit, either way.
NUDGE = 1e-4
# Of the seal's friction [N]: a seal that hardly grips is followed by other steps than one that does not at all, and a small
# difference would tell of these alone.
SEAL_NUDGE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBench:
    """What is known of the bench and not fitted: barrel, paste's own stiffness, tip."""

    area_mm2: float
    fill_ul: float
    bulk_modulus_kpa: float
    radius_mm: float
    length_mm: float


def setting_of(profile: Profile) -> KnownBench:
    """Return what the model takes from a profile as known."""
    return KnownBench(
        area_mm2=profile.barrel.area_mm2,
        fill_ul=profile.barrel.fill_ul,
        bulk_modulus_kpa=profile.paste.bulk_modulus_kpa,
        radius_mm=profile.tip.radius_mm,
        length_mm=profile.tip.length_mm,
    )


@dataclass(frozen=True)
class Score:
    """The turns of a sheet as arrays."""

    turns: tuple[Turn, ...]

    @cached_property
    def counts(self) -> Ints:
        """How many strokes each turn has."""
        return np.array([len(turn.strokes) for turn in self.turns], dtype=np.int64)

    @cached_property
    def strokes(self) -> Floats:
        """Commanded way [mm], time [s] and ramps [s] of each stroke, turns × most strokes × 3; zero where none is."""
        table = np.zeros((len(self.turns), int(self.counts.max()), 3))
        for row, turn in enumerate(self.turns):
            table[row, : len(turn.strokes)] = [(s.delta_mm, s.seconds, s.rise_s) for s in turn.strokes]
        return table

    @cached_property
    def delta_mm(self) -> Floats:
        """Commanded way of each stroke [mm], turns × strokes."""
        ways: Floats = self.strokes[:, :, 0]
        return ways

    @cached_property
    def idle_s(self) -> Floats:
        """How long the plunger stands before each turn [s]."""
        return np.array([turn.idle_s for turn in self.turns])

    @cached_property
    def clock(self) -> Floats:
        """Share of the sheet's time that has passed when a turn begins [-]."""
        ends: Floats = np.cumsum([turn.seconds for turn in self.turns])
        shares: Floats = (ends - ends[0]) / max(float(ends[-1] - ends[0]), 1e-9)
        return shares

    @cached_property
    def begin_mm(self) -> Floats:
        """Commanded position before each turn [mm]."""
        ends: Floats = np.cumsum(self.delta_mm.sum(axis=1))
        begins: Floats = ends - self.delta_mm.sum(axis=1)
        return begins


def score_of(turns: Sequence[Turn]) -> Score:
    """Return turns ready for the model."""
    return Score(tuple(turns))


@dataclass(frozen=True, slots=True)
class Flowed:
    """Per turn and lane [µL]: paste that came out and that was drawn back, and the state at the turn's end: what is
    stored under pressure, and what the seal's grip holds in the frame's spring. `peak_kpa` is the turn's highest pressure.

    `out_ul` is the most that had come out at any moment since the tip went down, less what was drawn back before: so
    much lies on the board. What is drawn back after that moment leaves it there, and a void for the next deposit.
    """

    out_ul: Floats
    back_ul: Floats
    stored_ul: Floats
    held_ul: Floats
    peak_kpa: Floats


def _named(seen: Floats) -> dict[str, Floats]:
    """The constants of vectors of the fit as they are, a lane an entry."""
    return {
        c.name: np.exp(column) if c.logarithmic else column
        for c, column in zip(CONSTANTS, seen.T, strict=True)
    }


class Forward:
    """The model of one sheet: a score on a setting. Call with vectors of constants."""

    def __init__(self, score: Score, setting: KnownBench, *, finer: int = 1) -> None:
        self.score = score
        self.setting = setting
        self.steps = (STROKE_STEPS * finer, WAIT_STEPS * finer)

    def run(self, seen: Floats) -> Flowed:
        """Return what flows for vectors of constants, lanes × constants (or one alone): turns × lanes."""
        lanes = np.atleast_2d(seen)
        named = _named(lanes)
        score, setting = self.score, self.setting
        used_ul = np.maximum(score.begin_mm, 0.0) * setting.area_mm2
        paste = np.maximum(setting.fill_ul - used_ul, 0.0) / setting.bulk_modulus_kpa
        thick = -named["thinning"] * score.clock[:, None]
        # K^(−1/n), with K as it is at this turn.
        fluidity = np.exp(-(np.log(named["consistency_kpa_sn"]) + thick) / named["flow_index"])
        found = chains(score.strokes, score.counts, (paste, fluidity), self.lanes(lanes), self.steps)
        return Flowed(*found)

    def lanes(self, seen: Floats) -> Floats:
        """Return benches as `chain` wants them, lanes × `LANE`, from vectors of constants, lanes × constants."""
        named = _named(seen)
        area, radius, length = self.setting.area_mm2, self.setting.radius_mm, self.setting.length_mm
        stiffness, yields, index = (
            named[name] for name in ("frame_stiffness_n_mm", "yield_stress_kpa", "flow_index")
        )
        table = np.empty((seen.shape[0], LANE))
        columns: tuple[Floats | float, ...] = (
            area * named["gain"],
            named["backlash_mm"],
            named["bubble_ul"],
            area**2 * N_PER_KPA_MM2 / stiffness,
            area * np.maximum(named["seal_friction_n"], 0.0) / stiffness,
            yields,
            radius / (2 * length),
            named["start"] * 2 * length * yields / radius,
            named["standing"] / index,
            named["building_s"],
            named["breaking_strain"] * pi * radius**3 / 4,
            1 / index,
            pi * radius**3,
            index / (3 * index + 1),
            2 * index * yields / (2 * index + 1),
            index * yields**2 / (index + 1),
        )
        for at, values in enumerate(columns):
            table[:, at] = values
        return table

    def slopes(
        self,
        seen: Floats,
        active: Sequence[int],
        *,
        one_sided: bool = False,
        nudges: Floats | None = None,
        here: Flowed | None = None,
    ) -> tuple[Flowed, Floats, Floats]:
        """Return what flows for one vector, and the derivatives of `out_ul` and `back_ul` by the constants `active`,
        turns × constants; `one_sided` in half the time, good enough for a step of a search. `nudges`, one a constant, are
        how far either way the differences go where they are more than usual; `here` is what flows at the vector, if known.
        """
        felt = [place for place, at in enumerate(active) if at not in UNFELT]
        count, moved = len(felt), [active[place] for place in felt]
        steps = np.zeros((count, seen.size))
        steps[np.arange(count), moved] = [
            SEAL_NUDGE if at == AT["seal_friction_n"] and seen[at] < SEAL_NUDGE else NUDGE for at in moved
        ]
        if nudges is not None:
            steps = np.maximum(steps, np.where(steps > 0, nudges, 0.0))
        up, down = seen + steps, seen - steps
        # A seal grips or it does not; it never pushes.
        down[:, AT["seal_friction_n"]] = np.maximum(down[:, AT["seal_friction_n"]], 0.0)
        below = seen[None, :] if one_sided else down
        apart = (up - below)[np.arange(count), moved]
        flowed = self.run(seen) if here is None else here
        moved_there = self.run(up if one_sided else np.concatenate([up, down]))
        by_out, by_back = (np.zeros((len(self.score.turns), len(active))) for _ in range(2))
        for by, values, at_rest in (
            (by_out, moved_there.out_ul, flowed.out_ul),
            (by_back, moved_there.back_ul, flowed.back_ul),
        ):
            lower = at_rest if one_sided else values[:, count:]
            by[:, felt] = (values[:, :count] - lower) / apart
        return flowed, by_out, by_back

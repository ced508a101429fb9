"""Commanded strokes and constants to what leaves the tip, turn by turn, with the memory from one turn to the next.

    dS/dt = q(t) − Q(P(S))       S(P) = c·P + V_air·P/(P0 + P)      c = A²/k + V_paste/K_bulk

as in `plunger`, with two things that planned cycles never meet but badly known benches do: below −P_y paste is drawn
back through the tip, and the bubble follows Boyle down to vacuum.

Turns hang together by one number, what is stored when a turn begins. So all turns are integrated at once, from guessed
starts, together with the slope of each end over its start; the chain of these straight lines gives better starts, and
so on (Newton on the chain: multiple shooting; after m rounds the first m turns are exact, and a few rounds do). The
derivatives of the whole chain by the constants then cost one more integration, with a column for each constant.

Steps are exponential Rosenbrock of third order (Hochbruck and Ostermann, Exponential integrators, Acta Numerica 19
(2010), scheme exprb32), which stay stable on benches far stiffer than anyone expects; fits wander.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import pi

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.storage import ATMOSPHERE_KPA, N_PER_KPA_MM2
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import AT, CONSTANTS
from pastewright.tune.fit.strokes import Turn

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Steps of a stroke and of a wait. Volumes of dots then stay within 0.3 % of those with eight times as many (tests).
STROKE_STEPS = 14
WAIT_STEPS = 9
# A wait begins with the shortest time constants and ends with the longest: each step is so many times the one before.
WAIT_GROWTH = 1.7

# Standing for this long has half the effect of standing for ever (from memory: structure of pastes comes back in
# seconds to minutes).
STANDING_S = 10.0

ROUNDS = 25
CHAIN_SHARE = 3e-4  # of the smallest turn's sweep: how well the chain must close
NUDGE = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What is known of the bench and not fitted: barrel, paste's own stiffness, tip."""

    area_mm2: float
    fill_ul: float
    bulk_modulus_kpa: float
    radius_mm: float
    length_mm: float


def setting_of(profile: Profile) -> Setting:
    """Return what the model takes from a profile as known."""
    return Setting(
        area_mm2=profile.barrel.area_mm2,
        fill_ul=profile.barrel.fill_ul,
        bulk_modulus_kpa=profile.paste.bulk_modulus_kpa,
        radius_mm=profile.tip.radius_mm,
        length_mm=profile.tip.length_mm,
    )


@dataclass(frozen=True)
class Score:
    """The turns of a sheet as arrays, turns × most strokes of any; strokes a turn has not are all zero."""

    turns: tuple[Turn, ...]

    @cached_property
    def counts(self) -> Ints:
        """How many strokes each turn has."""
        return np.array([len(turn.strokes) for turn in self.turns])

    def _array(self, name: str) -> Floats:
        table = np.zeros((len(self.turns), int(self.counts.max())))
        for row, turn in enumerate(self.turns):
            table[row, : len(turn.strokes)] = [getattr(stroke, name) for stroke in turn.strokes]
        return table

    @cached_property
    def delta_mm(self) -> Floats:
        """Commanded way of each stroke [mm], turns × strokes."""
        return self._array("delta_mm")

    @cached_property
    def seconds(self) -> Floats:
        """How long each stroke lasts [s]."""
        return self._array("seconds")

    @cached_property
    def rise_s(self) -> Floats:
        """How long the ramps of each stroke are [s]."""
        return self._array("rise_s")

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
    def position_mm(self) -> Floats:
        """Commanded position before each stroke [mm], turns × strokes."""
        after = np.cumsum(self.delta_mm.ravel()).reshape(self.delta_mm.shape)
        return after - self.delta_mm


def score_of(turns: Sequence[Turn]) -> Score:
    """Return turns ready for the model."""
    return Score(tuple(turns))


@dataclass(frozen=True, slots=True)
class Flowed:
    """Per turn and lane: paste that came out and that was drawn back [µL], and what is stored at the end [µL].

    What was drawn back on the way to the deposit is taken off `out_ul`: it is missing in this deposit already. What is
    drawn back later is missing in the next.

    `slope_*` are their derivatives by what was stored when the turn began.
    """

    out_ul: Floats
    back_ul: Floats
    end_ul: Floats
    slope_out: Floats
    slope_back: Floats
    slope_end: Floats


@dataclass(frozen=True, slots=True)
class Lanes:
    """Constants as arrays, one entry a lane (a set of constants), as the integration wants them."""

    seen: Floats
    setting: Setting

    def column(self, name: str) -> Floats:
        """Return one constant as it is, a lane an entry."""
        values: Floats = self.seen[:, AT[name]]
        return np.exp(values) if CONSTANTS[AT[name]].logarithmic else values


class Forward:
    """The model of one sheet: a score on a setting. Call with vectors of constants."""

    def __init__(self, score: Score, setting: Setting, *, finer: int = 1) -> None:
        self.score = score
        self.setting = setting
        self._finer = finer

    def run(self, seen: Floats, guess_ul: Floats | None = None) -> tuple[Flowed, Floats]:
        """Return what flowed for one vector of constants, and what was stored when each turn began [µL].

        `guess_ul` is such a vector of starts from a run nearby.
        """
        lanes = Lanes(np.atleast_2d(seen), self.setting)
        bench = _Bench(self.score, lanes, self._finer)
        first = float(bench.start_ul()[0])
        starts = np.full(len(self.score.turns), first) if guess_ul is None else guess_ul.copy()
        starts[0] = first
        smallest = float(np.abs(self.score.delta_mm.sum(axis=1)).min()) * self.setting.area_mm2
        goal = CHAIN_SHARE * max(smallest, 1e-3)
        for _ in range(ROUNDS):
            flowed = bench.flowed(starts[:, None])
            ends, slopes = flowed.end_ul[:, 0], np.clip(flowed.slope_end[:, 0], 0.0, 1.0)
            better = np.empty_like(starts)
            better[0] = first
            for turn in range(1, starts.size):
                before = turn - 1
                better[turn] = ends[before] + slopes[before] * (better[before] - starts[before])
            if float(np.abs(better - starts).max()) <= goal:
                return flowed, starts
            starts = better
        starts = self._one_by_one(bench, first)
        return bench.flowed(starts[:, None]), starts

    def _one_by_one(self, bench: "_Bench", first: float) -> Floats:
        """The chain, turn after turn: slow, and sure."""
        starts = np.full(len(self.score.turns), first)
        for turn in range(1, starts.size):
            starts[turn] = bench.flowed(starts[:, None], rows=slice(turn - 1, turn)).end_ul[0, 0]
        return starts

    def slopes(
        self, seen: Floats, starts_ul: Floats, flowed: Flowed, active: Sequence[int]
    ) -> tuple[Floats, Floats, Floats]:
        """Return the derivatives of `out_ul`, `back_ul` and the starts by the constants `active`, turns × constants."""
        step = np.zeros((len(active), seen.size))
        step[np.arange(len(active)), list(active)] = NUDGE
        there = _Bench(self.score, Lanes(seen + step, self.setting), self._finer)
        starts = np.broadcast_to(starts_ul[:, None], (starts_ul.size, len(active)))
        moved = there.flowed(starts, with_slopes=False)
        by_out = (moved.out_ul - flowed.out_ul) / NUDGE
        by_back = (moved.back_ul - flowed.back_ul) / NUDGE
        by_end = (moved.end_ul - flowed.end_ul) / NUDGE
        here = _Bench(self.score, Lanes(seen[None, :], self.setting), self._finer)
        along = (there.start_ul() - here.start_ul()) / NUDGE
        out, back, begun = np.empty_like(by_out), np.empty_like(by_back), np.empty_like(by_out)
        for turn in range(starts_ul.size):
            begun[turn] = along
            out[turn] = by_out[turn] + flowed.slope_out[turn] * along
            back[turn] = by_back[turn] + flowed.slope_back[turn] * along
            along = by_end[turn] + flowed.slope_end[turn] * along
        return out, back, begun


class _Bench:
    """All turns of a score on some lanes, integrated side by side; arrays are turns × lanes."""

    def __init__(self, score: Score, lanes: Lanes, finer: int) -> None:
        self.score = score
        self.finer = finer
        setting = lanes.setting
        self.radius, self.length = setting.radius_mm, setting.length_mm
        self.per_mm = setting.area_mm2 * lanes.column("gain")
        self.backlash = lanes.column("backlash_mm")
        self.bubble = lanes.column("bubble_ul")
        self.index = lanes.column("flow_index")
        self.yield_stress = lanes.column("yield_stress_kpa")
        self.start = lanes.column("start")
        used = np.maximum(score.position_mm[:, :1], 0.0) * setting.area_mm2
        paste = np.maximum(setting.fill_ul - used, 0.0)
        frame = setting.area_mm2**2 * N_PER_KPA_MM2 / lanes.column("frame_stiffness_n_mm")
        self.linear = frame + paste / setting.bulk_modulus_kpa
        stood = score.idle_s / (score.idle_s + STANDING_S)
        thick = lanes.column("standing") * stood[:, None] - lanes.column("thinning") * score.clock[:, None]
        # K^(−1/n), with K as it is at this turn.
        log_k = np.log(lanes.column("consistency_kpa_sn")) + thick
        self.fluidity = np.exp(-log_k / self.index)
        self.dead = self._play()

    def start_ul(self) -> Floats:
        """What is stored before the first turn [µL], one a lane."""
        pressure = self.start * 2 * self.length * self.yield_stress / self.radius
        air = self.bubble * pressure / (ATMOSPHERE_KPA + np.maximum(pressure, -0.9 * ATMOSPHERE_KPA))
        stored: Floats = self.linear[0] * pressure + air
        return stored

    def _play(self) -> Floats:
        """Way of the motor [mm] in each stroke before the plunger follows, turns × strokes × lanes.

        The plunger stands while the motor crosses the slack; the program begins as after a retraction.
        """
        score = self.score
        dead = np.zeros((*score.delta_mm.shape, self.backlash.size))
        follower = self.backlash.copy()  # within [motor, motor + backlash]
        for row in range(len(score.turns)):
            for slot in range(int(score.counts[row])):
                delta = score.delta_mm[row, slot]
                if delta == 0:
                    continue
                after = score.position_mm[row, slot] + delta
                moved = np.minimum(np.maximum(follower, after), after + self.backlash) - follower
                dead[row, slot] = abs(delta) - np.abs(moved)
                follower = follower + moved
        return dead

    def flowed(self, starts_ul: Floats, *, rows: slice = slice(None), with_slopes: bool = True) -> Flowed:
        """Return what flows from these starts [µL], turns × lanes (those of `rows`)."""
        starts = starts_ul[rows]
        lanes = starts.shape[1]
        if with_slopes:
            reach = np.maximum(np.abs(starts), 0.05) * NUDGE
            starts = np.concatenate([starts, starts + reach], axis=1)
        stored, out, back = self._integrated(starts, rows, starts.shape[1] // lanes)
        if not with_slopes:
            nothing = np.zeros_like(out)
            return Flowed(out, back, stored, nothing, nothing, nothing)
        ends, outs, backs = (
            (array[:, :lanes], (array[:, lanes:] - array[:, :lanes]) / reach) for array in (stored, out, back)
        )
        return Flowed(outs[0], backs[0], ends[0], outs[1], backs[1], ends[1])

    def _integrated(self, starts: Floats, rows: slice, copies: int) -> tuple[Floats, Floats, Floats]:
        stored = starts.copy()
        out, back = np.zeros_like(stored), np.zeros_like(stored)
        counts = self.score.counts[rows]
        for slot in range(int(counts.max())):
            here = np.flatnonzero(counts > slot)
            part = _Part(self, rows, here, copies)
            still = self.score.delta_mm[rows][here, slot] == 0
            for members, steps, before in (
                (here[still], WAIT_STEPS * self.finer, slot == 0),
                (here[~still], STROKE_STEPS * self.finer, False),
            ):
                if not members.size:
                    continue
                part = _Part(self, rows, members, copies)
                stored[members], forth, drawn = part.through(stored[members], slot, steps)
                out[members] += forth
                if before:
                    out[members] -= drawn
                else:
                    back[members] += drawn
        return stored, out, back


class _Part:
    """Some turns of a bench while they go through one slot of their strokes together."""

    def __init__(self, bench: _Bench, rows: slice, members: Ints, copies: int) -> None:
        self.bench, self.rows, self.members, self.copies = bench, rows, members, copies
        self.linear = self._of_turns(bench.linear)
        self.fluidity = self._of_turns(bench.fluidity)
        self.bubble = np.tile(bench.bubble, copies)
        self.index = np.tile(bench.index, copies)
        self.yield_stress = np.tile(bench.yield_stress, copies)
        self.per_mm = np.tile(bench.per_mm, copies)
        self.power = 1 / self.index
        self.shape = (
            1 / (3 * self.index + 1),
            2 * self.yield_stress / (2 * self.index + 1),
            self.yield_stress**2 / (self.index + 1),
        )
        self.to_wall = bench.radius / (2 * bench.length)
        self.whole = pi * bench.radius**3
        self.cubed = self.linear * ATMOSPHERE_KPA

    def _of_turns(self, table: Floats) -> Floats:
        chosen: Floats = np.broadcast_to(table, (len(self.bench.score.turns), self.bench.per_mm.size))
        return np.tile(chosen[self.rows][self.members], (1, self.copies))

    def through(self, stored: Floats, slot: int, steps: int) -> tuple[Floats, Floats, Floats]:
        """Return what is stored after the stroke or wait, what came out in it, and what was drawn back [µL]."""
        score, members, rows = self.bench.score, self.members, self.rows
        delta = score.delta_mm[rows][members, slot][:, None]
        seconds = score.seconds[rows][members, slot][:, None]
        rise = score.rise_s[rows][members, slot][:, None]
        dead = np.tile(self.bench.dead[rows][members, slot], (1, self.copies))
        moving = bool(np.any(delta != 0))
        if moving:
            marks = np.linspace(0.0, 1.0, steps + 1)
        else:
            growth = WAIT_GROWTH ** (1 / self.bench.finer)
            marks = np.cumsum(np.concatenate([[0.0], growth ** np.arange(steps)]))
            marks /= marks[-1]
        out, back = np.zeros_like(stored), np.zeros_like(stored)
        sign = np.sign(delta) * self.per_mm
        way_before = np.zeros_like(stored)
        for start, end in pairwise(marks.tolist()):
            h = seconds * (end - start)
            if moving:
                way = np.maximum(np.abs(delta) * _walked(seconds * end, seconds, rise) - dead, 0.0)
                swept = sign * (way - way_before)
                way_before = way
            else:
                swept = 0.0
            after = self._step(stored, swept, h)
            came = swept - (after - stored)
            out += np.maximum(came, 0.0)
            back += np.maximum(-came, 0.0)
            stored = after
        return stored, out, back

    def _step(self, stored: Floats, swept: Floats | float, h: Floats) -> Floats:
        """One step of exprb32 with the sweep spread evenly over it."""
        flow, slope = self._flow(stored)
        z = -slope * h
        small = np.minimum(z, -1e-4)
        phi1 = np.expm1(small) / small
        phi3 = ((phi1 - 1.0) / small - 0.5) / small
        near = z > -1e-2
        phi1 = np.where(near, 1.0 + z * (0.5 + z / 6), phi1)
        phi3 = np.where(near, 1 / 6 + z / 24, phi3)
        guess = stored + phi1 * (swept - h * flow)
        there, _ = self._flow(guess)
        return guess + 2 * h * phi3 * (flow - there + slope * (guess - stored))

    def _flow(self, stored: Floats) -> tuple[Floats, Floats]:
        """Flow [µL/s] and its slope by what is stored [1/s]; see `plunger.flow` for the equations."""
        b = self.cubed + self.bubble - stored
        pressure = (np.sqrt(b * b + 4 * self.cubed * stored) - b) / (2 * self.linear)
        wall = np.abs(pressure) * self.to_wall
        excess = np.maximum(wall - self.yield_stress, 0.0)
        wall = np.maximum(wall, 1e-12)
        shear = self.fluidity * excess**self.power
        shape = excess * excess * self.shape[0] + excess * self.shape[1] + self.shape[2]
        flow = self.whole * self.index * shear * excess * shape / (wall * wall * wall)
        by_pressure = np.maximum(self.whole * shear - 3 * flow, 0.0) / wall * self.to_wall
        absolute = np.maximum(ATMOSPHERE_KPA + pressure, 1e-3)
        capacity = self.linear + self.bubble * ATMOSPHERE_KPA / (absolute * absolute)
        return np.copysign(flow, pressure), by_pressure / capacity


def _walked(at_s: Floats, seconds: Floats, rise_s: Floats) -> Floats:
    """Share of the way done at a time [-], for a trapezoid of `seconds` with ramps of `rise_s`."""
    rate = 1 / np.maximum(seconds - rise_s, 1e-12)
    ramp = np.maximum(rise_s, 1e-12)
    up = np.minimum(at_s, rise_s)
    down = np.maximum(at_s - (seconds - rise_s), 0.0)
    done: Floats = rate * ((at_s - up) + up * up / (2 * ramp) - down * down / (2 * ramp))
    return done

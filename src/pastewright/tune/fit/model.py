"""Commanded strokes and constants to what leaves the tip, turn by turn, with the memory from one turn to the next.

    dS/dt = q(t) − Q(P(S))       S(P) = c·P + V_air·P/(P0 + P)      c = A²/k + V_paste/K_bulk

as in `plunger`, with two things that planned cycles never meet but badly known benches do: below −P_y paste is drawn
back through the tip, and the bubble follows Boyle down to vacuum. The seal grips the plunger; what the frame's spring
takes up against it is held apart.

Turns hang together by two numbers, what is stored and what is held when a turn begins. So all turns are integrated at
once, from guessed starts, together with the slopes of each end over its start; the chain of these straight lines gives
better starts, and so on (Newton on the chain: multiple shooting; after m rounds the first m turns are exact, and a few
rounds do). The derivatives of the whole chain by the constants then cost one more integration, with a column for each.

Steps are exponential Rosenbrock of third order (Hochbruck and Ostermann, Exponential integrators, Acta Numerica 19
(2010), scheme exprb32), which stay stable on benches far stiffer than anyone expects; fits wander.

Longer than 400 lines because the equations, their derivatives and the chain are one calculation, written once for all turns.
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

# Steps of a stroke and of a wait. Volumes of dots then stay within 0.5 % of those with eight times as many, within
# 1.5 % with a seal that grips (tests).
STROKE_STEPS = 18
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
    """Per turn and lane [µL]: paste that came out and that was drawn back, and the state at the turn's end: what is
    stored under pressure, and what the seal's grip holds in the frame's spring.

    `out_ul` is the most that had come out at any moment since the tip went down, less what was drawn back before: so
    much lies on the board. What is drawn back after that moment leaves it there, and a void for the next deposit.

    `by_stored` and `by_held` are the derivatives of (out, back, stored, held) by the state when the turn began.
    """

    out_ul: Floats
    back_ul: Floats
    stored_ul: Floats
    held_ul: Floats
    by_stored: Floats
    by_held: Floats

    @property
    def values(self) -> Floats:
        """The four as one array, 4 × turns × lanes."""
        return np.stack([self.out_ul, self.back_ul, self.stored_ul, self.held_ul])


def _flowed(values: Floats, by_stored: Floats, by_held: Floats) -> Flowed:
    out, back, stored, held = values
    return Flowed(out, back, stored, held, by_stored, by_held)


@dataclass(frozen=True, slots=True)
class Starts:
    """The state when each turn begins [µL], one an entry or turns × lanes: stored under pressure, and held."""

    stored_ul: Floats
    held_ul: Floats

    def lanes(self, count: int) -> "Starts":
        """Return the same for so many lanes."""
        return Starts(*(np.tile(part[:, None], (1, count)) for part in (self.stored_ul, self.held_ul)))

    def moved(self, along: Floats) -> "Starts":
        """Return starts that are off by `along`, 2 × turns."""
        return Starts(self.stored_ul + along[0], self.held_ul + along[1])


@dataclass(frozen=True, slots=True)
class Lanes:
    """Constants as arrays, one entry a lane (a set of constants), as the integration wants them."""

    seen: Floats
    setting: KnownBench

    def column(self, name: str) -> Floats:
        """Return one constant as it is, a lane an entry."""
        values: Floats = self.seen[:, AT[name]]
        return np.exp(values) if CONSTANTS[AT[name]].logarithmic else values


class Forward:
    """The model of one sheet: a score on a setting. Call with vectors of constants."""

    def __init__(self, score: Score, setting: KnownBench, *, finer: int = 1) -> None:
        self.score = score
        self.setting = setting
        self._finer = finer

    def run(self, seen: Floats, guess: Starts | None = None) -> tuple[Flowed, Starts]:
        """Return what flowed for one vector of constants, and the state when each turn began.

        `guess` are such states from a run nearby.
        """
        bench = _Bench(self.score, Lanes(np.atleast_2d(seen), self.setting), self._finer)
        count = len(self.score.turns)
        first = np.array([bench.start_ul()[0], -bench.grip[0]])
        if guess is None:
            guess = Starts(np.full(count, first[0]), np.full(count, first[1]))
        now = np.stack([guess.stored_ul, guess.held_ul])
        now[:, 0] = first
        smallest = float(np.abs(self.score.delta_mm.sum(axis=1)).min()) * self.setting.area_mm2
        goal = CHAIN_SHARE * max(smallest, 1e-3)
        for _ in range(ROUNDS):
            flowed = bench.flowed(Starts(now[0], now[1]).lanes(1))
            better = _chained(flowed, now, float(bench.grip[0]))
            if float(np.abs(better - now).max()) <= goal:
                return flowed, Starts(now[0], now[1])
            now = better
        starts = self._one_by_one(bench, first)
        return bench.flowed(starts.lanes(1)), starts

    def survey(self, seen: Floats) -> tuple[Floats, Floats, Floats]:
        """Return `out_ul`, `back_ul` and the highest pressure [kPa], turns × lanes, for many vectors of constants,
        lanes × constants, at once.

        Turn after turn, which is the quickest way when lanes are many.
        """
        bench = _Bench(self.score, Lanes(seen, self.setting), self._finer)
        count = len(self.score.turns)
        stored, held = bench.start_ul()[None, :], -bench.grip[None, :]
        out, back, peak = (np.empty((count, seen.shape[0])) for _ in range(3))
        for turn in range(count):
            rows = slice(turn, turn + 1)
            out[rows], back[rows], stored, held, most = bench.integrated(stored, held, rows, 1)
            peak[rows] = bench.pressure_kpa(most, rows)
        return out, back, peak

    def _one_by_one(self, bench: "_Bench", first: Floats) -> Starts:
        """The chain, turn after turn: slow, and sure."""
        count = len(self.score.turns)
        starts = Starts(np.full(count, first[0]), np.full(count, first[1]))
        for turn in range(1, count):
            flowed = bench.flowed(starts.lanes(1), rows=slice(turn - 1, turn), with_slopes=False)
            starts.stored_ul[turn], starts.held_ul[turn] = flowed.stored_ul[0, 0], flowed.held_ul[0, 0]
        return starts

    def slopes(
        self, seen: Floats, starts: Starts, flowed: Flowed, active: Sequence[int]
    ) -> tuple[Floats, Floats, Floats]:
        """Return the derivatives of `out_ul`, `back_ul` (turns × constants) and of the starts (2 × turns × constants)
        by the constants `active`.
        """
        step = np.zeros((len(active), seen.size))
        step[np.arange(len(active)), list(active)] = NUDGE
        there = _Bench(self.score, Lanes(seen + step, self.setting), self._finer)
        moved = there.flowed(starts.lanes(len(active)), with_slopes=False)
        direct = (moved.values - flowed.values) / NUDGE
        here = _Bench(self.score, Lanes(seen[None, :], self.setting), self._finer)
        along = np.stack([there.start_ul() - here.start_ul(), here.grip - there.grip]) / NUDGE
        turns = starts.stored_ul.size
        out, back = np.empty(direct.shape[1:]), np.empty(direct.shape[1:])
        begun = np.empty((2, *direct.shape[1:]))
        for turn in range(turns):
            begun[:, turn] = along
            ends = direct[:, turn] + flowed.by_stored[:, turn] * along[0] + flowed.by_held[:, turn] * along[1]
            out[turn], back[turn], along = ends[0], ends[1], ends[2:]
        return out, back, begun


def _chained(flowed: Flowed, now: Floats, grip_ul: float) -> Floats:
    """Return better starts, 2 × turns: each is where the turn before ends, after its own better start."""
    ends = flowed.values[2:, :, 0]
    # Steeper than this only where a turn is about to change its kind; a straight line leads astray there.
    by_stored = np.clip(flowed.by_stored[2:, :, 0], [[0.0], [-1.0]], 1.0)
    by_held = np.clip(flowed.by_held[2:, :, 0], [[-1.0], [0.0]], 1.0)
    better = now.copy()
    for turn in range(1, now.shape[1]):
        off = better[:, turn - 1] - now[:, turn - 1]
        better[:, turn] = ends[:, turn - 1] + by_stored[:, turn - 1] * off[0] + by_held[:, turn - 1] * off[1]
        better[1, turn] = min(max(better[1, turn], -grip_ul), grip_ul)
    return better


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
        stiffness = lanes.column("frame_stiffness_n_mm")
        self.paste = np.broadcast_to(paste / setting.bulk_modulus_kpa, (len(score.turns), stiffness.size))
        self.linear = self.paste + setting.area_mm2**2 * N_PER_KPA_MM2 / stiffness
        # What the frame's spring takes up at most, each way, before the seal slides.
        self.grip = setting.area_mm2 * np.maximum(lanes.column("seal_friction_n"), 0.0) / stiffness
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

    def flowed(self, starts: Starts, *, rows: slice = slice(None), with_slopes: bool = True) -> Flowed:
        """Return what flows from these starts, turns × lanes (those of `rows`)."""
        stored, held = starts.stored_ul[rows], starts.held_ul[rows]
        lanes = stored.shape[1]
        gripped = bool(np.any(self.grip > 0))
        if not with_slopes:
            values = self.integrated(stored, held, rows, 1)[:4]
            nothing = np.zeros_like(values)
            return _flowed(values, nothing, nothing)
        reach = np.maximum(np.abs(stored), 0.05) * NUDGE
        far = np.full_like(held, 1e-2 * NUDGE) + self.grip * NUDGE
        # A start that holds all it can is moved the way that it can go.
        far = np.where(held > 0, -far, far)
        copies = 3 if gripped else 2
        stored = np.concatenate([stored, stored + reach, stored][:copies], axis=1)
        held = np.concatenate([held, held, held + far][:copies], axis=1)
        values = self.integrated(stored, held, rows, copies)[:4]
        parts = [values[:, :, k * lanes : (k + 1) * lanes] for k in range(copies)]
        by_held = (parts[2] - parts[0]) / far if gripped else np.zeros_like(parts[0])
        return _flowed(parts[0], (parts[1] - parts[0]) / reach, by_held)

    def integrated(self, stored: Floats, held: Floats, rows: slice, copies: int) -> Floats:
        """Return what came out, was drawn back, is stored and held at the turns' ends, and the most that was stored on
        the way, 5 × turns × lanes.
        """
        stored, held, top = stored.copy(), held.copy(), stored.copy()
        came, most = np.zeros_like(stored), np.zeros_like(stored)
        counts = self.score.counts[rows]
        for slot in range(int(counts.max())):
            here = np.flatnonzero(counts > slot)
            still = self.score.delta_mm[rows][here, slot] == 0
            for members, steps, before in (
                (here[still], WAIT_STEPS * self.finer, slot == 0),
                (here[~still], STROKE_STEPS * self.finer, False),
            ):
                if not members.size:
                    continue
                part = _Part(self, rows, members, copies)
                state = _State(stored[members], held[members], came[members], most[members], stored[members])
                part.through(state, slot, steps)
                stored[members], held[members], came[members] = state.stored, state.held, state.came
                top[members] = np.maximum(top[members], state.top)
                # What comes and goes while the tip is still on its way is not on the board yet.
                most[members] = state.came if before else state.most
        return np.stack([most, most - came, stored, held, top])

    def pressure_kpa(self, stored: Floats, rows: slice) -> Floats:
        """Pressure of what is stored when the turns of `rows` begin, turns × lanes."""
        linear = self.linear[rows]
        b = linear * ATMOSPHERE_KPA + self.bubble - stored
        pressure: Floats = (np.sqrt(b * b + 4 * linear * ATMOSPHERE_KPA * stored) - b) / (2 * linear)
        return pressure


@dataclass(slots=True)
class _State:
    """The turns of a part on their way [µL]: stored, held, net out since the turn began, the most of that, and the
    most that was stored.
    """

    stored: Floats
    held: Floats
    came: Floats
    most: Floats
    top: Floats

    def take(self, out: Floats) -> None:
        """Book what came out in a step."""
        self.top = np.maximum(self.top, self.stored)
        self.came = self.came + out
        self.most = np.maximum(self.most, self.came)


class _Part:
    """Some turns of a bench while they go through one slot of their strokes together."""

    def __init__(self, bench: _Bench, rows: slice, members: Ints, copies: int) -> None:
        self.bench, self.rows, self.members, self.copies = bench, rows, members, copies
        self.linear = self._of_turns(bench.linear)
        self.paste = self._of_turns(bench.paste)
        self.grip = np.tile(bench.grip, copies)
        self.gripped = bool(np.any(self.grip > 0))
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

    def _of_turns(self, table: Floats) -> Floats:
        chosen: Floats = np.broadcast_to(table, (len(self.bench.score.turns), self.bench.per_mm.size))
        return np.tile(chosen[self.rows][self.members], (1, self.copies))

    def through(self, state: _State, slot: int, steps: int) -> None:
        """Take the state through the stroke or wait."""
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
        sign = np.sign(delta) * self.per_mm
        way_before = np.zeros_like(state.stored)
        for start, end in pairwise(marks.tolist()):
            h = seconds * (end - start)
            swept = np.zeros_like(state.stored)
            if moving:
                way = np.maximum(np.abs(delta) * _walked(seconds * end, seconds, rise) - dead, 0.0)
                swept = sign * (way - way_before)
                way_before = way
            if self.gripped:
                self._gripped_step(state, swept, h)
            else:
                pressure = self._pressure(state.stored, self.linear)
                after = self._step(state.stored, swept, h, self.linear, (pressure, *self._flow(pressure)))
                out = swept - (after - state.stored)
                state.stored = after
                state.take(out)

    def _gripped_step(self, state: _State, swept: Floats, h: Floats) -> None:
        """One step with a seal that grips.

            stored = c·P + air(P), the plunger's own sweep y and the motor's U:  U = y + (A²/k)·P + held,  |held| ≤ A·F/k

        The plunger slides with all of its grip against it, or it stands; then only paste and air give way, and the
        frame's spring takes up the motor's way until the grip is spent.
        """
        stored, held = state.stored, state.held
        pressure = self._pressure(stored, self.linear)
        flow, by_pressure = self._flow(pressure)
        soft = self._capacity(pressure, self.paste)
        # How far the plunger itself would go in this step, were it to slide.
        way = flow * h + soft / self._capacity(pressure, self.linear) * (swept - flow * h)
        spent = self.grip * (1 - 1e-9)
        slides = ((held >= spent) & (way > 0)) | ((held <= -spent) & (way < 0))
        linear = np.where(slides, self.linear, self.paste)
        own = np.where(slides, stored, stored - (self.linear - self.paste) * pressure)
        moved = np.where(slides, swept, 0.0)
        after = self._step(own, moved, h, linear, (pressure, flow, by_pressure))
        out = moved - (after - own)
        whole = after + np.where(slides, 0.0, (self.linear - self.paste) * self._pressure(after, self.paste))
        held_after = np.where(slides, held, held + (swept - out) - (whole - stored))
        held_after = np.clip(held_after, -self.grip, self.grip)
        state.stored = stored + held + swept - out - held_after
        state.held = held_after
        state.take(out)

    def _step(
        self,
        stored: Floats,
        swept: Floats,
        h: Floats,
        linear: Floats,
        begun: tuple[Floats, Floats, Floats],
    ) -> Floats:
        """One step of exprb32 with the sweep spread evenly over it; `begun` are pressure, flow and its slope by
        pressure at the start.
        """
        pressure, flow, by_pressure = begun
        slope = by_pressure / self._capacity(pressure, linear)
        z = -slope * h
        small = np.minimum(z, -1e-4)
        phi1 = np.expm1(small) / small
        phi3 = ((phi1 - 1.0) / small - 0.5) / small
        near = z > -1e-2
        phi1 = np.where(near, 1.0 + z * (0.5 + z / 6), phi1)
        phi3 = np.where(near, 1 / 6 + z / 24, phi3)
        guess = stored + phi1 * (swept - h * flow)
        there, _ = self._flow(self._pressure(guess, linear))
        return guess + 2 * h * phi3 * (flow - there + slope * (guess - stored))

    def _pressure(self, stored: Floats, linear: Floats) -> Floats:
        """Pressure of what is stored [kPa], the root of S(P) = S."""
        cubed = linear * ATMOSPHERE_KPA
        b = cubed + self.bubble - stored
        pressure: Floats = (np.sqrt(b * b + 4 * cubed * stored) - b) / (2 * linear)
        return pressure

    def _capacity(self, pressure: Floats, linear: Floats) -> Floats:
        """Stored volume per pressure [µL/kPa]."""
        absolute = np.maximum(ATMOSPHERE_KPA + pressure, 1e-3)
        capacity: Floats = linear + self.bubble * ATMOSPHERE_KPA / (absolute * absolute)
        return capacity

    def _flow(self, pressure: Floats) -> tuple[Floats, Floats]:
        """Flow [µL/s] and its slope by pressure [µL/s/kPa]; see `plunger.flow` for the equations."""
        wall = np.abs(pressure) * self.to_wall
        excess = np.maximum(wall - self.yield_stress, 0.0)
        wall = np.maximum(wall, 1e-12)
        shear = self.fluidity * excess**self.power
        shape = excess * excess * self.shape[0] + excess * self.shape[1] + self.shape[2]
        flow = self.whole * self.index * shear * excess * shape / (wall * wall * wall)
        by_pressure = np.maximum(self.whole * shear - 3 * flow, 0.0) / wall * self.to_wall
        return np.copysign(flow, pressure), by_pressure


def _walked(at_s: Floats, seconds: Floats, rise_s: Floats) -> Floats:
    """Share of the way done at a time [-], for a trapezoid of `seconds` with ramps of `rise_s`."""
    rate = 1 / np.maximum(seconds - rise_s, 1e-12)
    ramp = np.maximum(rise_s, 1e-12)
    up = np.minimum(at_s, rise_s)
    down = np.maximum(at_s - (seconds - rise_s), 0.0)
    done: Floats = rate * ((at_s - up) + up * up / (2 * ramp) - down * down / (2 * ramp))
    return done

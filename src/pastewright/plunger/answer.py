"""How what one deposit lays, and what it leaves in the barrel, answers to the constants of the bench.

    turn = (press, push or prime, dwell or feed, retraction, draw)      from rest, by the plan; S is what is stored

    V(θ, S₀)       what leaves the tip           ∂V/∂θ, ∂V/∂S₀
    S₁(θ, S₀)      what is stored at its end     ∂S₁/∂θ, ∂S₁/∂S₀

What is pressed while the tip comes down and drawn while it goes up are strokes of their own. Turns hang together by what
is stored alone (`chain`), so that each kind of turn is worked out once: one-sided differences, with a lane for each constant
and one for the start. The motor's strokes stay as they are, the bench changes.

Steps are exponential Rosenbrock of third order (Hochbruck and Ostermann, Exponential integrators, Acta Numerica 19
(2010), scheme exprb32): a handful is enough where the paste forgets quickly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import pi

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.storage import ATMOSPHERE_KPA
from pastewright.profile.strength import N_PER_KPA_MM2

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# The constants, as a fit names them; logarithms of all but the seal's friction [N].
CONSTANTS = (
    "frame_stiffness_n_mm",
    "backlash_mm",
    "gain",
    "bubble_ul",
    "seal_friction_n",
    "consistency_kpa_sn",
    "flow_index",
    "yield_stress_kpa",
)

# Steps of a stroke and of a wait: derivatives then agree within 2 % with ones of four times as many (tests). Pressing ends
# below the yield pressure, so that nothing flows yet.
STROKE_STEPS = 14
PRESS_STEPS = 2
WAIT_STEPS = 8
# A wait begins with the shortest time constants: each step is so many times the one before.
WAIT_GROWTH = 1.7

NUDGE = (
    1e-3  # of a logarithm, of a newton, of the push that is stored: far above rounding, far below what bends
)

# Deposits whose strokes agree within this share answer alike, within about as much; boards repeat themselves.
ALIKE = 0.02

# Air of none has no logarithm; its derivative is taken by this much, in µL.
LEAST_BUBBLE_UL = 0.05
LEAST_BACKLASH_MM = 1e-3


STROKES = ("press", "push", "middle", "retract", "draw")
PRESS, PUSH, MIDDLE, RETRACT, DRAW = range(len(STROKES))


@dataclass(frozen=True, slots=True)
class Turns:
    """Deposits in the order they are laid, n of them: the motor's strokes `STROKES`, n × 5, with their commanded ways [mm],
    backlash included, forward positive (0: a wait), their times [s] and ramps [s]; and what each is to lay [µL].
    """

    way_mm: Floats
    seconds: Floats
    rise_s: Floats
    volume_ul: Floats

    def taken(self, at: Ints) -> "Turns":
        """Return some of them, in that order."""
        return Turns(self.way_mm[at], self.seconds[at], self.rise_s[at], self.volume_ul[at])

    def before(self, other: "Turns") -> "Turns":
        """Return these and then the others."""
        return Turns(
            np.vstack([self.way_mm, other.way_mm]),
            np.vstack([self.seconds, other.seconds]),
            np.vstack([self.rise_s, other.rise_s]),
            np.concatenate([self.volume_ul, other.volume_ul]),
        )


def turns_of(cycles: Sequence[DotCycle | BeadCycle], bench: PlungerBench) -> Turns:
    """Return cycles as turns."""
    rows = [
        (
            c.push_ul,
            0.0,
            -c.retract_ul,
            c.push_ul_s,
            c.retract_ul_s,
            c.dwell_s,
            c.volume_ul,
            c.press_ul,
            c.draw_ul,
        )
        if isinstance(c, DotCycle)
        else (
            *(c.prime_ul, c.feed_ul, -c.retract_ul, c.prime_ul_s, c.retract_ul_s),
            *(c.travel_s, c.volume_ul, c.press_ul, c.draw_ul),
        )
        for c in cycles
    ]
    table = np.array(rows, dtype=float).reshape(-1, 9)
    return strokes_of(
        table[:, 0:3],
        table[:, 3:5],
        table[:, 5],
        table[:, 6],
        bench,
        press_ul=table[:, 7],
        draw_ul=table[:, 8],
    )


def strokes_of(
    sweep_ul: Floats,
    rate_ul_s: Floats,
    middle_s: Floats,
    volume_ul: Floats,
    bench: PlungerBench,
    *,
    press_ul: Floats | float = 0.0,
    draw_ul: Floats | float = 0.0,
) -> Turns:
    """Return turns of real sweeps [µL], n × 3, forward positive; `rate_ul_s` are of the first and last stroke, n × 2.

    `press_ul` of the first and `draw_ul` of the last are strokes of their own, as fast as the drive goes.
    """
    per_mm, backlash = bench.ul_per_mm, bench.backlash_mm
    press = np.minimum(press_ul, sweep_ul[:, 0])
    draw = np.minimum(draw_ul, -sweep_ul[:, 2])
    ways = np.column_stack([press, sweep_ul[:, 0] - press, sweep_ul[:, 1], sweep_ul[:, 2] + draw, -draw])
    ways /= per_mm
    # The backlash is crossed by the first stroke of each direction.
    pressed, drawn_alone = press > 0, sweep_ul[:, 2] + draw >= 0
    ways[:, PRESS] += np.where(pressed, backlash, 0.0)
    ways[:, PUSH] += np.where(pressed, 0.0, backlash)
    ways[:, RETRACT] -= np.where(drawn_alone, 0.0, backlash)
    ways[:, DRAW] -= np.where(drawn_alone & (draw > 0), backlash, 0.0)
    far = np.abs(ways)
    rates = rate_ul_s[:, (0, 0, 0, 1, 1)] / per_mm
    speed = np.maximum(np.minimum(rates, np.sqrt(bench.accel_mm_s2 * far)), 1e-12)
    rise = np.where(far > 0, speed / bench.accel_mm_s2, 0.0)
    seconds = far / speed + rise
    seconds[:, MIDDLE], rise[:, MIDDLE] = middle_s, 0.0
    return Turns(way_mm=ways, seconds=seconds, rise_s=rise, volume_ul=volume_ul)


@dataclass(frozen=True, slots=True)
class Answers:
    """Derivatives of n turns: of the volume laid and of what is stored at the end [µL], by the constants `CONSTANTS`
    (n × 8) and by what is stored at the start (n).
    """

    laid: Floats
    left: Floats
    laid_by_start: Floats
    left_by_start: Floats

    def taken(self, at: Ints) -> "Answers":
        """Return some of them."""
        return Answers(self.laid[at], self.left[at], self.laid_by_start[at], self.left_by_start[at])


def answers_of(turns: Turns, bench: PlungerBench) -> Answers:
    """Return how each turn answers; turns that are alike are worked out once."""
    kinds, first = _kinds(turns)
    return _worked_out(turns.taken(first), bench).taken(kinds)


def _kinds(turns: Turns) -> tuple[Ints, Ints]:
    """The kind of each turn, and a turn of each kind: ways, times and volumes on a ladder of logarithms."""
    columns = np.column_stack([np.abs(turns.way_mm), turns.seconds, turns.volume_ul])
    rungs = np.round(np.log(np.maximum(columns, 1e-6)) / ALIKE).astype(np.int64)
    _, first, kinds = np.unique(rungs, axis=0, return_index=True, return_inverse=True)
    return kinds.ravel().astype(np.int64), first.astype(np.int64)


def _worked_out(turns: Turns, bench: PlungerBench) -> Answers:
    none = np.zeros((1, len(CONSTANTS)))
    lanes = BenchLanes(bench, np.vstack([none, NUDGE * np.eye(len(CONSTANTS)), none]))
    start = np.full((turns.volume_ul.size, lanes.count), bench.rest_ul)
    pushed_mm = turns.way_mm[:, PRESS] + turns.way_mm[:, PUSH]
    nudges = NUDGE * np.maximum(pushed_mm * bench.ul_per_mm, 1e-3)
    start[:, -1] += nudges
    state = _State(lanes, start)
    for slot in range(len(STROKES)):
        way, seconds, rise = (part[:, slot, None] for part in (turns.way_mm, turns.seconds, turns.rise_s))
        if bool(seconds.any()):
            state.through(way, seconds, rise, PRESS_STEPS if slot == PRESS else STROKE_STEPS)
    laid, left = state.out, state.stored
    return Answers(
        laid=(laid[:, 1:-1] - laid[:, :1]) / NUDGE,
        left=(left[:, 1:-1] - left[:, :1]) / NUDGE,
        laid_by_start=(laid[:, -1] - laid[:, 0]) / nudges,
        left_by_start=(left[:, -1] - left[:, 0]) / nudges,
    )


class BenchLanes:
    """Benches that are off from one, a lane each; `shifts`, lanes × 8, are of `CONSTANTS`."""

    def __init__(self, bench: PlungerBench, shifts: Floats) -> None:
        store, tip = bench.store, bench.tip
        plain = {
            "frame_stiffness_n_mm": store.stiffness_n_mm,
            "backlash_mm": max(bench.backlash_mm - 2 * bench.grip_ul / bench.ul_per_mm, LEAST_BACKLASH_MM),
            "gain": bench.gain,
            "bubble_ul": max(store.bubble_ul, LEAST_BUBBLE_UL),
            "seal_friction_n": bench.seal_friction_n,
            "consistency_kpa_sn": tip.consistency_kpa_sn,
            "flow_index": tip.flow_index,
            "yield_stress_kpa": tip.yield_kpa,
        }
        self.count = len(shifts)
        own = np.array([plain[name] for name in CONSTANTS])
        added = np.array([name == "seal_friction_n" for name in CONSTANTS])
        table = np.where(added, own + shifts, own * np.exp(np.where(added, 0.0, shifts)))
        stiffness, backlash, gain, self.bubble, friction, consistency, self.index, self.yields = table.T
        area = store.area_mm2
        # A seal's grip is taken up at each reversal as a backlash is, 2·F/k; that the pressure falls faster meanwhile
        # (`pressure.after_gripped`) is a second matter.
        self.backlash = backlash + 2 * np.maximum(friction, 0.0) / stiffness / gain
        self.per_mm = area * gain
        self.linear = store.paste_ul / store.bulk_modulus_kpa + area**2 * N_PER_KPA_MM2 / stiffness
        self.fluidity = consistency ** (-1 / self.index)
        self.to_wall = tip.radius_mm / (2 * tip.length_mm)
        self.whole = pi * tip.radius_mm**3
        self.shape = (
            1 / (3 * self.index + 1),
            2 * self.yields / (2 * self.index + 1),
            self.yields**2 / (self.index + 1),
        )

    def pressure(self, stored: Floats, linear: Floats) -> Floats:
        """Pressure of what is stored [kPa]; the root of S(P) = S."""
        whole = linear * ATMOSPHERE_KPA
        b = whole + self.bubble - stored
        found: Floats = (np.sqrt(b * b + 4 * whole * stored) - b) / (2 * linear)
        return found

    def capacity(self, pressure: Floats, linear: Floats) -> Floats:
        """Stored volume per pressure [µL/kPa]."""
        absolute = ATMOSPHERE_KPA + np.maximum(pressure, 0.0)
        found: Floats = linear + self.bubble * ATMOSPHERE_KPA / (absolute * absolute)
        return found

    def flow(self, pressure: Floats) -> tuple[Floats, Floats]:
        """Flow [µL/s] and its slope by pressure; the equations are those of `flow`."""
        wall = np.maximum(pressure * self.to_wall, 1e-12)
        excess = np.maximum(wall - self.yields, 0.0)
        shear = self.fluidity * excess ** (1 / self.index)
        shape = excess * excess * self.shape[0] + excess * self.shape[1] + self.shape[2]
        flow = self.whole * self.index * shear * excess * shape / (wall * wall * wall)
        slope = np.maximum(self.whole * shear - 3 * flow, 0.0) / wall * self.to_wall
        return flow, slope


class _State:
    """What is stored, and what came out since the turn began, turns × lanes [µL]."""

    def __init__(self, lanes: BenchLanes, stored: Floats) -> None:
        self.lanes = lanes
        self.stored = stored
        self.out = np.zeros_like(stored)
        # As after a retraction: the whole backlash is to be crossed.
        self.forward = np.zeros((stored.shape[0], 1), dtype=bool)
        self.gap = np.broadcast_to(lanes.backlash, stored.shape)

    def through(self, way: Floats, seconds: Floats, rise: Floats, steps: int) -> None:
        """Take all turns through one of their strokes; ways of none are waits."""
        moving = way != 0
        grown = WAIT_GROWTH ** np.arange(WAIT_STEPS)
        steps = steps if bool(moving.any()) else WAIT_STEPS
        even = np.linspace(0.0, 1.0, steps + 1)
        waits = np.interp(
            even, np.linspace(0.0, 1.0, WAIT_STEPS + 1), np.r_[0.0, np.cumsum(grown)] / grown.sum()
        )
        sign, far = np.sign(way) * self.lanes.per_mm, np.abs(way)
        turned = moving & ((way > 0) != self.forward)
        dead = np.where(turned, self.lanes.backlash, self.gap)
        before = np.zeros_like(self.stored)
        for (start, end), (wait_from, wait_to) in zip(
            pairwise(even.tolist()), pairwise(waits.tolist()), strict=True
        ):
            h = seconds * np.where(moving, end - start, wait_to - wait_from)
            after = np.maximum(far * _walked(end * seconds, seconds, rise) - dead, 0.0)
            swept = np.where(moving, sign * (after - before), 0.0)
            before = after
            self._step(swept, h)
        self.gap = np.where(moving, np.maximum(dead - far, 0.0), self.gap)
        self.forward = np.where(moving, way > 0, self.forward)

    def _step(self, swept: Floats, h: Floats) -> None:
        lanes = self.lanes
        pressure = lanes.pressure(self.stored, lanes.linear)
        flow, slope = lanes.flow(pressure)
        after = _after(lanes, self.stored, swept, h, (lanes.linear, pressure, flow, slope))
        self.out += swept - (after - self.stored)
        self.stored = after


def _after(
    lanes: BenchLanes, stored: Floats, swept: Floats, h: Floats, begun: tuple[Floats, Floats, Floats, Floats]
) -> Floats:
    """What is stored after a step of exprb32 with the sweep spread evenly over it; `begun` are the linear compliance,
    and pressure, flow and its slope at the start.
    """
    linear, pressure, flow, by_pressure = begun
    slope = by_pressure / lanes.capacity(pressure, linear)
    z = -slope * h
    small = np.minimum(z, -1e-4)
    phi1 = np.expm1(small) / small
    phi3 = ((phi1 - 1.0) / small - 0.5) / small
    near = z > -1e-2
    phi1 = np.where(near, 1.0 + z * (0.5 + z / 6), phi1)
    phi3 = np.where(near, 1 / 6 + z / 24, phi3)
    guess = stored + phi1 * (swept - h * flow)
    there, _ = lanes.flow(lanes.pressure(guess, linear))
    return guess + 2 * h * phi3 * (flow - there + slope * (guess - stored))


def _walked(at_s: Floats, seconds: Floats, rise_s: Floats) -> Floats:
    """Share of the way done at a time [-], for a trapezoid of `seconds` with ramps of `rise_s`."""
    rate = 1 / np.maximum(seconds - rise_s, 1e-12)
    ramp = np.maximum(rise_s, 1e-12)
    up = np.minimum(at_s, rise_s)
    down = np.maximum(at_s - (seconds - rise_s), 0.0)
    done: Floats = rate * ((at_s - up) + up * up / (2 * ramp) - down * down / (2 * ramp))
    return done

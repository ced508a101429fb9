"""A bench in the computer that a sheet or a board is laid on, written apart from the solver it is to judge.

Its state is the pressure, not what is stored; time goes in small fixed steps with the midpoint rule; the tip's flow is
the textbook's bracket in f = τ_y/τ_w. It reads only `Motions`: places, the plunger's positions, speeds and times.

What leaves the tip while it is up hangs there and lands with the next deposit. What is smaller than the tip's least
dot stays at the tip too. What is drawn back leaves a void that must be filled first.
"""

from dataclasses import dataclass
from math import dist, exp, inf, log, pi, sqrt

import numpy as np
from numba import njit

from pastewright.motion.model import Motions, Step
from pastewright.profile.model import Profile

P0 = 101.325  # kPa, ISO 2533
STEP_S = 0.002
ABOVE = (Step.RAISE, Step.TRAVEL, Step.LOWER, Step.LIFT)


@dataclass(frozen=True, kw_only=True)
class Truth:
    """The bench as it is; `profile` gives what is known of it for sure (barrel, tip, axes)."""

    profile: Profile
    frame_n_mm: float
    bubble_ul: float
    yield_kpa: float
    consistency: float
    index: float
    backlash_mm: float
    gain: float
    dot_shape: float
    least_dot_bores: float
    thinning: float = 0.0
    start_kpa: float = 0.0
    noise: float = 0.03

    def dot_ul(self, diameter_mm: float) -> float:
        """Volume of a cap, from its height and radius."""
        h, r = self.dot_shape * diameter_mm, diameter_mm / 2
        return pi * h / 6 * (3 * r * r + h * h)

    def dot_mm(self, volume_ul: float) -> float:
        return (volume_ul / self.dot_ul(1.0)) ** (1 / 3) if volume_ul > 0 else 0.0


def truth_of(profile: Profile, **changes: float) -> Truth:
    """The bench exactly as the profile says, but for `changes`."""
    own = {
        "frame_n_mm": profile.plunger.frame_stiffness_n_mm,
        "bubble_ul": profile.tuning.bubble_ul,
        "yield_kpa": profile.paste.yield_stress_kpa,
        "consistency": profile.paste.consistency_kpa_sn,
        "index": profile.paste.flow_index,
        "backlash_mm": profile.plunger.backlash_mm,
        "gain": profile.tuning.gain,
        "dot_shape": profile.tuning.dot_shape_ratio,
        "least_dot_bores": profile.tuning.smallest_dot_bores * 0.8,
    }
    return Truth(profile=profile, **{**own, **changes})


def wrong_truth(
    profile: Profile, rng: np.random.Generator, *, factor: float = 3.0, gain: float = 0.05
) -> Truth:
    """A bench off from its profile by up to `factor` in stiffness and in flow, and up to `gain` in gain."""

    def off(by: float) -> float:
        return exp(rng.uniform(-log(by), log(by)))

    plain = truth_of(profile)
    index = plain.index * off(1.1)
    stiff, flow = off(factor), off(factor)
    return truth_of(
        profile,
        frame_n_mm=plain.frame_n_mm * stiff,
        bubble_ul=plain.bubble_ul / stiff * off(1.3),
        consistency=plain.consistency * flow**-plain.index,
        index=index,
        yield_kpa=plain.yield_kpa * off(1.25),
        backlash_mm=plain.backlash_mm * off(1.25),
        gain=plain.gain * (1 + rng.uniform(-gain, gain)),
        least_dot_bores=1.0 * off(1.15),
        thinning=rng.uniform(-0.03, 0.03),
        start_kpa=rng.uniform(0, 1) * 2 * profile.tip.length_mm * plain.yield_kpa / profile.tip.radius_mm,
    )


@dataclass(frozen=True, kw_only=True)
class Laid:
    """By deposit: what landed [µL] with the noise of each dot, and what would without it; highest pressure [kPa]."""

    volume_ul: dict[int, float]
    mean_ul: dict[int, float]
    peak_kpa: float
    swept_ul: float
    out_ul: float


def lay(motions: Motions, truth: Truth, rng: np.random.Generator | None = None) -> Laid:
    """Run a journey on the bench."""
    barrel = Barrel(truth)
    noisy: dict[int, float] = {}
    mean: dict[int, float] = {}
    hanging = 0.0
    forth = back = 0.0
    current: int | None = None
    motor, place = 0.0, (0.0, 0.0, 0.0)
    whole_s = max(motions.machine_s, 1e-9)
    clock = 0.0
    least_ul = truth.dot_ul(truth.least_dot_bores * truth.profile.tip.bore_mm)

    def landed(index: int) -> None:
        nonlocal hanging, forth, back
        drop = hanging + forth
        if drop >= least_ul:
            mean[index] = mean.get(index, 0.0) + drop
            noise = exp(rng.normal(0.0, truth.noise)) if rng is not None else 1.0
            noisy[index] = noisy.get(index, 0.0) + drop * noise
            hanging = -back
        else:
            hanging = drop - back
        forth = back = 0.0

    on_strip = True
    for move in motions.moves:
        barrel.consistency = truth.consistency * (1 - truth.thinning * clock / whole_s)
        to = (move.x_mm, move.y_mm, move.z_mm)
        if move.step is Step.LIFT and current is not None:
            landed(current)
            current = None
        if move.deposit is not None:
            if on_strip:
                on_strip, forth, back, hanging = False, 0.0, 0.0, min(hanging, 0.0)
            if move.step not in ABOVE:
                current = move.deposit
        if move.step is Step.LAY:
            shape = (dist(place, to), move.speed_mm_s, truth.profile.machine.accel_xy_mm_s2)
        elif move.step in ABOVE and move.plunger_mm != motor:
            # Up or down in step with the plunger: the slower of the two axes gives the acceleration of the tip's way.
            machine, way = truth.profile.machine, dist(place, to)
            own = truth.profile.plunger.accel_mm_s2 * way / abs(move.plunger_mm - motor)
            shape = (way, move.speed_mm_s, min(machine.accel_z_mm_s2, own))
        else:
            shape = (abs(move.plunger_mm - motor), move.speed_mm_s, truth.profile.plunger.accel_mm_s2)
        came = barrel.move(motor, move.plunger_mm, move.duration_s, shape)
        forth += came[0]
        back += came[1]
        motor, place = move.plunger_mm, to
        clock += move.duration_s
        if move.step in ABOVE:
            hanging += forth - back
            forth = back = 0.0
    return Laid(volume_ul=noisy, mean_ul=mean, peak_kpa=barrel.peak, swept_ul=barrel.swept, out_ul=barrel.out)


class Barrel:
    """The springy barrel: paste out and back while the motor goes from one place to another."""

    def __init__(self, truth: Truth) -> None:
        profile = truth.profile
        area = profile.barrel.area_mm2
        self.bench = (
            profile.tip.radius_mm,
            profile.tip.length_mm,
            truth.yield_kpa,
            truth.index,
            area**2 / 1000 / truth.frame_n_mm,
            profile.paste.bulk_modulus_kpa,
            truth.bubble_ul,
            truth.backlash_mm,
            area * truth.gain,
        )
        self.consistency = truth.consistency
        # Pressure, its peak, paste left, out, swept, and the plunger's place as after a retraction.
        self.state = np.array(
            [truth.start_kpa, truth.start_kpa, profile.barrel.fill_ul, 0.0, 0.0, truth.backlash_mm]
        )

    @property
    def peak(self) -> float:
        return float(self.state[1])

    @property
    def out(self) -> float:
        return float(self.state[3])

    @property
    def swept(self) -> float:
        return float(self.state[4])

    def move(
        self, start_mm: float, end_mm: float, seconds: float, shape: tuple[float, float, float]
    ) -> tuple[float, float]:
        """Paste out and paste drawn back [µL] while the motor goes from start to end."""
        way, speed, accel = shape
        forth, back = _moved(
            self.state,
            self.bench,
            float(self.consistency),
            (float(start_mm), float(end_mm), float(seconds)),
            (float(way), float(speed), float(accel)),
        )
        return forth, back


@njit(cache=True)
def _flow(p, bench, consistency):
    radius, length, yields, n = bench[0], bench[1], bench[2], bench[3]
    wall = abs(p) * radius / (2 * length)
    if wall <= yields:
        return 0.0
    f = yields / wall
    bracket = (1 - f) ** 2 / (3 * n + 1) + 2 * f * (1 - f) / (2 * n + 1) + f * f / (n + 1)
    q = pi * radius**3 * n * (wall / consistency) ** (1 / n) * (1 - f) ** ((n + 1) / n) * bracket
    return q if p > 0 else -q


@njit(cache=True)
def _compliance(p, left, bench):
    return bench[4] + left / bench[5] + bench[6] * P0 / max(P0 + p, 0.5) ** 2


@njit(cache=True)
def _moved(state, bench, consistency, move, shape):
    start_mm, end_mm, seconds = move
    way, speed, accel = shape
    backlash, sweep_per_mm = bench[7], bench[8]
    still = end_mm == start_mm
    top = min(speed, sqrt(accel * way)) if way > 0 and not still else 0.0
    rise = top / accel if top > 0 else 0.0
    forth = back = now = 0.0
    tau = inf
    while now < seconds - 1e-12:
        p, left = state[0], state[2]
        f1 = _flow(p, bench, consistency)
        if still and f1 == 0.0:
            break
        h = min(STEP_S if not still else max(STEP_S, 0.05 * now), 0.2 * tau, seconds - now)
        moved = 0.0
        if not still:
            motor = start_mm + (end_mm - start_mm) * _share(now + h, top, rise, accel, way, seconds)
            after = min(max(state[5], motor), motor + backlash)
            moved = (after - state[5]) * sweep_per_mm
            state[5] = after
        q = moved / h
        c = _compliance(p, left, bench)
        middle = p + h / 2 * (q - f1) / c
        f2 = _flow(middle, bench, consistency)
        state[0] = max(p + h * (q - f2) / _compliance(middle, left, bench), -P0 + 1.0)
        if state[0] != p and f2 != f1:
            tau = min(abs(c * (middle - p) / (f2 - f1)), 1e6)
        else:
            tau = inf
        came = f2 * h
        forth += max(came, 0.0)
        back += max(-came, 0.0)
        state[2] -= came
        state[3] += came
        state[4] += moved
        state[1] = max(state[1], state[0])
        now += h
    return forth, back


@njit(cache=True)
def _share(t, top, rise, accel, way, seconds):
    if t >= seconds:
        return 1.0
    if t < rise:
        return accel * t * t / 2 / way
    if t > seconds - rise:
        return 1 - accel * (seconds - t) ** 2 / 2 / way
    return (top * rise / 2 + top * (t - rise)) / way

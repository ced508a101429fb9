"""Benches in the computer, many side by side, written apart from all that is to be judged with them.

State is the plunger's own place, the paste that left, and the pressure in between; time goes in implicit steps (backward
Euler, each solved by Newton inside a bracket), run twice, with steps of one length and of half of it, and drawn out to
steps of no length (Richardson). Nothing of pastewright's physics is imported; only `Motions` and `Profile` are read.

    y − O = V_paste·P/K_bulk + V_air·P/(P0 + P)             what the plunger pressed together
    |U − y − A²·P/k| ≤ A·F_seal/k                            the frame's spring against paste and seal (a play)
    Q = π·∫ r²·γ̇ dr over the bore, γ̇ = ((P·r/2L − τ_y)/K)^(1/n)   by quadrature (Chhabra and Richardson, chapter 3)

U is what the motor swept behind its backlash, O what left the tip, y what the plunger swept, all in µL.

Paste in the tip is booked by one number: above zero it hangs, below zero the tip is void for so much. While the tip
is down what hangs lies on the board; what is drawn back afterwards leaves it there, and a void. A drop smaller than the
tip's least stays at the tip. Paste that stands becomes stiffer, paste that flows softer again (`thixotropy`).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import dist, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pastewright.motion.model import Motions, Step
from pastewright.profile.model import Profile

Floats = NDArray[np.float64]

P0 = 101.325  # kPa, ISO 2533
LEAST_KPA = -95.0
MOST_KPA = 6000.0
KNOTS = 3000
UP = (Step.RAISE, Step.TRAVEL, Step.LOWER, Step.LIFT)

# Paste that stands is half as stiff as it gets after so long; flowing through the tip so much undoes it.
BUILDS_S = 15.0
BREAKS_UL = 0.05


@dataclass(frozen=True, kw_only=True)
class Foreign:
    """A bench as it really is; `profile` gives what is known for sure (barrel, tip, axes)."""

    profile: Profile
    frame_n_mm: float
    air_ul: float
    yield_kpa: float
    consistency: float
    index: float
    backlash_mm: float
    gain: float
    dot_shape: float
    least_bores: float
    seal_n: float = 0.0
    thinning: float = 0.0
    thixotropy: float = 0.0
    start_share: float = 0.0  # pressure before the strip, of the yield pressure
    noise: float = 0.03

    @property
    def yield_pressure_kpa(self) -> float:
        return 2 * self.profile.tip.length_mm * self.yield_kpa / self.profile.tip.radius_mm

    def dot_ul(self, diameter_mm: float) -> float:
        height, radius = self.dot_shape * diameter_mm, diameter_mm / 2
        return pi * height * (3 * radius**2 + height**2) / 6

    def dot_mm(self, volume_ul: float) -> float:
        return (volume_ul / self.dot_ul(1.0)) ** (1 / 3) if volume_ul > 0 else 0.0

    @property
    def least_ul(self) -> float:
        return self.dot_ul(self.least_bores * self.profile.tip.bore_mm)


def as_profiled(profile: Profile, **changes: Any) -> Foreign:
    plain = Foreign(
        profile=profile,
        frame_n_mm=profile.plunger.frame_stiffness_n_mm,
        air_ul=profile.tuning.bubble_ul,
        yield_kpa=profile.paste.yield_stress_kpa,
        consistency=profile.paste.consistency_kpa_sn,
        index=profile.paste.flow_index,
        backlash_mm=profile.plunger.backlash_mm,
        gain=profile.tuning.gain,
        dot_shape=profile.tuning.dot_shape_ratio,
        least_bores=0.8 * profile.tuning.smallest_dot_bores,
    )
    return replace(plain, **changes)


@dataclass(frozen=True, kw_only=True)
class Track:
    """A journey as rows: way of the motor [mm], time and ramp [s], whether the tip is up, whose it is, what ends."""

    way_mm: Floats
    seconds: Floats
    ramp_s: Floats
    up: NDArray[np.bool_]
    lands: NDArray[np.int64]  # the deposit that the tip leaves after this row, −1 for none, −2 for the strip


def track(motions: Motions, profile: Profile) -> Track:
    rows: list[list[float]] = []
    motor, place, owner, begun = 0.0, (0.0, 0.0, 0.0), -1, False
    for move in motions.moves:
        to = (move.x_mm, move.y_mm, move.z_mm)
        way = move.plunger_mm - motor
        length, accel = abs(way), profile.plunger.accel_mm_s2
        if move.step is Step.LAY:
            length, accel = dist(place, to), profile.machine.accel_xy_mm_s2
        ramp = min(move.speed_mm_s / accel, sqrt(length / accel)) if way else 0.0
        if move.step is Step.LIFT:
            if not begun and move.deposit is None:
                rows[-1][4] = -2
            elif owner >= 0:
                rows[-1][4] = owner
            owner = -1
        if move.deposit is not None:
            begun = True
            if move.step not in UP:
                owner = move.deposit
        up = move.step in UP
        same = rows and not way and rows[-1][0] == 0.0 and bool(rows[-1][3]) == up and rows[-1][4] == -1
        if same:
            rows[-1][1] += move.duration_s
        elif move.duration_s > 0:
            rows.append([way, move.duration_s, ramp, float(up), -1])
        motor, place = move.plunger_mm, to
    table = np.array(rows)
    return Track(
        way_mm=table[:, 0],
        seconds=table[:, 1],
        ramp_s=table[:, 2],
        up=table[:, 3] > 0,
        lands=table[:, 4].astype(np.int64),
    )


@dataclass(frozen=True, kw_only=True)
class Landed:
    """What one bench laid: by deposit what landed [µL], without scatter; the highest pressure [kPa]; conservation."""

    mean_ul: dict[int, float]
    peak_kpa: float
    out_ul: float
    swept_ul: float

    def scattered(self, noise: float, rng: np.random.Generator) -> dict[int, float]:
        return {
            index: volume * float(np.exp(rng.normal(0.0, noise))) for index, volume in self.mean_ul.items()
        }


def lay_all(
    tracks: Sequence[Track], benches: Sequence[Foreign], *, steps: int = 28, drawn_out: bool = True
) -> list[Landed]:
    """Run each journey on its bench, all side by side."""
    fine = _lay(tracks, benches, 2 * steps if drawn_out else steps)
    if not drawn_out:
        return fine
    coarse = _lay(tracks, benches, steps)
    return [
        Landed(
            mean_ul={
                index: _drawn_out(volume, b.mean_ul.get(index, 0.0)) for index, volume in a.mean_ul.items()
            },
            peak_kpa=2 * a.peak_kpa - b.peak_kpa,
            out_ul=a.out_ul,
            swept_ul=a.swept_ul,
        )
        for a, b in zip(fine, coarse, strict=True)
    ]


def _drawn_out(fine_ul: float, coarse_ul: float) -> float:
    # Where a drop just lets go with one step and just hangs with the other, there is nothing to draw out.
    return 2 * fine_ul - coarse_ul if abs(fine_ul - coarse_ul) < 0.1 * fine_ul else fine_ul


def _lay(tracks: Sequence[Track], benches: Sequence[Foreign], steps: int) -> list[Landed]:
    lanes = _Lanes(benches)
    count = max(len(one.way_mm) for one in tracks)

    def table(name: str, fill: float) -> Floats:
        filled = np.full((count, len(tracks)), fill)
        for lane, one in enumerate(tracks):
            column = getattr(one, name)
            filled[: len(column), lane] = column
        return filled

    way, seconds, ramp = table("way_mm", 0.0), table("seconds", 0.0), table("ramp_s", 0.0)
    up, lands = table("up", 1.0) > 0, table("lands", -1).astype(int)
    whole = seconds.sum(axis=0)
    clock = np.zeros(len(tracks))
    mean: list[dict[int, float]] = [{} for _ in tracks]
    book, top = np.zeros(len(tracks)), np.zeros(len(tracks))
    was_up = np.ones(len(tracks), dtype=bool)
    for row in range(count):
        touch = was_up & ~up[row]
        top = np.where(touch, book, top)
        was_up = up[row].copy()
        lanes.warm = 1 - lanes.thinning * clock / np.maximum(whole, 1e-9)
        for change in lanes.through(way[row], seconds[row], ramp[row], steps):
            book = book + change
            top = np.maximum(top, book)
        clock = clock + seconds[row]
        for lane in np.flatnonzero(lands[row] != -1).tolist():
            if lands[row, lane] == -2:
                book[lane] = min(book[lane] - max(top[lane], 0.0), 0.0)
            elif top[lane] >= lanes.least[lane]:
                index = int(lands[row, lane])
                mean[lane][index] = mean[lane].get(index, 0.0) + float(top[lane])
                book[lane] -= top[lane]
    return [
        Landed(
            mean_ul=mean[lane],
            peak_kpa=float(lanes.peak[lane]),
            out_ul=float(lanes.out[lane] - lanes.out_0[lane]),
            swept_ul=float(lanes.swept[lane]),
        )
        for lane in range(len(tracks))
    ]


class _Lanes:
    """The benches' state, a lane each."""

    def __init__(self, benches: Sequence[Foreign]) -> None:
        def of(value: Callable[[Foreign], float]) -> Floats:
            return np.array([value(bench) for bench in benches], dtype=float)

        self.area = of(lambda b: b.profile.barrel.area_mm2)
        self.per_mm = self.area * of(lambda b: b.gain)
        self.spring = self.area**2 / 1000 / of(lambda b: b.frame_n_mm)  # µL/kPa
        self.grip = self.area * of(lambda b: b.seal_n) / of(lambda b: b.frame_n_mm)  # µL
        self.air = of(lambda b: b.air_ul)
        self.bulk = of(lambda b: b.profile.paste.bulk_modulus_kpa)
        self.fill = of(lambda b: b.profile.barrel.fill_ul)
        self.backlash = of(lambda b: b.backlash_mm)
        self.thinning = of(lambda b: b.thinning)
        self.thixotropy = of(lambda b: b.thixotropy)
        self.index = of(lambda b: b.index)
        self.least = of(lambda b: b.least_ul)
        self.yields = of(lambda b: b.yield_pressure_kpa)
        self.table = np.stack([_flow_table(bench) for bench in benches])
        self.rows = np.arange(len(benches))
        self.scale = (KNOTS - 1) / np.sqrt(MOST_KPA)
        self.warm = np.ones(len(benches))
        self.rested = np.ones(len(benches))  # 1: stood for ever, 0: just sheared
        self.motor = np.zeros(len(benches))
        self.drive = self.backlash.copy()  # the nut's place; the program begins as after a retraction
        self.swept = np.zeros(len(benches))
        self.p = of(lambda b: b.start_share) * self.yields
        self.y = self.grip - self.spring * self.p
        self.out_0 = self.y - self._pressed(self.p, np.zeros(len(benches)))
        self.out = self.out_0.copy()
        self.peak = self.p.copy()

    def _pressed(self, p: Floats, used: Floats) -> Floats:
        return np.maximum(self.fill - used, 0.0) / self.bulk * p + self.air * p / (P0 + p)

    def _flow(self, p: Floats) -> tuple[Floats, Floats]:
        over = np.maximum(np.abs(p) - self.yields, 0.0)
        root = np.sqrt(over)
        at = np.minimum(root * self.scale, KNOTS - 1.001)
        cell = at.astype(np.int64)
        low, high = self.table[self.rows, cell], self.table[self.rows, cell + 1]
        slope = (high - low) * self.scale
        flow = low + (high - low) * (at - cell)
        return np.copysign(flow, p), slope / (2 * np.maximum(root, 0.5 / self.scale))

    def through(self, way: Floats, seconds: Floats, ramp: Floats, steps: int) -> Iterator[Floats]:
        """Yield what leaves the tip, step by step."""
        start = self.motor.copy()
        moving = way != 0
        # Waits: short steps first. Strokes: even ones.
        waits = np.concatenate([[0.0], np.geomspace(1e-3, 1.0, steps)])
        even = np.linspace(0.0, 1.0, steps + 1)
        before = np.zeros_like(seconds)
        quiet = ~moving & (np.abs(self.p) <= self.yields)
        if bool(np.all(quiet | (seconds == 0))):
            self.rested += (1 - self.rested) * -np.expm1(-seconds / BUILDS_S)
            return
        for step in range(1, steps + 1):
            now = seconds * np.where(moving, even[step], waits[step])
            h = now - before
            before = now
            self.motor = start + way * _share(now, seconds, ramp)
            nut = np.minimum(np.maximum(self.drive, self.motor), self.motor + self.backlash)
            self.swept = self.swept + (nut - self.drive) * self.per_mm
            self.drive = nut
            yield self._step(h)

    def _step(self, h: Floats) -> Floats:
        stiff = (self.warm * (1 + self.thixotropy * self.rested)) ** (-1 / self.index)
        used = self.out - self.out_0
        low, high = np.full_like(h, LEAST_KPA), np.full_like(h, MOST_KPA)
        p = self.p
        paste = np.maximum(self.fill - used, 0.0) / self.bulk
        for _ in range(60):
            flow, slope = self._flow(p)
            z = self.swept - self.spring * p
            y = np.minimum(np.maximum(self.y, z - self.grip), z + self.grip)
            g = paste * p + self.air * p / (P0 + p) + h * stiff * flow + self.out - y
            by = (
                paste
                + self.air * P0 / (P0 + p) ** 2
                + h * stiff * slope
                + np.where(y != self.y, self.spring, 0.0)
            )
            low, high = np.where(g < 0, p, low), np.where(g >= 0, p, high)
            newer = p - g / by
            newer = np.where((newer <= low) | (newer >= high), (low + high) / 2, newer)
            done = np.abs(newer - p) < 1e-7 * (1 + np.abs(p))
            p = newer
            if done.all():
                break
        flow, _ = self._flow(p)
        z = self.swept - self.spring * p
        self.y = np.minimum(np.maximum(self.y, z - self.grip), z + self.grip)
        came = h * stiff * flow
        self.out = self.out + came
        self.p = p
        self.peak = np.maximum(self.peak, p)
        rested = 1 - (1 - self.rested) * np.exp(-h / BUILDS_S)
        self.rested = rested * np.exp(-np.abs(came) / BREAKS_UL)
        return came


def _share(t: Floats, seconds: Floats, ramp: Floats) -> Floats:
    """Share of a trapezoid's way that is done."""
    ramp = np.maximum(np.minimum(ramp, seconds / 2), 1e-12)
    top = 1 / np.maximum(seconds - ramp, 1e-12)
    rising = top * t * t / (2 * ramp)
    falling = 1 - top * (seconds - t) ** 2 / (2 * ramp)
    return np.where(t <= ramp, rising, np.where(t >= seconds - ramp, falling, top * (t - ramp / 2)))


def _flow_table(bench: Foreign) -> Floats:
    """Flow [µL/s] at pressures x² above yield, x in even steps: shear rate times r², added up over the bore."""
    tip = bench.profile.tip
    over = np.linspace(0.0, np.sqrt(MOST_KPA), KNOTS) ** 2
    pressure = over + bench.yield_pressure_kpa
    plug = np.where(pressure > 0, bench.yield_pressure_kpa / np.maximum(pressure, 1e-12), 1.0)
    nodes, weights = np.polynomial.legendre.leggauss(24)
    # r = R·(plug + (1 − plug)·u²): the square smooths the root's beginning at the plug.
    u = (nodes + 1) / 2
    r = tip.radius_mm * (plug[:, None] + (1 - plug[:, None]) * u**2)
    dr = tip.radius_mm * (1 - plug[:, None]) * 2 * u * weights / 2
    stress = pressure[:, None] * r / (2 * tip.length_mm) - bench.yield_kpa
    rate = (np.maximum(stress, 0.0) / bench.consistency) ** (1 / bench.index)
    return pi * np.sum(r**2 * rate * dr, axis=1)

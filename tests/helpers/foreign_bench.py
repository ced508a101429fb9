"""Benches in the computer, written apart from all that is to be judged with them.

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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import dist, exp, expm1, pi, sqrt
from typing import Any

import numpy as np
from numba import njit
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
    walked_mm: Floats  # how far the tip goes in this row, along the board and down on it


def track(motions: Motions, profile: Profile) -> Track:
    rows: list[list[float]] = []
    walked: list[float] = []
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
            walked.append(0.0 if up else dist(place[:2], to[:2]))
        motor, place = move.plunger_mm, to
    table = np.array(rows)
    return Track(
        way_mm=table[:, 0],
        seconds=table[:, 1],
        ramp_s=table[:, 2],
        up=table[:, 3] > 0,
        lands=table[:, 4].astype(np.int64),
        walked_mm=np.array(walked),
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
    """Run each journey on its bench."""
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
    found = []
    waits = np.concatenate(
        [[0.0], np.geomspace(1e-3, 1.0, steps)]
    )  # short steps first; strokes have even ones
    for one, bench in zip(tracks, benches, strict=True):
        landed, end = np.full(len(one.way_mm), -1.0), np.zeros(3)
        rows = (one.way_mm, one.seconds, one.ramp_s, one.up, one.lands)
        _journey(rows, _numbers(bench), _flow_table(bench), waits, landed, end, np.zeros((0, 0)))
        mean: dict[int, float] = {}
        for index, volume in zip(one.lands.tolist(), landed.tolist(), strict=True):
            if volume >= 0:
                mean[index] = mean.get(index, 0.0) + volume
        peak, out, swept = end.tolist()
        found.append(Landed(mean_ul=mean, peak_kpa=peak, out_ul=out, swept_ul=swept))
    return found


def along_beads(one: Track, bench: Foreign, *, parts: int = 10, steps: int = 400) -> dict[int, Floats]:
    """How the paste of each bead that is walked lies along its path: shares of equal parts of its length, which add up
    to 1. What comes while the tip stands lies where it stands.
    """
    waits = np.concatenate([[0.0], np.geomspace(1e-3, 1.0, steps)])
    landed, end, came = np.full(len(one.way_mm), -1.0), np.zeros(3), np.zeros((len(one.way_mm), steps))
    rows = (one.way_mm, one.seconds, one.ramp_s, one.up, one.lands)
    _journey(rows, _numbers(bench), _flow_table(bench), waits, landed, end, came)
    found: dict[int, Floats] = {}
    first = 0
    for row, index in enumerate(one.lands.tolist()):
        if index == -1:
            continue
        if index >= 0 and one.walked_mm[first : row + 1].sum() > 0:
            down = [at for at in range(first, row + 1) if not one.up[at]]
            whole, before = float(one.walked_mm[down].sum()), 0.0
            shares = np.zeros(parts)
            for at in down:
                times = one.seconds[at] * (np.arange(steps) + 0.5) / steps
                done = np.array([_share(t, one.seconds[at], one.ramp_s[at]) for t in times])
                where = (before + one.walked_mm[at] * done) / whole
                np.add.at(shares, np.minimum((where * parts).astype(int), parts - 1), came[at])
                before += float(one.walked_mm[at])
            found[index] = shares / shares.sum()
        first = row + 1
    return found


def _numbers(bench: Foreign) -> tuple[float, ...]:
    """The bench as the compiled loop takes it."""
    area = bench.profile.barrel.area_mm2
    return (
        area * bench.gain,  # µL/mm
        area**2 / 1000 / bench.frame_n_mm,  # spring, µL/kPa
        area * bench.seal_n / bench.frame_n_mm,  # grip, µL
        bench.air_ul,
        bench.profile.paste.bulk_modulus_kpa,
        bench.profile.barrel.fill_ul,
        bench.backlash_mm,
        bench.thinning,
        bench.thixotropy,
        bench.index,
        bench.least_ul,
        bench.yield_pressure_kpa,
        bench.start_share * bench.yield_pressure_kpa,
    )


@njit(cache=True)
def _flow(p, yields, table):
    """Flow [µL/s] and its slope, read off the table."""
    over = abs(p) - yields
    if over <= 0.0:
        over = 0.0
    root = sqrt(over)
    scale = (KNOTS - 1) / sqrt(MOST_KPA)
    at = min(root * scale, KNOTS - 1.001)
    cell = int(at)
    low, high = table[cell], table[cell + 1]
    flow = low + (high - low) * (at - cell)
    return (flow if p >= 0 else -flow), (high - low) * scale / (2 * max(root, 0.5 / scale))


@njit(cache=True)
def _balanced(p, known, h_stiff, yields, table):
    """The pressure at the end of a step, by Newton inside a bracket."""
    paste, air, spring, grip, swept, y0, out = known
    low, high = LEAST_KPA, MOST_KPA
    for _ in range(60):
        flow, slope = _flow(p, yields, table)
        z = swept - spring * p
        y = min(max(y0, z - grip), z + grip)
        g = paste * p + air * p / (P0 + p) + h_stiff * flow + out - y
        by = paste + air * P0 / (P0 + p) ** 2 + h_stiff * slope
        if y != y0:
            by += spring
        if g < 0:
            low = p
        else:
            high = p
        newer = p - g / by
        if newer <= low or newer >= high:
            newer = (low + high) / 2
        near = abs(newer - p) < 1e-7 * (1 + abs(p))
        p = newer
        if near:
            break
    return p


@njit(cache=True)
def _share(t, seconds, ramp):
    """Share of a trapezoid's way that is done."""
    ramp = max(min(ramp, seconds / 2), 1e-12)
    top = 1 / max(seconds - ramp, 1e-12)
    if t <= ramp:
        return top * t * t / (2 * ramp)
    if t >= seconds - ramp:
        return 1 - top * (seconds - t) ** 2 / (2 * ramp)
    return top * (t - ramp / 2)


@njit(cache=True)
def _journey(rows, bench, table, waits, landed, end, came_at):
    """One bench through one journey: what lands when a row ends (−1 where nothing does); peak, out and swept in `end`;
    what came in each step, where there is room for it.
    """
    ways, times, ramps, ups, lands = rows
    per_mm, spring, grip, air, bulk, fill, backlash, thinning, thixotropy, index, least, yields, begun = bench
    steps = waits.size - 1
    rested, motor, drive, swept = 1.0, 0.0, backlash, 0.0  # rested: 1 stood for ever, 0 just sheared
    p = begun  # the nut's place (drive): the program begins as after a retraction
    y = grip - spring * p
    out_0 = y - fill / bulk * p - air * p / (P0 + p)
    out, peak, book, top, was_up, clock = out_0, p, 0.0, 0.0, True, 0.0
    whole = max(times.sum(), 1e-9)
    for row in range(ways.size):
        way, seconds, start = ways[row], times[row], motor
        if was_up and not ups[row]:
            top = book
        was_up = ups[row]
        warm = 1 - thinning * clock / whole
        if way == 0 and abs(p) <= yields:
            rested += (1 - rested) * -expm1(-seconds / BUILDS_S)
        else:
            before = 0.0
            for step in range(1, steps + 1):
                now = seconds * (step / steps if way != 0 else waits[step])
                h, before = now - before, now
                motor = start + way * _share(now, seconds, ramps[row])
                nut = min(max(drive, motor), motor + backlash)
                swept += (nut - drive) * per_mm
                drive = nut
                stiff = (warm * (1 + thixotropy * rested)) ** (-1 / index)
                paste = max(fill - (out - out_0), 0.0) / bulk
                p = _balanced(p, (paste, air, spring, grip, swept, y, out), h * stiff, yields, table)
                z = swept - spring * p
                y = min(max(y, z - grip), z + grip)
                came = h * stiff * _flow(p, yields, table)[0]
                out += came
                peak = max(peak, p)
                rested = (1 - (1 - rested) * exp(-h / BUILDS_S)) * exp(-abs(came) / BREAKS_UL)
                book += came
                top = max(top, book)
                if came_at.size > 0:
                    came_at[row, step - 1] = came
        clock += seconds
        if lands[row] == -2:
            book = min(book - max(top, 0.0), 0.0)
        elif lands[row] != -1 and top >= least:
            landed[row] = top
            book -= top
    end[0], end[1], end[2] = peak, out - out_0, swept


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

"""How far along a bead the tip is at a time: every leg of the path a trapezoid from standstill to standstill.

Corners are stopped at. Controllers in exact-stop mode (G61 of RS274/NGC) do just that; others round corners off
within their own limits and are a little earlier, by at most v/a per corner.
"""

import numpy as np
from msgspec import Struct, structs
from numpy.typing import NDArray

from pastewright.kinematics import move_time_s
from pastewright.plunger.ramp import Leg
from pastewright.plunger.roots import bracketed_roots

Floats = NDArray[np.float64]


class Walk(Struct, frozen=True, kw_only=True):
    """A path of straight legs [mm], walked at `speed_mm_s` with `accel_mm_s2` along the path.

    `run_in_mm` before the first leg and `run_out_mm` behind the last, in line with them, are walked while the plunger
    primes and retracts (`runs`); they are no part of the legs. `stand_in_s` and `stand_out_s` the plunger feeds before and
    behind the legs as along them, while the tip stands. `row_mm` is the length that the paste is meant for, where the
    path is shorter than the row of `row_pads` pads under it; 0: its own.
    """

    legs_mm: tuple[float, ...]
    speed_mm_s: float
    accel_mm_s2: float
    run_in_mm: float = 0.0
    run_out_mm: float = 0.0
    stand_in_s: float = 0.0
    stand_out_s: float = 0.0
    row_mm: float = 0.0
    row_pads: int = 1

    @property
    def length_mm(self) -> float:
        """Length of the legs [mm]."""
        return sum(self.legs_mm)

    @property
    def path_mm(self) -> float:
        """Length of legs and runs [mm]."""
        return self.run_in_mm + self.length_mm + self.run_out_mm

    @property
    def standing_s(self) -> float:
        """How long the plunger feeds while the tip stands at the ends [s]."""
        return self.stand_in_s + self.stand_out_s

    @property
    def time_s(self) -> float:
        """Time of the legs [s], ramps included."""
        return sum(move_time_s(leg, self.speed_mm_s, self.accel_mm_s2) for leg in self.legs_mm)


def walk_lasting(walk: Walk, time_s: float) -> Walk:
    """Return the same path walked more slowly, so that it takes `time_s`; the same walk if it already does."""
    if time_s <= walk.time_s:
        return walk

    def late(speed: Floats) -> Floats:
        return np.array([_at(walk, float(speed[0])).time_s - time_s])

    # Without its ramps the walk would take less than its time at this speed, so that it must be faster.
    slowest = np.array([0.999 * walk.length_mm / time_s])
    speed = bracketed_roots(late, slowest, np.array([walk.speed_mm_s]), tolerance=1e-12 * time_s)
    return _at(walk, float(speed[0]))


def _at(walk: Walk, speed_mm_s: float) -> Walk:
    return structs.replace(walk, speed_mm_s=speed_mm_s)


def walked_shares(walks: list[Walk], steps: int) -> Floats:
    """Share of the path done [-] at `steps` + 1 equal times from start to end; walks × (steps + 1)."""
    shares = np.zeros((len(walks), steps + 1))
    by_legs: dict[int, list[int]] = {}
    for index, walk in enumerate(walks):
        by_legs.setdefault(len(walk.legs_mm), []).append(index)
    for members in by_legs.values():
        legs = np.array([walks[index].legs_mm for index in members])
        speed = np.array([walks[index].speed_mm_s for index in members])[:, None]
        accel = np.array([walks[index].accel_mm_s2 for index in members])[:, None]
        top = np.minimum(speed, np.sqrt(accel * legs))
        rise = top / accel
        times = rise + legs / top
        begins = np.cumsum(times, axis=1) - times
        clock = times.sum(axis=1)[:, None] * np.linspace(0.0, 1.0, steps + 1)
        way = np.zeros_like(clock)
        for leg in range(legs.shape[1]):
            at = slice(leg, leg + 1)
            t = np.clip(clock - begins[:, at], 0.0, times[:, at])
            up = np.minimum(t, rise[:, at])
            down = np.maximum(t - (times[:, at] - rise[:, at]), 0.0)
            # As if at top speed throughout, less what the rise and the braking so far lack.
            way += top[:, at] * (t - up) + accel * (up * up - down * down) / 2
        shares[members] = way / way[:, -1:]
    return shares


def walk_legs(walk: Walk, feed_ul: float) -> list[Leg]:
    """Return the sweep rates [µL/s] of a walk that feeds `feed_ul`, as legs of one lane."""
    per_mm = feed_ul / walk.length_mm
    legs = []
    for leg_mm in walk.legs_mm:
        top = min(walk.speed_mm_s, (walk.accel_mm_s2 * leg_mm) ** 0.5)
        rise = np.array([top / walk.accel_mm_s2])
        cruise = leg_mm / top - rise
        still, full = np.zeros(1), np.array([top * per_mm])
        legs += [Leg(rise, still, full), Leg(cruise, full, full), Leg(rise, full, still)]
    return legs

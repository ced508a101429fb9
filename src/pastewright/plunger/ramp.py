"""Sweeps to speed over time: the trapezoid of the plunger, with the backlash cut out of its beginning.

    speed
      u |      ______            the motor starts at 0, the plunger only when the backlash is used up,
        |    /|      \\           so it starts at once with the speed the motor has by then
        |  /  |       \\
        +-+---+--------\\--- time
          | lag

Every push follows a retraction and every retraction a push, so each of them pays the backlash.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch of time [s] over which the sweep rate goes in a straight line from `start` to `end` [µL/s]."""

    time_s: Floats
    start_ul_s: Floats
    end_ul_s: Floats


@dataclass(frozen=True, slots=True)
class Ramp:
    """A sweep: `lag_s` without motion of the plunger, then the legs. Rates are above zero either way."""

    lag_s: Floats
    legs: tuple[Leg, Leg, Leg]

    @property
    def back(self) -> list[Leg]:
        """The legs of the same sweep the other way."""
        return [Leg(leg.time_s, -leg.start_ul_s, -leg.end_ul_s) for leg in self.legs]


def ramp(sweep_ul: ArrayLike, *, rate_ul_s: ArrayLike, accel_ul_s2: float, backlash_ul: float) -> Ramp:
    """Return the sweep of `sweep_ul` ≥ 0 [µL], one a lane, at most `rate_ul_s` fast.

    The motor covers sweep + backlash from standstill to standstill: ramps t_a = u/α with u the lesser of the
    rate and √(α·D), the textbook trapezoid or triangle.
    """
    sweep = np.atleast_1d(np.asarray(sweep_ul, dtype=float))
    way = sweep + backlash_ul
    top = np.maximum(np.minimum(rate_ul_s, np.sqrt(accel_ul_s2 * way)), 1e-300)
    rise_s = top / accel_ul_s2
    rise_ul = top * rise_s / 2
    cruise_s = np.maximum(way - 2 * rise_ul, 0.0) / top
    total_s = 2 * rise_s + cruise_s
    lag_s = np.where(
        backlash_ul <= rise_ul,
        np.sqrt(2 * backlash_ul / accel_ul_s2),
        np.where(
            sweep >= rise_ul,
            rise_s + (backlash_ul - rise_ul) / top,
            total_s - np.sqrt(2 * sweep / accel_ul_s2),
        ),
    )
    braking_s = rise_s + cruise_s  # when it begins
    rising = Leg(np.maximum(rise_s - lag_s, 0.0), np.minimum(accel_ul_s2 * lag_s, top), top)
    cruising = Leg(np.maximum(braking_s - np.maximum(lag_s, rise_s), 0.0), top, top)
    brake_left_s = total_s - np.maximum(lag_s, braking_s)
    braking = Leg(brake_left_s, accel_ul_s2 * brake_left_s, np.zeros_like(top))
    return Ramp(lag_s, (rising, cruising, braking))

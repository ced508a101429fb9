"""Time of a move from standstill to standstill under a trapezoidal speed profile; shared by route and motion.

    speed
      v |    ______
        |   /      \\        t_a = v/a on each ramp, d_a = v²/2a of way on each
        |  /        \\       a move shorter than 2·d_a is a triangle: it never reaches v
        +-/----------\\--- time

What axes and heights a move has is decided elsewhere. The read-back does not use this module.
"""

from math import sqrt

import numpy as np
from numpy.typing import NDArray


def move_time_s(distance_mm: float, speed_mm_s: float, accel_mm_s2: float) -> float:
    """Time [s] of a move of `distance_mm` (≥ 0) between two standstills.

    D/v + v/a where the speed v is reached (D ≥ v²/a), else 2·√(D/a): equal ramps up and down, the textbook
    trapezoid and triangle. Raises ValueError where speed or acceleration is not above zero.
    """
    if speed_mm_s <= 0 or accel_mm_s2 <= 0:
        raise ValueError(f"no such axis: {speed_mm_s} mm/s, {accel_mm_s2} mm/s²; both must be above zero")
    if distance_mm * accel_mm_s2 >= speed_mm_s * speed_mm_s:
        return distance_mm / speed_mm_s + speed_mm_s / accel_mm_s2
    return 2 * sqrt(distance_mm / accel_mm_s2)


def move_times_s(
    distances_mm: NDArray[np.float64], speed_mm_s: float, accel_mm_s2: float
) -> NDArray[np.float64]:
    """Times [s] of many moves, same shape as `distances_mm`; see `move_time_s`."""
    if speed_mm_s <= 0 or accel_mm_s2 <= 0:
        raise ValueError(f"no such axis: {speed_mm_s} mm/s, {accel_mm_s2} mm/s²; both must be above zero")
    trapezoid_s = distances_mm / speed_mm_s + speed_mm_s / accel_mm_s2
    triangle_s = 2 * np.sqrt(distances_mm / accel_mm_s2)
    reached = distances_mm * accel_mm_s2 >= speed_mm_s * speed_mm_s
    times_s: NDArray[np.float64] = np.where(reached, trapezoid_s, triangle_s)
    return times_s

"""Power screws: force to torque and back, for square, metric and trapezoidal threads.

Handbook formulas with the half angle α of the thread (0 square, 15° trapezoidal, 30° metric), mean diameter d,
lead l and thread friction f; friction of a thrust collar is left out, since small drives use ball bearings there.
"""

from math import atan, cos, degrees, inf, pi, radians

MM_PER_M = 1e3


def raising_torque_nm(
    force_n: float, *, lead_mm: float, pitch_diameter_mm: float, half_angle_deg: float, friction: float
) -> float:
    """Torque [N·m] that drives a load against its force.

    T = F·d/2·(cosα·l + π·f·d)/(π·d·cosα − f·l) (Shigley, Mechanical Engineering Design, power screws; Mott,
    Machine Elements, chapter 17). Infinite where the denominator is not above zero: no torque moves it.
    """
    d, cosine = pitch_diameter_mm, cos(radians(half_angle_deg))
    below = pi * d * cosine - friction * lead_mm
    if below <= 0:
        return inf
    return force_n * d / 2 * (cosine * lead_mm + pi * friction * d) / below / MM_PER_M


def lowering_torque_nm(
    force_n: float, *, lead_mm: float, pitch_diameter_mm: float, half_angle_deg: float, friction: float
) -> float:
    """Torque [N·m] that lets a load down; below zero the load drives the screw by itself.

    T = F·d/2·(π·f·d − cosα·l)/(π·d·cosα + f·l), same sources.
    """
    d, cosine = pitch_diameter_mm, cos(radians(half_angle_deg))
    above = pi * friction * d - cosine * lead_mm
    return force_n * d / 2 * above / (pi * d * cosine + friction * lead_mm) / MM_PER_M


def efficiency(*, lead_mm: float, pitch_diameter_mm: float, half_angle_deg: float, friction: float) -> float:
    """Work done over work put in [-], e = F·l/(2π·T_raise)."""
    torque = raising_torque_nm(
        1.0,
        lead_mm=lead_mm,
        pitch_diameter_mm=pitch_diameter_mm,
        half_angle_deg=half_angle_deg,
        friction=friction,
    )
    return lead_mm / MM_PER_M / (2 * pi * torque)


def lead_angle_deg(*, lead_mm: float, pitch_diameter_mm: float) -> float:
    """Slope of the thread at its mean diameter [°], atan(l/(π·d))."""
    return degrees(atan(lead_mm / (pi * pitch_diameter_mm)))

"""Lowering and lifting, alone or while the plunger presses or draws back: speed and time of one coordinated move.

The tip's way and the plunger's go in step, so that the slower of the two sets the pace:

    v = min(v_z, v_p·D/d)      a = min(a_z, a_p·D/d)      D way of the tip, d of the plunger
"""

from math import inf

from pastewright.kinematics import move_time_s
from pastewright.profile.model import Profile

# A lift that lasts this much longer than the plunger draws is parted, so that the paste is not drawn more slowly for
# the sake of a long way up. A second move costs its own two ramps; own choice.
MUCH_LONGER = 2.3


def vertical(
    way_mm: float, plunger_mm: float, profile: Profile, *, plunger_mm_s: float = inf, tip_mm_s: float = inf
) -> tuple[float, float]:
    """Return the speed of the tip [mm/s] and the time [s] of a move straight up or down; ways ≥ 0. Speeds are the most
    that the paste allows.
    """
    machine, drive = profile.machine, profile.plunger
    speed, accel = min(machine.speed_z_mm_s, tip_mm_s), machine.accel_z_mm_s2
    if plunger_mm > 0 and way_mm > 0:
        share = way_mm / plunger_mm
        speed = min(speed, min(plunger_mm_s, drive.speed_mm_s) * share)
        accel = min(accel, drive.accel_mm_s2 * share)
    return speed, move_time_s(way_mm, speed, accel)


def first_lift_mm(way_mm: float, plunger_mm: float, profile: Profile, *, plunger_mm_s: float) -> float:
    """Return how far up the plunger should be done [mm]: all of the way, or what the tip goes while it draws."""
    drive, machine = profile.plunger, profile.machine
    draw_s = move_time_s(plunger_mm, min(plunger_mm_s, drive.speed_mm_s), drive.accel_mm_s2)
    _, lift_s = vertical(way_mm, 0.0, profile)
    if lift_s <= MUCH_LONGER * draw_s:
        return way_mm
    ramp_s = machine.speed_z_mm_s / machine.accel_z_mm_s2
    if draw_s <= 2 * ramp_s:
        return machine.accel_z_mm_s2 * draw_s**2 / 4
    return machine.speed_z_mm_s * (draw_s - ramp_s)

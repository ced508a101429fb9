"""What motor and barrel of a bench stand, against what its paste needs before it moves at all.

The pressure that moves paste through a tip is P_y = 2·L·τ_y/R (force balance of the whole plug). A bench that stands less
lays nothing, whatever is planned for it; one that stands hardly more takes minutes for a dot.
"""

from collections.abc import Iterator
from math import inf, pi

from pastewright.materials.screw import raising_torque_nm
from pastewright.profile.model import Profile

N_PER_KPA_MM2 = 1e-3
"""1 kPa on 1 mm² is 1 mN."""

SEAL_FRICTION_N = 10.0
"""Force to keep a barrel's seal gliding. ISO 7886-1 allows a mean of 10 N for syringes of 2 to 50 mL (from memory); the
motor is to manage so much even where less is known to act."""

TORQUE_SHARE = 0.7
"""Share of a stepper's torque at speed that may be planned with; the rest is for what is not known. Common practice: half
to three quarters."""

BARREL_SHARE = 0.95
"""Share of the barrel's rating that is planned with, since flow and springs are never known to the last percent."""

LEAST_OVER_YIELD = 1.5
"""Times its yield pressure that a bench must stand: nothing flows at once, and below this hardly anything does (own choice;
the six example benches stand 26 times at least)."""

LEAST_VISCOUS = 0.1
"""What flowing at the push's rate adds to the stress at the tip's wall, K·γⁿ with γ = 4·Q/(π·R³), in yield stresses. Below
0.03 the flow just above yield is too sudden for the steps of the reckoning (measured over K, yield stress and n); solder
pastes have 10 to 100 (common practice)."""


def motor_hold_kpa(
    torque_nm: float, *, torque_per_newton_nm: float, area_mm2: float, friction_n: float
) -> float:
    """Return the highest pressure that a torque on the screw holds with the margin above [kPa]; at least 0.

    P = (F − F_seal)/A with the force F that the torque share raises; gear losses are part of the margin. `friction_n` is
    what the seal is known to rub with.
    """
    force_n = TORQUE_SHARE * torque_nm / torque_per_newton_nm
    return max(force_n - max(SEAL_FRICTION_N, friction_n), 0.0) / (area_mm2 * N_PER_KPA_MM2)


def strength_problems(profile: Profile) -> Iterator[tuple[str, str, str, str]]:
    """Yield section, key, what is wrong and how to mend it, where the paste cannot be moved on this bench."""
    drive, barrel, tip, paste = profile.plunger, profile.barrel, profile.tip, profile.paste
    yield from _too_thin(profile)
    yield_kpa = 2 * tip.length_mm * paste.yield_stress_kpa / tip.radius_mm
    needed_kpa = LEAST_OVER_YIELD * yield_kpa * profile.tuning.pressure_doubt
    per_newton_nm = raising_torque_nm(
        1.0,
        lead_mm=drive.screw.lead_mm,
        pitch_diameter_mm=drive.screw.pitch_diameter_mm,
        half_angle_deg=drive.screw.half_angle_deg,
        friction=drive.thread_friction,
    )
    needs = (
        f"this paste needs {needed_kpa:.3g} kPa in this tip ({LEAST_OVER_YIELD:g} times the {yield_kpa:.3g} kPa"
        " at which it begins to move)"
    )
    if per_newton_nm == inf:
        yield (
            "plunger",
            "thread_friction",
            f"a screw of {drive.screw.lead_mm:g} mm lead cannot be turned against a force with thread friction"
            f" {drive.thread_friction:g}",
            "Less friction (0.1 to 0.2 is usual), or a screw of less lead.",
        )
        return
    friction_n = max(SEAL_FRICTION_N, profile.tuning.seal_friction_n)
    held_kpa = motor_hold_kpa(
        drive.torque_nm * drive.gear,
        torque_per_newton_nm=per_newton_nm,
        area_mm2=barrel.area_mm2,
        friction_n=profile.tuning.seal_friction_n,
    )
    if held_kpa < needed_kpa:
        force_n = needed_kpa * barrel.area_mm2 * N_PER_KPA_MM2 + friction_n
        torque_nm = force_n * per_newton_nm / TORQUE_SHARE / drive.gear
        yield (
            "plunger",
            "torque_nm",
            f"the motor holds {held_kpa:.3g} kPa with {TORQUE_SHARE:.0%} of its {drive.torque_nm:g} N·m, beside"
            f" {friction_n:g} N for the seal; {needs}",
            f"{torque_nm:.2g} N·m or more would do, or more gear, a finer screw, a wider or shorter tip.",
        )
    if BARREL_SHARE * barrel.limit_kpa < needed_kpa:
        yield (
            "barrel",
            "limit_kpa",
            f"the barrel is rated for {barrel.limit_kpa:g} kPa; {needs}",
            "A wider or shorter tip, a softer paste, or a barrel rated for more; never more than its maker says.",
        )


def _too_thin(profile: Profile) -> Iterator[tuple[str, str, str, str]]:
    paste, drive = profile.paste, profile.plunger
    push_ul_s = min(profile.tuning.push_ul_s, drive.speed_mm_s * profile.barrel.area_mm2)
    shear_per_s = 4 * push_ul_s / (pi * profile.tip.radius_mm**3)
    viscous = paste.consistency_kpa_sn * shear_per_s**paste.flow_index / paste.yield_stress_kpa
    if viscous < LEAST_VISCOUS:
        yield (
            "paste",
            "consistency_pa_sn",
            f"a consistency of {1e3 * paste.consistency_kpa_sn:g} Pa·sⁿ is far too thin beside a yield stress of"
            f" {1e3 * paste.yield_stress_kpa:g} Pa: such a paste stands, and then all of it runs",
            "Solder pastes have some 100 to 500 Pa·sⁿ beside 50 to 300 Pa (from memory); a tuning sheet tells.",
        )

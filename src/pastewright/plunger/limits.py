"""What the bench can and cannot do: resolution, force, torque, flow, and problems as values when it is too little."""

from collections.abc import Iterable
from math import ceil, floor, sqrt

from pastewright.materials.tables import barrels
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.flow import steady_pressure_kpa
from pastewright.plunger.pressure import time_constant_s
from pastewright.problems import Problem, Severity
from pastewright.profile.model import Profile
from pastewright.profile.strength import N_PER_KPA_MM2, SEAL_FRICTION_N, TORQUE_SHARE

# A dose of ten microsteps is met within 5 % of itself by rounding alone, one of three within 17 %; the remainder
# goes to the next dose, so that neither adds up.
FEW_MICROSTEPS = 10
TOO_FEW_MICROSTEPS = 3

# Solved peaks meet a limit to about a thousandth; this keeps that from being told as trouble.
PEAK_SLACK = 1.005


def microsteps(volume_ul: float, bench: PlungerBench) -> float:
    """Microsteps of the motor that sweep `volume_ul` [-]."""
    return volume_ul / bench.microstep_ul


def force_n(pressure_kpa: float, bench: PlungerBench) -> float:
    """Force on the plunger [N], P·A and the seal's friction."""
    return pressure_kpa * bench.store.area_mm2 * N_PER_KPA_MM2 + max(SEAL_FRICTION_N, bench.seal_friction_n)


def motor_torque_nm(pressure_kpa: float, bench: PlungerBench) -> float:
    """Torque that the motor gives to hold a pressure while pushing [N·m]; gear losses not counted."""
    return force_n(pressure_kpa, bench) * bench.torque_per_newton_nm / bench.gear


def flow_time_constant_s(flow_ul_s: float, bench: PlungerBench) -> float:
    """Time constant C·dP/dQ [s] around a steady flow [µL/s]."""
    return float(time_constant_s(steady_pressure_kpa(flow_ul_s, bench.tip), bench))


def gear_for(volume_ul: float, bench: PlungerBench, *, steps: float = FEW_MICROSTEPS) -> float:
    """Whole-numbered gear, or multiple of today's, that gives `steps` microsteps to `volume_ul`."""
    return bench.gear * max(ceil(steps / microsteps(volume_ul, bench) - 1e-9), 1)


def bore_for_mm(volume_ul: float, bench: PlungerBench, *, steps: float = FEW_MICROSTEPS) -> float:
    """Largest bore of a barrel [mm] that gives `steps` microsteps to `volume_ul` with today's drive."""
    bore_mm = sqrt(bench.store.area_mm2 / (3.141592653589793 / 4))
    return bore_mm * min(sqrt(microsteps(volume_ul, bench) / steps), 1.0)


def resolution_problems(volumes_ul: Iterable[float], bench: PlungerBench) -> tuple[Problem, ...]:
    """Return what is wrong with the microstep for these doses: a warning below 10 microsteps, an error below 3."""
    volumes = sorted(volumes_ul)
    if not volumes or microsteps(volumes[0], bench) >= FEW_MICROSTEPS:
        return ()
    least = volumes[0]
    steps = microsteps(least, bench)
    severity = Severity.ERROR if steps < TOO_FEW_MICROSTEPS else Severity.WARNING
    limit = TOO_FEW_MICROSTEPS if severity is Severity.ERROR else FEW_MICROSTEPS
    few = sum(microsteps(volume, bench) < limit for volume in volumes)
    return (
        Problem(
            what=f"{few} of {len(volumes)} deposits have fewer than {limit} microsteps; the smallest, {least:.4g} µL,"
            f" has {steps:.1f} of {bench.microstep_ul:.4g} µL each",
            mend=f"{_mend(least, bench)} (for {FEW_MICROSTEPS} microsteps).",
            severity=severity,
        ),
    )


def _mend(volume_ul: float, bench: PlungerBench) -> str:
    gear = gear_for(volume_ul, bench)
    bore_mm = bore_for_mm(volume_ul, bench)
    fitting = [size for size in barrels() if size.bore_mm <= bore_mm]
    barrel = (
        f"a barrel of {max(fitting, key=lambda size: size.bore_mm).name}" if fitting else "a smaller barrel"
    )
    return (
        f"A gear of {gear:g} in place of {bench.gear:g} would do, or {barrel} (bore up to {bore_mm:.2f} mm)"
    )


def pressure_problems(peak_kpa: float, bench: PlungerBench) -> tuple[Problem, ...]:
    """Return warnings where a pressure passes what motor or barrel stand; slower pushes could not avoid it."""
    problems = []
    if peak_kpa > bench.motor_limit_kpa * PEAK_SLACK:
        problems.append(
            Problem(
                what=f"the pressure reaches {peak_kpa:.0f} kPa; the motor holds {bench.motor_limit_kpa:.0f} kPa"
                f" with {TORQUE_SHARE:.0%} of its torque",
                mend="Use a wider or shorter tip, a smaller barrel, more gear or a stronger motor.",
                severity=Severity.WARNING,
            )
        )
    if peak_kpa > bench.barrel_limit_kpa:
        problems.append(
            Problem(
                what=f"the pressure reaches {peak_kpa:.0f} kPa; the barrel is rated for {bench.barrel_limit_kpa:.0f} kPa",
                mend="Use a wider or shorter tip, or a barrel rated for more (limit_kpa).",
                severity=Severity.WARNING,
            )
        )
    return tuple(problems)


def boards_per_barrel(profile: Profile, *, board_ul: float, settling_ul: float) -> int:
    """Boards that a filled barrel lasts for, each program settling first; limited by the stroke too."""
    reach_ul = profile.plunger.stroke_mm * profile.barrel.area_mm2 * profile.tuning.gain
    one = board_ul + settling_ul
    return floor(min(profile.barrel.fill_ul, reach_ul) / one) if one > 0 else 0

"""A bench that can be worked in the head, and a small writer of right programs, apart from the tool's own.

The writer knows only the rules of the two dialects and finds its pushes by bisection on the read-back's barrel.
Tests break what it writes.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from math import hypot, pi, sqrt
from typing import Any

import pytest

from pastewright.materials.model import Alloy, Barrel, Paste, Powder, Screw, Tip
from pastewright.profile.model import (
    BeadFeed,
    Bed,
    Controller,
    DepositSettings,
    DialectName,
    DoseSettings,
    Machine,
    PlungerDrive,
    PlungerMode,
    PlungerUnit,
    Profile,
    Tuning,
    VerifySettings,
)
from pastewright.readback.machine.barrel import BarrelBench, bench_of, run
from pastewright.readback.model import Expected, ExpectedDeposit
from pastewright.records.kinds import DepositKind

BORE_MM = sqrt(400 / pi)  # an area of 100 mm²: 0.01 mm of plunger is 1 µL

# Travel at Z 12 (board at 10, clearance 2); board at (50, 50); strip along Y 40 from X 50 to 80; park (5, 5).
PROFILE = Profile(
    name="bench of the tests",
    file="",
    sha256="",
    machine=Machine(
        x_min_mm=0,
        x_max_mm=200,
        y_min_mm=0,
        y_max_mm=200,
        z_min_mm=0,
        z_max_mm=50,
        speed_xy_mm_s=100,
        speed_z_mm_s=20,
        accel_xy_mm_s2=1000,
        accel_z_mm_s2=200,
    ),
    bed=Bed(
        board_x_mm=50,
        board_y_mm=50,
        board_z_mm=10,
        clearance_mm=2,
        strip_x_mm=50,
        strip_y_mm=40,
        strip_length_mm=30,
        park_x_mm=5,
        park_y_mm=5,
    ),
    controller=Controller(
        dialect=DialectName.REPRAP,
        plunger_mode=PlungerMode.RELATIVE,
        bead_feed=BeadFeed.PATH,
        line_numbers=False,
        checksums=False,
        decimals=3,
    ),
    plunger=PlungerDrive(
        letter="E",
        unit=PlungerUnit.MM,
        sign=1,
        screw=Screw(name="1 mm", lead_mm=1.0, pitch_diameter_mm=5.35, half_angle_deg=30, source="", tag=""),
        steps_per_turn=200,
        microsteps=16,
        gear=50,
        speed_mm_s=1.0,
        accel_mm_s2=20,
        torque_nm=1.0,
        thread_friction=0.15,
        stroke_mm=60,
        backlash_mm=0.02,
        frame_stiffness_n_mm=500,
    ),
    barrel=Barrel(name="5 mL", bore_mm=BORE_MM, capacity_ul=5000, fill_ul=4000, limit_kpa=2000),
    tip=Tip(gauge=None, bore_mm=0.4, outer_mm=0.7, length_mm=12),
    paste=Paste(
        name="paste",
        alloy=Alloy(name="SAC305", solidus_c=217, liquidus_c=220, density_g_cm3=7.38, source="", tag=""),
        metal_mass_fraction=0.85,
        flux_density_g_cm3=1.0,
        powder=Powder(type=4, lower_um=20, upper_um=38, largest_um=50, source="", tag=""),
        yield_stress_kpa=0.15,
        consistency_kpa_sn=0.25,
        flow_index=0.4,
        bulk_modulus_kpa=500_000,
    ),
    tuning=Tuning(
        gain=1.0,
        bubble_ul=1.0,
        seal_friction_n=0.0,
        pressure_doubt=1.0,
        dot_shape_ratio=0.4,
        bead_shape_ratio=0.4,
        dwell_s=0.2,
        push_ul_s=10,
        bead_mm_s=5,
        smallest_dot_bores=1.3,
        rest_fraction=0.5,
        dated="",
    ),
    dose=DoseSettings(
        foil_mm=0.12,
        print_metal_mass_fraction=0.9,
        transfer=((0.0, 1.0), (1.0, 1.0)),
        thermal_coverage=0.6,
        thermal_area_mm2=4,
        shrink_mm=0.05,
        paste_in_hole=True,
        board_mm=1.6,
        pin_mm=0.64,
        pin_square=True,
        fillet_mm=0.3,
        rules=(),
    ),
    deposit=DepositSettings(
        bridge_gap_mm=0.1,
        placement_error_mm=0.05,
        overhang_mm=0.1,
        trim_to=0.6,
        raise_to=1.2,
        row_factor=0.8,
        standoff_bores=0.5,
    ),
    verify=VerifySettings(volume_tolerance=0.05, place_tolerance_mm=0.05),
)

DEPOSITS = (
    ExpectedDeposit(kind=DepositKind.DOT, points_mm=((1.0, 1.0),), volume_ul=0.1, pad_ids=("R1-1",)),
    ExpectedDeposit(kind=DepositKind.DOT, points_mm=((3.0, 1.0),), volume_ul=0.1, pad_ids=("R1-2",)),
    ExpectedDeposit(kind=DepositKind.DOT, points_mm=((6.0, 2.0),), volume_ul=0.4, pad_ids=("C1-1",)),
    ExpectedDeposit(
        kind=DepositKind.BEAD, points_mm=((8.0, 1.0), (8.0, 5.0)), volume_ul=1.5, pad_ids=("U1-1", "U1-2")
    ),
    ExpectedDeposit(kind=DepositKind.DOT, points_mm=((6.0, 6.0),), volume_ul=0.05, pad_ids=("R2-1",)),
    ExpectedDeposit(
        kind=DepositKind.BEAD,
        points_mm=((1.0, 6.0), (4.0, 6.0), (4.0, 8.0)),
        volume_ul=2.0,
        pad_ids=("U2-9",),
    ),
)
EXPECTED = Expected(deposits=DEPOSITS)

STANDOFF_MM = 0.2
TRAVEL_MM_MIN, Z_MM_MIN, PUSH_MM_MIN = 3000.0, 600.0, 6.0  # plunger 0.1 mm/s: 10 µL/s
Op = tuple[str, dict[str, float]]


def with_controller(profile: Profile, **changes: Any) -> Profile:
    return replace(profile, controller=replace(profile.controller, **changes))


def with_plunger(profile: Profile, **changes: Any) -> Profile:
    return replace(profile, plunger=replace(profile.plunger, **changes))


def with_tuning(profile: Profile, **changes: Any) -> Profile:
    return replace(profile, tuning=replace(profile.tuning, **changes))


# -- the cycle, on one number: the push ----------------------------------------------------------------


def trapezoid(distance: float, speed: float, accel: float) -> tuple[float, float]:
    """Whole time and one ramp [s] of a move from rest to rest."""
    ramp = min(speed / accel, sqrt(distance / accel))
    return distance / (ramp * accel) + ramp, ramp


@dataclass
class Cycle:
    """Plunger moves in mm with their times."""

    profile: Profile
    at: list[float] = field(default_factory=lambda: [0.0])
    times: list[tuple[float, float]] = field(default_factory=list)

    def plunge(self, mm: float) -> "Cycle":
        self.at.append(self.at[-1] + mm)
        self.times.append(trapezoid(abs(mm), PUSH_MM_MIN / 60, self.profile.plunger.accel_mm_s2))
        return self

    def along(self, mm: float, path_mm: float) -> "Cycle":
        self.at.append(self.at[-1] + mm)
        speed = min(self.profile.tuning.bead_mm_s, 0.9 * self.profile.plunger.speed_mm_s * path_mm / mm)
        accel = min(self.profile.machine.accel_xy_mm_s2, self.profile.plunger.accel_mm_s2 * path_mm / mm)
        self.times.append(trapezoid(path_mm, speed, accel))
        return self

    def wait(self, seconds: float) -> "Cycle":
        self.at.append(self.at[-1])
        self.times.append((seconds, 0.0))
        return self

    def result(self, start_kpa: float) -> tuple[float, float]:
        """Paste out [µL] and last pressure [kPa]."""
        got = run(
            _bench(self.profile),
            plunger_mm=self.at,
            duration_s=[whole for whole, _ in self.times],
            ramp_s=[ramp for _, ramp in self.times],
            tolerance_ul=1e-6,
            start_kpa=start_kpa,
        )
        return float(got.out_ul.sum()), float(got.last_kpa[-1])


_benches: dict[int, tuple[Profile, BarrelBench]] = {}


def _bench(profile: Profile):
    if id(profile) not in _benches:
        _benches[id(profile)] = (profile, bench_of(profile))
    return _benches[id(profile)][1]


def bisect(f: Callable[[float], float], low: float, high: float) -> float:
    """Root of a rising function."""
    assert f(low) < 0 < f(high)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if f(middle) < 0 else (low, middle)
    return (low + high) / 2


@cache
def _push_mm(profile_key: int, kind: str, volume_ul: float, pieces: tuple[float, ...]) -> float:
    profile = _benches[profile_key][0]
    area = profile.barrel.area_mm2
    rest = rest_kpa(profile)

    def missing(push: float) -> float:
        cycle = Cycle(profile).plunge(push + profile.plunger.backlash_mm)
        for piece in pieces:
            cycle.along(volume_ul / area * piece / sum(pieces), piece)
        back = push + (volume_ul / area if pieces else 0.0) - volume_ul / area + profile.plunger.backlash_mm
        cycle.wait(profile.tuning.dwell_s).plunge(-back)
        return cycle.result(rest)[0] - volume_ul

    return bisect(missing, volume_ul / area, 1.0)


def rest_kpa(profile: Profile) -> float:
    return profile.tuning.rest_fraction * _bench(profile).flow.yield_kpa


# -- the moves of a whole program ----------------------------------------------------------------------


def operations(expected: Expected, profile: Profile) -> list[Op]:
    """The right moves for `expected`: up, settle on the strip, each deposit in order, park."""
    bed, area = profile.bed, profile.barrel.area_mm2
    up = {"Z": profile.travel_z_mm}
    down = {"Z": bed.board_z_mm + STANDOFF_MM}
    slack = profile.plunger.backlash_mm
    strip_mm, strip_ul = 20.0, 60.0
    settle = Cycle(profile).plunge(0.15).along(strip_ul / area, strip_mm).wait(0.5)

    def over(back: float) -> float:
        cycle = replace(settle, at=[*settle.at], times=[*settle.times]).plunge(-back)
        return rest_kpa(profile) - cycle.result(0.0)[1]

    back = bisect(over, slack + 1e-4, 1.0)
    ops: list[Op] = [
        ("up", up),
        ("travel", {"X": bed.strip_x_mm, "Y": bed.strip_y_mm}),
        ("down", down),
        ("plunge", {"P": 0.15}),
        ("along", {"X": bed.strip_x_mm + strip_mm, "Y": bed.strip_y_mm, "P": strip_ul / area, "L": strip_mm}),
        ("wait", {"S": 0.5}),
        ("plunge", {"P": -back}),
        ("up", up),
    ]
    for deposit in expected.deposits:
        points = [(x + bed.board_x_mm, y + bed.board_y_mm) for x, y in deposit.points_mm]
        pieces = tuple(hypot(x - u, y - v) for (x, y), (u, v) in zip(points[1:], points[:-1], strict=True))
        push = _push_mm(id(profile), deposit.kind, deposit.volume_ul, pieces)
        ops += [
            ("travel", {"X": points[0][0], "Y": points[0][1]}),
            ("down", down),
            ("plunge", {"P": push + slack}),
        ]
        for (x, y), piece in zip(points[1:], pieces, strict=True):
            ops.append(
                ("along", {"X": x, "Y": y, "P": deposit.volume_ul / area * piece / sum(pieces), "L": piece})
            )
        back = push + (0.0 if pieces else -deposit.volume_ul / area) + slack
        ops += [("wait", {"S": profile.tuning.dwell_s}), ("plunge", {"P": -back}), ("up", up)]
    return [*ops, ("travel", {"X": bed.park_x_mm, "Y": bed.park_y_mm})]


# -- text ----------------------------------------------------------------------------------------------


def unit_of(profile: Profile) -> float:
    """Plunger travel [mm] of one unit behind its letter."""
    drive = profile.plunger
    return (
        drive.sign
        * {
            PlungerUnit.MM: 1.0,
            PlungerUnit.UL: 1 / profile.barrel.area_mm2,
            PlungerUnit.TURN: drive.screw.lead_mm / drive.gear,
            PlungerUnit.DEGREE: drive.screw.lead_mm / drive.gear / 360,
        }[drive.unit]
    )


def write(expected: Expected, profile: Profile) -> str:
    """The text of a right program in the profile's dialect."""
    ngc = profile.controller.dialect is DialectName.NGC
    relative = profile.controller.plunger_mode is PlungerMode.RELATIVE and not ngc
    letter, unit = profile.plunger.letter, unit_of(profile)
    lines = ["; paste for the bench of the tests"]
    if ngc:
        lines += ["G21 G90 G94 G17 G54", f"G92 {letter}0"]
    else:
        lines += ["G21", "G90", "M83" if relative else "M82", f"G92 {letter}0"]
    at = 0.0
    told = 0.0
    for name, words in operations(expected, profile):
        if name == "up" or name == "down":
            lines.append(f"G1 Z{words['Z']:.3f} F{Z_MM_MIN:g}")
        elif name == "travel":
            lines.append(f"G1 X{words['X']:.3f} Y{words['Y']:.3f} F{TRAVEL_MM_MIN:g}")
        elif name == "wait":
            lines.append(f"G4 P{words['S']:g}" if ngc else f"G4 P{words['S'] * 1000:g}")
        else:
            at += words["P"]
            value = round(at / unit, 6)
            word = f"{letter}{value - told if relative else value:.6f}"
            told = value
            if name == "plunge":
                lines.append(f"G1 {word} F{PUSH_MM_MIN / abs(unit):.6g}")
            else:
                speed = min(
                    profile.tuning.bead_mm_s, 0.9 * profile.plunger.speed_mm_s * words["L"] / words["P"]
                )
                lines.append(f"G1 X{words['X']:.3f} Y{words['Y']:.3f} {word} F{speed * 60:.6g}")
    lines += ["M2"] if ngc else ["M400", "M84"]
    if profile.controller.checksums:
        lines = [numbered(k, line.split(";")[0].strip()) for k, line in enumerate(lines)]
    elif profile.controller.line_numbers:
        lines = [line if line.startswith(";") else f"N{10 * k} {line}" for k, line in enumerate(lines)]
    return "\n".join(lines) + "\n"


def numbered(number: int, line: str) -> str:
    """A line with its number and checksum: the exclusive-or of all bytes before the star."""
    text = f"N{number} {line}" if number else "N0 M110"
    total = 0
    for byte in text.encode():
        total ^= byte
    return f"{text}*{total}"


REPRAP = PROFILE
REPRAP_ABSOLUTE = with_controller(PROFILE, plunger_mode=PlungerMode.ABSOLUTE)
REPRAP_CHECKED = with_controller(PROFILE, line_numbers=True, checksums=True)
NGC = with_plunger(
    with_controller(PROFILE, dialect=DialectName.NGC, plunger_mode=PlungerMode.ABSOLUTE),
    letter="A",
    unit=PlungerUnit.DEGREE,
)
NGC_LINEAR = with_plunger(NGC, letter="U", unit=PlungerUnit.MM, sign=-1)
BENCHES = {
    "reprap": REPRAP,
    "reprap-absolute": REPRAP_ABSOLUTE,
    "reprap-checked": REPRAP_CHECKED,
    "ngc": NGC,
    "ngc-linear": NGC_LINEAR,
}


@cache
def _program(name: str) -> str:
    _bench(BENCHES[name])
    return write(EXPECTED, BENCHES[name])


@dataclass(frozen=True)
class Case:
    """A bench, what is expected of it, and a right program for that."""

    profile: Profile
    expected: Expected
    text: str


@pytest.fixture(scope="session")
def good() -> Callable[[str], Case]:
    """Return a function from a bench's name to its right program."""
    return lambda name: Case(BENCHES[name], EXPECTED, _program(name))


@pytest.fixture(scope="session")
def bench_profile() -> Profile:
    return PROFILE

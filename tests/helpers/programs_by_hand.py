"""A bench whose numbers can be worked in the head, and journeys over it, for tests of the writer. Not a test itself."""

from dataclasses import replace
from math import pi, sqrt
from typing import Any

from hypothesis import strategies as st

from pastewright.materials.model import Barrel, Screw
from pastewright.motion.model import Motions, Move, Step
from pastewright.profile.examples import example_text
from pastewright.profile.model import (
    BeadFeed,
    Controller,
    DialectName,
    PlungerDrive,
    PlungerMode,
    PlungerUnit,
    Profile,
)
from pastewright.profile.read import parse_profile
from pastewright.program.model import Header

# One microstep is 0.8 mm / (200 · 16) = 0.00025 mm of plunger, or with 100 mm² of barrel 0.025 µL.
DRIVE = PlungerDrive(
    letter="E",
    unit=PlungerUnit.MM,
    sign=1,
    screw=Screw(name="0.8 mm", lead_mm=0.8, pitch_diameter_mm=4.48, half_angle_deg=30, source="", tag=""),
    steps_per_turn=200,
    microsteps=16,
    gear=1.0,
    speed_mm_s=2.0,
    accel_mm_s2=20,
    torque_nm=0.2,
    thread_friction=0.15,
    stroke_mm=60,
    backlash_mm=0.01,
    frame_stiffness_n_mm=500,
)
MICROSTEP_MM = 0.00025

REPRAP = replace(
    parse_profile(example_text("bench-reprap-e"), "bench.toml"),
    controller=Controller(
        dialect=DialectName.REPRAP,
        plunger_mode=PlungerMode.RELATIVE,
        bead_feed=BeadFeed.PATH,
        line_numbers=False,
        checksums=False,
        decimals=3,
    ),
    plunger=DRIVE,
    barrel=Barrel(name="5 mL", bore_mm=sqrt(400 / pi), capacity_ul=5000, fill_ul=4000),
)


def changed(
    profile: Profile, *, letter: str | None = None, unit: PlungerUnit | None = None, **controller: Any
) -> Profile:
    drive = replace(
        profile.plunger,
        letter=letter or profile.plunger.letter,
        unit=unit or profile.plunger.unit,
    )
    return replace(profile, plunger=drive, controller=replace(profile.controller, **controller))


NGC = changed(
    REPRAP,
    letter="A",
    unit=PlungerUnit.DEGREE,
    dialect=DialectName.NGC,
    plunger_mode=PlungerMode.ABSOLUTE,
)
NGC_TIMED = changed(NGC, letter="U", unit=PlungerUnit.MM, bead_feed=BeadFeed.INVERSE_TIME)
BENCHES = {
    "reprap": REPRAP,
    "reprap-absolute": changed(REPRAP, plunger_mode=PlungerMode.ABSOLUTE, unit=PlungerUnit.UL),
    "reprap-checked": changed(REPRAP, line_numbers=True, checksums=True),
    "ngc": NGC,
    "ngc-timed": NGC_TIMED,
    "ngc-numbered": changed(NGC, letter="B", unit=PlungerUnit.TURN, line_numbers=True),
}

HEADER = Header(
    board="soil moisture logger",
    side="top",
    profile="bench by the window",
    paste="SAC305, 85 % metal, type 5",
    tip="25G, bore 0.26 mm, length 12.7 mm",
    paste_ul=1.25,
    machine_s=75.0,
    deposits=2,
    pads=3,
    inputs_sha256="0" * 64,
    profile_sha256="1" * 64,
    version="0.1.0",
)
LABELS = {0: "R1-1 dot 0.2500 uL", 1: "U1-1 U1-2 bead 1.0000 uL"}


def move(
    step: Step,
    x: float,
    y: float,
    z: float,
    steps: int,
    speed: float,
    seconds: float,
    deposit: int | None = None,
) -> Move:
    return Move(
        step=step,
        x_mm=x,
        y_mm=y,
        z_mm=z,
        plunger_mm=steps * MICROSTEP_MM,
        speed_mm_s=speed,
        duration_s=seconds,
        deposit=deposit,
    )


def journey(moves: list[Move], *, dry: bool = False) -> Motions:
    return Motions(
        moves=tuple(moves),
        sections=((0, "settling strip"), (1, "deposits"), (len(moves) - 1, "park")),
        machine_s=75.0,
        travel_mm=50.0,
        swept_ul=1.25,
        dry=dry,
    )


# One dot (push 40 microsteps, wait, back 30) and one bead with a corner (push 20, lay 16 + 24, back 20).
SMALL = journey(
    [
        move(Step.RAISE, 5, 5, 12, 0, 20, 0.5),
        move(Step.TRAVEL, 60, 70, 12, 0, 100, 0.9, 0),
        move(Step.LOWER, 60, 70, 10.125, 0, 20, 0.2, 0),
        move(Step.PUSH, 60, 70, 10.125, 40, 0.1, 0.1, 0),
        move(Step.DWELL, 60, 70, 10.125, 40, 0, 0.25, 0),
        move(Step.RETRACT, 60, 70, 10.125, 10, 0.1, 0.1, 0),
        move(Step.LIFT, 60, 70, 12, 10, 20, 0.2, 0),
        move(Step.TRAVEL, 62.5, 70, 12, 10, 100, 0.1, 1),
        move(Step.LOWER, 62.5, 70, 10.2, 10, 20, 0.2, 1),
        move(Step.PUSH, 62.5, 70, 10.2, 30, 0.1, 0.1, 1),
        move(Step.LAY, 64.5, 70, 10.2, 46, 5, 0.45, 1),
        move(Step.LAY, 64.5, 73, 10.2, 70, 5, 0.65, 1),
        move(Step.RETRACT, 64.5, 73, 10.2, 50, 0.1, 0.1, 1),
        move(Step.LIFT, 64.5, 73, 12, 50, 20, 0.2, 1),
        move(Step.TRAVEL, 5, 5, 12, 50, 100, 1.2),
    ]
)

coordinates = st.floats(-400, 400, allow_nan=False)
steps = st.integers(-4000, 4000)


@st.composite
def journeys(draw: st.DrawFn) -> Motions:
    """Journeys of the usual shape with any numbers: negative places, long and short pushes, beads with legs."""
    z, moves, at = draw(st.floats(5, 60)), [], 0
    x = y = 0.0
    moves.append(move(Step.RAISE, x, y, z, 0, 20, 0.5))
    for deposit in range(draw(st.integers(1, 6))):
        x, y = draw(coordinates), draw(coordinates)
        low = draw(st.floats(-60, 4))
        speed = draw(st.floats(0.01, 300))
        slow = draw(st.floats(1e-4, 2))
        moves.append(move(Step.TRAVEL, x, y, z, at, speed, 1, deposit))
        moves.append(move(Step.LOWER, x, y, low, at, 20, 1, deposit))
        at += draw(steps)
        moves.append(move(Step.PUSH, x, y, low, at, slow, 1, deposit))
        for _ in range(draw(st.integers(0, 3))):
            x, y = x + draw(st.floats(0.1, 5)), y + draw(st.floats(-5, 5))
            at += draw(st.integers(0, 400))
            moves.append(move(Step.LAY, x, y, low, at, 5, 1, deposit))
        moves.append(move(Step.DWELL, x, y, low, at, 0, draw(st.floats(0.01, 2)), deposit))
        at += draw(steps)
        moves.append(move(Step.RETRACT, x, y, low, at, slow, 1, deposit))
        moves.append(move(Step.LIFT, x, y, z, at, 20, 1, deposit))
    moves.append(move(Step.TRAVEL, 5, 5, z, at, 100, 1))
    return journey(moves)

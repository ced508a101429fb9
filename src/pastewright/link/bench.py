"""A `Profile` to what a run needs of it: the words that lift the tip and relieve the paste, and how close is close."""

from dataclasses import dataclass

from pastewright.link.words import number
from pastewright.profile.model import DialectName, PlungerUnit, Profile

PLACE_MM = 0.05
"""A reported position may differ by this from the program's: rounding of steps and of the report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Numbers of one bench for the run. Plunger values are in the unit behind `letter`, signed as paste goes out."""

    reprap: bool
    letter: str
    travel_z_mm: float
    z_feed_mm_min: float
    relief: float
    plunger_feed: float
    plunger_tolerance: float
    home: tuple[str, ...]
    motors_off: bool
    deposits_per_barrier: int


def plunger_units_per_mm(profile: Profile) -> float:
    """Return what the number behind the plunger's letter grows by when the plunger goes 1 mm forward."""
    drive = profile.plunger
    per_mm = {
        PlungerUnit.MM: 1.0,
        PlungerUnit.UL: profile.barrel.area_mm2,
        PlungerUnit.TURN: drive.gear / drive.screw.lead_mm,
        PlungerUnit.DEGREE: 360 * drive.gear / drive.screw.lead_mm,
    }
    return drive.sign * per_mm[drive.unit]


def ul_per_unit(profile: Profile) -> float:
    """Return the paste that the plunger sweeps when its letter's number changes by one [µL], signed as paste goes out.

    gain · area / units per mm: the plunger goes `gain` times as far as it is told.
    """
    return profile.tuning.gain * profile.barrel.area_mm2 / plunger_units_per_mm(profile)


def bench_of(profile: Profile) -> Bench:
    """Return the bench of a profile."""
    per_mm = plunger_units_per_mm(profile)
    # Two microsteps, or what two decimals of a report round to.
    tolerance = max(2 * profile.plunger.microstep_mm * abs(per_mm), 0.011)
    return Bench(
        reprap=profile.controller.dialect is DialectName.REPRAP,
        letter=profile.plunger.letter,
        travel_z_mm=profile.travel_z_mm,
        z_feed_mm_min=60 * profile.machine.speed_z_mm_s,
        relief=per_mm * profile.run.relieve_ul / profile.barrel.area_mm2,
        plunger_feed=60 * abs(per_mm) * profile.plunger.speed_mm_s / 2,
        plunger_tolerance=tolerance,
        home=tuple(line.strip() for line in profile.run.home.split("|") if line.strip()),
        motors_off=profile.run.motors_off,
        deposits_per_barrier=profile.run.deposits_per_barrier,
    )


def stop_lines(
    bench: Bench,
    *,
    z_mm: float | None,
    plunger: float | None,
    back_to: float | None,
    retraction: float,
    dry: bool,
) -> list[str]:
    """Return the lines that lift the tip to travel height and draw the plunger back.

    `z_mm` and `plunger` are where they are, None where that is not known; `back_to` is the plunger's position before
    the deposit broken off, None between deposits. From there it goes `relief` further back. Where the position is
    not known, the deposit's own `retraction` stands for what must be undone. A tip that is higher stays there.
    """
    lines = ["G21", "G90"] if bench.reprap else ["G21", "G90", "G94"]
    if z_mm is None or z_mm < bench.travel_z_mm:
        lines.append(f"G1 Z{number(bench.travel_z_mm)} F{number(bench.z_feed_mm_min)}")
    if not dry:
        undo = 0.0
        if back_to is not None:
            undo = plunger - back_to if plunger is not None else retraction
            if undo * bench.relief < 0:  # already further back than where it began
                undo = 0.0
        back = -(undo + bench.relief)
        if back:
            lines += ["M83"] if bench.reprap and bench.letter == "E" else []
            lines += ["G91", f"G1 {bench.letter}{number(back)} F{number(bench.plunger_feed)}", "G90"]
    if bench.motors_off and bench.reprap:
        lines += ["M400", "M84"]
    return lines

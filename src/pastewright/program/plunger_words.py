"""Plunger positions to the numbers behind its letter: unit, sign, and as many decimals as the motor can follow.

Numbers are kept as whole counts of the last decimal. Distances are differences of rounded positions, so that
rounding never adds up, however long the program.
"""

from math import ceil, log10

from msgspec import Struct

from pastewright.profile.model import PlungerUnit, Profile

SPARE_DIGITS = 1
"""Decimals beyond the microstep: a tenth of one at most is lost to writing, so that it is still the same one."""

MOST_DECIMALS = 9  # what a float still resolves on a metre of plunger; no controller reads more


class PlungerWords(Struct, frozen=True, kw_only=True):
    """How a plunger position is written. `per_mm`: numbers per mm of plunger, below zero where the sign is."""

    letter: str
    per_mm: float
    decimals: int

    def counts(self, plunger_mm: float) -> int:
        """Return the position as a whole count of the last decimal."""
        return round(plunger_mm * self.per_mm * 10.0**self.decimals)

    def word(self, counts: int) -> str:
        """Return the word of a position or distance."""
        return f"{self.letter}{counts / 10**self.decimals:.{self.decimals}f}"

    def feed_per_min(self, speed_mm_s: float) -> float:
        """Return F of the plunger moving alone [its numbers per minute]."""
        return speed_mm_s * 60 * abs(self.per_mm)


def plunger_words(profile: Profile) -> PlungerWords:
    """Return how the plunger of the bench is written.

    Numbers per mm: 1 for mm, the barrel's area for µL, and for turns and degrees of the motor gear/lead and 360
    times that. The real sweep over the commanded one (`gain`) is no part of it: it is spent in `motion`.
    """
    drive = profile.plunger
    turns_per_mm = drive.gear / drive.screw.lead_mm
    size = {
        PlungerUnit.MM: 1.0,
        PlungerUnit.UL: profile.barrel.area_mm2,
        PlungerUnit.TURN: turns_per_mm,
        PlungerUnit.DEGREE: 360 * turns_per_mm,
    }[drive.unit]
    decimals = SPARE_DIGITS + ceil(-log10(drive.microstep_mm * size))
    return PlungerWords(
        letter=drive.letter, per_mm=drive.sign * size, decimals=min(max(decimals, 1), MOST_DECIMALS)
    )

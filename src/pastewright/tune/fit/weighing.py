"""A block of dots that was weighed to a residual: what the model lets out of the tip, against the scale.

    (ln ρ·ΣV(constants) − ln m) / σ

The sum hardly depends on anything but the gain: springs hold back a dot or two of it, which the model knows.
"""

from math import log
from typing import Any

import numpy as np

from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import Floats
from pastewright.tune.fit.model import Flowed, Forward, score_of, setting_of
from pastewright.tune.fit.strokes import turns_from_data

# Spread of a block's mass: 0.7 % of the scale (the block is sized for it), and of the paste's density 1 % (from memory:
# metal by weight is told to half a percent, and a tenth of flux more is a percent of density).
BLOCK_SPREAD = 0.012

# A mass farther off than this is a slip of the pen or of the unit, not a gain.
MOST_OFF = 0.4


class WeighedBlock:
    """One block as the sheet's record has it, and its mass [mg]."""

    def __init__(self, block: dict[str, Any], mass_mg: float, profile: Profile, *, file: str = "") -> None:
        turns = turns_from_data(block, file=file)
        self.forward = Forward(score_of(turns), setting_of(profile))
        self.density_mg_ul = profile.paste.density_g_cm3
        self.mass_mg = mass_mg
        planned_mg = float(block.get("dots", 0)) * float(block.get("dose_ul", 0.0)) * self.density_mg_ul
        if not planned_mg > 0 or abs(log(mass_mg / planned_mg)) > MOST_OFF:
            raise one_error(
                f"the block should weigh about {planned_mg:.0f} mg; {mass_mg:g} mg are given",
                "Weigh the bare card first and the card with the paste then; give the difference in milligrams.",
                file=file,
            )

    def residuals(self, seen: Floats) -> Floats:
        """Return the one residual."""
        return self.survey(seen[None, :])[:, 0]

    def survey(self, seen: Floats) -> Floats:
        """Return it for many vectors of constants, lanes × constants: 1 × lanes."""
        rows: Floats = self._off(self._out_ul(self.forward.run(seen)))[None, :]
        return rows

    def slopes(self, seen: Floats, active: list[int]) -> Floats:
        """Return its derivatives by the constants `active`, 1 × constants."""
        flowed, by_out, by_back = self.forward.slopes(seen, active)
        by_sum = by_out[1:].sum(axis=0) - by_back[1:-1].sum(axis=0)
        rows: Floats = (by_sum / self._out_ul(flowed) / BLOCK_SPREAD)[None, :]
        return rows

    def _out_ul(self, flowed: Flowed) -> Floats:
        # What was drawn back after the last dot is still in the tip; all else had to be made good first.
        came: Floats = flowed.out_ul[1:].sum(axis=0) - flowed.back_ul[1:-1].sum(axis=0)
        return came

    def _off(self, out_ul: Floats) -> Floats:
        off: Floats = (
            np.log(np.maximum(self.density_mg_ul * out_ul, 1e-9)) - log(self.mass_mg)
        ) / BLOCK_SPREAD
        return off

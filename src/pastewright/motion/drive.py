"""Real sweep to commanded plunger positions: gain, backlash and whole microsteps, with nothing lost on the way.

    commanded = swept/(A·gain) + (backlash, while the drive stands on its forward side), rounded to a microstep

Positions are rounded, not moves, so what rounding leaves over goes to the next move and never adds up: the position
is within half a microstep of the wanted one, always. A program starts as after a retraction: the first push takes
the backlash up.
"""

from pastewright.plunger.bench import PlungerBench


class Drive:
    """Follows the plunger through a program; `wanted_mm` is where rounding would not be, `peak_mm` the furthest."""

    def __init__(self, bench: PlungerBench) -> None:
        self._ul_per_mm = bench.ul_per_mm
        self._microstep_mm = bench.microstep_mm
        self._backlash_mm = bench.backlash_mm
        self._forward = False
        self.swept_ul = 0.0
        self.wanted_mm = 0.0
        self.position_mm = 0.0
        self.peak_mm = 0.0

    def sweep(self, volume_ul: float) -> float:
        """Sweep `volume_ul` (below zero: draw back); returns the commanded position after it [mm]."""
        if volume_ul != 0:
            self._forward = volume_ul > 0
        self.swept_ul += volume_ul
        self.wanted_mm = self.swept_ul / self._ul_per_mm + (self._backlash_mm if self._forward else 0.0)
        self.position_mm = round(self.wanted_mm / self._microstep_mm) * self._microstep_mm
        self.peak_mm = max(self.peak_mm, self.position_mm)
        return self.position_mm

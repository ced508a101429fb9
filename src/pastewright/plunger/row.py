"""Beads across rows of pads: what lies nearest to each of them, and how the ends are laid so that it is its share.

    pads      |   0   |   1   |   2   |  …   |  N−1  |      each is due the paste of its pitch
    path          x────────────────────────────x            from the first pad's middle to the last one's
    paste         #===================================#     what the path leaves out is laid at its ends

The half pitches that the path leaves out are worth a lump of V/2N at each end, which is about what leaks there while
the plunger primes and retracts: where less leaks the plunger feeds on while the tip stands, where more does the tip
walks meanwhile. So the paste keeps to the row, and its end pads have as much as the others.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.model import BeadCycle
from pastewright.plunger.walk import Walk

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# What leaks at an end may be so many times what the path leaves out there; the rest is spread over a run of three quarters
# of that length. More would ask for a run of which the paste lies in the first part only. Own choice.
MOST_LEFT_OUT = 1.75
# And the run may lead so far towards the border to the next pad, or its paste would lie beyond.
OF_OWN_PITCH = 0.9

# Where along its run a leak lies (see `runs`).
LATE_IN, EARLY_OUT = 0.85, 0.3

# Within this of its share a pad is well: what a stencil scatters on such pads (common practice).
NEAREST_WITHIN = 0.15


@dataclass(frozen=True, slots=True)
class RowLengths:
    """Beads across rows, one a lane: the lengths of the rows, of their pitches and of the tip's paths [mm]; rows of other
    beads are 0.
    """

    row_mm: Floats
    pitch_mm: Floats
    path_mm: Floats

    @property
    def short_mm(self) -> Floats:
        """What the path leaves out of its row at each end."""
        found: Floats = np.maximum(self.row_mm - self.path_mm, 0.0) / 2
        return found


@dataclass(frozen=True, slots=True)
class RowEnds:
    """How beads across rows begin and end, one a lane: runs [mm], and how long the plunger feeds standing [s]."""

    run_in_mm: Floats
    run_out_mm: Floats
    stand_in_s: Floats
    stand_out_s: Floats


def small_enough(volumes: Floats, lengths: RowLengths, leaks: tuple[Floats, Floats]) -> Flags:
    """Tell whether the leaks at both ends [µL] can be laid where the paths are short of their rows."""
    short = lengths.short_mm
    run = np.minimum((MOST_LEFT_OUT - 1) * short, OF_OWN_PITCH * (lengths.pitch_mm - short))
    found: Flags = np.maximum(*leaks) * lengths.row_mm <= (short + np.maximum(run, 0.0)) * volumes
    return found


def row_ends(
    volumes: Floats, lengths: RowLengths, leaks: tuple[Floats, Floats], flow_ul_s: Floats
) -> RowEnds:
    """Return ends that lay what the paths leave out of their rows at this flow; nothing of other beads."""
    row = lengths.row_mm > 0
    per_mm = volumes / np.where(row, lengths.row_mm, np.inf)
    short = lengths.short_mm
    into, out = (leak / np.where(row, per_mm, np.inf) - short for leak in leaks)
    lacking = [np.maximum(-part, 0.0) * per_mm / flow_ul_s for part in (into, out)]
    return RowEnds(np.maximum(into, 0.0), np.maximum(out, 0.0), *lacking)


def nearest_shares(cycle: BeadCycle, walk: Walk) -> tuple[float, ...]:
    """Return what is laid nearest to each pad of a row before the paste settles, in the order of laying, as shares of an
    even part.
    """
    half, pads = walk.path_mm / 2, walk.row_pads
    first, last = walk.run_in_mm - half, half - walk.run_out_mm
    bounds = np.linspace(-0.5, 0.5, pads + 1) * walk.row_mm
    bounds[0], bounds[-1] = -np.inf, np.inf
    body = cycle.volume_ul - cycle.leak_in_ul - cycle.leak_out_ul - cycle.stand_in_ul - cycle.stand_out_ul
    laid = body * np.diff(np.clip(bounds, first, last)) / (last - first)
    lumps = (
        (-half + LATE_IN * walk.run_in_mm, cycle.leak_in_ul + cycle.stand_in_ul),
        (half - (1 - EARLY_OUT) * walk.run_out_mm, cycle.leak_out_ul + cycle.stand_out_ul),
    )
    for place, lump in lumps:
        laid[int(np.searchsorted(bounds, place)) - 1] += lump
    return tuple((laid * pads / cycle.volume_ul).tolist())

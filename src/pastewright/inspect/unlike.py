"""Which gaps of a photo are unlike its others: how a gap between two rims looks is learnt from the photo's own gaps.

Noise, blur, gloss, and what two rims throw onto the mask between them differ from photo to photo more than a faint neck
stands out. Most gaps of a photo are unjoined. So a neck's step to its sides (see `ridge`) is compared with the steps found
in the other gaps about as wide, between dots or beads as here: what stands out of them is unlike an unjoined gap.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

ABOUT_AS_WIDE = 2.0  # times: rims farther apart, or nearer, throw other shade onto the mask between them
BLURRED_MM = 0.08  # added to widths before they are compared: blur makes the narrowest gaps alike
LEAST_ALIKE = 6  # gaps, to say what is usual
STEADY = 0.15  # spreads of the mask, by which steps in unjoined gaps are always granted to differ


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenGap:
    """A gap between two outlines: how wide it is [mm], whether they face each other far along it (beads side by side,
    between which more places are tried), and its step [spreads of the mask], −inf where it could not be looked at.
    """

    width_mm: float
    long: bool
    step: float


def unlike(gaps: Sequence[SeenGap]) -> tuple[float | None, ...]:
    """Return by how many standard deviations each gap's step stands out of those of the others that are like it; None
    where too few are, or its own could not be looked at.
    """
    width = np.log([gap.width_mm + BLURRED_MM for gap in gaps])
    long = np.array([gap.long for gap in gaps])
    steps = np.array([gap.step for gap in gaps], np.float64)
    found: list[float | None] = []
    for number, gap in enumerate(gaps):
        alike = np.isfinite(steps) & (long == long[number])
        alike &= np.abs(width - width[number]) < np.log(ABOUT_AS_WIDE)
        alike[number] = False
        if alike.sum() < LEAST_ALIKE or not np.isfinite(gap.step):
            found.append(None)
            continue
        usual = float(np.median(steps[alike]))
        spread = 1.4826 * float(np.median(np.abs(steps[alike] - usual)))
        found.append((gap.step - usual) / float(np.hypot(spread, STEADY)))
    return tuple(found)

"""A chain of deposits to how each one's volume answers to the constants: what one lacks comes out with later ones.

    s₀ = 0      ∂Vᵢ/∂θ = laidᵢ + laid_by_startᵢ·sᵢ      sᵢ₊₁ = leftᵢ + left_by_startᵢ·sᵢ

with the derivatives of single turns (`answer`). Volume is conserved: what the first line sums up to is the sweep's own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.answer import CONSTANTS, Answers

Floats = NDArray[np.float64]

# Standing for this long has half the effect of standing for ever (as in tuning; from memory: structure of pastes comes
# back in seconds to minutes).
STANDING_S = 10.0

STANDING = "standing"
NAMES = (*CONSTANTS, STANDING)


@dataclass(frozen=True, slots=True)
class Chained:
    """Derivatives of ln V by the constants `NAMES`, n × 9, and of what is stored before each deposit [µL], n × 9."""

    by_constant: Floats
    begun_ul: Floats


def chained(answers: Answers, volume_ul: Floats, idle_s: Floats | float) -> Chained:
    """Return how deposits in the order they are laid answer; `idle_s` is how long the plunger stood before each.

    The first is what settles the barrel, and begins as planned.
    """
    thick = CONSTANTS.index("consistency_kpa_sn")
    stood = np.asarray(idle_s, dtype=float) / (np.asarray(idle_s, dtype=float) + STANDING_S)
    laid = np.column_stack([answers.laid, answers.laid[:, thick] * stood])
    left = np.column_stack([answers.left, answers.left[:, thick] * stood])
    begun = np.zeros_like(laid)
    now = np.zeros(laid.shape[1])
    passed = answers.left_by_start.tolist()
    for at in range(len(passed)):
        begun[at] = now
        now = left[at] + passed[at] * now
    found = laid + answers.laid_by_start[:, None] * begun
    return Chained(found / volume_ul[:, None], begun)

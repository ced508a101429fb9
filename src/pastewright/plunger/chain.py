"""A chain of deposits to how each one's volume answers to the constants: what one lacks comes out with later ones.

    s₀ = 0      ∂Vᵢ/∂θ = laidᵢ + laid_by_startᵢ·sᵢ      sᵢ₊₁ = leftᵢ + left_by_startᵢ·sᵢ

with the derivatives of single turns (`answer`). Volume is conserved: what the first line sums up to is the sweep's own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.plunger.answer import CONSTANTS, Answers

Floats = NDArray[np.float64]

STANDING = "standing"
NAMES = (*CONSTANTS, STANDING)


@dataclass(frozen=True, slots=True)
class Chained:
    """Derivatives of ln V by the constants `NAMES`, n × 9, and of what is stored before each deposit [µL], n × 9."""

    by_constant: Floats
    begun_ul: Floats


def chained(answers: Answers, volume_ul: Floats, structure: Floats) -> Chained:
    """Return how deposits in the order they are laid answer; `structure` is the mean that each flows with (`structure`).

    The first is what settles the barrel, and begins as planned.
    """
    thick = CONSTANTS.index("consistency_kpa_sn")
    laid = np.column_stack([answers.laid, answers.laid[:, thick] * structure])
    left = np.column_stack([answers.left, answers.left[:, thick] * structure])
    begun = np.zeros_like(laid)
    now = np.zeros(laid.shape[1])
    passed = answers.left_by_start.tolist()
    for at in range(len(passed)):
        begun[at] = now
        now = left[at] + passed[at] * now
    found = laid + answers.laid_by_start[:, None] * begun
    return Chained(found / volume_ul[:, None], begun)

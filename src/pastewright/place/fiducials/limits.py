"""What a map from board to machine may do at most, and what is wrong with one that does more."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.place.fiducials.fit import FitKind, MapFit, fitted
from pastewright.place.transform import Pair

Floats = NDArray[np.float64]


# Found points may be this far from where the map takes them [mm]: a third of a 0.3 mm pad.
RESIDUAL_LIMIT_MM = 0.1


# FR-4 shrinks and grows by a few hundredths of a percent (from memory); more than 1 % is another mistake.
SCALE_LIMIT = 0.01


SKEW_LIMIT_DEG = 0.5
"""0.5° is 0.9 mm on 100 mm: gantries are squared far better (from memory), so more is another mistake."""


# Standard deviation of one found coordinate: a cross-hair or a tip held over a 1 mm mark by eye (from memory).
FOUND_TO_MM = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class MapLimits:
    """What a registration must keep. `turned_deg` is how the board was put in, None for any way.

    `mirrored` accepts a mirror image, for machines whose axes are left-handed. `found_to_mm` is the standard
    deviation of one found coordinate.
    """

    residual_mm: float = RESIDUAL_LIMIT_MM
    scale: float = SCALE_LIMIT
    skew_deg: float = SKEW_LIMIT_DEG
    found_to_mm: float = FOUND_TO_MM
    turned_deg: float | None = 0.0
    mirrored: bool = False


DEFAULT_LIMITS = MapLimits()


def mirror_words(limits: MapLimits) -> tuple[str, str]:
    """Return what is said, and how to mend it, where the points fit as mirror images of what was told."""
    if limits.mirrored:
        return (
            "the found points are no mirror image of the board's, though --mirrored was given",
            "Leave --mirrored out.",
        )
    return (
        "the found points are the mirror image of the board's",
        "Is it the other side (--side), are bottom points given as seen through the board, or has one axis the"
        " wrong sign? If the machine's axes really are left-handed, say --mirrored.",
    )


def is_unsound(fit: MapFit, limits: MapLimits) -> bool:
    """Tell whether a map leaves points too far off, stretches or skews."""
    off = np.hypot(fit.residuals_mm[:, 0], fit.residuals_mm[:, 1])
    return bool(
        off.max() > limits.residual_mm
        or abs(fit.affine.scale_x - 1) > limits.scale
        or abs(fit.affine.scale_y - 1) > limits.scale
        or abs(fit.affine.skew_deg) > limits.skew_deg
    )


def reasons_against(
    pairs: Sequence[Pair], board: Floats, found: Floats, fit: MapFit, limits: MapLimits
) -> list[str]:
    """Return what is wrong with a fit, in words."""
    where = fit.affine
    reasons = []
    if where.mirrored != limits.mirrored:
        reasons.append("the map would mirror the board")
    scales = {"along X": where.scale_x, "along Y": where.scale_y}
    if fit.kind is not FitKind.AFFINE:
        # A rigid map hides a wrong distance in its residuals; say what it is.
        scales = {"in all": fitted(board, found, FitKind.SIMILARITY, mirrored=where.mirrored).affine.scale_x}
    for along, scale in scales.items():
        if abs(scale - 1) > limits.scale:
            reasons.append(
                f"the board would be stretched by {scale - 1:+.2%} {along}; the limit is ±{limits.scale:.1%}"
            )
    if abs(where.skew_deg) > limits.skew_deg:
        reasons.append(f"it would be skewed by {where.skew_deg:+.2f}°; the limit is ±{limits.skew_deg:g}°")
    off = np.hypot(fit.residuals_mm[:, 0], fit.residuals_mm[:, 1])
    if off.max() > limits.residual_mm:
        far = int(off.argmax())
        reasons.append(
            f"point {pairs[far].name} is {off[far]:.3f} mm from where the {fit.kind} fit has it;"
            f" the limit is {limits.residual_mm:g} mm"
        )
    return reasons

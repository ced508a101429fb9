"""Touches and looks to the offset of the camera: touch a spot with the tip, look at the same spot, subtract.

    offset = place of the head when the tip is on the spot − place of the head when the cross-hair is on it

So a mark that is under the cross-hair while the head is at p lies at p + offset.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, sqrt

import numpy as np

from pastewright.board.model import Point
from pastewright.problems import InputError, Problem, one_error

# Pairs of one camera agree within this [mm]; more is a mistake, not eyesight.
AGREE_MM = 0.2
FARTHEST_MM = 500.0  # no camera stands further from its tip; a mistake of units looks like this


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetSpot:
    """One spot: where the head was when the tip touched it, and when the camera looked at it [mm, machine]."""

    touch_mm: Point
    look_mm: Point


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraOffset:
    """The offset, how far each spot is from it, and its standard error (None for one spot) [mm]."""

    offset_mm: Point
    off_mm: tuple[float, ...]
    error_mm: float | None
    warnings: tuple[str, ...] = ()


def camera_offset(spots: Sequence[OffsetSpot]) -> CameraOffset:
    """Return the mean offset of the spots; InputError names what contradicts."""
    if not spots:
        raise one_error(
            "no spot is given",
            "Touch a spot with the tip, look at it with the camera: --touch X,Y --look X,Y",
        )
    problems = [
        Problem(what=f"spot {k} has a coordinate that is no number", mend="Measure it again.")
        for k, spot in enumerate(spots, 1)
        if not all(isfinite(v) for v in (*spot.touch_mm, *spot.look_mm))
    ]
    if problems:
        raise InputError(problems)
    offsets = np.array(
        [(s.touch_mm[0] - s.look_mm[0], s.touch_mm[1] - s.look_mm[1]) for s in spots], dtype=np.float64
    )
    # The median is not moved by one mistake, so that the mistake is what stands out.
    away = np.hypot(*(offsets - np.median(offsets, axis=0)).T)
    for k, off in enumerate(away.tolist(), 1):
        if len(spots) > 2 and off > AGREE_MM:
            problems.append(
                Problem(
                    what=f"spot {k} gives an offset {off:.3f} mm from that of the others; {AGREE_MM:g} mm is the limit",
                    mend="Touch it and look at it again, and keep the head's height the same.",
                )
            )
    if len(spots) == 2 and hypot(*(offsets[0] - offsets[1])) > AGREE_MM:
        problems.append(
            Problem(
                what=f"the two spots give offsets {hypot(*(offsets[0] - offsets[1])):.3f} mm apart",
                mend="Measure a third spot to find out which one is wrong.",
            )
        )
    mean = offsets.mean(axis=0)
    if hypot(*mean) > FARTHEST_MM:
        problems.append(
            Problem(
                what=f"the camera would be {hypot(*mean):.0f} mm from the tip",
                mend="Give both places in machine coordinates, in mm.",
            )
        )
    if problems:
        raise InputError(problems)
    count = len(spots)
    residuals = offsets - mean
    error = sqrt(float((residuals**2).sum()) / (2 * count - 2) / count) if count > 1 else None
    warnings = ("one spot cannot show a mistake; two or three, well apart, can",) if count == 1 else ()
    return CameraOffset(
        offset_mm=(float(mean[0]), float(mean[1])),
        off_mm=tuple(np.hypot(*residuals.T).tolist()),
        error_mm=error,
        warnings=warnings,
    )

"""A drawn line and its dose to a bead along it: the place is given, the width follows from the volume.

Where this tip cannot draw so thin a bead, the dose is raised as far as the profile allows, else it cannot be
done; the line is never moved.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import dist

from pastewright.board.model import Point
from pastewright.deposit.limits import FormChoice, FormLimits, bead_piece, finer_tip
from pastewright.deposit.shape import bead_volume_ul, bead_width_mm
from pastewright.records.kinds import Form

_EPS = 1e-9  # [mm] rounding of sums, far below what any axis places


def along_line(path_mm: Sequence[Point], drawn_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    """Return the bead of `volume_ul` along a path [mm, board] that was drawn `drawn_mm` wide (0: not told)."""
    choice = _attempt(path_mm, drawn_mm, volume_ul, limits)
    if choice.possible:
        return choice
    hint = finer_tip(lambda finer: _attempt(path_mm, drawn_mm, volume_ul, finer).possible, limits)
    return replace(choice, warnings=(f"{choice.warnings[0]}; {hint}",))


def _attempt(path_mm: Sequence[Point], drawn_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    length_mm = sum(dist(one, other) for one, other in pairwise(path_mm))
    width_mm = bead_width_mm(volume_ul, limits.bead_ratio, path_mm=length_mm)
    least_mm = limits.least_bead_mm
    line = f"a line {length_mm:.2f} mm long"
    warnings: list[str] = []
    possible = True
    laid_ul = volume_ul
    if width_mm < least_mm - _EPS:
        laid_ul = bead_volume_ul(least_mm, length_mm, limits.bead_ratio)
        part = laid_ul / volume_ul
        possible = part <= limits.raise_to + _EPS
        told = (
            f"raised to {laid_ul:.4f} µL from {volume_ul:.4f} µL ({100 * part:.0f} %): this tip draws no bead under"
            f" {least_mm:.2f} mm"
            if possible
            else f"cannot be done with this tip: the thinnest bead along {line} is {least_mm:.2f} mm wide,"
            f" {laid_ul:.4f} µL, {100 * part:.0f} % of the {volume_ul:.4f} µL wanted (the limit is"
            f" {100 * limits.raise_to:g} %)"
        )
        warnings.append(told)
        width_mm = least_mm
    elif drawn_mm > 0 and width_mm > drawn_mm + 2 * limits.overhang_mm:
        warnings.append(f"the bead comes {width_mm:.2f} mm wide; it was drawn {drawn_mm:.2f} mm wide")
    return FormChoice(
        form=Form.LINE_BEAD,
        pieces=(bead_piece(tuple(path_mm), laid_ul, width_mm, limits),),
        reason=f"a bead {width_mm:.2f} mm wide along {line}, as drawn",
        warnings=tuple(warnings),
        possible=possible,
    )

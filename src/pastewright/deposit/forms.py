"""Dose and land to a form: one dot, a row of dots, a bead, a dot field or a serpentine, in the land's own frame.

Tried in this order; the first that fits is taken:

1. a grid of few equal dots: one, or up to three in a row, or a field on large lands. A dot is no wider than the
   land and its overhang, no taller than `tall_mm`, and serves no cell wider than `spread` dots;
2. a bead along the long side;   3. a serpentine;   4. the same again without care for spread and height;
5. what is nearest to the dose: trimmed, or raised to what the tip can lay, with a warning;
6. where even that leaves the limits, the nearest all the same, with a warning that names a tip that could.
"""

from dataclasses import replace
from math import inf

from pastewright.deposit.beads import serpentine, straight_bead
from pastewright.deposit.grids import grid_of_dots, widest_grid
from pastewright.deposit.limits import FormChoice, FormLimits, finer_tip
from pastewright.deposit.nearest import nearest_form
from pastewright.records.kinds import DepositKind


def choose(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    """Return the form for a dose [µL] on a land of `long_mm` × `short_mm`; u runs along the long side."""
    choice = attempt(long_mm, short_mm, volume_ul, limits)
    if choice.possible:
        return choice
    hint = finer_tip(lambda finer: attempt(long_mm, short_mm, volume_ul, finer).possible, limits)
    return replace(choice, warnings=(*choice.warnings[:-1], f"{choice.warnings[-1]}; {hint}"))


def attempt(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    """Return the form for a dose on a land, without advice about other tips."""
    choice = whole_dose(long_mm, short_mm, volume_ul, limits)
    return choice or nearest_form(long_mm, short_mm, volume_ul, replace(limits, tall_mm=inf, spread=inf))


def whole_dose(
    long_mm: float,
    short_mm: float,
    volume_ul: float,
    limits: FormLimits,
    kinds: frozenset[DepositKind] = frozenset(DepositKind),
) -> FormChoice | None:
    """Return the first form of these kinds of deposits that holds a whole dose; None where there is none."""
    careless = replace(limits, tall_mm=inf, spread=inf)
    for care, grid in (
        (limits, grid_of_dots),
        (replace(limits, spread=inf), widest_grid),
        (careless, grid_of_dots),
    ):
        for kind, form in (
            (DepositKind.DOT, grid),
            (DepositKind.BEAD, straight_bead),
            (DepositKind.BEAD, serpentine),
        ):
            choice = form(long_mm, short_mm, volume_ul, care) if kind in kinds else None
            if choice is not None:
                return choice
    return None

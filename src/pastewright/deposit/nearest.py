"""The form nearest to a dose that no form meets: trimmed, raised, or the smallest dot in spite of all."""

from collections.abc import Callable, Iterator
from dataclasses import replace

from msgspec import Struct

from pastewright.deposit.beads import straight_bead
from pastewright.deposit.grids import ROW_DOTS, grid_of_dots
from pastewright.deposit.limits import (
    BEAD_PATH_WIDTHS,
    EPS,
    FormChoice,
    FormLimits,
    dot_piece,
)
from pastewright.deposit.shape import (
    bead_volume_ul,
    dot_volume_ul,
)
from pastewright.records.kinds import Form as Form


class _Option(Struct, frozen=True, kw_only=True):
    """A form and the volumes [µL] that this tip and this land allow it, from `least_ul` to `most_ul`."""

    least_ul: float
    most_ul: float
    make: Callable[[float, float, float, FormLimits], FormChoice | None]


def _options(long_mm: float, short_mm: float, limits: FormLimits) -> Iterator[_Option]:
    widest_mm, longest_mm = short_mm + 2 * limits.overhang_mm, long_mm + 2 * limits.overhang_mm
    least_ul = dot_volume_ul(limits.least_dot_mm, limits.dot_ratio)
    for count in range(1, ROW_DOTS + 1):
        dot_mm = min(widest_mm, longest_mm / count)
        if dot_mm >= limits.least_dot_mm - EPS:
            most_ul = count * dot_volume_ul(dot_mm, limits.dot_ratio)
            yield _Option(least_ul=min(count * least_ul, most_ul), most_ul=most_ul, make=grid_of_dots)
    bead_mm = min(widest_mm, longest_mm / (1 + BEAD_PATH_WIDTHS))
    if bead_mm >= limits.least_bead_mm - EPS:
        least_mm = min(limits.least_bead_mm, bead_mm)
        yield _Option(
            least_ul=bead_volume_ul(least_mm, BEAD_PATH_WIDTHS * least_mm, limits.bead_ratio),
            most_ul=bead_volume_ul(bead_mm, longest_mm - bead_mm, limits.bead_ratio),
            make=straight_bead,
        )


def nearest_form(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    """The form nearest to a dose that no form meets: trimmed, raised, or the smallest dot in spite of all."""
    land = f"{long_mm:.2f} × {short_mm:.2f} mm land"
    options = list(_options(long_mm, short_mm, limits))
    # The limits themselves are met to rounding: ask for a hair less or more than the very edge.
    below = max((o for o in options if o.most_ul <= volume_ul), key=lambda o: o.most_ul, default=None)
    above = min((o for o in options if o.least_ul >= volume_ul), key=lambda o: o.least_ul, default=None)
    if below is not None and (below.most_ul >= limits.trim_to * volume_ul or above is None):
        choice = below.make(long_mm, short_mm, below.most_ul * (1 - EPS), limits)
        if choice is not None:
            return _trimmed(choice, volume_ul, land, limits)
    if above is not None:
        choice = above.make(long_mm, short_mm, above.least_ul * (1 + EPS), limits)
        if choice is not None:
            return _raised(choice, volume_ul, land, limits)
    smallest = dot_piece((0.0, 0.0), dot_volume_ul(limits.least_dot_mm, limits.dot_ratio), limits)
    beyond_mm = (smallest.width_mm - short_mm) / 2
    return FormChoice(
        form=Form.DOT,
        pieces=(smallest,),
        reason=f"one dot {smallest.width_mm:.2f} mm wide, the smallest of this tip, on a {land}",
        warnings=(
            f"cannot be done with this tip: its smallest dot, {smallest.width_mm:.2f} mm wide, reaches"
            f" {beyond_mm:.2f} mm beyond the {land} and is laid all the same,"
            f" {smallest.volume_ul:.4f} µL of {volume_ul:.4f} µL",
        ),
        possible=False,
    )


def _trimmed(choice: FormChoice, volume_ul: float, land: str, limits: FormLimits) -> FormChoice:
    part = choice.volume_ul / volume_ul
    if part >= limits.trim_to - EPS:
        words = (
            f"trimmed to {choice.volume_ul:.4f} µL of {volume_ul:.4f} µL ({100 * part:.0f} %): more would reach"
            f" over {limits.overhang_mm:g} mm beyond the {land}"
        )
        return replace(choice, warnings=(words,))
    words = (
        f"cannot be done within the limits: the {land} holds {choice.volume_ul:.4f} µL of {volume_ul:.4f} µL"
        f" ({100 * part:.0f} %, the limit is {100 * limits.trim_to:g} %)"
    )
    return replace(choice, warnings=(words,), possible=False)


def _raised(choice: FormChoice, volume_ul: float, land: str, limits: FormLimits) -> FormChoice:
    part = choice.volume_ul / volume_ul
    width_mm = choice.pieces[0].width_mm
    if part <= limits.raise_to + EPS:
        words = (
            f"raised to {choice.volume_ul:.4f} µL from {volume_ul:.4f} µL ({100 * part:.0f} %): this tip lays"
            f" nothing smaller on the {land} than a {choice.form} {width_mm:.2f} mm wide"
        )
        return replace(choice, warnings=(words,))
    words = (
        f"cannot be done with this tip: the smallest it can lay on the {land} is a {choice.form} {width_mm:.2f} mm wide,"
        f" {choice.volume_ul:.4f} µL, {100 * part:.0f} % of the {volume_ul:.4f} µL wanted (the limit is"
        f" {100 * limits.raise_to:g} %)"
    )
    return replace(choice, warnings=(words,), possible=False)

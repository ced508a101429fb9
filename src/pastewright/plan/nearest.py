"""What is laid nearest to each pad under a bead across a row, beside the pad in the plan's record."""

from collections.abc import Mapping

from msgspec import structs

from pastewright.deposit.model import Layout
from pastewright.motion.model import Motions
from pastewright.plunger.row import NEAREST_WITHIN
from pastewright.records.plan import PadRecord, PlanRecord

DIGITS = 3

NEAREST = "before the paste settles"
"""Stands in each warning about it, so that a plan made anew tells its own."""


def with_nearest(record: PlanRecord, motions: Motions, layout: Layout) -> PlanRecord:
    """Return the plan with what lies nearest to the pads under beads across rows; a dry one stays as it is."""
    if motions.dry or not motions.nearest:
        return record
    found: dict[str, float] = {}
    for index, shares in motions.nearest.items():
        deposit = layout.deposits[index]
        even_ul = deposit.volume_ul / len(deposit.shares)
        for own, nearest in zip(deposit.shares, shares, strict=True):
            found[own.pad_id] = nearest * even_ul / own.volume_ul
    return structs.replace(record, pads=tuple(_told(pad, found) for pad in record.pads))


def _told(pad: PadRecord, found: Mapping[str, float]) -> PadRecord:
    if pad.id not in found:
        return pad
    nearest = round(found[pad.id], DIGITS)
    warnings = tuple(words for words in pad.warnings if NEAREST not in words)
    if abs(nearest - 1) > NEAREST_WITHIN:
        warnings += (
            f"{nearest:.0%} of its share of the bead across the row is laid nearest to it {NEAREST}, the limit is"
            f" {1 - NEAREST_WITHIN:.0%} to {1 + NEAREST_WITHIN:.0%}: what leaks at the bead's ends cannot be put right here;"
            " a stiffer bench or a slower bead would do",
        )
    return structs.replace(pad, nearest=nearest, warnings=warnings)

"""The witness row of a batch: strip and row on the card as a job of its own, put in before a board."""

from pastewright.learn.row import witness_row
from pastewright.link.sheets import sheet_job
from pastewright.link.weave import Shift, Witness
from pastewright.profile.model import Profile


def witness_of(profile: Profile, shift: Shift) -> Witness:
    """Return the row beside the settling strip, as long as the strip; `shift` is the way to the strip's fresh place."""
    row = witness_row(profile)
    return Witness(
        job=sheet_job(row.text, row.record),
        text=row.text,
        shift=shift,
        strip_mm=profile.bed.strip_length_mm,
        strip_ul=row.motions.strip_ul + row.motions.thrown_ul,
    )

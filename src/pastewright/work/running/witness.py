"""The witness row of a batch: strip and row on the card as a job of its own, put in before a board."""

from dataclasses import replace

from pastewright.learn.row import witness_row
from pastewright.link.sheets import sheet_job
from pastewright.link.weave import Shift, Witness
from pastewright.problems import InputError, Problem, Severity
from pastewright.profile.model import Profile


def witness_of(profile: Profile, shift: Shift, *, travel_z_mm: float) -> Witness:
    """Return the row beside the settling strip, as long as the strip; `shift` is the way to the strip's fresh place.

    Its ways are at `travel_z_mm`, which is clear of the board that it is laid before. Raises `InputError` where the bench
    cannot lay it, with the way to go on.
    """
    bed = profile.bed
    above_mm = max(travel_z_mm - bed.board_z_mm, bed.clearance_mm)
    try:
        row = witness_row(replace(profile, bed=replace(bed, clearance_mm=above_mm)))
    except InputError as error:
        raise InputError(_told(problem) for problem in error.problems) from None
    return Witness(
        job=sheet_job(row.text, row.record),
        text=row.text,
        shift=shift,
        strip_mm=profile.bed.strip_length_mm,
        strip_ul=row.motions.strip_ul + row.motions.thrown_ul,
    )


def _told(problem: Problem) -> Problem:
    if problem.severity is not Severity.ERROR:
        return problem
    without = "Mend that, or begin the batch without witness dots: --no-witness."
    return replace(
        problem,
        what=f"the witness row cannot be laid: {problem.what}",
        mend=f"{problem.mend} {without}" if problem.mend else without,
    )

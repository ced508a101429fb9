"""How a run begins: the tip brought to the program's first place where a straight way would lead through something."""

from pastewright.hands.moves import Move, Spot, spot_of
from pastewright.hands.reach import reach_of
from pastewright.hands.travel import to_place
from pastewright.link.bench import plunger_units_per_mm
from pastewright.link.hand import lines_of
from pastewright.link.job import ProgramJob
from pastewright.link.left_out import height_of_ways_mm
from pastewright.link.owner import Owner
from pastewright.profile.model import Profile
from pastewright.records.plan import PlanRecord


def brought_round(owner: Owner, job: ProgramJob, plan: object) -> None:
    """Bring the tip over the place where the program begins, round zones that its own height does not clear.

    Nothing moves where a straight way is clear or the place is not known. Raises `InputError` where no way leads there.
    """
    place = spot_of(owner.look().position)
    if not (isinstance(plan, PlanRecord) and owner.known and place):
        return
    moves = ways_round(place, job, plan, owner.profile)
    if moves:
        owner.do(lines_of(moves, owner.bench, units_per_mm=plunger_units_per_mm(owner.profile)))


def ways_round(place: Spot, job: ProgramJob, plan: PlanRecord, profile: Profile) -> tuple[Move, ...]:
    """Return the moves from a place to where the program begins, none where the straight way is clear.

    A program does not know where the tip is when it begins, and goes there straight.
    """
    if not (job.walked and job.strip_mm):
        return ()
    from pastewright.motion.around import way_round
    from pastewright.plan.again import placements_of_plan, zones_of_plan
    from pastewright.plan.jobs import blocked_by

    high_mm = height_of_ways_mm(job, profile.travel_z_mm)
    blocked = blocked_by(zones_of_plan(plan), placements_of_plan(plan), plan.board.size_mm)
    by_mm = way_round((place.x_mm, place.y_mm), job.strip_mm, high_mm, blocked, profile)
    if not by_mm:
        return ()
    reach = reach_of(profile, surface_z_mm=high_mm - profile.bed.clearance_mm)
    return to_place(job.strip_mm, place, reach, profile, by_mm=by_mm)

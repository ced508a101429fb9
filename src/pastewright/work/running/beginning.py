"""How a run begins: the tip brought to the program's first place where a straight way would lead through something."""

from dataclasses import replace

from pastewright.hands.moves import Move, Spot, spot_of
from pastewright.hands.reach import reach_of
from pastewright.hands.travel import to_place
from pastewright.link.bench import plunger_units_per_mm
from pastewright.link.hand import lines_of
from pastewright.link.job import ProgramJob
from pastewright.link.left_out import height_of_ways_mm
from pastewright.link.owner import Owner
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.records.plan import PlanRecord
from pastewright.records.probing import ProbingRecord


def brought_round(owner: Owner, job: ProgramJob, plan: object) -> bool:
    """Bring the tip over the place where the program begins, round what no height clears; returns whether it was homed.

    A bench that homes by itself does so from there, clear of the board, and goes round once more from where homing ends.
    Nothing moves where a straight way is clear or the place is not known. Raises `InputError` where no way leads there.
    """
    if not (isinstance(plan, PlanRecord) and job.walked) and not (
        isinstance(plan, ProbingRecord) and plan.endless_mm
    ):
        return False
    _gone_round(owner, spot_of(owner.look().position), job, plan)
    if not owner.bench.home:
        return False
    _gone_round(owner, spot_of(owner.home()), job, plan)
    return True


def _gone_round(owner: Owner, place: Spot | None, job: ProgramJob, plan: PlanRecord | ProbingRecord) -> None:
    if not (owner.known and place):
        return
    if isinstance(plan, PlanRecord):
        moves = ways_round(place, job, plan, owner.profile)
    else:
        moves = ways_to_touch(place, plan, owner.profile)
    if moves:
        owner.do(lines_of(moves, owner.bench, units_per_mm=plunger_units_per_mm(owner.profile)))


def ways_to_touch(place: Spot, record: ProbingRecord, profile: Profile) -> tuple[Move, ...]:
    """Return the moves from a place to where a probe goes down first; none where the straight way is clear.

    They go at the top of the axis, as the program begins.
    """
    from shapely.geometry import Polygon

    from pastewright.place.height.probe import way_round

    first = record.places[0].at_mm
    by_mm = way_round((place.x_mm, place.y_mm), first, [Polygon(corners) for corners in record.endless_mm])
    if by_mm is None:
        raise one_error(
            f"no way leads from ({place.x_mm:.2f}, {place.y_mm:.2f}) to the first place,"
            f" ({first[0]:.2f}, {first[1]:.2f}) mm of the machine, but over a part of unknown height",
            "Bring the head there by keys (machine jog), round what stands between.",
        )
    if not by_mm:
        return ()
    reach = replace(reach_of(profile), travel_z_mm=profile.machine.z_max_mm)
    return to_place(first, place, reach, profile, by_mm=by_mm)


def ways_round(place: Spot, job: ProgramJob, plan: PlanRecord, profile: Profile) -> tuple[Move, ...]:
    """Return the moves from a place to where the program begins, none where the straight way is clear.

    A program does not know where the tip is when it begins, and goes there straight.
    """
    if not (job.walked and job.strip_mm):
        return ()
    from pastewright.motion.around import way_round
    from pastewright.plan.again import placements_of_plan
    from pastewright.plan.jobs import blocked_by

    high_mm = height_of_ways_mm(job, profile.travel_z_mm)
    blocked = blocked_by(plan.placement.zones, placements_of_plan(plan), plan.board.size_mm)
    by_mm = way_round((place.x_mm, place.y_mm), job.strip_mm, high_mm, blocked, profile)
    if not by_mm:
        return ()
    reach = reach_of(profile, surface_z_mm=high_mm - profile.bed.clearance_mm)
    return to_place(job.strip_mm, place, reach, profile, by_mm=by_mm)

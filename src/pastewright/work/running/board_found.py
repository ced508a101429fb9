"""A board of a batch found again by two of its points, and what stands on the side that is up."""

from collections.abc import Mapping, Sequence
from math import dist

import msgspec

from pastewright.link.weave import Shift, rigid
from pastewright.place.tray.document import board_place_of
from pastewright.problems import Problem, one_error
from pastewright.records.placement import Zone
from pastewright.records.plan import PlanRecord
from pastewright.work.machine.boards import found_among
from pastewright.work.machine.session import Session
from pastewright.work.machine.standing import AT_STOP_MM, StandingParts
from pastewright.work.printing.console import out as console

BESIDE_MM = 2.0
"""What a way round parts of the other side keeps away from them, as from the zones of a job that says nothing else."""


def with_zones(plan: PlanRecord, zones: Sequence[Mapping[str, float]]) -> PlanRecord:
    """Return a plan that knows what stands on the board besides its own zones."""
    more = [Zone(name=f"zone {number}", margin_mm=BESIDE_MM, **zone) for number, zone in enumerate(zones, 1)]
    there = plan.placement
    return msgspec.structs.replace(
        plan, placement=msgspec.structs.replace(there, zones=(*there.zones, *more))
    )


def of_zones(zones: Sequence[Mapping[str, float]]) -> list[Problem]:
    """Return which parts were said to stand on a side whose program is not verified."""
    return [
        Problem(
            what=f"parts stand in zone {number}, X {zone['x_from_mm']:g} to {zone['x_to_mm']:g}, Y"
            f" {zone['y_from_mm']:g} to {zone['y_to_mm']:g} mm of the board, {zone['height_mm']:g} mm high (--zone)",
            mend="Plan this side with them in its placement, so that it goes over them, and begin the batch with that.",
        )
        for number, zone in enumerate(zones, 1)
    ]


def highest_mm(plan: PlanRecord) -> float:
    """Return the highest place of a plan's board [mm, machine], as far as it was measured."""
    place = board_place_of(plan.placement.boards[0], "plan.json")
    width, height = plan.board.size_mm
    corners = [place.affine.point(one) for one in ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))]
    xs, ys = zip(*corners, strict=True)
    return place.surface.highest_mm((min(xs), min(ys), max(xs), max(ys)))


def found_again(session: Session, plan: PlanRecord) -> Shift:
    """Return how a board lies against its plan, from two points that a person finds, led clear of what stands on it.

    Raises `InputError` where the two are nearer or farther than on the board by more than a deposit may be off.
    """
    place = board_place_of(plan.placement.boards[0], "plan.json")
    marks = _two_points(plan)
    found = found_among(
        session,
        marks,
        place.affine,
        StandingParts(
            zones=plan.placement.zones,
            size_mm=plan.board.size_mm,
            surface=place.surface,
            loose_mm=AT_STOP_MM,
        ),
        by_camera=False,
        travel_z_mm=plan.placement.travel_z_mm,
    )
    nominal = [place.affine.point(marks[point.name]) for point in found]
    shift, residual_mm = rigid(nominal, [point.found_mm for point in found])
    limit_mm = session.profile.deposit.placement_error_mm
    if residual_mm > limit_mm:
        raise one_error(
            f"the two points are {2 * residual_mm:.2f} mm nearer or farther than on the board; {2 * limit_mm:.2f} mm"
            " are allowed",
            "Is it the right board? Find both points again.",
        )
    console.print(f"found: turned by {shift.turn_deg:.3f}°, residual {residual_mm:.3f} mm")
    return shift


def _two_points(plan: PlanRecord) -> dict[str, tuple[float, float]]:
    """Return the two fiducials that lie farthest apart, or two corners of the board, by name [mm, board]."""
    marks = [
        (f"fiducial {number}", (one.x_mm, one.y_mm)) for number, one in enumerate(plan.board.fiducials, 1)
    ]
    if len(marks) < 2:
        return {"the lower left corner": (0.0, 0.0), "the upper right corner": plan.board.size_mm}
    pairs = [(a, b) for at, a in enumerate(marks) for b in marks[at + 1 :]]
    farthest = max(pairs, key=lambda pair: dist(pair[0][1], pair[1][1]))
    return dict(farthest)

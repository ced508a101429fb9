"""The plan that laid a board to the same plan for that board alone, lying where it lies now.

    measured for the touch-up    there
    in the bed's corner          where the profile has the corner now, at the height it has now
    found when it was planned    there still, unless the tip was touched off anew since: then nobody knows how high it lies

Of a tray the other boards stand beside it, as high as they are: the tip travels above them, and lays nothing there.
"""

from collections.abc import Sequence
from dataclasses import replace

from msgspec import structs

from pastewright.place.height.heights import box_of
from pastewright.place.transform import Placement, corners_mm, on_bed
from pastewright.place.tray.document import board_place_of, board_record
from pastewright.plan.again import placements_of_plan
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.records.placement import BoardPlaceRecord, NeighbourRecord
from pastewright.records.plan import PlanRecord

SAME_MM = 1e-6
REGISTER = "Find the board as it lies now: pastewright register …, then give that with --placement."


def lying(plan: PlanRecord, board: str, profile: Profile, placed: Placement | None = None) -> PlanRecord:
    """Return the plan with the pads and the place of one board; `board` is its name in a tray, `placed` where it was found.

    Raises `InputError` where nobody knows how high it lies: the tip was touched off since it was found.
    """
    places = plan.placement
    own = next((one for one in places.boards if one.name == board), places.boards[0])
    others = [one for one in places.boards if one is not own]
    if placed is not None:
        own = board_record(replace(placed, name=own.name))
    elif placements_of_plan(plan).on_bed:
        own = board_record(replace(on_bed(profile.bed).boards[0], name=own.name))
    elif abs(profile.bed.board_z_mm - plan.profile.board_at_mm[2]) > SAME_MM:
        raise one_error(
            f"board_z_mm was {plan.profile.board_at_mm[2]:g} mm when this board was placed and is"
            f" {profile.bed.board_z_mm:g} now: nobody knows how high it lies",
            REGISTER,
            file=profile.file,
        )
    return structs.replace(
        plan,
        pads=tuple(pad for pad in plan.pads if pad.board in ("", board)),
        placement=structs.replace(
            places,
            boards=(own,),
            strips=places.strips[:1],
            neighbours=(*places.neighbours, *_beside(others, plan.board.size_mm)),
        ),
    )


def _beside(others: Sequence[BoardPlaceRecord], size_mm: tuple[float, float]) -> list[NeighbourRecord]:
    found = []
    for one in others:
        there = board_place_of(one, "plan.json")
        corners = corners_mm(size_mm, there.affine)
        found.append(
            NeighbourRecord(
                name=one.name,
                corners_mm=tuple((float(x), float(y)) for x, y in corners),
                highest_mm=there.surface.highest_mm(box_of(corners)),
            )
        )
    return found

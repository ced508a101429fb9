"""What stands on a board, and how a hand gets over it or round it while nobody knows yet quite where the board lies.

travel height ─┐  clear of everything: straight
higher         │  over all that has a top
               └▶ round what has none, or stands too high; down only where nothing stands near
"""

from dataclasses import dataclass, replace

from msgspec import structs
from shapely.geometry import LineString
from shapely.geometry import Point as Spot2
from shapely.geometry.base import BaseGeometry

from pastewright.board.model import Point
from pastewright.hands.finding import Approach
from pastewright.hands.moves import Move
from pastewright.hands.reach import SAME_MM, Reach
from pastewright.hands.travel import to_place
from pastewright.motion.around import Blocked, way_round
from pastewright.place.surface import Surface, flat
from pastewright.place.transform import Placement, Placements, PlaceStep
from pastewright.plan.jobs import blocked_by
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.records.placement import Zone

LOOSE_MM = 5.0
"""How far a board may lie from where it is believed before two of its marks are found: 3° on 100 mm, or put in by hand
(own choice)."""
AT_STOP_MM = 1.5
"""The same of a board that is put where another one of its batch lay (own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingParts:
    """Zones of a board of some size [mm, board], on its surface; flat at the profile's height where none is measured."""

    zones: tuple[Zone, ...]
    size_mm: Point
    surface: Surface | None = None
    loose_mm: float = LOOSE_MM

    def way(self, step: Approach, reach: Reach, profile: Profile) -> tuple[Move, ...]:
        """Return the moves of an approach.

        While fewer than two marks are found, what stands there may stand `loose_mm` elsewhere, and is kept away from by as
        much. Down beside it the tip goes only as far as is clear of it. Raises `InputError` where no way leads there.
        """
        loose_mm = self.loose_mm if step.marks < 2 else 0.0
        wide = [
            structs.replace(each, margin_mm=max(each.margin_mm, loose_mm))
            for each in self._blocked(step, profile)
        ]
        least_mm = max(step.at.z_mm, reach.travel_z_mm)
        high_mm, start = least_mm, (step.at.x_mm, step.at.y_mm)
        if any(each.free_z_mm > least_mm and _near(each, LineString([start, step.to_mm])) for each in wide):
            tops = [each.free_z_mm for each in wide if each.free_z_mm <= profile.machine.z_max_mm]
            high_mm = max([least_mm, *tops])
        beside = [each for each in wide if _near(each, Spot2(step.to_mm))]
        for each in beside:
            if each.free_z_mm > high_mm and loose_mm > each.area.distance(Spot2(step.to_mm)):
                raise one_error(
                    f"({step.to_mm[0]:.2f}, {step.to_mm[1]:.2f}) mm of the machine is within {loose_mm:g} mm of the zone"
                    f" {each.name!r}, which nothing passes over, and the board may lie that far off",
                    "Begin with marks away from it (--find), or bring the tip there by keys (machine jog) and type where"
                    " it is (--at).",
                )
        by_mm = way_round(start, step.to_mm, high_mm, wide, profile)
        lowest_mm = least_mm if step.down_to_mm is None else step.down_to_mm
        down_mm = max([lowest_mm, *(each.free_z_mm for each in beside)])
        return to_place(
            step.to_mm,
            step.at,
            replace(reach, travel_z_mm=high_mm),
            profile,
            by_mm=by_mm,
            down_to_mm=down_mm if down_mm < high_mm - SAME_MM else None,
        )

    def _blocked(self, step: Approach, profile: Profile) -> tuple[Blocked, ...]:
        surface = self.surface or flat(profile.bed.board_z_mm)
        lies = Placement(
            name="", steps=(PlaceStep(what="as found so far", affine=step.board),), surface=surface
        )
        return blocked_by(self.zones, Placements(boards=(lies,)), self.size_mm)


def _near(each: Blocked, shape: BaseGeometry) -> bool:
    return bool(each.area.distance(shape) <= each.margin_mm)

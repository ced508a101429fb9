"""To a place and home safely: up first, then across, then down; nothing sideways below travel height."""

from collections.abc import Sequence

from pastewright.board.model import Point
from pastewright.hands.moves import Go, Move, Spot
from pastewright.hands.reach import SAME_MM, Reach, kept
from pastewright.problems import one_error
from pastewright.profile.model import Profile


def lifted(at: Spot, profile: Profile, *, travel_z_mm: float | None = None) -> tuple[Move, ...]:
    """Return the move that brings the tip to travel height, the bench's or the one given; none where it is there or
    higher.
    """
    up_mm = profile.travel_z_mm if travel_z_mm is None else travel_z_mm
    if at.z_mm >= up_mm - SAME_MM:
        return ()
    return (Go(to_mm={"Z": up_mm}, speed_mm_s=profile.machine.speed_z_mm_s),)


def to_place(
    place_mm: Point,
    at: Spot,
    reach: Reach,
    profile: Profile,
    *,
    by_mm: Sequence[Point] = (),
    down_to_mm: float | None = None,
) -> tuple[Move, ...]:
    """Return the moves over a place, by way of the corners `by_mm`, and down to a height where one is asked for.

    Raises `InputError` where the place or the height is out of reach.
    """
    x_mm, y_mm = place_mm
    high = Spot(x_mm=at.x_mm, y_mm=at.y_mm, z_mm=max(at.z_mm, reach.travel_z_mm))
    moves: list[Move] = [*lifted(at, profile, travel_z_mm=reach.travel_z_mm)]
    for x, y in (*by_mm, place_mm):
        moves.append(Go(to_mm={"X": x, "Y": y}, speed_mm_s=profile.machine.speed_xy_mm_s))
    if down_to_mm is not None and down_to_mm < high.z_mm - SAME_MM:
        moves.append(Go(to_mm={"Z": down_to_mm}, speed_mm_s=profile.machine.speed_z_mm_s / 2))
    for axis, value in (("X", x_mm), ("Y", y_mm)):
        low, top = reach.range_mm(axis)
        if not low - SAME_MM <= value <= top + SAME_MM:
            raise one_error(
                f"{axis} {value:.2f} mm is out of reach; the axis goes from {low:g} to {top:g} mm",
                "Move the board, or mend [machine] or [bed] of the profile.",
                file=profile.file,
            )
    return kept(moves, at, reach)

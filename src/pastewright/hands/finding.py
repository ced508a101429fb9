"""Marks found and heights felt by the machine's own hands: near by itself, the last tenth by the person's keys.

The first mark is gone to where the profile has the board, the second with the shift of the first, all others by the
turn and shift that two marks make. So a board put in with a turn of some degrees still has its third mark in view.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from msgspec import structs

from pastewright.board.model import Point
from pastewright.hands.guide import Act, Confirm, Feel, GivenUpError, Guide, Steer, Tell
from pastewright.hands.moves import Go, Move, Spot
from pastewright.hands.reach import Reach
from pastewright.hands.travel import lifted, to_place
from pastewright.place.fiducials.points import FoundPoint
from pastewright.place.height.heights import Probe
from pastewright.place.height.probe import Probing, way_round
from pastewright.place.surface import Surface
from pastewright.place.transform import Affine
from pastewright.profile.model import Profile

NEAR_MM = 1.0
"""How high above the known surface a tip waits beside a mark: an eye sees it, and nothing touches (a choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """A way to a mark: from where, over which place [mm, machine, of the tip], how far down (None: it stays up), and
    where the board lies by as many marks as are found.
    """

    at: Spot
    to_mm: Point
    down_to_mm: float | None
    board: Affine
    marks: int


Ways = Callable[[Approach], tuple[Move, ...]]
"""The moves of an approach; who knows what stands on the board leads it over that or round it."""


def lying(found: Sequence[tuple[Point, Point]], where: Affine) -> Affine:
    """Return where the board lies, from what was found so far.

    `found` are (board, machine) pairs; `where` is the map that held before any. With two pairs p, q the map is the turn
    and shift that carries the way from p to q: (x + iy) · (q' − p')/(q − p) as complex numbers, length kept. One pair
    tells the shift, and of a mirrored map two tell no more.
    """
    if not found:
        return where
    (board, machine) = found[-1]
    x, y = where.point(board)
    shifted = structs.replace(where, x_mm=where.x_mm + machine[0] - x, y_mm=where.y_mm + machine[1] - y)
    if len(found) == 1 or where.mirrored:
        return shifted
    (first_board, first) = max(
        found[:-1], key=lambda pair: hypot(pair[0][0] - board[0], pair[0][1] - board[1])
    )
    there = complex(machine[0] - first[0], machine[1] - first[1])
    here = complex(board[0] - first_board[0], board[1] - first_board[1])
    if abs(here) == 0 or abs(there) == 0:
        return shifted
    turn = there / here
    turn /= abs(turn)
    origin = complex(*first) - complex(*first_board) * turn
    return Affine(xx=turn.real, xy=-turn.imag, yx=turn.imag, yy=turn.real, x_mm=origin.real, y_mm=origin.imag)


def find_marks(
    places: Mapping[str, Point],
    where: Affine,
    profile: Profile,
    at: Spot,
    reach: Reach,
    *,
    by_camera: bool,
    surface: Surface | None = None,
    ways: Ways | None = None,
) -> Guide[list[FoundPoint]]:
    """Go near each named place (name to board coordinates) and let the person steer onto it; returns the places found.

    `surface` is the board's, where it was measured; `ways` leads between the marks, straight at travel height without.
    Found by the camera's cross-hair they are where the tip stood then; the camera's offset is the caller's to add.
    """

    def straight(step: Approach) -> tuple[Move, ...]:
        return to_place(step.to_mm, step.at, reach, profile, down_to_mm=step.down_to_mm)

    camera = profile.camera
    off = (camera.offset_x_mm, camera.offset_y_mm) if by_camera else (0.0, 0.0)
    with_what = "the camera's cross-hair" if by_camera else "the tip"
    yield Tell(
        words="The machine moves by itself between marks. Keep hands out of the gantry while it does.",
        caution=True,
    )
    found: list[FoundPoint] = []
    pairs: list[tuple[Point, Point]] = []
    for name, place in places.items():
        board = lying(pairs, where)
        x_mm, y_mm = board.point(place)
        step = Approach(
            at=at,
            to_mm=(x_mm - off[0], y_mm - off[1]),
            down_to_mm=None if by_camera else _near_z_mm((x_mm, y_mm), surface, profile, reach),
            board=board,
            marks=len(pairs),
        )
        at = yield Act(moves=(ways or straight)(step), words=f"near {name}")
        at = yield Steer(question=f"Bring {with_what} onto the middle of {name}.")
        found.append(FoundPoint(name=name, found_mm=(at.x_mm, at.y_mm), file="hands"))
        pairs.append((place, (at.x_mm + off[0], at.y_mm + off[1])))
        yield Tell(words=f"{name} found at {at.x_mm:.3f}, {at.y_mm:.3f}")
    yield Act(moves=lifted(at, profile, travel_z_mm=reach.travel_z_mm))
    return found


def _near_z_mm(place_mm: Point, surface: Surface | None, profile: Profile, reach: Reach) -> float:
    """Return how low the tip waits beside a mark: above what is known of the board there, and within reach."""
    known_mm = profile.bed.board_z_mm
    if surface is not None:
        known_mm = max(known_mm, float(surface.heights_mm(np.array([place_mm], dtype=np.float64))[0]))
    return max(min(known_mm + NEAR_MM, reach.travel_z_mm), reach.range_mm("Z")[0])


def feel_heights(journey: Probing, profile: Profile, at: Spot) -> Guide[list[Probe]]:
    """Carry out a probing journey; returns X, Y of the head and Z of the contact at each place [mm]."""
    probe, machine = profile.probe, profile.machine
    yield Tell(
        words="The machine probes by itself now. Stay at the stop, and keep hands out of the gantry.",
        caution=True,
    )
    ready: bool = yield Confirm(
        question="Is the tip clean, does the contact answer when you touch it, and is the way clear?",
        name="contact",
        safety=True,
    )
    if not ready:
        raise GivenUpError("nothing was probed")
    probes: list[Probe] = []
    first = journey.stops[0].at_mm
    by_mm = way_round((at.x_mm + probe.offset_x_mm, at.y_mm + probe.offset_y_mm), first, journey.endless)
    if by_mm is None:
        raise GivenUpError(
            f"no way leads to the first place at X {first[0]:.2f} Y {first[1]:.2f} but over a part of unknown height: bring"
            " the tip beside it first (machine to X,Y)"
        )
    stops = (replace(journey.stops[0], by_mm=by_mm), *journey.stops[1:])
    at = yield Act(moves=(_up(max(journey.safe_z_mm, at.z_mm), profile),))
    for number, stop in enumerate(stops, 1):
        moves = [_up(journey.safe_z_mm, profile)] if stop.over and at.z_mm < journey.safe_z_mm else []
        for x, y in (*stop.by_mm, stop.at_mm):
            head = {"X": x - probe.offset_x_mm, "Y": y - probe.offset_y_mm}
            moves.append(Go(to_mm=head, speed_mm_s=machine.speed_xy_mm_s))
        at = yield Act(moves=(*moves, _up(journey.travel_z_mm, profile)), words=f"to place {number}")
        spot: Spot | None = yield Feel(low_mm=journey.low_z_mm, speed_mm_s=probe.speed_mm_s)
        if spot is None:
            raise GivenUpError(
                f"place {number} at X {at.x_mm:.2f} Y {at.y_mm:.2f} was not touched down to Z {journey.low_z_mm:g} mm"
            )
        probes.append((spot.x_mm, spot.y_mm, spot.z_mm))
        yield Tell(words=f"place {number} of {len(journey.stops)}: Z {spot.z_mm:.3f}")
        at = yield Act(moves=(_up(journey.travel_z_mm, profile),))
    yield Act(moves=(_up(journey.safe_z_mm, profile),))
    return probes


def _up(z_mm: float, profile: Profile) -> Go:
    return Go(to_mm={"Z": z_mm}, speed_mm_s=profile.machine.speed_z_mm_s)

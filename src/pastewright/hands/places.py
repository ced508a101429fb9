"""Places with a name: of the bench (park, strip), and of the boards of a plan (fiducials, corners, pads).

F1, F2, …    fiducials            LL, LR, UR, UL   corners         U1-3     a pad; 2:F1 of the board named 2
park         where programs end   strip            where the settling strip begins
"""

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np

from pastewright.board.model import Point
from pastewright.place.fiducials.points import CORNERS
from pastewright.place.surface import Surface
from pastewright.place.transform import Placement
from pastewright.place.tray.document import board_place_of
from pastewright.problems import one_error
from pastewright.profile.model import Bed
from pastewright.records.plan import PlanRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedPlace:
    """A place of the tip [mm, machine], and Z at which the tip touches what is there, None where that is not known."""

    name: str
    at_mm: Point
    surface_z_mm: float | None = None


def bench_places(bed: Bed) -> dict[str, NamedPlace]:
    """Return the places that every bench has."""
    return {
        "park": NamedPlace(name="park", at_mm=(bed.park_x_mm, bed.park_y_mm)),
        "strip": NamedPlace(
            name="strip", at_mm=(bed.strip_x_mm, bed.strip_y_mm), surface_z_mm=bed.board_z_mm
        ),
        "LL": NamedPlace(name="LL", at_mm=(bed.board_x_mm, bed.board_y_mm), surface_z_mm=bed.board_z_mm),
    }


def plan_places(plan: PlanRecord, *, file: str = "") -> dict[str, NamedPlace]:
    """Return the places of the boards in a plan; of several boards each with the board's name in front."""
    width, height = plan.board.size_mm
    corners = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    marks = {f"F{k}": (mark.x_mm, mark.y_mm) for k, mark in enumerate(plan.board.fiducials, start=1)}
    named: dict[str, NamedPlace] = {}
    boards = plan.placement.boards
    for record in boards:
        placed = board_place_of(record, file)
        pads = {
            pad.id: (pad.x_mm, pad.y_mm) for pad in plan.pads if pad.board == record.name or len(boards) == 1
        }
        for name, place in {**pads, **dict(zip(CORNERS, corners, strict=True)), **marks}.items():
            full = f"{record.name}:{name}" if len(boards) > 1 else name
            named[full] = _named(full, place, placed)
    # Where the profile leaves strip and park place open, the plan has chosen them.
    where = plan.placement
    if where.strips:
        height = plan.profile.board_at_mm[2]
        named["strip"] = NamedPlace(name="strip", at_mm=where.strips[0].from_mm, surface_z_mm=height)
    if where.park_mm is not None:
        named["park"] = NamedPlace(name="park", at_mm=where.park_mm)
    return named


def _named(name: str, place: Point, placed: Placement) -> NamedPlace:
    at = placed.affine.point(place)
    return NamedPlace(name=name, at_mm=at, surface_z_mm=height_mm(placed.surface, at))


def height_mm(surface: Surface, at_mm: Point) -> float:
    """Return Z at which the tip touches the board at a place [mm, machine]."""
    return float(surface.heights_mm(np.array([at_mm], dtype=np.float64))[0])


def find_place(name: str, places: Mapping[str, NamedPlace]) -> NamedPlace:
    """Return a place by its name, or X,Y as typed; raises `InputError` with the nearest names."""
    parts = name.split(",")
    if len(parts) == 2:
        try:
            return NamedPlace(name=name, at_mm=(float(parts[0]), float(parts[1])))
        except ValueError:
            pass
    known = {known.upper(): place for known, place in places.items()}
    if found := known.get(name.strip().upper()):
        return found
    near = get_close_matches(name.upper(), list(known), n=3)
    pads = any("-" in one for one in places)
    raise one_error(
        f"there is no place {name!r}",
        (f"Did you mean {', '.join(known[one].name for one in near)}? " if near else "")
        + ("" if pads else "Pads and fiducials are known with --plan plan.json. ")
        + "There are also park, strip, and X,Y in mm.",
    )

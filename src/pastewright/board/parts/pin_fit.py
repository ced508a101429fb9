"""Points of a netlist and lands to names: which land is which pin of which part, and on which net.

X2 attributes of the copper come with the lands already. An IPC-D-356 netlist gives points instead, often
counted from another origin than the Gerber files; the shift is found by letting all points vote.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree

from pastewright.board.artwork import NetPoint
from pastewright.board.model import Check
from pastewright.board.shapes.islands import Shapes
from pastewright.distinct import distinct
from pastewright.problems import Problem, Severity

# Netlist points are rounded to 0.0001 inch or 0.001 mm; lands are larger than this slack.
NEAR_MM = 0.03
# Points that must meet a land for a shift to be believed, and the grid on which shifts are counted.
AGREED_PART = 0.7
VOTE_GRID_MM = 0.02
"""Coarser than the rounding of any netlist, finer than any two pads are apart."""
VOTERS = 200
"""More points do not make a vote surer."""
MOST_COPIES = 400
"""Boards of one panel; more would be smaller than 30 mm on the largest (common practice: 610 mm)."""
# A shift must be voted for by this part of the voters; chance meetings on a regular board reach a few percent.
VOTED_PART = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedLands:
    """The netlist point of each land, None where there is none, and what there is to say.

    `surface` is True for lands that the netlist says have no lead's hole.
    """

    points: tuple[NetPoint | None, ...]
    surface: tuple[bool, ...]
    problems: tuple[Problem, ...] = ()
    check: Check | None = None


def name_lands(points: Sequence[NetPoint], shapes: Shapes, *, file: str) -> NamedLands:
    """Return which netlist point names which land; `shapes` [mm, file] are the lands of one side.

    `points` are those that can be reached from this side. Points of vias name nothing but take part in the
    vote, since they lie on copper too.
    """
    none = NamedLands(points=(None,) * len(shapes), surface=(False,) * len(shapes))
    pins = [point for point in points if point.ref and not point.via]
    if not pins or len(shapes) == 0:
        return none
    tree = STRtree(shapes)
    places = np.array([(point.x_mm, point.y_mm) for point in pins])
    shift = np.zeros(2)
    hit, land = _meet(tree, places)
    problems: list[Problem] = []
    if len(distinct(land)) < AGREED_PART * min(len(pins), len(shapes)):
        voted = _voted_shift(places, shapes)
        if voted is not None:
            moved_hit, moved_land = _meet(tree, places + voted)
            if len(distinct(moved_land)) > len(distinct(land)):
                hit, land, shift = moved_hit, moved_land, voted
    met = len(distinct(hit))
    more = _further_copies(places, shapes, land) if met >= AGREED_PART * len(pins) else []
    if np.any(shift != 0.0) and met:
        what = f"the netlist counts from another origin: shifted by ({shift[0]:.3f}, {shift[1]:.3f}) mm to meet the pads"
        problems.append(Problem(what=what, severity=Severity.NOTE, file=file))
    if 2 * met < min(len(pins), len(shapes)):
        what = (
            f"only {met} of {len(pins)} netlist pins meet a pad of {len(shapes)}: the netlist names no pads"
        )
        mend = "Export the netlist together with the Gerber files, with the same origin."
        problem = Problem(what=what, mend=mend, severity=Severity.WARNING, file=file)
        check = Check(what="netlist pins on pads", met=met, of=len(pins))
        return replace(none, problems=(problem,), check=check)
    found: list[NetPoint | None] = [None] * len(shapes)
    # Of several points in one land the one nearest its centre names it.
    centres = shapely.get_coordinates(shapely.centroid(shapes))
    surface = [False] * len(shapes)
    for copy_shift, copy_hit, copy_land in [(shift, hit, land), *more]:
        away_mm = np.hypot(*(places[copy_hit] + copy_shift - centres[copy_land]).T)
        for number in np.argsort(-away_mm, kind="stable"):
            found[int(copy_land[number])] = pins[int(copy_hit[number])]
        for place, number in zip(copy_hit.tolist(), copy_land.tolist(), strict=True):
            surface[number] |= not pins[place].through
    if more:
        what = f"the netlist is that of one board of a panel: it names {len(more) + 1} copies"
        problems.append(Problem(what=what, severity=Severity.NOTE, file=file))
    check = Check(what="netlist pins on pads", met=met, of=len(pins))
    return NamedLands(points=tuple(found), surface=tuple(surface), problems=tuple(problems), check=check)


def _further_copies(
    places: NDArray[np.float64], shapes: Shapes, taken: NDArray[np.intp]
) -> list[tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]]:
    """Return the shifts that bring the whole netlist onto lands it does not name yet: the copies of a panel."""
    free = np.setdiff1d(np.arange(len(shapes)), taken)
    found: list[tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]] = []
    while len(free) >= AGREED_PART * len(places) and len(found) < MOST_COPIES:
        shift = _voted_shift(places, shapes[free])
        if shift is None:
            break
        hit, land = _meet(STRtree(shapes[free]), places + shift)
        if len(distinct(hit)) < AGREED_PART * len(places):
            break
        found.append((shift, hit, free[land]))
        free = np.setdiff1d(free, free[land])
    return found


def _meet(tree: STRtree, places: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    hit, land = tree.query(shapely.points(places), predicate="dwithin", distance=NEAR_MM)
    return hit, land


def _voted_shift(places: NDArray[np.float64], shapes: Shapes) -> NDArray[np.float64] | None:
    """Return the shift [mm] that brings most points onto a land's centre, None when few agree."""
    centres = shapely.get_coordinates(shapely.centroid(shapes))
    step = max(1, len(places) // VOTERS)
    voters = places[::step]
    shifts = (centres[None, :, :] - voters[:, None, :]).reshape(-1, 2)
    cells = np.round(shifts / VOTE_GRID_MM).astype(np.int64)
    keys = cells[:, 0] * (1 << 32) + cells[:, 1]
    values, counts = np.unique(keys, return_counts=True)
    best = values[int(np.argmax(counts))]
    if counts.max() < VOTED_PART * min(len(voters), len(shapes)):
        return None
    # The vote tells the cell; the median of the shifts around it tells the shift itself.
    centre = shifts[keys == best].mean(axis=0)
    near = np.all(np.abs(shifts - centre) < 1.5 * VOTE_GRID_MM, axis=1)
    shift: NDArray[np.float64] = np.median(shifts[near], axis=0)
    return shift

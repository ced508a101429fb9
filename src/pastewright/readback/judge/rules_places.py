"""Rules about what lies beside the boards: strips, wiping pad, park place and zones, by geometry of this module's own.

Boards, zones and the bands of paste are convex; two of them are apart when some side of one has the other beyond it:

    gap = max over the sides' normals n of  min(n·other) − max(n·own)

and a straight move is in a zone where the part of it that is inside each pair of its sides is not empty, seen from
the board, where a zone is a box.
"""

from collections.abc import Callable, Iterator
from itertools import chain, pairwise
from math import inf, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.readback.judge.evidence import CaseFile
from pastewright.readback.machine.visits import HEIGHT_GRAIN_MM
from pastewright.readback.model import Finding, FindingKind
from pastewright.readback.placed import FLAT, BoardPlace, Line, ReadGround, ReadKeepOut, on_way, strip_lines

Floats = NDArray[np.float64]

ROUNDING_MM = 0.001
"""Places are written to a thousandth of a millimetre at best: what touches by less does not touch."""


def strips_are_clear(seen: CaseFile) -> Iterator[Finding]:
    """No settling strip lies on a board, its neighbours or a zone, as wide as the paste laid on it is at rest."""
    for number, line in enumerate(strip_lines(seen.expected.tray, seen.profile.bed), start=1):
        for name in _touched(line, _strip_half_mm(line, seen), seen):
            yield Finding(
                kind=FindingKind.SOILED,
                what=f"settling strip {number} from {_at(line[0])} to {_at(line[1])} mm lies on {name}",
                line=min((visit.line for visit in seen.ledger.strip), default=0),
            )


def thrown_is_clear(seen: CaseFile) -> Iterator[Finding]:
    """What is thrown away in the middle lies on no board and in no zone, nor on a strip or on what lies there already."""
    ratio = seen.profile.tuning.dot_shape_ratio
    strips = [
        (f"settling strip {number}", np.array(line), _strip_half_mm(line, seen))
        for number, line in enumerate(strip_lines(seen.expected.tray, seen.profile.bed), start=1)
    ]
    for index, deposit in enumerate(seen.expected.deposits):
        if not deposit.thrown:
            continue
        laid = seen.ledger.laid[index]
        place = deposit.points_mm[0]
        volume_ul = max(deposit.volume_ul, sum(visit.volume_ul for visit in laid))
        half = (6 * volume_ul / (pi * ratio * (0.75 + ratio**2))) ** (1 / 3) / 2
        at = laid[0].line if laid else 0
        hit = [
            *_touched((place, place), half, seen),
            *(name for name, line, reach in strips if _away(place, line) < half + reach - ROUNDING_MM),
        ]
        for name in hit:
            what = f"{deposit.pad_ids[0]}: {volume_ul:.3f} µL thrown away at {_at(place)} mm lie on {name}"
            yield Finding(kind=FindingKind.SOILED, what=what, line=at)
        strips.append((f"what {deposit.pad_ids[0]} has thrown away", np.array([place, place]), half))


def _strip_half_mm(line: Line, seen: CaseFile) -> float:
    """Half the width at rest of what is laid on the strips [mm]."""
    volume_ul = max((visit.volume_ul for visit in seen.ledger.strip), default=0.0)
    length = max(float(np.hypot(*np.subtract(line[1], line[0]))), 1e-6)
    return sqrt(volume_ul / length / (pi / 4 * seen.profile.tuning.bead_shape_ratio)) / 2


def _away(place: tuple[float, float], line: Floats) -> float:
    """Distance of a place from a line of two ends [mm]."""
    along, off = line[1] - line[0], np.array(place) - line[0]
    share = min(max(float(along @ off) / max(float(along @ along), 1e-12), 0.0), 1.0)
    return float(np.hypot(*(off - share * along)))


def wipe_is_clear(seen: CaseFile) -> Iterator[Finding]:
    """The wiping pad is on no board."""
    wipe = seen.expected.tray.wipe
    if wipe is None:
        return
    line = (wipe.from_mm, wipe.to_mm)
    for name in _touched(line, seen.profile.tip.outer_mm / 2, seen):
        yield Finding(
            kind=FindingKind.SOILED,
            what=f"the wiping pad from {_at(line[0])} to {_at(line[1])} mm lies on {name}",
        )


def parked_beside(seen: CaseFile) -> Iterator[Finding]:
    """The program ends where the tip may drip, not over a board."""
    if not len(seen.moves):
        return
    place = (float(seen.moves.end_mm[-1, 0]), float(seen.moves.end_mm[-1, 1]))
    if not np.isfinite(place).all():
        return
    for name, corners in _boards(seen):
        if _gap((place, place), 0.0, corners) < -ROUNDING_MM:
            yield Finding(
                kind=FindingKind.SOILED,
                what=f"the program ends at {_at(place)} mm, over {name}: what drips from the tip falls on it",
                line=int(seen.moves.line[-1]),
            )


def only_deposits_on_boards(seen: CaseFile) -> Iterator[Finding]:
    """What is laid on a strip, or drawn along a wiping pad, is not on a board, whatever the plan calls the place."""
    for visit in seen.ledger.strip:
        path = [point for point in visit.path_mm if np.isfinite(point).all()]
        for name, corners in _boards(seen):
            legs = list(pairwise(path)) or [(point, point) for point in path]
            if any(_gap(leg, 0.0, corners) < -ROUNDING_MM for leg in legs):
                yield Finding(
                    kind=FindingKind.SOILED,
                    what=f"{visit.volume_ul:.3f} µL of the settling strip go across {name}",
                    line=visit.line,
                )


def out_of_zones(seen: CaseFile) -> Iterator[Finding]:
    """No move goes through a zone below its top."""
    moves = seen.moves
    start, end = moves.start_mm[:, :3], moves.end_mm[:, :3]
    known = np.isfinite(start[:, :2]).all(axis=1) & np.isfinite(end[:, :2]).all(axis=1)
    lowest = np.fmin(start[:, 2], end[:, 2])
    for board in (*seen.boards, *_neighbours(seen)):
        for zone in seen.expected.tray.zones:
            top = _top_mm(zone, board)
            low = known & ~(lowest >= top - HEIGHT_GRAIN_MM)
            rows = np.flatnonzero(low)
            inside = on_way(
                zone.low_mm, zone.high_mm, board, start[rows, :2], end[rows, :2], less_mm=ROUNDING_MM
            )
            for row, arc in moves.arcs.items():
                points = np.array(arc.points_mm)[:, :2]
                if (
                    low[row]
                    and on_way(
                        zone.low_mm, zone.high_mm, board, points[:-1], points[1:], less_mm=ROUNDING_MM
                    ).any()
                ):
                    inside = inside | (rows == row)
            if inside.any():
                row = int(rows[int(inside.argmax())])
                of = f" of board {board.name}" if board.name else ""
                x, y = end[row, :2].tolist()
                yield Finding(
                    kind=FindingKind.KEEP_OUT,
                    what=f"the tip goes through the zone {zone.name!r}{of}, on the way to {_at((x, y))} mm at Z"
                    f" {lowest[row]:.3f} mm"
                    + ("" if top == inf else f", below its top at {top:.3f} mm")
                    + (f", and {int(inside.sum()) - 1} times more" if inside.sum() > 1 else ""),
                    line=int(moves.line[row]),
                )


def _neighbours(seen: CaseFile) -> Iterator[BoardPlace]:
    """Yield the boards that are not in this program: what stands on all boards stands on them too.

    A place (x, y) of the board is at c₀ + (c₁ − c₀)·x/width + (c₃ − c₀)·y/height. A board that nobody measured is taken
    to be as high as the highest place of the others.
    """
    width, height = seen.boards[0].size_mm
    if width <= 0 or height <= 0:
        return
    edges = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    highest = max(board.highest_mm(edges) for board in seen.boards)
    for other in seen.expected.tray.neighbours:
        if len(other.corners_mm) != 4:
            continue
        corners = np.array(other.corners_mm)
        matrix = np.column_stack([(corners[1] - corners[0]) / width, (corners[3] - corners[0]) / height])
        if abs(np.linalg.det(matrix)) < FLAT:
            continue
        yield BoardPlace(
            name=other.name,
            matrix=matrix,
            shift_mm=corners[0],
            size_mm=(width, height),
            ground=ReadGround(z_mm=highest if other.highest_mm is None else other.highest_mm),
        )


def _top_mm(zone: ReadKeepOut, board: BoardPlace) -> float:
    if zone.height_mm is None:
        return inf
    (x0, y0), (x1, y1) = zone.low_mm, zone.high_mm
    corners = board.to_machine(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    return float(board.ground.heights_mm(corners).max()) + zone.height_mm


def _boards(seen: CaseFile) -> Iterator[tuple[str, Floats]]:
    """Yield the name and corners [mm, machine] of every board that lies there, of this program or not."""
    several = len(seen.boards) > 1
    for board in seen.boards:
        width, height = board.size_mm
        if width > 0 and height > 0:
            corners = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
            yield (f"board {board.name}" if several else "the board"), board.to_machine(corners)
    for other in seen.expected.tray.neighbours:
        yield f"board {other.name}", np.array(other.corners_mm)


def _touched(line: Line, half_mm: float, seen: CaseFile) -> Iterator[str]:
    zones = (
        (f"the zone {zone.name!r}", _zone_corners(zone, board))
        for board in (*seen.boards, *_neighbours(seen))
        for zone in seen.expected.tray.zones
    )
    for name, corners in chain(_boards(seen), zones):
        if _gap(line, half_mm, corners) < -ROUNDING_MM:
            yield name


def _zone_corners(zone: ReadKeepOut, board: BoardPlace) -> Floats:
    (x0, y0), (x1, y1) = zone.low_mm, zone.high_mm
    return board.to_machine(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))


def _gap(line: Line, half_mm: float, corners: Floats) -> float:
    """Return a lower bound of the gap [mm] between a line grown by `half_mm` and a convex shape; below 0 they meet.

    The sides of the shape are tried, and those of the line's band; near a corner the true gap may be larger.
    """
    ends = np.array(line)
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    sides = np.roll(corners, -1, axis=0) - corners
    directions = [*sides, *([along, np.array([-along[1], along[0]])] if length > 0 else [])]
    best = -inf
    for way in directions:
        size = float(np.hypot(*way))
        if size == 0:
            continue
        normal = np.array([way[1], -way[0]]) / size
        own, other = ends @ normal, corners @ normal
        best = max(best, float(other.min() - own.max()) - half_mm, float(own.min() - other.max()) - half_mm)
    return best


def _at(place: tuple[float, float]) -> str:
    return f"({place[0]:.1f}, {place[1]:.1f})"


RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (
    strips_are_clear,
    thrown_is_clear,
    only_deposits_on_boards,
    wipe_is_clear,
    parked_beside,
    out_of_zones,
)
DRY_RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (
    strips_are_clear,
    thrown_is_clear,
    wipe_is_clear,
    parked_beside,
    out_of_zones,
)

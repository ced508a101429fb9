"""Timeline to visits: each time the tip goes below the height that it needs to be clear, and comes up again.

Within a visit, rows that go straight up or down are `lift` rows; all others are `work`. A visit whose work never
goes sideways is a dot at one place; one that does is a path.
"""

from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.readback.machine.timeline import Floats, Ints, MachineTimeline

# Heights are told apart no finer than this: half the last of three decimals, and float noise.
HEIGHT_GRAIN_MM = 0.001

Flags = NDArray[np.bool_]


class TipVisit(NamedTuple):
    """Rows `first` to `last` (both within), the places the tip goes through, and what comes out there.

    `path_mm` has one point for a visit that never goes sideways. `low_mm`, `high_mm`: heights of its work
    [mm, machine]. `line` is the first line that works, else the one that lowers.
    """

    first: int
    last: int
    line: int
    path_mm: tuple[Point, ...]
    volume_ul: float
    peak_kpa: float
    low_mm: float
    high_mm: float


class TipLevels(Struct, frozen=True, kw_only=True):
    """Which rows are `low` (below the height they need at one end), go `sideways`, or only `lift` the tip."""

    low: Flags
    sideways: Flags
    lift: Flags
    starts: Ints
    stops: Ints


def levels(moves: MachineTimeline, *, needed_z_mm: Floats) -> TipLevels:
    """Return the rows by height, low where they do not keep the height needed [mm, machine, one a row].

    Rows of an unknown height count as low (nothing is known to be clear).
    """
    lower = np.minimum(moves.start_mm[:, 2], moves.end_mm[:, 2])
    known_end = np.isnan(moves.start_mm[:, 2]) & ~np.isnan(moves.end_mm[:, 2])
    lower = np.where(known_end, moves.end_mm[:, 2], lower)
    low = ~(lower >= needed_z_mm - HEIGHT_GRAIN_MM)
    shift = np.abs(moves.end_mm - moves.start_mm)
    sideways = ~((shift[:, 0] == 0) & (shift[:, 1] == 0))
    still_unknown = np.isnan(moves.end_mm[:, :2]).all(axis=1)
    sideways &= ~still_unknown
    for row in moves.arcs:
        sideways[row] = True
    lift = ~sideways & ~(shift[:, 2] == 0)
    # A visit ends where the tip is up again, also when the very next row lowers it once more.
    up_after = moves.end_mm[:, 2] >= needed_z_mm - HEIGHT_GRAIN_MM
    follows = np.concatenate([[False], low[:-1] & ~up_after[:-1]]) if len(low) else low
    precedes = np.concatenate([low[1:], [False]]) & ~up_after if len(low) else low
    return TipLevels(
        low=low,
        sideways=sideways,
        lift=lift,
        starts=np.flatnonzero(low & ~follows),
        stops=np.flatnonzero(low & ~precedes),
    )


def visits(moves: MachineTimeline, where: TipLevels, out_ul: Floats, peak_kpa: Floats) -> list[TipVisit]:
    """Return every visit in order, with the paste that its work lays down [µL]."""
    if not len(where.starts):
        return []
    work = ~where.lift
    bounds = np.column_stack([where.starts, where.stops + 1]).ravel()
    padded = [
        np.append(column, 0.0) for column in (np.where(work, out_ul, 0.0), where.sideways.astype(float))
    ]
    volumes, sideways = (np.add.reduceat(column, bounds)[0::2].tolist() for column in padded)
    peaks = np.maximum.reduceat(np.append(peak_kpa, 0.0), bounds)[0::2].tolist()
    z = moves.end_mm[:, 2]
    lows = np.minimum.reduceat(np.append(np.where(work, z, np.inf), np.inf), bounds)[0::2].tolist()
    highs = np.maximum.reduceat(np.append(np.where(work, z, -np.inf), -np.inf), bounds)[0::2].tolist()
    starts, stops = where.starts.tolist(), where.stops.tolist()
    places = moves.end_mm[where.starts, :2].tolist()
    # The first line of the work: the row after the one that lowers.
    begins = np.where(where.lift[where.starts], np.minimum(where.starts + 1, where.stops), where.starts)
    lines = moves.line[begins].tolist()
    found = []
    for k, first in enumerate(starts):
        path = ((places[k][0], places[k][1]),) if not sideways[k] else _path(moves, where, first, stops[k])
        low, high = lows[k], highs[k]
        if low > high:  # no work at all: down and up again
            low = high = min(z[first : stops[k] + 1].tolist())
        found.append(TipVisit(first, stops[k], lines[k], path, volumes[k], peaks[k], low, high))
    return found


def _path(moves: MachineTimeline, where: TipLevels, first: int, last: int) -> tuple[Point, ...]:
    points: list[Point] = []
    for row in range(first, last + 1):
        if not where.sideways[row]:
            continue
        if not points:
            points.append((float(moves.start_mm[row, 0]), float(moves.start_mm[row, 1])))
        if row in moves.arcs:
            points.extend((x, y) for x, y, _ in moves.arcs[row].points_mm[1:])
        else:
            points.append((float(moves.end_mm[row, 0]), float(moves.end_mm[row, 1])))
    return tuple(points)


def places_in(
    moves: MachineTimeline, where: TipLevels, visit: TipVisit, out_ul: Floats
) -> tuple[list[TipVisit], float]:
    """Take a visit apart into its standing places; return them, and what came out on the way between [µL]."""
    standing: list[TipVisit] = []
    between = 0.0
    row = visit.first
    while row <= visit.last:
        if where.sideways[row]:
            between += float(out_ul[row])
            row += 1
            continue
        stop = row
        while stop < visit.last and not where.sideways[stop + 1]:
            stop += 1
        rows = slice(row, stop + 1)
        volume = float(out_ul[rows][~where.lift[rows]].sum())
        if volume > 0:
            x, y, z = moves.end_mm[row].tolist()
            standing.append(
                visit._replace(
                    first=row,
                    last=stop,
                    line=int(moves.line[row]),
                    path_mm=((x, y),),
                    volume_ul=volume,
                    low_mm=z,
                    high_mm=z,
                )
            )
        row = stop + 1
    return standing, between

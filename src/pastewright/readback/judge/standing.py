"""A touch-up's program against what the inspection says stands on the board: the tip stays clear of it, nothing is joined
with it, and paste goes only where some is missing.

Reads inspection.json and the program's text by itself; how the touch-up was chosen is not asked.

    tip   nearer to standing paste than its outside, while lower than that paste is high      keep-out
    laid  on a deposit that is neither missing nor low, nor was wiped                           doubled
    laid  within a hair of another pad's paste                                                  may bridge
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.profile.model import Profile
from pastewright.readback.judge.evidence import CaseFile
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import case_of
from pastewright.readback.model import Finding, FindingKind
from pastewright.records.inspection import InspectedDepositRecord, InspectionRecord
from pastewright.records.kinds import DepositVerdict
from pastewright.records.placement import BoardPlaceRecord
from pastewright.records.plan import PlanRecord

Floats = NDArray[np.float64]

HIGH_SHARE = 0.5  # of its width: as high as any paste stands (half a ball)
HAIR_MM = 0.02  # what lies nearer is one body
REACH_MM = 0.3  # a deposit laid for a row lies as near to its place as its pad is long, and this


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Body:
    """Standing paste as inspected: its row, outline [mm, board], and the most it can be high [mm]."""

    row: InspectedDepositRecord
    shape: BaseGeometry
    high_mm: float


def standing_findings(
    text: str, plan: PlanRecord, inspection: InspectionRecord, profile: Profile, *, wiped: bool = False
) -> tuple[Finding, ...]:
    """Return what is wrong with a touch-up's program, among the paste that stands; `wiped` as told to the planner."""
    seen = case_of(text, expected_from_plan(plan), profile)
    open_rows = [one for one in inspection.deposits if _open(one, wiped=wiped)]
    bodies = [
        _body(one)
        for one in inspection.deposits
        if one.verdict is not DepositVerdict.MISSING and not (wiped and one.wipe)
    ]
    names = {one.name: one for one in plan.placement.boards}
    board = inspection.deposits[0].board if inspection.deposits else ""
    place = names.get(board, plan.placement.boards[0])
    found = [*_laid(plan, open_rows, bodies), *_moved(seen, place, plan, bodies, open_rows)]
    return tuple(sorted(found, key=lambda finding: finding.line))


def _open(one: InspectedDepositRecord, *, wiped: bool) -> bool:
    if one.wipe:
        return wiped
    return one.verdict in (DepositVerdict.MISSING, DepositVerdict.LOW)


def _body(one: InspectedDepositRecord) -> _Body:
    wide = sqrt(4 * max(one.area_mm2 or 0.0, one.planned_area_mm2) / pi)
    shape: BaseGeometry = (
        Polygon(one.outline_mm).buffer(0)
        if len(one.outline_mm) > 2
        else Point(one.x_mm, one.y_mm).buffer(wide / 2)
    )
    return _Body(row=one, shape=shape, high_mm=HIGH_SHARE * wide)


def _laid(
    plan: PlanRecord, open_rows: Sequence[InspectedDepositRecord], bodies: Sequence[_Body]
) -> Iterator[Finding]:
    """Every deposit serves rows that lack paste, and stays off the paste of other pads and other deposits."""
    by_pad: dict[tuple[str, str], list[InspectedDepositRecord]] = {}
    for one in open_rows:
        by_pad.setdefault((one.board, one.pad), []).append(one)
    tree = STRtree([body.shape for body in bodies])
    nets = {(pad.board, pad.id): pad.net for pad in plan.pads}
    for pad in plan.pads:
        for deposit in pad.deposits:
            path = _path(deposit.points_mm)
            served = [
                one
                for one in by_pad.get((pad.board, pad.id), [])
                if path.distance(Point(one.x_mm, one.y_mm)) < REACH_MM + sqrt(pad.area_mm2)
            ]
            if not served:
                yield Finding(
                    kind=FindingKind.DOUBLED,
                    what=f"paste is laid on {pad.id}, where the inspection misses none",
                    line=deposit.line,
                    pad_id=pad.id,
                )
            own = {one.id for one in served}
            laid = path.buffer(deposit.width_mm / 2 + HAIR_MM)
            for k in tree.query(laid, predicate="intersects"):
                other = bodies[int(k)].row
                if other.pad == pad.id or other.id in own:
                    continue
                if pad.net and pad.net == nets.get((other.board, other.pad), ""):
                    continue
                yield Finding(
                    kind=FindingKind.BRIDGE,
                    what=f"paste laid on {pad.id} meets what stands on {other.pad}",
                    line=deposit.line,
                    pad_id=pad.id,
                )


def _moved(
    seen: CaseFile,
    place: BoardPlaceRecord,
    plan: PlanRecord,
    bodies: Sequence[_Body],
    open_rows: Sequence[InspectedDepositRecord],
) -> Iterator[Finding]:
    """The tip passes no standing paste nearer than its own outside, unless above it."""
    if not bodies or not len(seen.moves):
        return
    back = np.linalg.inv(np.array(place.matrix))
    start, end = np.asarray(seen.moves.start_mm, np.float64), np.asarray(seen.moves.end_mm, np.float64)
    low_z = np.minimum(start[:, 2], end[:, 2]) - _surface_z(place, (start[:, :2] + end[:, :2]) / 2)
    highest = max(body.high_mm for body in bodies)
    tree = STRtree([body.shape for body in bodies])
    served = {one.id for one in open_rows}
    near = seen.profile.tip.outer_mm / 2
    told: set[tuple[int, str]] = set()
    for k in np.flatnonzero(np.isfinite(low_z) & (low_z < highest)):
        ends = (np.stack([start[k, :2], end[k, :2]]) - np.array(place.shift_mm)) @ back.T
        tip = _path([(float(x), float(y)) for x, y in ends]).buffer(near)
        for number in tree.query(tip, predicate="intersects"):
            body = bodies[int(number)]
            line = int(seen.moves.line[k])
            # A bead goes on where its own part stands.
            if low_z[k] >= body.high_mm or body.row.id in served or (line, body.row.pad) in told:
                continue
            told.add((line, body.row.pad))
            yield Finding(
                kind=FindingKind.KEEP_OUT,
                what=f"the tip passes {low_z[k]:.2f} mm above the board over the paste on {body.row.pad}",
                line=line,
                pad_id=body.row.pad,
            )


def _path(points: Sequence[tuple[float, float]]) -> BaseGeometry:
    if len(points) == 1 or all(point == points[0] for point in points):
        return Point(points[0])
    return LineString(points)


def _surface_z(place: BoardPlaceRecord, at_mm: Floats) -> Floats:
    """Return the board's height under places of the machine [mm]; a mesh's deviations are left to `rules_motion`."""
    surface = place.surface
    off = at_mm - np.array(surface.at_mm)
    return np.asarray(surface.z_mm + off @ np.array([surface.slope_x, surface.slope_y]), np.float64)

"""An inspection and its plan to what a touch-up lays, and what it leaves with the reason.

Laid are deposits that are missing, whole or the part of a bead that is, and on low ones what lacks, where there is free
land for it. Not laid is what a person must wipe first, whatever stands on the same pad as that, and what the tip cannot
reach without touching standing paste. Told with `wiped`, what had to be wiped is taken for wiped, and laid whole.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import pi

from shapely import unary_union
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import polylabel

from pastewright.inspect.picture import BoardPicture, InspectedRow, may_touch, polygons_of
from pastewright.profile.model import Profile
from pastewright.records.inspection import InspectedDepositRecord, InspectionRecord
from pastewright.records.kinds import DepositKind, DepositVerdict

ROOM_MM = 0.05
"""Between the tip's outside, or a laid deposit, and standing paste: placing and reading are off by less (own choice)."""
MOST_ADDED = 0.8
"""Of the planned volume; what lacks more than that on a low deposit is better wiped and laid whole. Own choice."""
LAID = (DepositVerdict.MISSING, DepositVerdict.LOW)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandingPaste:
    """Paste that stands on the board: the row it belongs to, its outline [mm, board], its height [mm]."""

    row: int
    shape: Polygon
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """A deposit of a touch-up: the tip's path, what each row gets of it [µL], its width and height at rest."""

    kind: DepositKind
    points_mm: tuple[tuple[float, float], ...]
    rows: tuple[int, ...]
    shares_ul: tuple[float, ...]
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TouchUpChoice:
    """What is laid, what is not and why (pad and words), and what stands."""

    added: tuple[Added, ...]
    left: tuple[tuple[str, str], ...]
    standing: tuple[StandingPaste, ...]


def chosen(
    inspection: InspectionRecord, picture: BoardPicture, profile: Profile, *, wiped: bool = False
) -> TouchUpChoice:
    """Return what a touch-up lays; `wiped` tells that a person has wiped all that the inspection says to wipe."""
    found = inspection.deposits
    gone = {k for k, one in enumerate(found) if wiped and one.wipe}
    standing = standing_paste(found, picture, gone)
    dirty = {(one.board, one.pad) for k, one in enumerate(found) if one.wipe and k not in gone}
    wanted: list[Added] = []
    left: list[tuple[str, str]] = []

    def is_whole(group: Sequence[int]) -> bool:
        return group[0] in gone or found[group[0]].verdict is DepositVerdict.MISSING

    # What is added to low deposits goes where nothing else is laid: whole ones first.
    for group in sorted(_groups(found, picture, gone), key=lambda group: not is_whole(group)):
        first = picture.rows[group[0]]
        pads = ", ".join(dict.fromkeys(picture.rows[k].pad.id for k in group))
        if any((found[k].board, found[k].pad) in dirty for k in group):
            left.append((pads, "wipe the pad first"))
            continue
        one: Added | None
        if is_whole(group):
            one = _whole(group, picture)
        else:
            taken = [*(each.shape for each in standing), *map(_shape, wanted)]
            one = _topped(group[0], found[group[0]], first, taken, profile)
        if one is None:
            left.append((pads, "no free land for what lacks: wipe it, then inspect the board anew"))
            continue
        why = blocked_by_paste(one, standing, picture, profile)
        if why:
            left.append((pads, why))
        else:
            wanted.append(one)
    return TouchUpChoice(added=tuple(wanted), left=tuple(dict.fromkeys(left)), standing=standing)


def standing_paste(
    found: Sequence[InspectedDepositRecord], picture: BoardPicture, gone: set[int]
) -> tuple[StandingPaste, ...]:
    """Return the paste that stands: as it was seen, and as planned where it was not seen."""
    standing = []
    for number, one in enumerate(found):
        row = picture.rows[number]
        if one.verdict is DepositVerdict.MISSING or number in gone:
            continue
        shape = Polygon(one.outline_mm).buffer(0) if len(one.outline_mm) > 2 else row.paste
        largest = max(polygons_of(shape), key=lambda part: part.area, default=row.paste)
        grown = max((largest.area / max(row.paste.area, 1e-9)) ** 0.5, 1.0)
        standing.append(StandingPaste(row=number, shape=largest, height_mm=row.deposit.height_mm * grown))
    return tuple(standing)


def _groups(
    found: Sequence[InspectedDepositRecord], picture: BoardPicture, gone: set[int]
) -> list[tuple[int, ...]]:
    """Return rows that are laid as one: a row by itself, or neighbouring missing parts of one bead."""
    by_bead: dict[int, list[int]] = {}
    groups: list[tuple[int, ...]] = []
    for number, one in enumerate(found):
        if not (one.verdict in LAID or number in gone):
            continue
        row = picture.rows[number]
        if row.shared:
            by_bead.setdefault(row.deposit.id, []).append(number)
        else:
            groups.append((number,))
    for bead in by_bead.values():
        line = LineString(picture.rows[bead[0]].deposit.points_mm)
        bead.sort(key=lambda k: line.project(Point(picture.rows[k].at_mm)))
        run: list[int] = []
        for number in bead:
            if run and picture.rows[run[-1]].paste.distance(picture.rows[number].paste) > ROOM_MM:
                groups.append(tuple(run))
                run = []
            run.append(number)
        groups.append(tuple(run))
    return sorted(groups)


def _whole(group: Sequence[int], picture: BoardPicture) -> Added:
    """Return a deposit as planned, or the missing part of a bead."""
    rows = [picture.rows[k] for k in group]
    deposit = rows[0].deposit
    points = deposit.points_mm
    if rows[0].shared:
        points = _part(rows)
    return Added(
        kind=deposit.kind if len(points) > 1 else DepositKind.DOT,
        points_mm=tuple((round(x, 4), round(y, 4)) for x, y in points),
        rows=tuple(group),
        shares_ul=tuple(row.deposit.volume_ul for row in rows),
        width_mm=deposit.width_mm,
        height_mm=deposit.height_mm,
    )


def _part(rows: Sequence[InspectedRow]) -> tuple[tuple[float, float], ...]:
    """Return the path over the missing part of a bead: its ends half a width short of what stands."""
    deposit = rows[0].deposit
    line = LineString(deposit.points_mm)
    part = unary_union([row.paste for row in rows]).buffer(1e-3)
    inner = line.intersection(part)
    if inner.is_empty or not isinstance(inner, LineString):
        return (rows[0].at_mm,)
    length, short = inner.length, deposit.width_mm / 2
    low = short if inner.distance(Point(line.coords[0])) > 0.01 else 0.0
    high = length - (short if inner.distance(Point(line.coords[-1])) > 0.01 else 0.0)
    if high - low < deposit.width_mm / 2:
        middle = inner.interpolate(length / 2)
        return ((middle.x, middle.y),)
    ends = [inner.interpolate(low), inner.interpolate(high)]
    return tuple((end.x, end.y) for end in ends)


def _topped(
    number: int,
    one: InspectedDepositRecord,
    row: InspectedRow,
    taken: Sequence[BaseGeometry],
    profile: Profile,
) -> Added | None:
    """Return a dot of what a low deposit lacks, on the part of its land that nothing has `taken`; None without room."""
    lacks_ul = row.deposit.volume_ul - (one.volume_ul or 0.0)
    if row.shared or not 0 < lacks_ul <= MOST_ADDED * row.deposit.volume_ul:
        return None
    shape = profile.tuning.dot_shape_ratio
    width_mm = (6 * lacks_ul / (pi * shape * (0.75 + shape**2))) ** (1 / 3)
    tip_mm = profile.tip.outer_mm / 2 + ROOM_MM
    near = unary_union([shape for shape in taken if shape.distance(row.land) < 2 * tip_mm])
    free: BaseGeometry = row.land.difference(near.buffer(tip_mm))
    best = max(polygons_of(free), key=lambda part: part.area, default=None)
    if best is None:
        return None
    place = polylabel(best, 0.02)
    if not row.land.buffer(0.1).contains(place.buffer(width_mm / 2)):
        return None
    return Added(
        kind=DepositKind.DOT,
        points_mm=((round(place.x, 4), round(place.y, 4)),),
        rows=(number,),
        shares_ul=(lacks_ul,),
        width_mm=width_mm,
        height_mm=shape * width_mm,
    )


def blocked_by_paste(
    one: Added, standing: Sequence[StandingPaste], picture: BoardPicture, profile: Profile
) -> str:
    """Return why a deposit cannot be laid among what stands, "" where it can."""
    path = _path(one)
    row = picture.rows[one.rows[0]]
    for each in standing:
        other = picture.rows[each.row]
        away = path.distance(each.shape)
        if away < profile.tip.outer_mm / 2 + ROOM_MM and other.deposit.id != row.deposit.id:
            return f"the tip would touch the paste on {other.pad.id}"
        if away < one.width_mm / 2 + ROOM_MM and not may_touch(row, other):
            return f"it would bridge to {other.pad.id}"
    return ""


def _path(one: Added) -> BaseGeometry:
    return Point(one.points_mm[0]) if len(one.points_mm) == 1 else LineString(one.points_mm)


def _shape(one: Added) -> BaseGeometry:
    """Return what a deposit will cover [mm, board]."""
    shape: BaseGeometry = _path(one).buffer(one.width_mm / 2)
    return shape


def words_of(choice: TouchUpChoice) -> Mapping[str, str]:
    """Return why pads are left, by pad."""
    return dict(choice.left)

"""Which rows' pastes are joined that must not be, by what leads across the gap between them.

Two rows are joined where, straight between them, places that look like paste lead from one's paste to the other's, each
one's own land being part of the way. A fainter neck counts too, which is narrow and sharp (see `ridge`) as in no other gap
of the photo (see `unlike`). Neither counts where the photo shows the mask between them as it does between rims that are not
joined (see `rims`). Where the photo cannot tell, two rows are doubted: not joined, and not surely apart.
"""

from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum, auto
from math import isfinite

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from pastewright.inspect.flat import READ_OUTWARD_PX, Flags, FlatBoard, Floats32
from pastewright.inspect.picture import BoardPicture, InspectedRow, drawn, may_touch
from pastewright.inspect.ridge import LONG_MM, faced_mm, ridge_between
from pastewright.inspect.rims import AROUND_MM, Shares, gap_between, shares
from pastewright.inspect.spill import PasteBeside
from pastewright.inspect.unlike import SeenGap, unlike

BRIDGE_MM = 1.2  # gaps that paste is known to bridge
NECK = 1.0  # ln: how much likelier paste than ground a bridge is all along (chosen on rendered photos)
# A neck as plain as this all along is a bridge also where its ends lie in shadow and show little light; of the pairs that
# blur alone had joined none had more than 1.9 (rendered photos seen before).
SURE_NECK = 2.5
NECK_BEFORE = 0.3  # the same where a photo of the bare board tells what else may be there
# A plainer neck than that has sides as well: where the mask's middle differs by less from what lies beside it [spreads], the
# whole gap looks like paste, as gloss, shade and land do.
LEAST_SIDES = 0.65
# A fainter neck is a bridge where it stands so far out of the photo's other gaps [standard deviations] and shows enough of
# paste, or less where it stands out far more: of 4 400 unjoined pairs three do (rendered photos seen before).
UNLIKE, FAINT_NECK, ENOUGH_MORE = 3.0, -0.75, 0.25
FAR_UNLIKE = 6.0
# One that stands out but shows less of paste is doubted; so is one that looks like paste and yet is lighter than mask where
# paste is darker, or darker where it is lighter, by so much of what they differ: a flank in the light, or in shade.
DOUBTED_MORE, LIT = 0.2, -0.1
# What differs from the mask by more than this [spreads] and does not look like paste is print, dust or a track, except
# between near rims, whose light is mixed into it.
PLAINLY_OTHER = 4.0
MIXED_PX = 10.0
# Where paste looks like mask, how much of it shows tells nothing: a neck that is sharp is doubted from here on, and told.
UNLIKE_ALONE, SURELY_UNLIKE = 2.0, 4.0
MOST_FAINT_MM = 0.9  # longer ways are not taken for a straight neck that is faint
# One that shows so much of paste is a bridge where it is as sharp as one alone must be (below), and doubted from `RIDGE` on,
# though the photo's other gaps differ as much (legend in some): of pairs so joined by mistake none showed more than 0.36.
MUCH_MORE = 0.4
# Where there are too few such gaps a faint neck counts where it is sharp [spreads of the mask] (see `ridge`), or very sharp.
FAINT_ALONE, RIDGE = -0.5, 1.8
FAINTER_NECK, SHARP_RIDGE = -1.25, 3.0
# Between rims nearer than this, where the blur of both lies over the gap, it must be very sharp.
FAINT_GAP_PX = 6.5
# A bridge shows at least so much more of paste at its weakest place than unjoined rims would (see `rims`): 134 bridges 0.25
# and more, plain ones 0.4 and more; of 76 pairs that were taken for bridged, or would be, all but eight less than 0.15: four
# smears that nearly touch, one of legend, one of dust, two noisy (rendered photos seen before).
LEAST_MORE = 0.17
MOST_UNJOINED = 0.75  # where the blur of rims alone makes so much of it, a bridge could not show enough more
CORE = 0.15  # of a width, from the rim inwards: what lies nearer may be blurred over a gap


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridges:
    """For each row those that its paste is joined with and must not be, and those that it may be joined with."""

    joined: dict[int, set[int]]
    doubted: dict[int, set[int]]


class _Told(Enum):
    JOINED = auto()
    DOUBTED = auto()
    APART = auto()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """Two rows and their pastes' outlines; whether no other paste lies between."""

    rows: tuple[InspectedRow, InspectedRow]
    shapes: tuple[Polygon, Polygon]
    free: bool

    @property
    def hull(self) -> BaseGeometry:
        """The area within which a way leads straight from one to the other."""
        return self.shapes[0].union(self.shapes[1]).convex_hull

    @property
    def cores(self) -> tuple[BaseGeometry, BaseGeometry]:
        """The inner parts of both pastes, clear of their blurred rims."""
        first, second = (
            shape.buffer(-CORE * row.deposit.width_mm)
            for row, shape in zip(self.rows, self.shapes, strict=True)
        )
        return first, second


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Photo:
    """A photo with what looks like paste, all lands, all outlines of paste, and what a plain neck has at least [ln]."""

    flat: FlatBoard
    beside: PasteBeside
    lands: STRtree
    pastes: STRtree
    least: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """A window with how much each pixel looks like paste [ln], where a way may lead, what is part of it anyhow, its ends."""

    evidence: Floats32
    within: Flags
    anyhow: Flags
    ends: tuple[Flags, Flags]

    def leads(self, least: float) -> bool:
        """Tell whether places of at least so much evidence lead from one end to the other."""
        way = ((self.evidence > least) | self.anyhow) & self.within
        _, labels = cv2.connectedComponents(way.astype(np.uint8), connectivity=4)
        first, second = (
            set(np.unique(np.asarray(labels)[end & self.within]).tolist()) - {0} for end in self.ends
        )
        return bool(first & second)


def joined_rows(
    flat: FlatBoard,
    beside: PasteBeside,
    shapes: dict[int, Polygon],
    picture: BoardPicture,
    sure: Collection[int],
) -> Bridges:
    """Return which rows' pastes are joined that must not be, and which may be.

    `sure` are the rows whose paste surely is there, its edge found: between them a faint neck counts as well.
    """
    photo = _Photo(
        flat=flat,
        beside=beside,
        lands=STRtree(picture.lands),
        pastes=STRtree(list(shapes.values())),
        least=NECK if flat.before is None else NECK_BEFORE,
    )
    pairs = _pairs(photo, shapes, picture)
    gaps = [_seen_gap(photo, pair) for pair in pairs.values()]
    found = Bridges(joined={}, doubted={})
    for (numbers, pair), gap, stands_out in zip(pairs.items(), gaps, unlike(gaps), strict=True):
        told = _told(photo, pair, gap.step, stands_out if set(numbers) <= set(sure) else -np.inf)
        if told is not _Told.APART:
            where = found.joined if told is _Told.JOINED else found.doubted
            where.setdefault(numbers[0], set()).add(numbers[1])
            where.setdefault(numbers[1], set()).add(numbers[0])
    return found


def _pairs(photo: _Photo, shapes: dict[int, Polygon], picture: BoardPicture) -> dict[tuple[int, int], _Pair]:
    """Return the pairs of rows that lie near and must not touch."""
    numbers = list(shapes)
    found = {}
    for number in numbers:
        for k in photo.pastes.query(shapes[number].buffer(BRIDGE_MM), predicate="intersects"):
            other = numbers[int(k)]
            if other <= number or may_touch(picture.rows[number], picture.rows[other]):
                continue
            straight = LineString(nearest_points(shapes[number], shapes[other]))
            on_way = {numbers[int(j)] for j in photo.pastes.query(straight, predicate="intersects")}
            found[number, other] = _Pair(
                rows=(picture.rows[number], picture.rows[other]),
                shapes=(shapes[number], shapes[other]),
                free=on_way <= {number, other},
            )
    return found


def _seen_gap(photo: _Photo, pair: _Pair) -> SeenGap:
    """Return what a gap shows, where the photo shows it whole and no other paste lies in it."""
    low, high = faced_mm(pair.shapes)
    whole = pair.free and _inside(photo.flat, pair.hull)
    return SeenGap(
        width_mm=pair.shapes[0].distance(pair.shapes[1]),
        long=high - low > LONG_MM,
        step=ridge_between(photo.flat, photo.beside.mask_spread, pair.shapes) if whole else -np.inf,
    )


def _inside(flat: FlatBoard, area: BaseGeometry) -> bool:
    """Tell whether a photo shows all corners of an area."""
    corners = shapely.get_coordinates(area)
    columns, lines = np.round((corners - flat.low_mm) * flat.scale).astype(int).T
    high, wide = flat.inside.shape
    if columns.min() < 0 or lines.min() < 0 or columns.max() >= wide or lines.max() >= high:
        return False
    return bool(flat.inside[lines, columns].all())


def _told(photo: _Photo, pair: _Pair, step: float, stands_out: float | None) -> _Told:
    """Tell whether two pastes are joined; `step` is how much the best line across differs from its sides, `stands_out` how
    far that is from the photo's other gaps, None with too few of them.
    """
    way = _way(photo, pair)
    if way is None:
        return _Told.APART
    if way.leads(photo.least):
        return _told_plain(photo, pair, way, step)
    if pair.shapes[0].distance(pair.shapes[1]) > MOST_FAINT_MM:
        return _Told.APART
    if stands_out is None:
        return _told_alone(photo, pair, way, step)
    if stands_out < UNLIKE_ALONE and step <= RIDGE:
        return _Told.APART
    if not way.leads(FAINTER_NECK) and step > PLAINLY_OTHER and _apart_px(photo, pair) > MIXED_PX:
        return _Told.APART
    told = _shares(photo, pair, READ_OUTWARD_PX)
    found = _told_faint(told, way, step, stands_out) if stands_out >= UNLIKE_ALONE else _Told.APART
    much = told is not None and told.more > MUCH_MORE and step > RIDGE and way.leads(FAINTER_NECK)
    if found is not _Told.JOINED and much:
        return _Told.JOINED if _sharp(photo, pair, step) and way.leads(FAINT_ALONE) else _Told.DOUBTED
    return found


def _told_faint(told: Shares | None, way: _Way, step: float, stands_out: float) -> _Told:
    """Tell whether a faint neck, which stands out of the photo's other gaps, joins two pastes; `told` is how much of paste
    it shows, None where paste looks like mask.
    """
    like_paste = way.leads(FAINT_NECK)
    if told is None:
        if stands_out > SURELY_UNLIKE and like_paste:
            return _Told.JOINED
        seems = way.leads(FAINTER_NECK) if stands_out > UNLIKE else step > RIDGE and way.leads(FAINT_ALONE)
        return _Told.DOUBTED if seems else _Told.APART
    if stands_out < UNLIKE:
        return _Told.APART
    far = stands_out > FAR_UNLIKE
    if like_paste and told.more >= (LEAST_MORE if far else ENOUGH_MORE):
        return _Told.JOINED
    lit_flank = far and like_paste and told.seen < LIT
    return _Told.DOUBTED if told.more >= DOUBTED_MORE or lit_flank else _Told.APART


def _told_plain(photo: _Photo, pair: _Pair, way: _Way, step: float) -> _Told:
    """Tell whether two pastes are joined between which all looks like paste.

    That is doubted only where outlines drawn as far in as they mostly are would leave mask to be seen, and it is not.
    """
    if way.leads(SURE_NECK):
        return _Told.JOINED
    told = _shares(photo, pair, READ_OUTWARD_PX)
    if told is not None and told.unjoined <= MOST_UNJOINED and told.more < LEAST_MORE:
        return _Told.APART
    return _Told.DOUBTED if isfinite(step) and step < LEAST_SIDES else _Told.JOINED


def _told_alone(photo: _Photo, pair: _Pair, way: _Way, step: float) -> _Told:
    """Tell whether a faint neck joins two pastes, of which the photo has too few gaps to compare it with.

    It must be more than outlines as they were read explain.
    """
    if step <= RIDGE or not way.leads(FAINTER_NECK):
        return _Told.APART
    told = _shares(photo, pair, 0.0)
    if told is not None and (told.unjoined > MOST_UNJOINED or told.more < LEAST_MORE):
        return _Told.APART
    sharp = step > SHARP_RIDGE or (_sharp(photo, pair, step) and way.leads(FAINT_ALONE))
    return _Told.JOINED if sharp else _Told.DOUBTED


def _sharp(photo: _Photo, pair: _Pair, step: float) -> bool:
    """Tell whether a neck is as sharp as it must be between rims that lie so near."""
    return step > (RIDGE if _apart_px(photo, pair) > FAINT_GAP_PX else SHARP_RIDGE)


def _apart_px(photo: _Photo, pair: _Pair) -> float:
    return float(pair.shapes[0].distance(pair.shapes[1])) * photo.flat.scale


def _shares(photo: _Photo, pair: _Pair, inward_px: float) -> Shares | None:
    """Return how much of paste shows in a gap, and would between unjoined rims that lie so much farther in."""
    around = pair.hull.buffer(AROUND_MM)
    lands, pastes = (
        tuple(one.geometries[one.query(around, predicate="intersects")])
        for one in (photo.lands, photo.pastes)
    )
    own = (pair.rows[0].land, pair.rows[1].land)
    gap = gap_between(photo.flat, pair.shapes, pair.cores, own, lands, pastes)
    return shares(gap, photo.beside.mask_spread, photo.flat.blur_px, inward_px)


def _way(photo: _Photo, pair: _Pair) -> _Way | None:
    """Return where a way may lead from one paste straight to the other; each one's own land is part of it."""
    flat, hull = photo.flat, pair.hull
    window = flat.window(hull.bounds, 0.05)
    lines, columns = photo.beside.neck[window].shape
    if min(lines, columns) < 3:
        return None
    low = flat.low_of(window)

    def mask(area: BaseGeometry) -> NDArray[np.bool_]:
        return np.asarray(drawn([area], low, flat.scale, (columns, lines)) > 0, bool)

    first, second = (mask(core) for core in pair.cores)
    return _Way(
        evidence=photo.beside.neck[window],
        within=mask(hull.buffer(0.03)),
        anyhow=first | second | mask(pair.rows[0].land) | mask(pair.rows[1].land),
        ends=(first, second),
    )

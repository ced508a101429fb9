"""Fitted rows to readings: area, place, volume with its error, what each is joined with, what lies beside it.

    volume = planned volume · width³      a dot keeps its shape in three directions
    volume = planned volume · width²      a bead keeps its section's shape

with the width over the planned one. Planned widths come from the bench's tuning, which took height over width from dots
it had measured.
"""

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import STRtree, affinity
from shapely.geometry import LineString, Point, Polygon

from pastewright.inspect.again import LookedAgain, looked_again
from pastewright.inspect.bridges import joined_rows
from pastewright.inspect.dragged import Tongue, dragged
from pastewright.inspect.elsewhere import common_beside, looks_elsewhere, too_common
from pastewright.inspect.fit import WIDEST, FittedBoard, FittedRow
from pastewright.inspect.flat import READ_OUTWARD_PX, FlatBoard
from pastewright.inspect.picture import BoardPicture, InspectedRow, may_touch, polygons_of
from pastewright.inspect.spill import Spill, paste_beside, spills

Floats = NDArray[np.float64]

# On rendered photos volumes of good deposits are off by 11 % (median): the standard error that goes with it, of the volume.
READ_SD = 0.16
# What the usual deposit is wider than planned by beyond `READ_OUTWARD_PX` is taken for reading as far as that goes: benches
# are tuned to a tenth of a volume, and half a pixel is a seventh of it.
EDGE_LEAST_PX, EDGE_MOST_PX = 0.1, 1.5
OF_READING = 0.6  # share of what is beside the bias that is reading's
LEAST_EDGES = 8  # deposits, to say so
SHAPE_SD = 0.10  # of a volume: heights over widths of dots of one paste differ by so much (common practice)
EDGE_PX = 0.35  # by which an outline may be off all around (measured on rendered photos)
SURE = 0.5  # standard errors beyond a limit tell high: two in three such deposits are
HIDDEN_SD = 0.3  # of a width whose rim lies on metal that looks like paste (measured on rendered photos of levelled tin)
# Of that, where the deposit looks as much like paste as others do: so seen 800 good deposits on metal that looks like
# paste were read at most 1.7 times too large, 995 of 1000 at most 1.5 (rendered photos); what looks otherwise is not seen.
SEEN_ALL_THE_SAME = 0.5
RIM_PX = 1.5  # beside an outline, where its ground is looked at
UNSIZED = 1.0  # the standard error of a deposit whose edge is lost (ln)
LEAST_WIDTH = 0.3  # of the planned width, less what outlines are read too far out by
EDGELESS = 0.98  # of the widest that is searched
CROSSED = 0.5  # of the lesser outline: two fits of one pad that both run to its middle, where metal looks like paste
AROUND, AROUND_MM = 6, 8.0  # nearest deposits, and how far off, that tell whether a place is seen aside
NEAR_MM = 1.0  # gaps beyond are not told
# Of the usual evidence a pixel: above, paste is there; below, none is; between, nobody can tell. The second number is
# for a row that lies wholly on metal that looks like paste (both from rendered photos, see docs/inspection.md).
THERE, GONE = (0.4, 0.55), (0.2, 0.05)
# Where a lamp mirrored in the mask burns out more than this share of what is near, good paste was taken for none.
GLARE_MM, GLARE, GONE_IN_GLARE = 0.3, 0.02, -0.1
# A land that mirrors a lamp is burnt out where paste is not: with so much evidence against paste, of the usual evidence for
# it, where nine of ten deposits of the photo are less burnt out than this, it is bare. Nine such rows rendered for
# development had a quarter of their paste or none; burnt-out paste has evidence for itself, 0.9 and more.
BARE, BURNT_OUT = -0.5, 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowReading:
    """What one photo shows of a row. `whole` tells that all of its surroundings are in the photo; `full` is the share
    of overexposed pixels, `bare` tells that it is surely bare land all the same; `bare_ln` is how much likelier its land is
    bare than that a dome stands there [ln], 0 where it was not asked, `small` and `wide` that a dome much smaller
    than usual, or about as wide, surely stands there; `like_paste` is how much it looks like
    paste, the photo's usual deposit being 1. `there` and `gone` are both False where that cannot be told. `told` is how well
    its paste is told from what lies under it, 0 to 1; `rim_full` is the share of its outline just beside which all is
    overexposed; `dragged_mm` is how far paste is dragged out of it to one side, `maybe_dragged` that something is which may
    be legend or glare; `joined` are the rows that its paste is joined with and must not be, `doubted` those to which the gap
    cannot be told, `maybe_joined` those that it seems joined with where too much else looks like paste; `common` is how
    much of the mask nearby does; `alone_mm` is its offset less what the deposits around it share; `crossed` tells that its
    outline lies half over another's, as no two lie. `own_sd` is the standard error of its volume against others in the photo
    (ln), upwards: what it may be less.
    """

    row: int
    px_per_mm: float
    whole: bool
    full: float
    like_paste: float
    there: bool
    gone: bool = False
    bare: bool = False
    bare_ln: float = 0.0
    small: bool = False
    wide: bool = False
    told: float = 1.0
    rim_full: float = 0.0
    own_sd: float = 0.0
    area_mm2: float = 0.0
    volume_ul: float = 0.0
    volume_sd_ul: float = 0.0
    offset_mm: tuple[float, float] = (0.0, 0.0)
    alone_mm: tuple[float, float] = (0.0, 0.0)
    crossed: bool = False
    on_pad: float = 0.0
    planned_on_pad: float = 0.0
    beside_mm2: float = 0.0
    tail_mm: float = 0.0
    dragged_mm: float = 0.0
    maybe_dragged: bool = False
    gap_mm: float | None = None
    joined: tuple[int, ...] = ()
    doubted: tuple[int, ...] = ()
    maybe_joined: tuple[int, ...] = ()
    common: float = 0.0
    outline_mm: tuple[tuple[float, float], ...] = ()


def read_rows(flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture) -> tuple[RowReading, ...]:
    """Return a reading of each row that a flat photo shows at least in part."""
    whole = {number: _whole(flat, picture.rows[number], number) for number in flat.rows}
    on_pad = {number: _on_pad(picture.rows[number]) for number in flat.rows}
    # How well a row's paste is told from what lies under it, 0 to 1: from mask surely, from land as colour tells.
    told = {number: 1 - hidden * (1 - fitted.told_on_land) for number, hidden in on_pad.items()}
    usual = _usual([fit.mean for number, fit in fitted.rows.items() if whole[number][0]])
    again = looked_again(flat, fitted, picture, usual, told)
    fitted = replace(fitted, rows=fitted.rows | again.small)
    gone = {n: _gone(flat, (n, picture.rows[n]), fitted, again, (told[n], usual)) for n in fitted.rows}
    outlines = {number: fitted_shape(picture.rows[number], fit) for number, fit in fitted.rows.items()}
    stand = _stand(fitted, again, gone, (told, usual))
    shapes = {number: shape for number, shape in outlines.items() if number in stand}
    beside = paste_beside(flat, fitted, picture)
    # A neck that is plain on the mask is a bridge also where the lands at its ends look like paste.
    edgeless = {number for number, fit in fitted.rows.items() if not _found_edge(fit)}
    standing = _standing({n: one for n, one in outlines.items() if not gone[n]}, edgeless, picture, fitted)
    bridges = joined_rows(flat, beside, standing, picture, sure=shapes.keys() - edgeless)
    common = looks_elsewhere(flat, beside.neck)
    glare = too_common(flat, common, bridges.joined, standing)
    spilt = spills(flat, beside, shapes)
    tongues = dragged(flat, (beside.anywhere, beside.anywhere_no_print), fitted, picture)
    edge_px = _edge_bias_px(flat, picture, [(n, fitted.rows[n]) for n in shapes if whole[n][0]])
    burnt_out = float(np.quantile([whole[n][1] for n in shapes], 0.9)) if shapes else 1.0
    crossed = _crossed(shapes, picture)
    found: list[RowReading] = []
    for number in flat.rows:
        fit = fitted.rows.get(number)
        there = number in shapes
        first = RowReading(
            row=number,
            px_per_mm=flat.scale,
            whole=whole[number][0] and fit is not None,
            full=whole[number][1],
            like_paste=(fit.mean / usual) if fit else 0.0,
            there=there,
            gone=not there and gone.get(number, False),
            bare=fit is not None and fit.mean < BARE * usual and burnt_out < BURNT_OUT,
            planned_on_pad=on_pad[number],
            told=told[number],
            rim_full=_rim_full(flat, shapes[number]) if there else 0.0,
            joined=tuple(sorted(bridges.joined.get(number, set()) - glare.get(number, set()))),
            doubted=tuple(sorted(bridges.doubted.get(number, set()))),
            maybe_joined=tuple(sorted(glare.get(number, set()))),
            common=common_beside(flat, common, picture.rows[number], number),
        )
        first = _with_again(first, again)
        if there:
            first = _there(
                first,
                picture,
                fitted.rows[number],
                shapes,
                (spilt.get(number), tongues.get(number)),
                (flat.scale, edge_px),
                fitted.told_on_land,
            )
        found.append(replace(first, crossed=number in crossed))
    return tuple(_with_alone(found, picture))


def _stand(
    fitted: FittedBoard, again: LookedAgain, gone: Mapping[int, bool], like: tuple[Mapping[int, float], float]
) -> set[int]:
    """Return the rows whose paste stands there, by its colour or its dome; `like` is how well each row's paste is told from
    what lies under it, and the usual evidence.
    """
    told, usual = like
    return {
        number
        for number, fit in fitted.rows.items()
        if (fit.mean > _between(THERE, told[number]) * usual and number not in again.bare)
        or (not gone[number] and (number in again.small or number in again.wide))
    }


def _crossed(shapes: Mapping[int, Polygon], picture: BoardPicture) -> set[int]:
    """Return the rows whose outlines lie half over another's; a bead's parts follow each other."""
    numbers = [number for number in shapes if not picture.rows[number].shared]
    outlines = [shapes[number] for number in numbers]
    found = set[int]()
    for k, m in STRtree(outlines).query(outlines, predicate="intersects").T.tolist():
        least = min(outlines[k].area, outlines[m].area)
        if k < m and outlines[k].intersection(outlines[m]).area > CROSSED * least:
            found |= {numbers[k], numbers[m]}
    return found


def _with_alone(readings: Sequence[RowReading], picture: BoardPicture) -> list[RowReading]:
    """Return readings with how far each lies aside of its place by itself: less what those around it share.

    One deposit is laid beside its place; several side by side are seen beside theirs where the board is not found well.
    """
    there = [one for one in readings if one.there and not picture.rows[one.row].shared]
    at = np.array([picture.rows[one.row].at_mm for one in there]).reshape(-1, 2)
    offset = np.array([one.offset_mm for one in there]).reshape(-1, 2)
    alone = {}
    for place, one in enumerate(there):
        away = np.hypot(*(at - at[place]).T)
        away[place] = np.inf
        around = np.argsort(away)[:AROUND]
        around = around[away[around] < AROUND_MM]
        shared = np.median(offset[around], axis=0) if len(around) == AROUND else np.zeros(2)
        alone[one.row] = (float(offset[place][0] - shared[0]), float(offset[place][1] - shared[1]))
    return [replace(one, alone_mm=alone.get(one.row, one.offset_mm)) for one in readings]


def _with_again(first: RowReading, again: LookedAgain) -> RowReading:
    """Return a reading with what looking once more told of its row."""
    number = first.row
    return replace(
        first,
        bare=first.bare or number in again.bare,
        bare_ln=again.bare_ln.get(number, 0.0),
        small=number in again.small,
        wide=number in again.wide,
    )


def _standing(
    outlines: Mapping[int, Polygon], edgeless: Set[int], picture: BoardPicture, fitted: FittedBoard
) -> dict[int, Polygon]:
    """Return the outlines between which bridges are looked for, as usual where no edge was found."""
    return {
        number: _as_usual(picture.rows[number], fitted) if number in edgeless else outline
        for number, outline in outlines.items()
    }


def _found_edge(fit: FittedRow) -> bool:
    """Tell whether a fit found an edge: where the search ends gloss or a shadow runs on."""
    return fit.width < EDGELESS * WIDEST


def _as_usual(row: InspectedRow, fitted: FittedBoard) -> Polygon:
    """Return the outline of a row whose edge was not found, as wide and as far aside as the photo's usual deposit."""
    fits = list(fitted.rows.values())
    x, y = np.median([fit.shift_mm for fit in fits], axis=0)
    width = float(np.median([fit.width for fit in fits]))
    return fitted_shape(row, FittedRow(shift_mm=(float(x), float(y)), width=width, mean=0.0, width_sd=1.0))


def _edge_bias_px(flat: FlatBoard, picture: BoardPicture, fits: list[tuple[int, FittedRow]]) -> float:
    """Return how much too far out this photo's outlines are read [px]."""
    if len(fits) < LEAST_EDGES:
        return READ_OUTWARD_PX
    wider = [0.5 * (fit.width - 1) * picture.rows[n].deposit.width_mm * flat.scale for n, fit in fits]
    told = READ_OUTWARD_PX + OF_READING * (float(np.median(wider)) - READ_OUTWARD_PX)
    return min(max(told, EDGE_LEAST_PX), EDGE_MOST_PX)


def _usual(means: list[float]) -> float:
    """Return the evidence a pixel of a usual deposit: the median of the better half, so that many may be missing."""
    better = sorted(means)[len(means) // 3 :]
    return max(float(np.median(better)), 0.2) if better else 1.0


def _between(ends: tuple[float, float], told: float) -> float:
    """Return a limit between that of a row whose ground is told well, and of one whose ground looks like paste."""
    return ends[1] + told * (ends[0] - ends[1])


def _gone(
    flat: FlatBoard,
    one: tuple[int, InspectedRow],
    fitted: FittedBoard,
    again: LookedAgain,
    others: tuple[float, float],
) -> bool:
    """Tell whether nothing lies on a row; `others` are how well its paste is told, and the usual evidence."""
    number, row = one
    told, usual = others
    if number in again.bare or number in again.dome_yet:
        return number in again.bare
    return fitted.rows[number].mean < _gone_below(flat, row, told) * usual


def _gone_below(flat: FlatBoard, row: InspectedRow, told: float) -> float:
    """Return the share of the usual evidence below which nothing lies there; burnt-out ground nearby veils paste."""
    near = flat.window(row.paste.bounds, GLARE_MM)
    around = (flat.away_mm[near] < GLARE_MM) & ~flat.land[near]
    veiled = around.any() and flat.full[near][around].mean() > GLARE
    return GONE_IN_GLARE if veiled else _between(GONE, told)


def _on_pad(row: InspectedRow) -> float:
    """Return the share of a row's planned paste that lies on its land."""
    return float(row.paste.intersection(row.land).area / max(row.paste.area, 1e-9))


def fitted_shape(row: InspectedRow, fit: FittedRow) -> Polygon:
    """Return the outline of a row's paste as fitted [mm, board]."""
    width = row.deposit.width_mm
    if row.shared:
        grown = row.paste.buffer(0.5 * (fit.width - 1) * width)
        shape = affinity.translate(grown, *fit.shift_mm)
    else:
        points = row.deposit.points_mm
        line = Point(points[0]) if len(points) == 1 else LineString(points)
        shape = affinity.translate(line.buffer(0.5 * fit.width * width), *fit.shift_mm)
    return max(polygons_of(shape), key=lambda one: one.area)


def _whole(flat: FlatBoard, row: InspectedRow, number: int) -> tuple[bool, float]:
    """Return whether all of a row's place is in the photo, and the share of it that is overexposed."""
    near = flat.window(row.paste.bounds, 0.15)
    within = (flat.nearest[near] == number) & (flat.away_mm[near] < 0.1)
    if not within.any():
        return False, 1.0
    count = within.sum() / flat.scale**2
    whole = bool(flat.inside[near][within].all()) and count > 0.97 * row.paste.area
    return whole, float(flat.full[near][within].mean())


def _rim_full(flat: FlatBoard, shape: Polygon) -> float:
    """Return the share of an outline just beside which the photo is overexposed: there the edge is lost."""
    around = shape.buffer(RIM_PX / flat.scale).exterior
    at = np.array([around.interpolate(part, normalized=True).coords[0] for part in np.arange(0, 1, 1 / 48)])
    columns, lines = np.round((at - flat.low_mm) * flat.scale).astype(int).T
    rows, width = flat.full.shape
    seen = (columns >= 0) & (columns < width) & (lines >= 0) & (lines < rows)
    return float(flat.full[lines[seen], columns[seen]].mean()) if seen.any() else 1.0


def _there(
    first: RowReading,
    picture: BoardPicture,
    fit: FittedRow,
    shapes: dict[int, Polygon],
    spilt: tuple[Spill | None, Tongue | None],
    edges: tuple[float, float],
    told: float,
) -> RowReading:
    """Return a reading of a row that is there; `spilt` is what lies beside it and what is dragged out of it, `edges` are the
    scale [px/mm] and how far out its outline is read [px].
    """
    scale, bias_px = edges
    spill, tongue = spilt
    row, shape = picture.rows[first.row], shapes[first.row]
    power = 3 if len(row.deposit.points_mm) == 1 else 2
    width = max(fit.width - 2 * bias_px / scale / row.deposit.width_mm, LEAST_WIDTH)
    volume_ul = row.deposit.volume_ul * width**power
    edge = 2 * EDGE_PX / scale / (width * row.deposit.width_mm)
    body = fitted_shape(row, replace(fit, width=width))
    on_land = shape.boundary.intersection(row.land).length / max(shape.length, 1e-9)
    hidden = HIDDEN_SD * on_land * (1 - told)
    of_width = np.hypot(power * np.hypot(fit.width_sd, edge), SHAPE_SD)
    lost = not _found_edge(fit)
    own_sd = UNSIZED if lost else float(np.hypot(of_width, power * hidden * SEEN_ALL_THE_SAME))
    sd = volume_ul * float(np.hypot(UNSIZED if lost else np.hypot(of_width, power * hidden), READ_SD))
    area_mm2 = row.paste.area * width ** (power - 1)
    plain = shape.buffer(0).simplify(0.01)
    corners = np.asarray((plain if isinstance(plain, Polygon) else shape).exterior.coords)[:-1]
    return replace(
        first,
        there=True,
        own_sd=own_sd,
        area_mm2=area_mm2,
        volume_ul=volume_ul,
        volume_sd_ul=sd,
        offset_mm=fit.shift_mm,
        on_pad=body.intersection(row.land).area / max(body.area, 1e-9),
        beside_mm2=spill.area_mm2 if spill else 0.0,
        tail_mm=spill.reach_mm if spill else 0.0,
        dragged_mm=tongue.reach_mm if tongue and tongue.sure else 0.0,
        maybe_dragged=tongue is not None and not tongue.sure,
        gap_mm=_gap(first.row, shapes, picture),
        outline_mm=tuple((round(float(x), 4), round(float(y), 4)) for x, y in corners),
    )


def _gap(number: int, shapes: dict[int, Polygon], picture: BoardPicture) -> float | None:
    """Return the distance to the nearest paste that a row must not touch [mm], None beyond `NEAR_MM`."""
    row, shape = picture.rows[number], shapes[number]
    x, y = row.at_mm
    near = [
        shape.distance(other)
        for k, other in shapes.items()
        if k != number
        and abs(picture.rows[k].at_mm[0] - x) < 4
        and abs(picture.rows[k].at_mm[1] - y) < 4
        and not may_touch(row, picture.rows[k])
    ]
    least = min(near, default=NEAR_MM)
    return float(least) if least < NEAR_MM else None

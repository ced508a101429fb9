"""Paste dragged out of a deposit to one side, over its own land and over the mask: a tongue that begins at its rim.

From the middle of each deposit strips go out in all directions, about as wide as what a tip drags along. A strip is
followed from the usual rim outwards as long as it looks more like paste than like what else lies there. A deposit that is
wider on all sides is no tongue, and what another deposit covers is none either.
"""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.fit import FittedBoard, FittedRow, dome_places
from pastewright.inspect.flat import Flags, FlatBoard, Floats32
from pastewright.inspect.picture import BoardPicture, InspectedRow

Floats = NDArray[np.float64]

DIRECTIONS = 24
HALF_WIDTH = 0.3  # of the deposit's width: half a strip's
STEP_MM, STEPS = 0.05, 16
CLEAR_PX, CLEAR_MM = 1.5, 0.03  # beyond a rim, which is blurred
USUAL_WIDER = (
    1.06  # a tongue widens the fit of its own deposit: the rim is not looked for farther out than this …
)
TRULY_WIDE = 1.2  # … unless the fit is so much wider than usual: twice the paste is 1.26 times as wide
OF_SHIFT = 0.5  # share of the fitted shift that is the deposit's own: a tongue draws its fit aside …
MOST_SHIFT_MM = 0.25  # … and beyond this the fit lies on something else
MOST_SAID = 1.5  # ln: of one pixel
LEAST_SAID = 0.3  # ln: mean of a step that goes on
LEAST_FREE = 0.3  # of a step must be free of other deposits
# Chosen on 168 rendered photos seen before, of 161 smears and 4 053 good dots (see docs/inspection.md).
LEAST_LN_MM2, LEAST_MEAN = 0.055, 0.5
NOT_PRINT, MAYBE_PRINT, MAYBE_PRINT_LN_MM2 = (
    0.5,
    -0.1,
    0.125,
)  # ln: mean against legend as well; and what makes up for it
ONE_SIDED = 8  # directions that may tell half as much as the best: more are a wider deposit
WIDER_MEDIAN = 0.2  # of the best, that all directions may tell in the median
# What a tongue is part of ends where it does. Where places that look like paste lead on from it, farther beyond the deposit
# than a tip drags paste along and over so many times its area, it is glare, or a stroke of legend that runs by: of 56 smears
# three are part of so much, all on lands in glare; of 48 wrongly told 32 (rendered photos seen before).
RUNS_ON_MM, RUNS_ON_AREAS = 1.3, 4.0
LOOKS_ON = 0.5  # ln: of what leads on
# What looks as much like paste as this is not told to be none where legend looks so as well: two pale smears had passed as
# good with 0.21 and 0.36, one good deposit of 4 600 beside legend has so much (rendered photos seen before).
MAYBE_LN_MM2, MAYBE_MEAN = 0.15, 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Tongue:
    """Paste dragged to one side: its area beyond the rim, how far it reaches, and evidence · area [ln·mm²]; `sure` tells
    that it can be nothing else.
    """

    area_mm2: float
    reach_mm: float
    ln_mm2: float
    sure: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Strips:
    """The strips of one deposit: evidence · area of all that go out from where the best one does (`told`), and of the best
    one its mean evidence, without and with legend as a ground, how far it reaches, its area, evidence · width where it
    begins, and the numbers of its pixels.
    """

    told: Floats
    mean: float
    no_print: float
    reach_mm: float
    area_mm2: float
    begins: float
    pixels: NDArray[np.int64]


def dragged(
    flat: FlatBoard, looks: tuple[Floats32, Floats32], fitted: FittedBoard, picture: BoardPicture
) -> dict[int, Tongue]:
    """Return for each row the paste dragged out of it; `looks`: how much likelier paste than ground each pixel is [ln],
    without and with legend as a ground.
    """
    if not fitted.rows:
        return {}
    usual = float(np.exp(np.median([np.log(fit.width) for fit in fitted.rows.values()])))
    aside = np.median([fit.shift_mm for fit in fitted.rows.values()], axis=0)
    covered = _covered(flat, fitted, picture, (usual, aside))
    strips = {
        number: _strips(flat, looks, covered, (number, picture.rows[number], fit), (usual, aside))
        for number, fit in fitted.rows.items()
        if not picture.rows[number].shared
    }
    tongues = {
        number: one
        for number, one in strips.items()
        if one is not None and _one_sided(one) and (_told(one) or _strong(one))
    }
    lost = set[int]()
    for (first, one), (second, other) in _pairs(tongues):
        # A tongue that reaches the next deposit is that one's as well; it is whose it begins at as wide as it is.
        shared = len(np.intersect1d(one.pixels, other.pixels))
        if shared > 0.5 * min(len(one.pixels), len(other.pixels)):
            lost.add(first if one.begins < other.begins else second)
    kept = {number: one for number, one in tongues.items() if number not in lost}
    on = _run_on(
        flat, looks[0], covered, {number: (picture.rows[number], one) for number, one in kept.items()}
    )
    return {
        number: Tongue(
            area_mm2=one.area_mm2,
            reach_mm=one.reach_mm,
            ln_mm2=float(one.told.max()),
            sure=number not in on and _told(one),
        )
        for number, one in kept.items()
    }


def _run_on(
    flat: FlatBoard,
    look: Floats32,
    covered: NDArray[np.int64],
    tongues: dict[int, tuple[InspectedRow, _Strips]],
) -> set[int]:
    """Return the rows whose tongues are part of something that leads on."""
    if not tongues:
        return set()
    like = (look > LOOKS_ON) & (covered == -1) & flat.inside
    _, labels, stats, _ = cv2.connectedComponentsWithStats(like.astype(np.uint8), connectivity=8)
    found = set[int]()
    for number, (row, one) in tongues.items():
        own = np.unique(np.asarray(labels).ravel()[one.pixels])
        own = own[own > 0]
        if stats[own, cv2.CC_STAT_AREA].sum() < RUNS_ON_AREAS * len(one.pixels):
            continue
        lines, columns = np.nonzero(np.isin(labels, own))
        at = flat.at_mm(columns.astype(np.float64), lines.astype(np.float64))
        if dome_places(row, at)[0].max() - 0.5 * row.deposit.width_mm > RUNS_ON_MM:
            found.add(number)
    return found


def _pairs(tongues: dict[int, _Strips]) -> list[tuple[tuple[int, _Strips], tuple[int, _Strips]]]:
    items = list(tongues.items())
    return [(one, other) for k, one in enumerate(items) for other in items[k + 1 :]]


def _one_sided(strips: _Strips) -> bool:
    """Tell whether few directions tell much and the others nothing."""
    told = strips.told
    best = float(told.max())
    return int((told > 0.5 * best).sum()) <= ONE_SIDED and float(np.median(told)) < WIDER_MEDIAN * best


def _told(strips: _Strips) -> bool:
    """Tell whether strips tell enough for paste, against legend as well."""
    least = LEAST_LN_MM2 if strips.no_print > NOT_PRINT else MAYBE_PRINT_LN_MM2
    return float(strips.told.max()) > least and strips.mean > LEAST_MEAN and strips.no_print > MAYBE_PRINT


def _strong(strips: _Strips) -> bool:
    """Tell whether strips look so much like paste that they may be that, whatever legend looks like."""
    return float(strips.told.max()) > MAYBE_LN_MM2 and strips.mean > MAYBE_MEAN


def _rim(fit: FittedRow, row: InspectedRow, usual: float) -> float:
    """Return half the width of a deposit without what is dragged out of it [mm]."""
    wide = fit.width if fit.width > TRULY_WIDE * usual else min(fit.width, USUAL_WIDER * usual)
    return 0.5 * row.deposit.width_mm * wide


def _far(fit: FittedRow, aside: Floats) -> bool:
    """Tell whether a fit went so far from its place that it lies on something else, mostly on another one's tongue."""
    return float(np.hypot(*(np.array(fit.shift_mm) - aside))) >= MOST_SHIFT_MM


def _covered(
    flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture, others: tuple[float, Floats]
) -> NDArray[np.int64]:
    """Return which row's paste covers each pixel, rim included: −1 none, −2 several."""
    usual, aside = others
    clear = max(CLEAR_PX / flat.scale, CLEAR_MM)
    likely = 0.3 * float(np.median([fit.mean for fit in fitted.rows.values()]))
    found = np.full(flat.land.shape, -1, np.int64)
    for number in flat.rows:
        row, fit = picture.rows[number], fitted.rows.get(number)
        window = flat.window(row.paste.bounds, 0.5)
        places = flat.places(window)
        planned = dome_places(row, places - aside)[0] - 0.5 * row.deposit.width_mm
        if not flat.inside[window][planned < 0].all():
            # What the picture's side cuts off is not fitted well: it lies as planned, and is no other one's tongue.
            within = planned < clear
        elif fit is None or fit.mean < likely or _far(fit, aside):
            continue
        else:
            within = dome_places(row, places - np.array(fit.shift_mm))[0] < _rim(fit, row, usual) + clear
        part = found[window]
        part[within] = np.where(part[within] == -1, number, -2)
    return found


def _strips(
    flat: FlatBoard,
    looks: tuple[Floats32, Floats32],
    covered: NDArray[np.int64],
    one: tuple[int, InspectedRow, FittedRow],
    others: tuple[float, Floats],
) -> _Strips | None:
    """Return the strips around one row, None where none begins; `others`: the photo's usual width and shift."""
    number, row, fit = one
    usual, aside = others
    window = flat.window(row.paste.bounds, STEPS * STEP_MM + 0.2)
    lines, columns = np.mgrid[window]
    own = np.array(fit.shift_mm) - aside
    far = _far(fit, aside)
    shift = aside + (0.0 if far else OF_SHIFT) * own
    places = flat.at_mm(columns.astype(np.float64), lines.astype(np.float64)) - shift
    begin = _rim(fit, row, usual) + max(CLEAR_PX / flat.scale, CLEAR_MM)
    mine = (covered[window] == -1) | (covered[window] == number)
    free = (dome_places(row, places)[0] > begin) & mine & flat.inside[window]
    at, plain, printed = places[free], looks[0][window][free], looks[1][window][free]
    index = np.ravel_multi_index((lines[free], columns[free]), flat.land.shape)
    plain = np.clip(plain, -MOST_SAID, MOST_SAID).astype(np.float64)
    half = HALF_WIDTH * row.deposit.width_mm
    told, best, kept = [], -1.0, None
    for origin in _origins(row):
        for turn in range(DIRECTIONS):
            way = 2 * np.pi * turn / DIRECTIONS
            step = _steps(at - origin, np.array([np.cos(way), np.sin(way)]), half, begin)
            reached, ln = _followed(step, plain, 2 * half * STEP_MM * flat.scale**2)
            told.append(ln / flat.scale**2)
            if ln > best:
                best, kept = ln, (step, reached)
    if kept is None or best <= 0:
        return None
    step, reached = kept
    used = (step >= 0) & (step < reached)
    return _Strips(
        told=np.array(told).reshape(-1, DIRECTIONS)[int(np.argmax(told)) // DIRECTIONS],
        mean=float(plain[used].mean()),
        no_print=float(np.clip(printed[used], -MOST_SAID, MOST_SAID).mean()),
        reach_mm=reached * STEP_MM,
        area_mm2=float(used.sum()) / flat.scale**2,
        begins=0.0 if far else float(plain[used & (step < 2)].sum()) / flat.scale**2 / row.deposit.width_mm,
        pixels=index[used],
    )


def _origins(row: InspectedRow) -> list[Floats]:
    """Return where strips begin: a dot's middle, a bead's ends and corners and what is half-way between."""
    points = [np.asarray(point, np.float64) for point in row.deposit.points_mm]
    return points + [(a + b) / 2 for a, b in pairwise(points)]


def _steps(off: Floats, way: Floats, half_mm: float, begin_mm: float) -> NDArray[np.int64]:
    """Return in which step of a strip places (n, 2) lie, −1 beside it."""
    along, across = off @ way, off @ np.array([-way[1], way[0]])
    step = np.floor((np.hypot(along, across) - begin_mm) / STEP_MM).astype(np.int64)
    return np.where((np.abs(across) < half_mm) & (along > 0) & (step >= 0) & (step < STEPS), step, -1)


def _followed(step: NDArray[np.int64], said: Floats, whole_px: float) -> tuple[int, float]:
    """Return how many steps look like paste, one after the other, and what they tell together [ln]."""
    used: Flags = step >= 0
    told = np.bincount(step[used], said[used], STEPS)
    count = np.bincount(step[used], minlength=STEPS)
    ends = (count < max(LEAST_FREE * whole_px, 1)) | (told <= LEAST_SAID * count)
    reached = int(np.argmax(ends)) if ends.any() else STEPS
    return reached, float(told[:reached].sum())

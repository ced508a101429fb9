"""Whether a dome stands on a row's land, or the land is bare: both are drawn, and compared with what the photo shows there.

A dome's shading is the photo's own (see `dome`), as a whole a little lighter or darker as deposits differ among themselves,
and its outline hides the land's. A bare land is as light as anything, mirrors what it likes, but changes smoothly over
itself, has the hue of the photo's other bare lands, and shows its own outline, straight edges and corners all around, with
mask where a dome would reach beyond. Colours alone (see `fit`) tell neither of these.

    ln bare = ln p(pixels | the land, bare) − ln p(pixels | the land with a dome on it)

What is free in either (the land's lightness over its place, the dome's own lightness) is paid for by how much of what it
could have been the pixels rule out, as the evidence of a linear model with a normal prior is (MacKay, "Bayesian
interpolation", Neural Computation 4, 1992).
"""

from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.dome import colour_of, light_of, ring_and_sector
from pastewright.inspect.fit import FittedBoard, FittedRow, dome_places
from pastewright.inspect.flat import Flags, FlatBoard
from pastewright.inspect.picture import BoardPicture, InspectedRow
from pastewright.inspect.usual import WINDOW_MM, WITHIN, UsualLook, on_dome, usual_look

Floats = NDArray[np.float64]
_Tried = tuple[float, Floats, float]  # a dome: ln density of the place with it, its shift [mm], its width

ALIKE_PX = 6.0  # pixels that tell the same: blur, noise of a camera's own smoothing, grain
NEAR_MM = 0.12  # beyond the planned outline: what is looked at
LOOKED_AT_MM = 0.26  # around planned paste: what is drawn, with its blur
ROUNDS = 3  # in which pixels that a smooth change does not explain are let go
STANDS, ASIDE_MM = 0.4, 0.2  # of the usual evidence, and from its place: a dome that hides what lies under it
AT_ITS_PLACE_MM = 0.25  # how far a dome may lie aside and still be this row's
BEYOND_PX = 1.5  # a dome hides so much more, by its blur
LEAST_PX, LEAST_CORE_PX, LEAST_REST_PX = 30, 12, 25
ACROSS_MM = 0.3  # over which a land's lightness may change
BURNT_OUT = 0.5  # share of a land, which then may have been lighter than the photo shows, by …
LIGHTER = (0.0, 0.5, 1.0, 1.5)  # ln
TAMED = 9.0  # squared spreads of a pixel, beyond which more says little
OTHER_WIDTHS = (0.9, 1.0, 1.1)  # of the usual width: paste that is shaded as no other is
SHADED = 0.6  # of its spread, that its lightness may change by over itself
FREEDOMS = 6.0  # of the t-distribution of a dome's own lightness
# The search for a dome: widths it begins with over the usual one, steps in place [mm] and in width, how many of them.
BEGIN_WIDTHS = (0.72, 0.85, 1.18)
STEPS, MOST_STEPS = ((0.05, 1.09), (0.025, 1.045)), 4
SMALL, LARGE = (
    0.82,
    0.87,
)  # of the usual width: a dot below has 55 % of the volume at most, one above 66 % or more
# Of the usual width: below the second a dome fits into much that a bare land mirrors; a wider one covers it, corners too.
NARROWEST, TINY, WIDEST = 0.6, 0.66, 1.2
SHIFT_SD_MM, WIDTH_SD = 0.1, 0.2  # what is expected of places and widths (ln), weakly


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Place:
    """A window around a row: places [mm] (h, w, 2), colours, the mask's colour there, land; `asked` are the pixels that are
    compared, `core` those of them well within the land. No light is more than `most_light` (red, green, blue); a land that
    is burnt out may have been lighter by `more` [ln], which shows at its blurred outline.
    """

    row: InspectedRow
    at_mm: Floats
    colour: Floats
    mask: Floats
    land: Flags
    asked: Flags
    core: Flags
    most_light: Floats
    more: tuple[Floats, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BareOrNot:
    """How much likelier a land is bare than that a dome as usual, or as fitted, stands there (`usual_ln`) [ln], and than
    that any dome does (`any_ln`): one that is searched for, which on a bare land finds the edge of what it mirrors. Where
    that one would stand [mm], and how wide over the planned width; without a search, as `usual_ln`. `small_ln` is how much
    likelier a small dome is, among those searched for, than one about as wide as usual [ln]; `other_ln` is how much likelier
    bare is than that paste lies there shaded as no other is, `small_other_ln` how much likelier a small dome is than that.
    """

    usual_ln: float
    any_ln: float
    shift_mm: tuple[float, float]
    width: float
    small_ln: float
    other_ln: float
    small_other_ln: float


def bare_rows(
    flat: FlatBoard,
    fitted: FittedBoard,
    picture: BoardPicture,
    rows: Iterable[int],
    searched: Container[int] = (),
) -> dict[int, BareOrNot]:
    """Return what rows show, bare lands or domes; rows of which nothing can be said so are left out. For a dome is searched
    where the land is likelier bare than with one as usual, and on the rows `searched`.
    """
    usual = usual_look(flat, fitted, picture)
    if usual is None:
        return {}
    covered = _covered(flat, fitted, picture, usual)
    found = {}
    for number in rows:
        place = _place(flat, covered, (number, picture.rows[number]), usual)
        if place is None:
            continue
        without = _without(place, usual)
        told: list[_Tried] = [
            (_told(place, usual, fitted, *one), *one) for one in _tried(fitted.rows[number], usual)
        ]
        best = max(told, key=lambda one: one[0])
        if not np.isfinite(best[0]):
            continue
        if without > best[0] or number in searched:
            told += _searched(place, usual, fitted, best)
        other = _other_paste(place, usual, fitted)
        any_ln = max(one[0] for one in told if one is best or one[2] > TINY * usual.width)
        _, shift, width = max(told, key=lambda one: one[0])
        found[number] = BareOrNot(
            usual_ln=without - best[0],
            any_ln=without - any_ln,
            shift_mm=(float(shift[0]), float(shift[1])),
            width=width,
            small_ln=_small_ln(told, usual),
            small_other_ln=_best(told, 0.0, SMALL * usual.width) - other,
            other_ln=without - other,
        )
    return found


def _covered(
    flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture, usual: UsualLook
) -> NDArray[np.int64]:
    """Return which row's dome covers each pixel: −1 none, −2 several."""
    likely = STANDS * float(np.median([fit.mean for fit in fitted.rows.values()]))
    found = np.full(flat.land.shape, -1, np.int64)
    for number, fit in fitted.rows.items():
        row = picture.rows[number]
        if fit.mean < likely or np.hypot(*(np.array(fit.shift_mm) - usual.shift_mm)) > ASIDE_MM:
            continue
        window = flat.window(row.paste.bounds, WINDOW_MM)
        away, _ = dome_places(row, flat.places(window) - np.array(fit.shift_mm))
        part = found[window]
        on = away < 0.5 * fit.width * row.deposit.width_mm + BEYOND_PX / flat.scale
        part[on] = np.where(part[on] == -1, number, -2)
    return found


def _place(
    flat: FlatBoard, covered: NDArray[np.int64], one: tuple[int, InspectedRow], usual: UsualLook
) -> _Place | None:
    """Return the window around a row, None where too little of it is seen free of other domes."""
    number, row = one
    window = flat.window(row.paste.bounds, LOOKED_AT_MM)
    at, land = flat.places(window), flat.land[window]
    free = flat.inside[window] & ((covered[window] == -1) | (covered[window] == number))
    beyond = dome_places(row, at - usual.shift_mm)[0] - 0.5 * usual.width * row.deposit.width_mm
    asked = free & (beyond < NEAR_MM) & (land | (beyond < 0))
    core = asked & (cv2.erode((land & free).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    if asked.sum() < LEAST_PX or core.sum() < LEAST_CORE_PX:
        return None
    colour = flat.colour[window].astype(np.float64)
    burnt_out = float(flat.full[window][core].mean()) > BURNT_OUT
    return _Place(
        row=row,
        at_mm=at,
        colour=colour,
        mask=colour - flat.on_mask[window],
        land=land,
        asked=asked,
        core=core,
        most_light=np.quantile(light_of(colour[core]), 0.95, axis=0) if burnt_out else np.full(3, np.inf),
        more=tuple(np.array([ln, 0.0, 0.0]) for ln in (LIGHTER if burnt_out else (0.0,))),
    )


def _tried(fit: FittedRow, usual: UsualLook) -> list[tuple[Floats, float]]:
    """Return where a dome may stand and how wide: as usual, and as fitted unless that is on something else."""
    return [(usual.shift_mm, usual.width), (np.array(fit.shift_mm), fit.width)]


def _told(place: _Place, usual: UsualLook, fitted: FittedBoard, shift: Floats, width: float) -> float:
    """Return the ln density of a place with a dome, less what is expected of domes; of one far aside, minus infinity."""
    off = shift - usual.shift_mm
    if float(np.hypot(*off)) > AT_ITS_PLACE_MM:
        return -np.inf
    ln = _with_dome(place, usual, fitted, shift, width)
    expected = float(off @ off) / SHIFT_SD_MM**2 + float(np.log(width / usual.width) / WIDTH_SD) ** 2
    return -np.inf if ln is None else ln - 0.5 * expected


def _searched(place: _Place, usual: UsualLook, fitted: FittedBoard, begin: _Tried) -> list[_Tried]:
    """Return all domes tried in a search for the one that explains a place best: ln density, shift, width."""
    tried = [begin]

    def better(than: _Tried, ways: list[tuple[Floats, float]]) -> _Tried:
        told = [
            (_told(place, usual, fitted, *one), *one)
            for one in ways
            if NARROWEST < one[1] / usual.width < WIDEST
        ]
        tried.extend(told)
        return max([than, *told], key=lambda one: one[0])

    best = better(begin, [(begin[1], begin[2] * share) for share in BEGIN_WIDTHS])
    for step_mm, ratio in STEPS:
        for _ in range(MOST_STEPS):
            _, shift, width = last = best
            ways = [(shift + step_mm * np.array(way), width) for way in ((1, 0), (-1, 0), (0, 1), (0, -1))]
            best = better(last, [*ways, (shift, width * ratio), (shift, width / ratio)])
            if best is last:
                break
    return tried


def _best(tried: Sequence[_Tried], above: float, below: float) -> float:
    """Return the ln density with the best of the domes between these widths, −inf with none."""
    return max((ln for ln, _, width in tried if above < width < below), default=-np.inf)


def _small_ln(tried: Sequence[_Tried], usual: UsualLook) -> float:
    """Return how much likelier the best small dome is than the best of about the usual width [ln]."""
    small = _best(tried, 0.0, SMALL * usual.width)
    wide = _best(tried, LARGE * usual.width, np.inf)
    return float(small - wide) if np.isfinite(small) or np.isfinite(wide) else 0.0


def _without(place: _Place, usual: UsualLook) -> float:
    """Return the ln density of a place with its land bare."""
    smooth, ln_free = _smooth(place, place.core, usual)
    spread = np.broadcast_to(usual.on_land, place.colour.shape)
    return ln_free + max(
        _ln(place, _drawn(place, [(place.land, smooth + more)], usual.blur_px), spread) for more in place.more
    )


def _with_dome(
    place: _Place, usual: UsualLook, fitted: FittedBoard, shift_mm: Floats, width: float
) -> float | None:
    """Return the ln density of a place with a dome on its land, None where too little of the dome is seen."""
    rho, theta = on_dome(place.row, place.at_mm, shift_mm, width)
    seen = place.asked & (rho < WITHIN)
    if seen.sum() < LEAST_CORE_PX:
        return None
    cell = ring_and_sector(np.minimum(rho, 0.999), theta)
    shading, within = fitted.dome.mean[cell], usual.within[cell]
    whole = np.median(place.colour[seen] - shading[seen], axis=0)
    off = (whole - usual.whole) / usual.between
    # Of the t-distribution its density at the whole over that at its middle; then the share of it that the pixels leave.
    ln_free = -0.5 * (FREEDOMS + 1) * float(np.log1p(off**2 / FREEDOMS).sum())
    left = np.median(usual.within, axis=0) / np.sqrt(max(float(seen.sum()) / ALIKE_PX, 1.0))
    ln_free -= float(np.log(np.maximum(usual.between / left, 1.0)).sum())
    rest = place.core & (rho > 1.05)
    beside = place.colour
    if rest.sum() > LEAST_REST_PX:
        beside, ln_rest = _smooth(place, rest, usual)
        ln_free += ln_rest
    elif rest.any():
        beside = np.broadcast_to(np.median(place.colour[rest], axis=0), place.colour.shape)
    on = rho < 1
    spread = np.where(on[..., None], within, usual.on_land)
    return ln_free + max(
        _ln(
            place,
            _drawn(place, [(place.land, beside + more), (on, shading + whole)], usual.blur_px),
            spread,
        )
        for more in place.more
    )


def _other_paste(place: _Place, usual: UsualLook, fitted: FittedBoard) -> float:
    """Return the ln density of a place with paste on its land that is shaded as no other is, but smoothly, and within the
    usual outline.
    """
    dome = fitted.dome
    level = np.maximum(dome.any_spread, usual.between)
    spreads = np.stack([level, *[SHADED * level] * 5])
    best = -np.inf
    for share in OTHER_WIDTHS:
        rho, _ = on_dome(place.row, place.at_mm, usual.shift_mm, share * usual.width)
        seen, rest = place.asked & (rho < WITHIN), place.core & (rho > 1.05)
        if seen.sum() < LEAST_CORE_PX or rest.sum() < LEAST_REST_PX:
            continue
        paste, ln_paste = _smooth(place, seen, usual, (dome.any_mean, spreads))
        beside, ln_rest = _smooth(place, rest, usual)
        spread = np.where((rho < 1)[..., None], np.median(usual.within, axis=0), usual.on_land)
        for more in place.more:
            drawn = _drawn(place, [(place.land, beside + more), (rho < 1, paste)], usual.blur_px)
            best = max(best, ln_paste + ln_rest + _ln(place, drawn, spread))
    return best


def _ln(place: _Place, drawn: Floats, spread: Floats) -> float:
    """Return the ln density of what is asked around what is drawn; squares beyond `TAMED` count by their logarithm."""
    off = (((place.colour - drawn) / spread)[place.asked] ** 2).sum(axis=-1)
    off = np.where(off < TAMED, off, TAMED + FREEDOMS * np.log1p(np.maximum(off - TAMED, 0) / FREEDOMS))
    return float((-0.5 * off - np.log(spread)[place.asked].sum(axis=-1)).sum()) / ALIKE_PX


def _smooth(
    place: _Place, on: Flags, usual: UsualLook, expected: tuple[Floats, Floats] | None = None
) -> tuple[Floats, float]:
    """Return colours that change smoothly as pixels `on` tell (h, w, 3), and ln of what that costs. `expected` are the usual
    colour (3) and spreads of level, two slopes and three bends (6, 3): of a land, unless given.
    """
    level, spreads = expected or (usual.metal, usual.metal_sd)
    way = (place.at_mm - np.array(place.row.at_mm)) / ACROSS_MM
    x, y = way[..., 0], way[..., 1]
    terms = np.stack([np.ones(x.shape), x, y, x * x, x * y, y * y], axis=-1)
    design, values = terms[on], place.colour[on]
    usually = np.zeros((3, 6))
    usually[:, 0] = level
    prior = 1 / spreads.T**2
    weights, found, cost = np.ones(len(values)), usually, 0.0
    for _ in range(ROUNDS):
        one = (design * weights[:, None]).T / ALIKE_PX
        told = (one @ design)[None] / usual.on_land[:, None, None] ** 2
        right = (one @ values).T / usual.on_land[:, None] ** 2 + usually * prior
        found = np.linalg.solve(told + prior[:, :, None] * np.eye(6), right[..., None])[..., 0]
        freed = np.linalg.slogdet(np.eye(6) + told / prior[:, None, :])[1]
        cost = -0.5 * float((((found - usually) ** 2) * prior).sum() + freed.sum())
        left = np.sqrt((((values - design @ found.T) / usual.on_land) ** 2).sum(axis=1))
        weights = 1 / np.maximum(1, left / 3)
    return np.clip(terms @ found.T, values.min(axis=0) - 0.05, values.max(axis=0) + 0.05), cost


def _drawn(place: _Place, layers: Sequence[tuple[Flags, Floats]], blur_px: float) -> Floats:
    """Return colours of layers laid over the mask, later over earlier, blurred as light is and cut off as the photo is."""
    light = light_of(place.mask)
    for where, colour in layers:
        light = np.where(where[..., None], light_of(colour), light)
    blurred = np.asarray(cv2.GaussianBlur(light, (0, 0), blur_px), np.float64)
    return np.asarray(colour_of(np.minimum(blurred, place.most_light)), np.float64)

"""Each row's paste as a dome laid over a flat photo: where it lies, how wide it is, and how surely it is there.

    evidence(shift, width) = Σ over its pixels [ln density of paste there − ln density of what is there without it]

The best shift and width are searched, coarse then fine. Where even the best has no evidence, no paste lies.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.dome import (
    FLOOR,
    DomeLook,
    EdgeLook,
    GroundLook,
    Whole,
    codes,
    density,
    dome_look,
    edge_look,
    ground_look,
    ring_and_sector,
)
from pastewright.inspect.flat import Flags, FlatBoard, Floats32
from pastewright.inspect.halo import HaloLook, halo_cells, halo_look
from pastewright.inspect.picture import BoardPicture, InspectedRow
from pastewright.inspect.search import RIM, searched

Floats = NDArray[np.float64]

REACH_MM = 0.36  # how far from its place paste is looked for
WIDEST, NARROWEST = 1.5, 0.6  # times the planned width: volumes of 20 to 340 %
WELL_TOLD, LEAST_TOLD = 2.0, 0.05  # ln a pixel: gold and copper are told far better, levelled tin worse
# Beside planned paste lands mirror what the lands under its rims do; the nearest show its blurred edge as well.
BARE_FROM_MM, BARE_TO_MM = (0.14, 0.1, 0.07, 0.05), 0.8
ENOUGH_BARE_PX = 400
BLURRED_PX, BLURRED = 2.0, 0.1  # beyond a rim, and of a radius: what lies nearer shows paste too
TAUGHT = 0.9  # of a dome's radius teaches: at its rim pixels show paste and ground mixed
ALIKE_PX = 4.0  # pixels that tell the same: blur, and the metal's own pattern
SHIFT_SD_MM, WIDTH_SD = 0.15, 0.2  # what is expected of places and widths (ln), weakly
LEAST_WIDTH_SD = 0.08  # ln: what deposits of one board always differ by
MOST_PX_MM = 22.0  # of the grid the search runs on
# Rounds of the search: how far around the best so far [steps], a step [mm], widths around the best, every so many pixels.
SEARCH: tuple[tuple[int, float, Floats, int], ...] = (
    (3, 0.12, np.geomspace(NARROWEST, WIDEST, 6), 4),
    (2, 0.05, np.geomspace(0.85, 1.18, 5), 2),
    (1, 0.025, np.geomspace(0.93, 1.075, 7), 1),
    (1, 0.012, np.geomspace(0.97, 1.03, 5), 1),
)
GOOD_SHARE = 0.3  # of the usual evidence a pixel, for a dome to teach the others


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedRow:
    """A row's paste as fitted: shift [mm], width over the planned width, mean evidence a pixel [ln], how sure the
    width is [ln, one standard deviation].
    """

    shift_mm: tuple[float, float]
    width: float
    mean: float
    width_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualWidth:
    """What widths of a photo's deposits are expected to be, over the planned ones: ln, and its spread."""

    ln_width: float = 0.0
    sd: float = WIDTH_SD


def usual_width(fits: Iterable[FittedRow]) -> UsualWidth:
    """Return the usual width of fits; the spread is wide enough for a half or a double one to be told."""
    widths = np.log([fit.width for fit in fits])
    middle = float(np.median(widths))
    spread = 1.4826 * float(np.median(np.abs(widths - middle)))
    return UsualWidth(ln_width=middle, sd=min(max(2 * spread, LEAST_WIDTH_SD), WIDTH_SD))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Patch:
    """The pixels around a row: places [mm] (n, 2), colours (n, 3) and their codes, those against the mask nearby too.

    `own` are those beside the row's planned paste and beside no other's.
    """

    places: Floats
    colour: Floats32
    code: NDArray[np.int64]
    mask_code: NDArray[np.int64]
    on_land: Flags
    own: Flags
    before: Floats32 | None

    def thinned(self, every: int) -> "_Patch":
        """Return every so many of the pixels."""
        return _Patch(
            places=self.places[::every],
            colour=np.ascontiguousarray(self.colour[::every]),
            code=self.code[::every],
            mask_code=self.mask_code[::every],
            on_land=self.on_land[::every],
            own=self.own[::every],
            before=None if self.before is None else self.before[::every],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    """A patch's pixels about a row as fitted: how far out on its dome (1 at the rim) and on which side, how far beyond its
    rim [mm], and in which cell beside it (see `halo`).
    """

    rho: Floats
    theta: Floats
    beyond: Floats
    cell: Whole


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedBoard:
    """Fits by row, and what this photo's paste and grounds look like; `told_on_land` is how well colour tells paste from
    land, 0 to 1.
    """

    rows: dict[int, FittedRow]
    dome: DomeLook
    ground: GroundLook
    edge: EdgeLook
    paste_px: Floats32
    told_on_land: float
    halo: HaloLook


def fit_rows(flat: FlatBoard, picture: BoardPicture) -> FittedBoard:
    """Return the fit of every row that a flat photo shows, learning how paste and lands look as it goes."""
    patches = {number: _patch(flat, number, picture.rows[number]) for number in flat.rows}
    patches = {number: patch for number, patch in patches.items() if len(patch.places) > 20}
    fits = {number: FittedRow(shift_mm=(0.0, 0.0), width=1.0, mean=1.0, width_sd=0.1) for number in patches}
    bare = bare_land(flat)
    ground = ground_look(flat, bare)
    placed = _placed(patches, fits, picture)
    dome, edge, paste_px = _learnt(patches, placed, fits, ground)
    halo = _halo(patches, placed, fits, picture, flat.scale)
    width = UsualWidth()
    for search in SEARCH:
        told = _told_apart(ground, paste_px)
        every = search[3]
        thin = {number: patch.thinned(every) for number, patch in patches.items()}
        fits = {
            number: _searched(
                picture.rows[number],
                patch,
                dome,
                _grounds(
                    patch,
                    (ground, edge, told),
                    halo.log_density(patch.colour, placed[number].cell[::every]),
                ),
                fits[number],
                search,
                width,
            )
            for number, patch in thin.items()
        }
        usual = float(np.median([fit.mean for fit in fits.values()])) if fits else 0.0
        good = {number: fit for number, fit in fits.items() if fit.mean > max(0.0, GOOD_SHARE * usual)}
        if len(good) < 3:
            break
        width = usual_width(good.values())
        placed = _placed(patches, fits, picture)
        dome, edge, paste_px = _learnt(patches, placed, good, ground)
        halo = _halo(patches, placed, good, picture, flat.scale)
    return FittedBoard(
        rows=fits,
        dome=dome,
        ground=ground,
        edge=edge,
        paste_px=paste_px,
        told_on_land=_told_apart(ground, paste_px),
        halo=halo,
    )


def bare_land(flat: FlatBoard) -> Flags:
    """Return pixels of lands that surely carry no paste, beside planned paste, and as clear of all edges as there are."""
    land = cv2.distanceTransform(flat.land.astype(np.uint8), cv2.DIST_L2, 5) / flat.scale
    near = flat.land & flat.inside & (flat.away_mm < BARE_TO_MM)
    for clear in BARE_FROM_MM:
        bare = near & (flat.away_mm > clear) & (land > clear / 2)
        if bare.sum() >= ENOUGH_BARE_PX:
            return np.asarray(bare)
    return np.asarray(flat.land & (flat.away_mm > BARE_FROM_MM[-1]))


def _patch(flat: FlatBoard, number: int, row: InspectedRow) -> _Patch:
    reach = REACH_MM + 0.5 * (WIDEST - 1) * row.deposit.width_mm + 0.05
    rows, columns = flat.window(row.paste.bounds, reach)
    step = max(1, round(flat.scale / MOST_PX_MM))
    lines, cols = np.mgrid[rows.start : rows.stop : step, columns.start : columns.stop : step]
    near = flat.inside[lines, cols]
    if row.shared:
        # A bead's part keeps to its own length: across it paste may move, along it the next pad's part begins.
        near &= flat.nearest[lines, cols] == flat_row(flat, row)
    lines, cols = lines[near], cols[near]
    colour = flat.colour[lines, cols]
    return _Patch(
        places=flat.at_mm(cols.astype(np.float64), lines.astype(np.float64)),
        colour=colour,
        code=codes(colour),
        mask_code=codes(flat.on_mask[lines, cols]),
        on_land=flat.land[lines, cols],
        own=(flat.nearest[lines, cols] == number) & (flat.away_mm[lines, cols] > 0),
        before=None if flat.before is None else flat.before[lines, cols],
    )


def flat_row(flat: FlatBoard, row: InspectedRow) -> int:
    """Return the number of a row by the pixel at its middle."""
    column, line = np.round((np.array(row.at_mm) - flat.low_mm) * flat.scale).astype(int)
    rows, columns = flat.nearest.shape
    return int(flat.nearest[min(max(line, 0), rows - 1), min(max(column, 0), columns - 1)])


def dome_places(row: InspectedRow, places: Floats) -> tuple[Floats, Floats]:
    """Return distance from the row's line [mm] and direction from it [rad] of places (..., 2)."""
    points = np.asarray(row.deposit.points_mm, dtype=np.float64)
    best = np.full(places.shape[:-1], np.inf)
    dx, dy = np.zeros(best.shape), np.zeros(best.shape)
    ends = pairwise(points) if len(points) > 1 else [(points[0], points[0])]
    for a, b in ends:
        way = b - a
        length = max(float(way @ way), 1e-12)
        t = np.clip(((places - a) @ way) / length, 0, 1)
        off = places - a - t[..., None] * way
        away = np.hypot(off[..., 0], off[..., 1])
        nearer = away < best
        best = np.where(nearer, away, best)
        dx, dy = np.where(nearer, off[..., 0], dx), np.where(nearer, off[..., 1], dy)
    return best, np.arctan2(dy, dx)


def _learnt(
    patches: dict[int, _Patch], placed: dict[int, _Placed], taught_by: Iterable[int], ground: GroundLook
) -> tuple[DomeLook, EdgeLook, Floats32]:
    """Return how paste and its edge look, from the pixels within all fitted domes."""
    colours, places, rims = [], [], []
    for number in taught_by:
        patch, rho, theta = patches[number], placed[number].rho, placed[number].theta
        within = rho < TAUGHT
        colours.append(patch.colour[within])
        places.append(ring_and_sector(rho[within], theta[within]))
        rims.append(patch.colour[within & (rho > RIM)])
    paste = np.concatenate(colours)
    return dome_look(paste, np.concatenate(places)), edge_look(np.concatenate(rims), ground), paste


def _told_apart(ground: GroundLook, paste_px: Floats32) -> float:
    """Return how well colour tells paste from land, 0 to 1: by so much lands count in where an outline is put."""
    if not ground.land_known or len(paste_px) < 100:
        return LEAST_TOLD
    paste = np.log(density(paste_px) + FLOOR)
    over = float((ground.land - paste)[codes(ground.land_px)].mean())
    under = float((paste - ground.land)[codes(paste_px)].mean())
    return min(max(min(over, under) / WELL_TOLD, LEAST_TOLD), 1.0)


def _placed(
    patches: dict[int, _Patch], fits: dict[int, FittedRow], picture: BoardPicture
) -> dict[int, _Placed]:
    """Return where each row's pixels lie about it as fitted."""
    found = {}
    for number, patch in patches.items():
        row, fit = picture.rows[number], fits[number]
        away, theta = dome_places(row, patch.places - np.array(fit.shift_mm))
        half = 0.5 * fit.width * row.deposit.width_mm
        found[number] = _Placed(
            rho=away / half,
            theta=theta,
            beyond=away - half,
            cell=halo_cells(away - half, theta, row.deposit.height_mm, patch.on_land),
        )
    return found


def _halo(
    patches: dict[int, _Patch],
    placed: dict[int, _Placed],
    fits: dict[int, FittedRow],
    picture: BoardPicture,
    scale: float,
) -> HaloLook:
    """Return how the ground beside paste looks, blurred rims left out."""

    def shown(number: int) -> tuple[Floats32, Whole]:
        patch, about = patches[number], placed[number]
        half = 0.5 * fits[number].width * picture.rows[number].deposit.width_mm
        beside = patch.own & (about.beyond > max(BLURRED_PX / scale, BLURRED * half))
        return patch.colour[beside], about.cell[beside]

    return halo_look(shown(number) for number in fits)


def _grounds(
    patch: _Patch, looks: tuple[GroundLook, EdgeLook, float], halo: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return ln densities of each pixel's colour without paste, and as a rim that is more than half paste; and weights."""
    ground, edge, told = looks
    code, land = patch.code, patch.on_land
    plain = np.where(land, ground.land[code], ground.mask[patch.mask_code])
    low = np.where(land, edge.land_low[code], edge.mask_low[code])
    if patch.before is not None:
        plain = np.maximum(plain, patch.before)
    return (
        np.maximum(np.maximum(plain, low), halo),
        np.where(land, edge.land_high[code], edge.mask_high[code]),
        np.where(land, told, 1.0),
    )


def _shifts(row: InspectedRow, steps: Floats, around: Floats) -> Floats:
    """Return trial shifts (n, 2): of a bead's part only across the bead."""
    if row.shared:
        a, b = np.asarray(row.deposit.points_mm[0]), np.asarray(row.deposit.points_mm[-1])
        way = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
        return np.asarray(around + steps[:, None] * np.array([-way[1], way[0]]))
    x, y = np.meshgrid(steps, steps)
    return np.asarray(around + np.stack([x.ravel(), y.ravel()], axis=-1))


def _searched(
    row: InspectedRow,
    patch: _Patch,
    dome: DomeLook,
    grounds: tuple[Floats, Floats, Floats],
    last: FittedRow,
    search: tuple[int, float, Floats, int],
    usual: UsualWidth,
) -> FittedRow:
    """Return the best shift and width around the last fit."""
    reach, step, widths, every = search
    half = 0.5 * row.deposit.width_mm
    pixels = tuple(
        np.ascontiguousarray(one)
        for one in (patch.places, patch.colour, *grounds, dome.any_log_density(patch.colour))
    )
    shifts = _shifts(
        row, np.asarray(np.arange(-reach, reach + 1) * step, np.float64), np.array(last.shift_mm)
    )
    shifts = shifts[np.hypot(shifts[:, 0], shifts[:, 1]) <= REACH_MM + 0.05]
    trials = np.clip(last.width * widths, NARROWEST * 0.9, WIDEST * 1.05)
    weighed, plain, within = searched(
        pixels,  # type: ignore[arg-type]
        np.asarray(row.deposit.points_mm, np.float64),
        half,
        shifts,
        trials,
        (dome.mean, dome.spread, np.log(dome.spread).sum(axis=1)),
    )
    worth = (
        weighed * every / ALIKE_PX
        - 0.5 * (shifts**2).sum(axis=1)[:, None] / SHIFT_SD_MM**2
        - 0.5 * ((np.log(trials) - usual.ln_width) / usual.sd)[None, :] ** 2
    )
    worth = np.where(within > 0, worth, -np.inf)
    m, k = np.unravel_index(int(np.argmax(worth)), worth.shape)
    best = FittedRow(
        shift_mm=(float(shifts[m, 0]), float(shifts[m, 1])),
        width=float(trials[k]),
        mean=float(plain[m, k] / max(within[m, k], 1)),
        width_sd=last.width_sd,
    )
    curve = worth.max(axis=0)
    near = trials[curve > curve.max() - 0.5]
    least = 0.5 * float(np.log(widths[1] / widths[0]))
    spread = float(np.log(near.max() / near.min())) / 2 if len(near) else 0.5
    return replace(best, width_sd=max(spread, least))

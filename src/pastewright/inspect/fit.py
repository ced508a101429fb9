"""Each row's paste as a dome laid over a flat photo: where it lies, how wide it is, and how surely it is there.

    evidence(shift, width) = Σ over its pixels [ln density of paste there − ln density of what is there without it]

The best shift and width are searched, coarse then fine. Where even the best has no evidence, no paste lies.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.dome import (
    FLOOR,
    DomeLook,
    EdgeLook,
    GroundLook,
    codes,
    density,
    dome_look,
    edge_look,
    ground_look,
    ring_and_sector,
)
from pastewright.inspect.flat import FlatBoard, Floats32
from pastewright.inspect.picture import BoardPicture, InspectedRow

Floats = NDArray[np.float64]

REACH_MM = 0.36  # how far from its place paste is looked for
WIDEST, NARROWEST = 1.5, 0.6  # times the planned width: volumes of 20 to 340 %
WELL_TOLD, LEAST_TOLD = 2.0, 0.05  # ln a pixel: gold and copper are told far better, levelled tin worse
BARE_FROM_MM, BARE_TO_MM = (
    0.05,
    0.8,
)  # beside planned paste: lands there mirror what the lands under the rims do
RIM = 0.75  # of a dome's radius, from where on pixels may show its edge
TAUGHT = 0.9  # of a dome's radius teaches: at its rim pixels show paste and ground mixed
ALIKE_PX = 4.0  # pixels that tell the same: blur, and the metal's own pattern
SHIFT_SD_MM, WIDTH_SD = 0.15, 0.2  # what is expected of places and widths (ln), weakly
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Patch:
    """The pixels around a row: places [mm] (n, 2), colours (n, 3), ln density without paste (n), area of a pixel."""

    places: Floats
    colour: Floats32
    code: NDArray[np.int64]
    on_land: NDArray[np.bool_]
    px_mm2: float


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


def fit_rows(flat: FlatBoard, picture: BoardPicture) -> FittedBoard:
    """Return the fit of every row that a flat photo shows, learning how paste and lands look as it goes."""
    patches = {number: _patch(flat, picture.rows[number]) for number in flat.rows}
    patches = {number: patch for number, patch in patches.items() if len(patch.places) > 20}
    fits = {number: FittedRow(shift_mm=(0.0, 0.0), width=1.0, mean=1.0, width_sd=0.1) for number in patches}
    bare = flat.land & (flat.away_mm > BARE_FROM_MM) & (flat.away_mm < BARE_TO_MM)
    if bare.sum() < 300:
        bare = flat.land & (flat.away_mm > BARE_FROM_MM)
    ground = ground_look(flat, bare)
    dome, edge, paste_px = _learnt(patches, fits, picture, ground)
    for search in SEARCH:
        fits = {
            number: _searched(
                picture.rows[number],
                patch,
                dome,
                _grounds(patch, ground, edge, _told_apart(ground, paste_px)),
                fits[number],
                search,
            )
            for number, patch in patches.items()
        }
        usual = float(np.median([fit.mean for fit in fits.values()])) if fits else 0.0
        good = {number: fit for number, fit in fits.items() if fit.mean > max(0.0, GOOD_SHARE * usual)}
        if len(good) < 3:
            break
        dome, edge, paste_px = _learnt(patches, good, picture, ground)
    return FittedBoard(
        rows=fits,
        dome=dome,
        ground=ground,
        edge=edge,
        paste_px=paste_px,
        told_on_land=_told_apart(ground, paste_px),
    )


def _patch(flat: FlatBoard, row: InspectedRow) -> _Patch:
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
        on_land=flat.land[lines, cols],
        px_mm2=(step / flat.scale) ** 2,
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
    patches: dict[int, _Patch], fits: dict[int, FittedRow], picture: BoardPicture, ground: GroundLook
) -> tuple[DomeLook, EdgeLook, Floats32]:
    """Return how paste and its edge look, from the pixels within all fitted domes."""
    colours, places, rims = [], [], []
    for number, fit in fits.items():
        patch, row = patches[number], picture.rows[number]
        away, theta = dome_places(row, patch.places - np.array(fit.shift_mm))
        rho = away / (0.5 * fit.width * row.deposit.width_mm)
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


def _grounds(patch: _Patch, ground: GroundLook, edge: EdgeLook, told: float) -> tuple[Floats, Floats, Floats]:
    """Return ln densities of each pixel's colour without paste, and as a rim that is more than half paste; and weights."""
    code, land = patch.code, patch.on_land
    plain = np.where(land, ground.land[code], ground.mask[code])
    low = np.where(land, edge.land_low[code], edge.mask_low[code])
    return (
        np.maximum(plain, low),
        np.where(land, edge.land_high[code], edge.mask_high[code]),
        np.where(land, told**2, 1.0),
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
) -> FittedRow:
    """Return the best shift and width around the last fit."""
    reach, step, widths, every = search
    half = 0.5 * row.deposit.width_mm
    places, colour = patch.places[::every], patch.colour[::every]
    other, rim, weight = (one[::every] for one in grounds)
    shifts = _shifts(
        row, np.asarray(np.arange(-reach, reach + 1) * step, np.float64), np.array(last.shift_mm)
    )
    shifts = shifts[np.hypot(shifts[:, 0], shifts[:, 1]) <= REACH_MM + 0.05]
    trials = np.clip(last.width * widths, NARROWEST * 0.9, WIDEST * 1.05)
    best, best_worth = last, -np.inf
    curve = np.full(len(trials), -np.inf)
    for shift in shifts:
        away, theta = dome_places(row, places - shift)
        prior = -0.5 * float(shift @ shift) / SHIFT_SD_MM**2
        for k, width in enumerate(trials):
            rho = away / (half * width)
            within = rho < 1
            if not within.any():
                continue
            inner = rho[within]
            paste = dome.log_density(colour[within], ring_and_sector(inner, theta[within]))
            gain = np.where(inner > RIM, np.maximum(paste, rim[within]), paste) - other[within]
            worth = (
                float(gain @ weight[within]) * every / ALIKE_PX
                + prior
                - 0.5 * (np.log(width) / WIDTH_SD) ** 2
            )
            curve[k] = max(curve[k], worth)
            if worth > best_worth:
                best_worth = worth
                best = FittedRow(
                    shift_mm=(float(shift[0]), float(shift[1])),
                    width=float(width),
                    mean=float(gain.mean()),
                    width_sd=last.width_sd,
                )
    near = trials[curve > curve.max() - 0.5]
    least = 0.5 * float(np.log(widths[1] / widths[0]))
    spread = float(np.log(near.max() / near.min())) / 2 if len(near) else 0.5
    return replace(best, width_sd=max(spread, least))

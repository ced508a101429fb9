"""Where a board may lie in a photo, roughly: blobs of a photo laid on figures of the board's picture, pair by pair.

Two neighbouring blobs laid on two neighbouring figures say how the board is turned, moved and scaled; their areas must
agree with that. Of all such ways those are kept where the photo stands out at lands and not beside them. Mirrored ways
are tried as well, so that a photo of the other side, or a mirrored one, is told and not read.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import STRtree
from shapely.geometry import Point

from pastewright.inspect.picture import BoardPicture
from pastewright.inspect.stands_out import StandsOut

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Complex = NDArray[np.complex128]

SEEDS = 70  # blobs from which ways begin
NEXT_BLOBS, NEXT_FIGURES = 5, 9  # neighbours that a pair is made with; blobs lack where paste is missing
AREAS_AGREE = 0.45  # natural logarithm: paste beside its land and cut corners change areas by less
LEAST_PX_MM = 5.0  # smaller lands than two pixels cannot be told from noise
LOCAL_ON, LOCAL_OFF = 18, 60
KEPT = 1500  # ways that are looked at over the whole photo: near its edges, where little is asked, many look right
RING_MM, RING_STEP_MM, CLEAR_MM = 0.25, 0.45, 0.16  # places beside figures that must be ground


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PicturePoints:
    """Places that must stand out (`on`), and places beside them that must not (`off`), both (n, 2) [mm, board]."""

    on: Floats
    off: Floats
    figures: Floats
    areas: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """Board to pixels of the searched copy: w = turn·z + shift in complex numbers, z = x − iy, or x + iy if mirrored.

    `agrees` is how surely lands stand out more than places beside them do [ln, of `of` places at lands].
    """

    turn: complex
    shift: complex
    mirrored: bool
    agrees: float
    of: int


def picture_points(picture: BoardPicture) -> PicturePoints:
    """Return the places of a board's picture at which a photo is compared with it."""
    holes = STRtree(list(picture.holes)) if picture.holes else None
    on = [(land.centroid.x, land.centroid.y) for land in picture.lands if not land.is_empty]
    on += [row.at_mm for row in picture.rows]
    if holes is not None:
        on = [place for place in on if not len(holes.query(Point(place), predicate="intersects"))]
    figures = list(picture.figures)
    near = STRtree(
        [figure.buffer(CLEAR_MM) for figure in figures] + [hole.buffer(0.1) for hole in picture.holes]
    )
    off: list[tuple[float, float]] = []
    for figure in figures:
        ring = figure.buffer(RING_MM).exterior
        for k in range(max(6, round(ring.length / RING_STEP_MM))):
            place = ring.interpolate(k * RING_STEP_MM)
            if not len(near.query(place, predicate="intersects")) and picture.edge.contains(place):
                off.append((place.x, place.y))
    shapes = figures + [land for land in picture.lands if not land.is_empty]
    return PicturePoints(
        on=np.array(on).reshape(-1, 2),
        off=np.array(off).reshape(-1, 2),
        figures=np.array([[shape.centroid.x, shape.centroid.y] for shape in shapes]),
        areas=np.array([shape.area for shape in shapes]),
    )


def ways(seen: StandsOut, points: PicturePoints) -> list[Way]:
    """Return the best ways of laying the board on what stands out, best first, near copies of one left out."""
    found: list[Way] = []
    for mirrored in (False, True):
        found += _ways(seen, points, mirrored=mirrored)
    found.sort(key=lambda way: -way.agrees)
    kept: list[Way] = []
    middle = complex(seen.map.shape[1] / 2, seen.map.shape[0] / 2)
    for way in found:
        here = (middle - way.shift) / way.turn
        if not any(
            way.mirrored is other.mirrored
            and abs(here - (middle - other.shift) / other.turn) < 0.6
            and abs(way.turn / other.turn - 1) < 0.15
            for other in kept
        ):
            kept.append(way)
        if len(kept) == 12:
            break
    return kept


def _complex(places: Floats, *, mirrored: bool) -> Complex:
    return np.asarray(places[:, 0] + (1j if mirrored else -1j) * places[:, 1], np.complex128)


def _ways(seen: StandsOut, points: PicturePoints, *, mirrored: bool) -> list[Way]:
    blobs = np.flatnonzero(seen.whole)
    if len(blobs) < 3 or len(points.figures) < 3:
        return []
    w, areas = seen.centres[blobs, 0] + 1j * seen.centres[blobs, 1], seen.areas[blobs]
    z = _complex(points.figures, mirrored=mirrored)
    turns, shifts, at = _from_pairs(w, areas, z, points.areas, seen.factor)
    if not len(turns):
        return []
    on, off = _complex(points.on, mirrored=mirrored), _complex(points.off, mirrored=mirrored)
    near_on = _nearest(points.on, points.figures, LOCAL_ON)
    near_off = _nearest(points.off, points.figures, LOCAL_OFF)
    local = np.concatenate(
        [
            _local(seen, turns[k : k + 20_000], shifts[k : k + 20_000], on[near_on[at[k : k + 20_000]]])
            - _local(seen, turns[k : k + 20_000], shifts[k : k + 20_000], off[near_off[at[k : k + 20_000]]])
            for k in range(0, len(turns), 20_000)
        ]
    )
    found = []
    for k in np.argsort(-local)[:KEPT]:
        agrees, of = _agreement(seen, turns[k] * on + shifts[k], turns[k] * off + shifts[k])
        found.append(
            Way(turn=complex(turns[k]), shift=complex(shifts[k]), mirrored=mirrored, agrees=agrees, of=of)
        )
    return found


def _nearest(places: Floats, to: Floats, many: int) -> Whole:
    """Return the numbers of the places nearest to each of `to`, at most `many`: (n, many)."""
    found = cKDTree(places).query(to, min(many, len(places)))[1]
    return np.asarray(found, np.int64).reshape(len(to), -1)


def _from_pairs(
    w: Complex, areas: Floats, z: Complex, figure_areas: Floats, factor: float
) -> tuple[Complex, Complex, Whole]:
    """Return turns and shifts of all pairs whose areas agree, and the figure each begins from."""
    blob_places = np.stack([w.real, w.imag], axis=-1)
    figure_places = np.stack([z.real, z.imag], axis=-1)
    seeds = np.argsort(-areas)[:SEEDS]
    beside = _nearest(blob_places, blob_places[seeds], NEXT_BLOBS + 1)[:, 1:]
    first, second = np.repeat(seeds, beside.shape[1]), beside.ravel()
    # A land and its pasted figure share their middle: neighbours are those farther than that.
    many = min(2 * NEXT_FIGURES + 2, len(z))
    others = _nearest(figure_places, figure_places, many)
    a, b = np.repeat(np.arange(len(z)), many), others.ravel()
    apart = np.abs(z[b] - z[a])
    a, b = a[apart > 0.3], b[apart > 0.3]
    turns, shifts, at = [], [], []
    log_areas, log_figures = np.log(areas), np.log(np.maximum(figure_areas, 1e-9))
    for i, j in zip(first, second, strict=True):
        turn = (w[j] - w[i]) / (z[b] - z[a])
        scale = np.log(np.maximum(np.abs(turn), 1e-12)) * 2
        good = np.abs(log_areas[i] - scale - log_figures[a]) < AREAS_AGREE
        good &= np.abs(log_areas[j] - scale - log_figures[b]) < AREAS_AGREE
        good &= np.abs(turn) > LEAST_PX_MM * factor
        turns.append(turn[good])
        shifts.append(w[i] - turn[good] * z[a[good]])
        at.append(a[good])
    return np.concatenate(turns), np.concatenate(shifts), np.concatenate(at)


def _read(seen: StandsOut, places: Complex) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the map at places, and which of them lie in the photo."""
    rows, columns = seen.map.shape
    x, y = np.round(places.real).astype(np.int64), np.round(places.imag).astype(np.int64)
    inside = (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
    values = seen.map[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]
    return np.where(inside, values, 0.0).astype(np.float64), inside


def _local(seen: StandsOut, turns: Complex, shifts: Complex, places: Complex) -> Floats:
    """Return the mean of the map at each way's own places; with few of them in the photo it says nothing."""
    values, inside = _read(seen, turns[:, None] * places + shifts[:, None])
    count = inside.sum(axis=1)
    return np.where(count >= min(5, places.shape[1]), values.sum(axis=1) / np.maximum(count, 1), 0.0)


def _agreement(seen: StandsOut, on: Complex, off: Complex) -> tuple[float, int]:
    got, inside = _read(seen, on)
    beside, beside_inside = _read(seen, off)
    of = int(inside.sum())
    if of < 4 or not beside_inside.any():
        return 0.0, of
    # As surely as hits at lands are more than chance: a small picture of many lands hits some of them anywhere.
    hits = (float(got[inside].sum()) + 0.5) / (of + 1)
    chance = (float(beside[beside_inside].sum()) + 0.5) / (int(beside_inside.sum()) + 1)
    if hits <= chance:
        return 0.0, of
    told = hits * np.log(hits / chance) + (1 - hits) * np.log((1 - hits) / (1 - chance))
    return of * float(told), of

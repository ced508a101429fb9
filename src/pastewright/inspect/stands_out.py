"""What stands out from the board's mask in a photo: (pixels, ground colour) → a map from 0 to 1, and blobs on it.

Lands, paste and legend stand out; the mask between them is the photo's most usual colour, or one of the next.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

WORK_PX = 1500  # longer side of the copy that is searched
CELLS = 12  # along the longer side: ground is followed over light and shade
SPREAD = (
    6.0,
    3.0,
    3.0,
)  # of lightness and colours (CIE L*a*b* of 8 bits) that a mask's own unevenness has at least
WITHIN = np.array((6, 4, 4), np.float32)  # spreads: what may be ground in other light
LEAST_GROUND = 0.03  # of a cell, to say how its ground looks
FROM, TO = 3.0, 7.0  # spreads: below is ground, above stands out
MOST_COLOURS = 3
LEAST_BOARD, SOLID = 0.2, 0.75  # of the photo, and of its own hull, that a board on a table takes up
LINES_PX = (5, 7, 11)  # of the copy: as wide as lines are that may join what stands out
FAINT, CRESCENT_PX = 0.5, 9  # of the spreads; between the two halves of a dome
LEAST_AREA_PX = 16
MOST_BLOBS = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandsOut:
    """A copy of a photo, `factor` times its size: what stands out of one ground (rows, columns, 0…1), and blobs of it;
    `off` is its colours less the ground's (rows, columns, 3), CIE L*a*b* of 8 bits.

    `centres` (n, 2) and `areas` (n) are in pixels of the copy; `whole` tells which blobs do not touch the edge.
    """

    factor: float
    map: Floats32
    off: Floats32
    centres: Floats
    areas: Floats
    whole: NDArray[np.bool_]


def stands_out(pixels: NDArray[np.uint8]) -> list[StandsOut]:
    """Return the maps of a photo, one for each colour that may be the mask's, the most usual first."""
    height, width = pixels.shape[:2]
    factor = min(1.0, WORK_PX / max(height, width))
    small = pixels
    if factor < 1:
        small = np.asarray(
            cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8
        )
    lab = cv2.cvtColor(cv2.medianBlur(small, 3), cv2.COLOR_RGB2LAB).astype(np.float32)
    maps = [_of_ground(lab, colour, factor) for colour in _usual_colours(lab)]
    return maps + [
        _of_ground(lab, colour, factor) for within in _boards(maps) for colour in _usual_colours(lab, within)
    ]


def without_lines(seen: StandsOut) -> list[StandsOut]:
    """Return a map with its blobs cut apart where thin lines join them, legend above all, for lines of several widths."""
    solid = (seen.map > 0.5).astype(np.uint8)
    found = []
    for across in LINES_PX:
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
        centres, areas, whole = _blobs(cv2.morphologyEx(solid, cv2.MORPH_OPEN, disc).astype(np.float32))
        found.append(replace(seen, centres=centres, areas=areas, whole=whole))
    return found


def fainter(seen: StandsOut) -> StandsOut:
    """Return a map of what stands out half as far: grey paste on a white mask in dull light shows as crescents, lit on one
    side and dark on the other, which are closed.
    """
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (CRESCENT_PX, CRESCENT_PX))
    faint = _away(seen.off, FAINT * np.array(SPREAD, np.float32))
    out = np.asarray(cv2.morphologyEx(faint, cv2.MORPH_CLOSE, disc), np.float32)
    centres, areas, whole = _blobs(out)
    return replace(seen, map=out, centres=centres, areas=areas, whole=whole)


def _boards(maps: Sequence[StandsOut]) -> Iterator[NDArray[np.bool_]]:
    """Tell which pixels are a large solid thing that stands out of its ground: a board that lies on a table.

    Its mask is not among a photo's usual colours where gloss, and copper below it, make it many.
    """
    for seen in maps:
        count, labels, stats, _ = cv2.connectedComponentsWithStats((seen.map > 0.5).astype(np.uint8))
        if count < 2:
            continue
        place = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
        board = np.asarray(labels) == place
        outline, _ = cv2.findContours(board.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        hull = cv2.contourArea(cv2.convexHull(max(outline, key=cv2.contourArea)))
        if board.sum() > max(LEAST_BOARD * board.size, SOLID * hull):
            yield board


def _usual_colours(lab: Floats32, within: NDArray[np.bool_] | None = None) -> list[Floats32]:
    """Return the most usual colours of a photo, or within a part of it, far enough apart to be different things."""
    step = 8
    shown = lab[::2, ::2].reshape(-1, 3) if within is None else lab[within]
    coarse = (shown // step).astype(np.int64)
    counts = np.zeros((33, 33, 33), np.float32)
    np.add.at(counts, tuple(coarse.T), 1)
    for axis in range(3):
        counts = counts + np.roll(counts, 1, axis) + np.roll(counts, -1, axis)
    found: list[Floats32] = []
    while len(found) < MOST_COLOURS and counts.max() > 0.05 * 27 * len(coarse) / 8:
        place = np.array(np.unravel_index(int(np.argmax(counts)), counts.shape))
        found.append(((place + 0.5) * step).astype(np.float32))
        near = tuple(slice(max(p - r, 0), p + r + 1) for p, r in zip(place, (6, 2, 2), strict=True))
        counts[near] = 0
    return found or [np.median(lab.reshape(-1, 3), axis=0).astype(np.float32)]


def _of_ground(lab: Floats32, colour: Floats32, factor: float) -> StandsOut:
    """Return what stands out of one colour, followed over the photo cell by cell."""
    rows, columns = lab.shape[:2]
    spread = np.array(SPREAD, np.float32)
    grid = _followed(lab, colour, spread * WITHIN)
    if min(grid.shape[:2]) > 2:
        grid = np.asarray(cv2.medianBlur(grid, 3), np.float32)
    ground = cv2.resize(grid, (columns, rows), interpolation=cv2.INTER_LINEAR)
    off = lab - ground
    out = _away(off, spread)
    centres, areas, whole = _blobs(out)
    return StandsOut(factor=factor, map=out, off=off, centres=centres, areas=areas, whole=whole)


def _away(off: Floats32, least: Floats32) -> Floats32:
    """Return from 0 to 1 how far colours stand out of the ground's own spread, which is at least so much."""
    near = (np.abs(off) < np.array(SPREAD, np.float32) * WITHIN).all(axis=2)
    usual = np.maximum(1.4826 * np.median(np.abs(off[near]), axis=0) if near.any() else least, least)
    away = np.sqrt(((off / usual) ** 2).sum(axis=2))
    return np.asarray(np.clip((away - FROM) / (TO - FROM), 0, 1), np.float32)


def _followed(lab: Floats32, colour: Floats32, within: Floats32) -> Floats32:
    """Return the ground's colour by cell (down, across, 3), followed from where it has the usual colour to its neighbours.

    Gloss and shade fade across a board by more than a ground's own unevenness; from one cell to the next they do not.
    """
    rows, columns = lab.shape[:2]
    cell = max(rows, columns) / CELLS
    down, across = max(1, round(rows / cell)), max(1, round(columns / cell))
    grid = np.empty((down, across, 3), np.float32)
    grid[:] = colour
    told = np.zeros((down, across), bool)
    todo = [(i, j) for i in range(down) for j in range(across)]
    for _ in range(down + across):
        found = []
        for i, j in todo:
            part = lab[
                i * rows // down : (i + 1) * rows // down, j * columns // across : (j + 1) * columns // across
            ]
            beside = np.s_[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2]
            expected = grid[beside][told[beside]].mean(axis=0) if told[beside].any() else colour
            own = part[(np.abs(part - expected) < within).all(axis=2)]
            if len(own) > LEAST_GROUND * part[..., 0].size:
                found.append((i, j, np.median(own, axis=0)))
        for i, j, middle in found:
            grid[i, j], told[i, j] = middle, True
        if not found or told.all():
            break
        reached = cv2.dilate(told.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        todo = [(int(i), int(j)) for i, j in np.argwhere(~told & reached)]
    return grid


def _blobs(out: Floats32) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    count, _, stats, centres = cv2.connectedComponentsWithStats((out > 0.5).astype(np.uint8), connectivity=4)
    kept = np.flatnonzero(stats[1:count, cv2.CC_STAT_AREA] >= LEAST_AREA_PX) + 1
    kept = kept[np.argsort(-stats[kept, cv2.CC_STAT_AREA])][:MOST_BLOBS]
    left, top, wide, high = (stats[kept, k] for k in range(4))
    whole = (left > 0) & (top > 0) & (left + wide < out.shape[1]) & (top + high < out.shape[0])
    return centres[kept].astype(np.float64), stats[kept, cv2.CC_STAT_AREA].astype(np.float64), whole

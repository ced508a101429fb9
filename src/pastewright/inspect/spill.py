"""Paste where none is planned: bridges between rows, smears and tails beside them.

Beside lands the ground is mask, of which paste is told surely. Two rows are joined where, between them, something that
is not mask leads from one's paste to the other's, wider than a blurred gap; each one's own land may be part of the way.
Legend is known from where it is printed alone; what may be legend counts for a bridge, and not for a smear.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from shapely import STRtree
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.dome import FLOOR, codes, density
from pastewright.inspect.fit import FittedBoard
from pastewright.inspect.flat import Flags, FlatBoard
from pastewright.inspect.picture import BoardPicture, InspectedRow, drawn, may_touch

BRIDGE_MM = 1.2  # gaps that paste is known to bridge
NECK_MM = 0.085  # narrower necks are a blurred gap
CLEAR_OF_PRINT = 1.0  # ln: how much likelier paste than legend a smear must be
AROUND_MM, TOUCH_MM = 0.1, 0.2  # beside an outline: its own blur; what begins within belongs to it
LEAST_MM2, MOST_MM2 = 0.02, 2.0  # of a smear; what is larger is something else


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PasteBeside:
    """Pixels that are not mask (`not_mask`), and those that are surely paste and no legend (`surely`), off the lands."""

    not_mask: Flags
    surely: Flags


@dataclass(frozen=True, slots=True, kw_only=True)
class Spill:
    """Paste beside a row's outline: its area, and how far it reaches."""

    area_mm2: float
    reach_mm: float


def paste_beside(flat: FlatBoard, fitted: FittedBoard) -> PasteBeside:
    """Return what is not mask beside the lands."""
    code = codes(flat.colour)
    # A neck is narrow: its edges, more than half paste, count as paste.
    paste = np.maximum(np.log(density(fitted.paste_px) + FLOOR), fitted.edge.mask_high)
    over_mask = paste - np.maximum(fitted.ground.mask, fitted.edge.mask_low)
    over_print = paste - np.maximum(fitted.ground.print_too, fitted.edge.mask_low)
    off_land = ~flat.land & flat.inside
    not_mask = gaussian_filter(np.clip(over_mask[code], -3, 3).astype(np.float32), 0.8) > 0
    printed = gaussian_filter(np.clip(over_print[code], -3, 3).astype(np.float32), 0.8) < -CLEAR_OF_PRINT
    # The edges of print are mixtures with the mask, and may have paste's colour.
    printed = cv2.dilate(printed.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    surely = gaussian_filter(np.clip(over_print[code], -3, 3).astype(np.float32), 1.0) > CLEAR_OF_PRINT
    return PasteBeside(not_mask=not_mask & ~printed & off_land, surely=surely & ~printed & off_land)


def joined_rows(
    flat: FlatBoard, beside: PasteBeside, shapes: dict[int, Polygon], picture: BoardPicture
) -> dict[int, set[int]]:
    """Return for each row those that its paste is joined with and must not be."""
    numbers = list(shapes)
    tree = STRtree([shapes[number] for number in numbers])
    found: dict[int, set[int]] = {}
    for number in numbers:
        for k in tree.query(shapes[number].buffer(BRIDGE_MM), predicate="intersects"):
            other = numbers[int(k)]
            if other <= number or may_touch(picture.rows[number], picture.rows[other]):
                continue
            if _joined(
                flat, beside, (picture.rows[number], picture.rows[other]), (shapes[number], shapes[other])
            ):
                found.setdefault(number, set()).add(other)
                found.setdefault(other, set()).add(number)
    return found


def _joined(
    flat: FlatBoard,
    beside: PasteBeside,
    rows: tuple[InspectedRow, InspectedRow],
    shapes: tuple[Polygon, Polygon],
) -> bool:
    hull = shapes[0].union(shapes[1]).convex_hull
    window = flat.window(hull.bounds, 0.05)
    lines, columns = beside.not_mask[window].shape
    if min(lines, columns) < 3:
        return False
    low = flat.at_mm(np.array(float(window[1].start)), np.array(float(window[0].start)))

    def mask(*areas: BaseGeometry) -> NDArray[np.uint8]:
        return drawn(areas, low, flat.scale, (columns, lines))

    own = mask(*shapes) > 0
    within = mask(hull.buffer(0.03)) > 0
    lands = (mask(rows[0].land) > 0) | (mask(rows[1].land) > 0)
    way = (beside.not_mask[window] | own | lands) & within
    wide = max(3, round(NECK_MM * flat.scale) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    solid = cv2.morphologyEx(way.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    _, labels = cv2.connectedComponents(solid, connectivity=4)
    first, second = (set(np.unique(labels[mask(shape) > 0]).tolist()) - {0} for shape in shapes)
    return bool(first & second)


def spills(
    flat: FlatBoard, beside: PasteBeside, shapes: dict[int, Polygon], picture: BoardPicture
) -> dict[int, Spill]:
    """Return for each row the paste that lies beside its outline and begins at it."""
    rows, columns = flat.land.shape
    owner = np.zeros((rows, columns), np.int32)
    numbers = list(shapes)
    for place, number in enumerate(numbers, start=1):
        window = flat.window(shapes[number].bounds, 0.02)
        size = owner[window].shape
        low = flat.at_mm(np.array(float(window[1].start)), np.array(float(window[0].start)))
        own = drawn([shapes[number]], low, flat.scale, (size[1], size[0])) > 0
        owner[window][own] = place
    if not owner.any():
        return {}
    away, near = cv2.distanceTransformWithLabels(
        (owner == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    names = np.zeros(int(near.max()) + 1, np.int32)
    names[near[owner > 0]] = owner[owner > 0]
    away_mm = np.asarray(away) / flat.scale
    land = cv2.dilate(flat.land.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    spilt = beside.surely & ~land & (away_mm > AROUND_MM)
    spilt = cv2.morphologyEx(spilt.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    count, labels = cv2.connectedComponents(spilt.astype(np.uint8), connectivity=8)
    found: dict[int, Spill] = {}
    for body in range(1, count):
        lines, cols = np.nonzero(np.asarray(labels) == body)
        area = len(lines) / flat.scale**2
        distance = away_mm[lines, cols]
        if not LEAST_MM2 < area < MOST_MM2 or distance.min() > TOUCH_MM:
            continue
        number = numbers[int(names[near[lines[distance.argmin()], cols[distance.argmin()]]]) - 1]
        last = found.get(number)
        found[number] = Spill(
            area_mm2=area + (last.area_mm2 if last else 0.0),
            reach_mm=max(float(distance.max()), last.reach_mm if last else 0.0),
        )
    return found

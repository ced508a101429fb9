"""A camera frame to the marks in it: round, square, cross or ring, with centres finer than a pixel.

    grey frame → threshold (each side of the mean of its two classes) → blobs of a sensible size → shape by area,
    hull and hole → centre as the mean of place, weighted by how far each pixel is from the background

The weighted mean is exact for a symmetric mark on an even background, whatever the blur, since blur moves no centre
of mass. The background is a plane fitted to a ring around the mark, so that a shadow across the frame does no harm.
Pixel (0, 0) has its centre at (0, 0); y runs down in the frame and up on the machine.
"""

from dataclasses import dataclass, replace
from math import cos, hypot, pi, radians, sin, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.problems import one_error
from pastewright.records.kinds import MarkKind

Grey = NDArray[np.uint8]
Floats = NDArray[np.float64]

LEAST_PX = 8  # of a mark's size: fewer pixels tell no shape
SIZE_WITHIN = 0.35  # of the size that was told
LEAST_CONTRAST = 12.0  # grey levels between mark and background
AROUND = 0.35  # of the mark's size: the ring in which the background is taken
MOST_BLOBS = 2000  # bounds the time on a picture full of texture; own choice
NEAR_LIKENESS = 0.8
"""Of the best likeness: marks less alike than this are named only when nothing else is there; own
choice."""
MOST_MARKS = 50  # more in one view are no fiducials; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenMark:
    """A mark: centre and size in pixels (diameter, side or span), contrast in grey levels, 0 to 1 how well it fits."""

    kind: MarkKind
    x_px: float
    y_px: float
    size_px: float
    contrast: float
    likeness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkView:
    """How a frame shows the board: its size, pixels' size, and how far it is turned against the axes."""

    width_px: int
    height_px: int
    mm_per_px: float
    turn_deg: float = 0.0

    def off_centre_mm(self, x_px: float, y_px: float) -> Point:
        """Return where a pixel is from the middle of the frame, along the machine's axes [mm]."""
        dx = (x_px - (self.width_px - 1) / 2) * self.mm_per_px
        dy = -(y_px - (self.height_px - 1) / 2) * self.mm_per_px
        c, s = cos(radians(self.turn_deg)), sin(radians(self.turn_deg))
        return c * dx - s * dy, s * dx + c * dy


def grey_of(frame: NDArray[np.uint8]) -> Grey:
    """Return a frame (height × width, or × 3 or 4 colours as OpenCV orders them) in grey."""
    if frame.ndim == 2:
        return frame
    if frame.ndim == 3 and frame.shape[2] in (3, 4):
        code = cv2.COLOR_BGR2GRAY if frame.shape[2] == 3 else cv2.COLOR_BGRA2GRAY
        return np.asarray(cv2.cvtColor(frame, code), dtype=np.uint8)
    raise one_error(f"a frame of shape {frame.shape} is no picture", "Give a grey or colour picture.")


def marks(
    frame: NDArray[np.uint8], *, kind: MarkKind | None = None, size_px: float | None = None
) -> tuple[SeenMark, ...]:
    """Return the marks of a frame, best first; of one kind or about one size where that is told."""
    grey = grey_of(frame)
    if min(grey.shape) < 2 * LEAST_PX:
        raise one_error(
            f"the picture is only {grey.shape[1]} × {grey.shape[0]} pixels", "Give a larger picture."
        )
    smooth = np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0), dtype=np.uint8)
    found: list[SeenMark] = []
    # A mark is lighter or darker than what is around it; both are looked for.
    for flip in (False, True):
        code = cv2.THRESH_BINARY_INV if flip else cv2.THRESH_BINARY
        whole, near = (_marks_in(mask, grey, dark=flip) for mask in _masks(smooth, code))
        found.extend(whole)
        # A threshold of the neighbourhood finds marks in uneven light, but draws them a little too large.
        found.extend(replace(mark, likeness=NEAR_LIKENESS * mark.likeness) for mark in near)
    fitting = [
        mark
        for mark in found
        if (kind is None or mark.kind is kind)
        and (size_px is None or abs(mark.size_px / size_px - 1) <= SIZE_WITHIN)
    ]
    fitting.sort(key=lambda mark: mark.likeness * mark.contrast, reverse=True)
    return tuple(_once(fitting)[:MOST_MARKS])


def _masks(smooth: NDArray[np.uint8], code: int) -> list[Grey]:
    """Return the frame in two classes: by one threshold for all of it, and by the neighbourhood of each pixel."""
    _, whole = cv2.threshold(smooth, 0, 255, code | cv2.THRESH_OTSU)
    block = max(min(smooth.shape) // 2, 15) | 1  # wider than a mark, or its middle would look like background
    near = cv2.adaptiveThreshold(
        smooth, 255, cv2.ADAPTIVE_THRESH_MEAN_C, code, block, -8 if code == cv2.THRESH_BINARY else 8
    )
    return [np.asarray(whole, dtype=np.uint8), np.asarray(near, dtype=np.uint8)]


def _marks_in(mask: Grey, grey: Grey, *, dark: bool) -> list[SeenMark]:
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if not contours or len(contours) > MOST_BLOBS:
        return []
    found = []
    for index, contour in enumerate(contours):
        _, _, child, parent = tree[0][index].tolist()
        if parent >= 0:
            continue  # a hole; its blob is looked at
        x, y, wide, high = cv2.boundingRect(contour)
        touches = x <= 1 or y <= 1 or x + wide >= mask.shape[1] - 1 or y + high >= mask.shape[0] - 1
        if touches or min(wide, high) < LEAST_PX or max(wide, high) > 0.9 * min(mask.shape):
            continue
        hole = cv2.contourArea(contours[child]) if child >= 0 else 0.0
        shape = _shape(np.asarray(contour), hole)
        if shape is None:
            continue
        kind, size, likeness = shape
        inner = np.asarray(contours[child]) if child >= 0 else None
        centre = _centre(grey, (x, y, wide, high), np.asarray(contour), inner, dark=dark)
        if centre is None:
            continue
        cx, cy, contrast = centre
        found.append(
            SeenMark(kind=kind, x_px=cx, y_px=cy, size_px=size, contrast=contrast, likeness=likeness)
        )
    return found


def _shape(contour: NDArray[np.int32], hole_px2: float) -> tuple[MarkKind, float, float] | None:
    """Return kind, size and likeness of a blob by its outline and the area of the hole in it."""
    # The outline runs through the middles of the outer pixels: half a pixel is missing all round.
    around = cv2.arcLength(contour, True)
    area = cv2.contourArea(contour) + around / 2 + 1
    hull = cv2.contourArea(cv2.convexHull(contour)) + around / 2 + 1
    (_, _), (a, b), _ = cv2.minAreaRect(contour)
    a, b = a + 1, b + 1
    if min(a, b) < 0.8 * max(a, b):
        return None  # no fiducial is long
    solid = area / hull
    fill = area / (a * b)  # 1 for a square, π/4 for a disc, less for a cross
    if hole_px2 > 0.04 * area and solid > 0.93 and abs(fill - pi / 4) < 0.07:
        return MarkKind.RING, sqrt(4 * area / pi), 1 - abs(fill - pi / 4) / 0.07
    if hole_px2 > 0.02 * area:
        return None
    if solid > 0.93 and abs(fill - pi / 4) < 0.055:
        return MarkKind.ROUND, sqrt(4 * area / pi), 1 - abs(fill - pi / 4) / 0.055
    if solid > 0.93 and fill > 0.9:
        return MarkKind.SQUARE, sqrt(area), min(1.0, (fill - 0.85) / 0.15)
    if 0.3 < solid < 0.85 and _four_arms(contour):
        return MarkKind.CROSS, max(a, b), 0.8
    return None


def _four_arms(contour: NDArray[np.int32]) -> bool:
    """Return whether an outline looks the same after a quarter turn about its middle, and half a turn differs none."""
    points = contour.reshape(-1, 2).astype(np.float64)
    low, high = points.min(axis=0), points.max(axis=0)
    side = int(max(high - low)) + 3
    mask = np.zeros((side, side), dtype=np.uint8)
    moments = cv2.moments(contour)
    if moments["m00"] == 0:
        return False
    cx, cy = moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]
    shifted = (points - (cx, cy) + (side - 1) / 2).round().astype(np.int32)
    cv2.fillPoly(mask, [shifted], 1)
    both = np.logical_and(mask, np.rot90(mask)).sum()
    either = np.logical_or(mask, np.rot90(mask)).sum()
    return bool(both > 0.8 * either)


def _centre(
    grey: Grey,
    where: tuple[int, int, int, int],
    contour: NDArray[np.int32],
    hole: NDArray[np.int32] | None,
    *,
    dark: bool,
) -> tuple[float, float, float] | None:
    """Return the centre of mass [px] of what differs from the background, and the contrast; None if it hardly does.

    What lies around a mark of the other shade has a mark-shaped hole too, but is no different from the background.
    """
    x, y, wide, high = where
    pad = max(4, round(AROUND * max(wide, high)))
    left, top = max(x - pad, 0), max(y - pad, 0)
    right, low = min(x + wide + pad, grey.shape[1]), min(y + high + pad, grey.shape[0])
    part = grey[top:low, left:right].astype(np.float64)
    blob = np.zeros(part.shape, dtype=np.uint8)
    cv2.fillPoly(blob, [(contour.reshape(-1, 2) - (left, top)).astype(np.int32)], 1)
    material = blob.copy()
    if hole is not None:
        cv2.fillPoly(material, [(hole.reshape(-1, 2) - (left, top)).astype(np.int32)], 0)
    # The blur of its edge belongs to the mark, and is no background.
    edge = max(2, round(0.12 * max(wide, high)))
    grown = np.asarray(cv2.dilate(blob, np.ones((2 * edge + 1, 2 * edge + 1), np.uint8)))
    ys, xs = np.mgrid[0 : part.shape[0], 0 : part.shape[1]].astype(np.float64)
    ground = grown == 0
    if ground.sum() < 12:
        return None
    columns = np.column_stack([np.ones(int(ground.sum())), xs[ground], ys[ground]])
    plane, *_ = np.linalg.lstsq(columns, part[ground], rcond=None)
    rest = part - (plane[0] + plane[1] * xs + plane[2] * ys)
    # A neighbour in the corner of the cut-out is no background; fit again without it.
    spread = 1.4826 * float(np.median(np.abs(rest[ground] - np.median(rest[ground])))) + 1.0
    near = ground & (np.abs(rest) < 4 * spread)
    if near.sum() >= 12:
        columns = np.column_stack([np.ones(int(near.sum())), xs[near], ys[near]])
        plane, *_ = np.linalg.lstsq(columns, part[near], rcond=None)
        rest = part - (plane[0] + plane[1] * xs + plane[2] * ys)
    if not material.any():
        return None
    sign = -1 if dark else 1
    mean = sign * float(rest[material == 1].mean())
    if mean < LEAST_CONTRAST:
        return None
    gap = (blob == 1) & (material == 0)
    if gap.any() and sign * float(rest[gap].mean()) > 0.5 * mean:
        return None  # what the threshold took for a hole is as bright as the mark itself
    weight = sign * rest * (grown == 1)
    total = float(weight.sum())
    if total <= 0:
        return None
    return left + float((weight * xs).sum()) / total, top + float((weight * ys).sum()) / total, mean


def _once(found: list[SeenMark]) -> list[SeenMark]:
    """Return each mark once, though it was found by several thresholds; a ring goes before the disc inside it."""
    kept: list[SeenMark] = []
    for mark in found:
        same = next(
            (
                k
                for k, other in enumerate(kept)
                if hypot(mark.x_px - other.x_px, mark.y_px - other.y_px)
                < max(2.0, 0.25 * min(mark.size_px, other.size_px))
            ),
            None,
        )
        if same is None:
            kept.append(mark)
        elif mark.kind is MarkKind.RING and kept[same].kind is not MarkKind.RING:
            kept[same] = mark
    return kept

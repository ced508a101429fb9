"""Few points of a plane and where a photo shows them, to how an ideal camera saw the plane: turn, tilt and distance.

A dozen dots in two lines do not tell the eight numbers of a homography. A camera without distortion, of a focal length
that is about known, has six. Who zooms or cuts a picture out makes that length several times what it was: taken for wide,
such a camera would have to stand upright, and what tilt shortens along the row would be read as width across it. So some
focal lengths are tried, and another one is taken where the points plainly lie better by it.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.photo.view import USUAL_FOCAL, PhotoView

Floats = NDArray[np.float64]

LEAST_POINTS = 6
"""Four tell a plane's pose; six still do when two are let go."""
LETS_GO = 4.0
"""Times the median distance, beyond which a point does not count."""
ROUNDS = 3
FOCALS = (1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0)
"""Times the focal length that is known or usual: a picture cut out, or zoomed, is never wider than the camera."""
DOUBLED = 2.0
"""ln of likelihood that a doubled focal length must gain (own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PosedPoints:
    """Points (points, 2) and where they are seen (points, 2), the photo's size, its focal length where it is known."""

    sheet_mm: Floats
    places_px: Floats
    width_px: int
    height_px: int
    focal_px: float | None


def fit_pose(points: PosedPoints) -> tuple[PhotoView, float, float | None]:
    """Return the view, the rms of what is left [mm], and None for the lens's distortion, which is not asked.

    The pose of a plane by its two possible tilts (T. Collins and A. Bartoli, Infinitesimal Plane-Based Pose Estimation,
    Int. J. Computer Vision 109 (2014) 252-286), then least squares in pixels; points far off are let go of. Raises
    ValueError for too few points, or such that tell no pose.
    """
    if len(points.sheet_mm) < LEAST_POINTS:
        raise ValueError(f"{len(points.sheet_mm)} points do not tell a view")
    kept = np.ones(len(points.sheet_mm), dtype=np.bool_)
    for _ in range(ROUNDS):
        view = _view(points, kept)
        off = np.linalg.norm(view.to_px(points.sheet_mm) - points.places_px, axis=1)
        near = off <= max(LETS_GO * float(np.median(off)), 0.5)
        if near.sum() < LEAST_POINTS or (near == kept).all():
            break
        kept = near
    off = np.linalg.norm(view.to_sheet(points.places_px) - points.sheet_mm, axis=1)
    return view, float(np.sqrt(np.mean(off[kept] ** 2))), None


def _view(points: PosedPoints, kept: NDArray[np.bool_]) -> PhotoView:
    """Return the view through the points that are kept, by the focal length that is likeliest."""
    usual_px = points.focal_px or USUAL_FOCAL * max(points.width_px, points.height_px)
    best: tuple[float, PhotoView] | None = None
    for longer in FOCALS:
        view, wrong = _posed(points, kept, longer * usual_px)
        # Normal scatter of unknown spread: its likelihood falls by the squares to the power of half their number.
        cost = int(kept.sum()) * float(np.log(max(wrong, 1e-9))) + DOUBLED * float(np.log2(longer))
        if best is None or cost < best[0]:
            best = cost, view
    assert best is not None  # FOCALS are not empty
    return best[1]


def _posed(points: PosedPoints, kept: NDArray[np.bool_], focal_px: float) -> tuple[PhotoView, float]:
    """Return the view of a camera of this focal length, and the sum of squares that are left [px²]."""
    middle_px = np.array([(points.width_px - 1) / 2, (points.height_px - 1) / 2])
    centre = points.sheet_mm.mean(axis=0)
    flat = np.column_stack([points.sheet_mm - centre, np.zeros(len(points.sheet_mm))])[kept]
    lens = np.array([[focal_px, 0.0, middle_px[0]], [0.0, focal_px, middle_px[1]], [0.0, 0.0, 1.0]])
    seen = np.ascontiguousarray(points.places_px[kept])
    try:
        count, turns, places, _ = cv2.solvePnPGeneric(flat, seen, lens, None, flags=cv2.SOLVEPNP_IPPE)
    except cv2.error as error:
        raise ValueError("these points tell no view") from error
    if not count:
        raise ValueError("these points tell no view")
    best: tuple[float, Floats] | None = None
    for first in zip(turns, places, strict=True):
        turn, place = cv2.solvePnPRefineLM(flat, seen, lens, None, *first)
        matrix = np.column_stack([np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)[:, :2], place.ravel()])
        lifted = np.column_stack([flat[:, :2], np.ones(len(flat))]) @ matrix.T
        wrong = float(np.sum(((lifted[:, :2] / lifted[:, 2:]) * focal_px + middle_px - seen) ** 2))
        if np.isfinite(wrong) and (best is None or wrong < best[0]):
            best = wrong, matrix
    if best is None:
        raise ValueError("these points tell no view")
    shift = np.array([[1.0, 0.0, -centre[0]], [0.0, 1.0, -centre[1]], [0.0, 0.0, 1.0]])
    radius_px = float(np.hypot(points.width_px, points.height_px)) / 2
    homography = np.diag([focal_px / radius_px, focal_px / radius_px, 1.0]) @ best[1] @ shift
    view = PhotoView(
        homography=homography / homography[2, 2],
        k1=0.0,
        width_px=points.width_px,
        height_px=points.height_px,
        focal_px=focal_px,
    )
    return view, best[0]

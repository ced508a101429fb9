"""Points of a plane and where a photo shows them, to how the camera saw the plane."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from pastewright.photo.view import PhotoView, bent

Floats = NDArray[np.float64]

K1_SD = 0.33  # of k1 [half diagonals]: weak, for many points that tell it themselves
K1_OF_PHONES = 0.05  # phones lie within it after their own correction (common practice): for few points
K1_TOLD = 4.0  # a distortion is reported as told when it is this many standard errors from zero


def fit_view(
    sheet_mm: Floats,
    places_px: Floats,
    width_px: int,
    height_px: int,
    *,
    scatter_px: float | None = None,
    k1_sd: float = K1_SD,
) -> tuple[PhotoView, float, float | None]:
    """Return the view through dot centres, the rms of what is left [mm], and k1 or None when it cannot be told.

    Least squares in pixels over eight numbers of the homography and k1, with a loss that lets go of outliers (their
    pull stops growing at three times the usual residual, or `scatter_px`). k1 has a prior around zero of
    `k1_sd`, so that it stays small when the photo cannot tell it.
    """
    radius = float(np.hypot(width_px, height_px) / 2)
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    seen = (places_px - middle) / radius
    centre, spread = sheet_mm.mean(axis=0), float(np.std(sheet_mm))
    normal = (sheet_mm - centre) / spread
    start = _direct(normal, seen)

    def residuals(values: Floats) -> Floats:
        matrix = np.append(values[:8], 1.0).reshape(3, 3)
        lifted = normal @ matrix[:, :2].T + matrix[:, 2]
        return np.asarray(bent(lifted[:, :2] / lifted[:, 2:], values[8]) - seen)

    values = np.append((start / start[2, 2]).ravel()[:8], 0.0)
    scale = scatter_px / radius if scatter_px else None
    for _ in range(3):
        left = residuals(values)
        usual = scale or max(1.4826 * float(np.median(np.linalg.norm(left, axis=1))), 1e-6)

        def cost(trial: Floats, usual: float = usual) -> Floats:
            pulled = residuals(trial) / (3 * usual)
            length = np.linalg.norm(pulled, axis=1, keepdims=True)
            eased = pulled * np.sqrt(2 * (np.sqrt(1 + length**2) - 1)) / np.maximum(length, 1e-12)
            return np.append(eased.ravel(), trial[8] / (3 * k1_sd))

        solved = least_squares(cost, values, method="lm")
        values = solved.x
    usual = max(1.4826 * float(np.median(np.linalg.norm(residuals(values), axis=1))) / 1.2, 1e-7)
    slopes = np.asarray(solved.jac, dtype=np.float64)
    covariance = np.linalg.pinv(slopes.T @ slopes) * (1 / 3) ** 2
    told = abs(values[8]) > K1_TOLD * float(np.sqrt(covariance[8, 8]))
    shift = np.array(
        [[1 / spread, 0, -centre[0] / spread], [0, 1 / spread, -centre[1] / spread], [0, 0, 1.0]]
    )
    homography = np.append(values[:8], 1.0).reshape(3, 3) @ shift
    view = PhotoView(homography=homography, k1=float(values[8]), width_px=width_px, height_px=height_px)
    off = np.linalg.norm(view.to_sheet(places_px) - sheet_mm, axis=1)
    near = off < max(4 * float(np.median(off)), 1e-9)
    return view, float(np.sqrt(np.mean(off[near] ** 2))), float(values[8]) if told else None


def _direct(points: Floats, seen: Floats) -> Floats:
    """Return the homography by the direct linear transform (Hartley & Zisserman, Multiple PhotoView Geometry, 4.1)."""
    x, y = points.T
    u, v = seen.T
    one, nil = np.ones_like(x), np.zeros_like(x)
    rows = np.vstack(
        [
            np.column_stack([x, y, one, nil, nil, nil, -u * x, -u * y, -u]),
            np.column_stack([nil, nil, nil, x, y, one, -v * x, -v * y, -v]),
        ]
    )
    return np.asarray(np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 3), dtype=np.float64)

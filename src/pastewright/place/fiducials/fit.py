"""Pairs of points to the map between them: rigid, similarity or affine, by least squares, with its error.

Rigid and similarity: S. Umeyama, Least-squares estimation of transformation parameters between two point
patterns, IEEE Trans. PAMI 13 (1991) 376–380, eqs. 34–43, in the plane. Affine: linear least squares, the two
machine coordinates apart. What a fit means for a board is judged in `register`.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.place.transform import Affine
from pastewright.records.kinds import FitKind as FitKind

Floats = NDArray[np.float64]


PARAMETERS = {FitKind.RIGID: 3, FitKind.SIMILARITY: 4, FitKind.AFFINE: 6}
"""Turn and shift; and scale; or two scales and skew."""
LEAST_POINTS = {FitKind.RIGID: 2, FitKind.SIMILARITY: 2, FitKind.AFFINE: 3}  # two numbers a point


@dataclass(frozen=True, slots=True, kw_only=True)
class MapFit:
    """A fitted map. `residuals_mm` (N×2) are found less fitted, machine.

    `spare` is how many measured numbers are left to check the fit with: 2·N less its parameters.
    """

    kind: FitKind
    affine: Affine
    residuals_mm: Floats
    spare: int

    @property
    def rms_point_mm(self) -> float:
        """Root mean square of the points' distances, √(Σr²/N) [mm]."""
        return sqrt(float((self.residuals_mm**2).sum()) / len(self.residuals_mm))

    @property
    def rms_coordinate_mm(self) -> float:
        """Root mean square of single coordinates, √(Σr²/2N) [mm]: the point value over √2."""
        return self.rms_point_mm / sqrt(2)

    @property
    def sigma_mm(self) -> float | None:
        """Measuring error of a coordinate as the residuals tell it, √(Σr²/spare) [mm]; None without spare."""
        return sqrt(float((self.residuals_mm**2).sum()) / self.spare) if self.spare > 0 else None


def fitted(from_mm: Floats, to_mm: Floats, kind: FitKind, *, mirrored: bool = False) -> MapFit:
    """Return the map that takes `from_mm` (N×2) nearest to `to_mm` (N×2), in the sense of least squares.

    Rigid and similarity are proper turns, or improper ones when `mirrored`; an affine map takes whatever side
    the points are on. Raises ValueError for fewer points than the kind needs, or points that do not fix it.
    """
    count = len(from_mm)
    if count < LEAST_POINTS[kind] or from_mm.shape != to_mm.shape or from_mm.shape != (count, 2):
        raise ValueError(f"a {kind} fit needs {LEAST_POINTS[kind]} pairs of points or more, not {count}")
    centre, centre_to = from_mm.mean(axis=0), to_mm.mean(axis=0)
    x, y = from_mm - centre, to_mm - centre_to
    matrix = _affine(x, y) if kind is FitKind.AFFINE else _umeyama(x, y, kind, mirrored=mirrored)
    shift = centre_to - matrix @ centre
    where = Affine(
        xx=float(matrix[0, 0]),
        xy=float(matrix[0, 1]),
        yx=float(matrix[1, 0]),
        yy=float(matrix[1, 1]),
        x_mm=float(shift[0]),
        y_mm=float(shift[1]),
    )
    return MapFit(
        kind=kind,
        affine=where,
        residuals_mm=y - x @ matrix.T,
        spare=2 * count - PARAMETERS[kind],
    )


def _umeyama(x: Floats, y: Floats, kind: FitKind, *, mirrored: bool) -> Floats:
    spread = float((x**2).sum())
    if spread == 0.0:
        raise ValueError("all points are one")
    u, d, vt = np.linalg.svd(y.T @ x)  # eq. 38, times N
    # eq. 39: the sign that makes the turn proper, or improper where it is asked for.
    proper = float(np.sign(np.linalg.det(u) * np.linalg.det(vt)))
    signs = np.array([1.0, -proper if mirrored else proper])
    turn: Floats = u @ np.diag(signs) @ vt  # eq. 40
    if kind is FitKind.SIMILARITY:
        turn *= float(d @ signs) / spread  # eq. 42
    return turn


def _affine(x: Floats, y: Floats) -> Floats:
    answer, _, rank, _ = np.linalg.lstsq(x, y, rcond=1e-9)
    if rank < 2:
        raise ValueError("points in one line do not fix an affine map")
    return np.array(answer.T, dtype=np.float64)


def error_covariances(fit: MapFit, from_mm: Floats, at_mm: Floats, *, sigma_mm: float) -> Floats:
    """Return the covariance (M×2×2, mm²) of where the map takes `at_mm` (M×2), for found points off by `sigma_mm`.

    `sigma_mm` is the standard deviation of each found coordinate, independent. First order:
    C(p) = σ²·J(p)·(Σ JᵢᵀJᵢ)⁻¹·J(p)ᵀ with J the derivative of the fitted place by the map's parameters.
    """
    centre = from_mm.mean(axis=0)
    jacobian = _jacobians(fit, from_mm - centre)
    normal = np.einsum("nia,nib->ab", jacobian, jacobian)
    spread = sigma_mm**2 * np.linalg.inv(normal)
    there = _jacobians(fit, at_mm - centre)
    answer: Floats = np.einsum("mia,ab,mjb->mij", there, spread, there)
    return answer


def _jacobians(fit: MapFit, points: Floats) -> Floats:
    """Return the derivatives of fitted places (N×2×parameters), points about the centre of the fit."""
    count = len(points)
    jacobian: Floats = np.zeros((count, 2, PARAMETERS[fit.kind]))
    jacobian[:, 0, 0] = jacobian[:, 1, 1] = 1.0
    if fit.kind is FitKind.AFFINE:
        jacobian[:, 0, 2:4] = points
        jacobian[:, 1, 4:6] = points
        return jacobian
    image = points @ fit.affine.matrix.T
    jacobian[:, 0, 2], jacobian[:, 1, 2] = -image[:, 1], image[:, 0]  # turning by a little
    if fit.kind is FitKind.SIMILARITY:
        jacobian[:, :, 3] = image / fit.affine.scale_x  # stretching by a little
    return jacobian


def leverages(fit: MapFit, from_mm: Floats) -> Floats:
    """Return how much each point (N) holds the fit to itself [-]: the mean of its two diagonal entries of the hat matrix."""
    own = error_covariances(fit, from_mm, from_mm, sigma_mm=1.0)
    answer: Floats = np.trace(own, axis1=1, axis2=2) / 2
    return answer

"""Where the dots' bases have their middles on the common picture: (places found, radii, places commanded) → an offset.

Light and shade draw whatever is found of a dot to one side, by a share of its radius that is the same for all dots. The
sheet's dots have many sizes, in mixed order, and lie where they were commanded: so what is common to all is the view,
and what grows with the radius is the offset. It is found without looking at any edge, by

    found − commanded = view's correction + offset · radius

where the correction is that of a plane seen in perspective, to first order. Huber's weights let go of dots that
were dragged, and of dirt (P. J. Huber, Annals of Mathematical Statistics 35 (1964) 73-101).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDS = 10
LETS_GO = 2.0  # times the usual distance, beyond which a dot's pull stops growing
NEVER_SURER = (
    0.012  # radii: caps are not quite round about their places (measured on photos rendered for development)
)
LEAST_TOLD_BY = 8  # dots; fewer do not tell eight numbers
# Dots that tell a plane's perspective as well; those of a witness row, a dozen in two lines, tell turn, scale and shear.
PERSPECTIVE_TOLD_BY = 20
TAME = 1e-9  # of a dot's weight: dots of one size leave the offset's error huge instead of unknown
UNTOLD = 0.1  # radii: the error where nothing tells the offset
# The offset along an axis, usually, one standard deviation [radii]: 0.07 on 60 photos of rows rendered for development.
USUAL = 0.07


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Middle:
    """Where the bases' middle lies, from where dots were found, and its standard error; both in radii, (2) and scalar."""

    place: Floats
    sd: float


def middle_of_bases(centres: Floats, radii: Floats, commanded: Floats, good: NDArray[np.bool_]) -> Middle:
    """Return the middle; `centres`, `commanded` (dots, 2), `radii` (dots) [mm], `good` the dots that may tell."""
    if good.sum() < LEAST_TOLD_BY:
        return Middle(place=np.zeros(2), sd=UNTOLD)
    x, y = ((commanded - commanded.mean(axis=0)) / float(np.std(commanded))).T
    size = float(np.median(radii[good]))
    r, one, nil = radii / size, np.ones_like(x), np.zeros_like(x)
    far_x, far_y = ([x * x, x * y], [x * y, y * y]) if good.sum() >= PERSPECTIVE_TOLD_BY else ([], [])
    along_x = np.stack([one, x, y, nil, nil, nil, *far_x, r, nil], axis=-1)
    along_y = np.stack([nil, nil, nil, one, x, y, *far_y, nil, r], axis=-1)
    basis = np.concatenate([along_x, along_y])
    off = (centres - commanded).T.ravel()
    weight = np.tile(good.astype(np.float64), 2)
    solved, usual = np.zeros(basis.shape[1]), 0.0
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        solved = np.linalg.lstsq(basis * root[:, None], off * root, rcond=None)[0]
        rest = np.linalg.norm((off - basis @ solved).reshape(2, -1), axis=0)
        usual = max(float(np.median(rest[good])), 1e-9)
        weight = np.tile(good / np.maximum(1.0, rest / (LETS_GO * usual)), 2)
    # The median distance of a plane normal scatter is 1.18 of its standard deviation along an axis.
    normal = (basis * weight[:, None]).T @ basis
    covariance = np.linalg.inv(normal + TAME * np.eye(len(normal))) * (usual / 1.18) ** 2
    error = float(np.sqrt(np.mean(np.diag(covariance)[-2:]))) / size
    if good.sum() < PERSPECTIVE_TOLD_BY:
        free = (
            2 * int(good.sum()) - basis.shape[1]
        )  # few dots fit themselves: what is left of them is less than their scatter
        error *= float(np.sqrt(2 * good.sum() / free))
        share = USUAL**2 / (USUAL**2 + error**2)
        return Middle(
            place=-share * solved[-2:] / size, sd=float(np.hypot(np.sqrt(share) * error, NEVER_SURER))
        )
    return Middle(place=-solved[-2:] / size, sd=min(float(np.hypot(error, NEVER_SURER)), UNTOLD))

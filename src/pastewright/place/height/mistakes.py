"""Probed points that do not belong to the others: rejected, or the reason to refuse."""

from collections.abc import Sequence
from math import hypot

import numpy as np

from pastewright.place.surface import Box, Floats
from pastewright.problems import one_error

# Deleted residual over its own standard error; 4.5 is far outside of what chance does with some twenty points.
ODD_RATIO = 4.5
ODD_MM = 0.05
"""No probe is surer than this, so nothing nearer is called a mistake (repeatability of a switch and the board's own
roughness; own choice)."""
QUADRATIC_FROM = 12
"""Twice the six terms of a quadratic: enough points to check one."""
MOST_REJECTED = 0.25
"""Where more of the points would go, it is not the points that are wrong; own choice."""
WARN_BOW = 0.0075
"""Bow over the board's diagonal that is allowed for boards with surface-mounted parts (IPC-6012, from memory)."""


def _terms(points: Floats) -> Floats:
    """Return the columns of a plane, or of a quadratic where there are points enough to check one."""
    x, y = (points[:, :2] - points[:, :2].mean(axis=0)).T
    ones = np.ones_like(x)
    columns = [ones, x, y] if len(points) < QUADRATIC_FROM else [ones, x, y, x * x, x * y, y * y]
    answer: Floats = np.stack(columns, axis=1)
    return answer


def without_mistakes(points: Floats, box_mm: Box, file: str) -> tuple[list[int], list[int]]:
    """Return which points to keep, and which are mistakes, worst first.

    Few points are judged by a plane, and a board held at its edges may rise in the middle alone: there only what
    no board can bow by is a mistake.
    """
    x0, y0, x1, y1 = box_mm
    bow_mm = max(ODD_MM, WARN_BOW * hypot(x1 - x0, y1 - y0))
    kept = list(range(len(points)))
    rejected: list[int] = []
    while len(kept) >= 5:
        good = points[kept]
        terms = _terms(good)
        hat = np.einsum("ij,jk,ik->i", terms, np.linalg.pinv(terms.T @ terms), terms)
        answer, *_ = np.linalg.lstsq(terms, good[:, 2], rcond=None)
        residual = good[:, 2] - terms @ answer
        free = np.maximum(1 - hat, 1e-3)
        spare = len(kept) - terms.shape[1]
        if spare < 2:
            break
        deleted = residual / free
        others = np.maximum((residual**2).sum() - residual**2 / free, 0.0) / (spare - 1)
        ratio = np.abs(residual) / np.sqrt(np.maximum(others * free, 1e-12))
        worst = int(np.abs(deleted).argmax())
        least_mm = bow_mm if len(kept) < QUADRATIC_FROM else ODD_MM
        if not (ratio[worst] > ODD_RATIO and abs(deleted[worst]) > least_mm):
            break
        rejected.append(kept.pop(worst))
        if len(rejected) > MOST_REJECTED * len(points):
            raise one_error(
                f"{len(rejected)} of {len(points)} probe points do not agree with the others",
                "Look at the probe and at the board's clamps, and probe again.",
                file=file,
            )
    return kept, rejected


def rejected_words(points: Floats, rejected: Sequence[int]) -> list[str]:
    """Return what is said of the points that were left out."""
    return [
        f"probe point {k + 1} at ({points[k, 0]:.2f}, {points[k, 1]:.2f}), height {points[k, 2]:.3f} mm, is left out:"
        " the others say otherwise"
        for k in rejected
    ]

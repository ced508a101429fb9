"""Do two rows of numbers rise together? Spearman's rank correlation, without the second that scipy.stats takes to load."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def rank_correlation(first: Sequence[float] | Floats, second: Sequence[float] | Floats) -> float:
    """Return Spearman's ρ: Pearson's correlation of the ranks, equal values sharing theirs; nan where one is constant.

    C. Spearman, American Journal of Psychology 15 (1904) 72-101.
    """
    a, b = (_ranks(np.asarray(values, dtype=np.float64)) for values in (first, second))
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 0 else float("nan")


def _ranks(values: Floats) -> Floats:
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count - 1) / 2)[place], dtype=np.float64)

"""Points that fill a unit cube evenly: Halton's sequence, without the second that scipy.stats takes to load.

J. H. Halton, Numerische Mathematik 2 (1960) 84–90: the digits of 0, 1, 2, … in a prime base, mirrored at the point.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97)
"""One a dimension; a fit has fewer constants."""


def halton(count: int, *, dimensions: int) -> Floats:
    """Return `count` points of the sequence (count×dimensions, 0 to 1, the first is zero), as scipy's unscrambled one.

    ValueError for more dimensions than there are primes here.
    """
    if dimensions > len(PRIMES):
        raise ValueError(f"points of {dimensions} dimensions; there are primes for {len(PRIMES)}")
    numbers = np.arange(count)
    return np.column_stack([_mirrored(numbers, base) for base in PRIMES[:dimensions]])


def _mirrored(numbers: NDArray[np.int64], base: int) -> Floats:
    """Return each number with its digits in a base behind the point, in the opposite order."""
    found, rest, place = np.zeros(len(numbers)), numbers, 1.0 / base
    while rest.any():
        rest, digit = np.divmod(rest, base)
        found += digit * place
        place /= base
    return found

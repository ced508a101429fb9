"""Halton's points against scipy's, to the last bit: plans and fits must not change with who makes them."""

import numpy as np
import pytest
from scipy.stats import qmc

from pastewright.halton import PRIMES, halton


@pytest.mark.parametrize("dimensions", [1, 5, 11, len(PRIMES)])
def test_the_points_are_those_of_scipy(dimensions):
    ours = halton(1000, dimensions=dimensions)
    assert np.array_equal(ours, qmc.Halton(d=dimensions, scramble=False).random(1000))


def test_the_first_points_are_right_by_hand():
    # In base 2: 0, 0.1, 0.01, 0.11; in base 3: 0, 0.1, 0.2, 0.01.
    assert halton(4, dimensions=2).tolist() == [[0, 0], [1 / 2, 1 / 3], [1 / 4, 2 / 3], [3 / 4, 1 / 9]]


def test_more_dimensions_than_primes_are_refused():
    with pytest.raises(ValueError, match="there are primes for 25"):
        halton(3, dimensions=26)

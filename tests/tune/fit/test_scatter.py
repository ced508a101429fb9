"""The scatter of single dots out of how far they are from the model."""

import numpy as np
import pytest

from pastewright.tune.fit.scatter import scatter_of


def drawn(scatter, count, rng):
    read = rng.uniform(0.01, 0.04, count)
    # The model itself may miss a percent.
    return rng.normal(0.0, np.sqrt(scatter**2 + 0.01**2 + read**2)), read


@pytest.mark.parametrize("scatter", [0.025, 0.04, 0.08])
def test_many_dots_tell_their_scatter_whatever_the_reader_adds(scatter):
    off, read = drawn(scatter, 2000, np.random.default_rng(4))
    assert scatter_of(off, read, free=0.0) == pytest.approx(scatter, rel=0.08)


def test_strangers_do_not_make_the_others_scatter():
    off, read = drawn(0.03, 400, np.random.default_rng(5))
    off[:8] = 1.0
    assert scatter_of(off, read, free=0.0) < 0.04


def test_constants_that_the_dots_told_are_no_dots_to_judge_by():
    """What a fit of twenty constants leaves of forty dots is smaller by the root of a half."""
    rng = np.random.default_rng(6)
    read = np.full(40, 0.005)
    off = rng.normal(0.0, 0.04, 40) * np.sqrt(0.5)
    assert scatter_of(off, read, free=20.0) > 1.15 * scatter_of(off, read, free=0.0)


def test_few_dots_stay_near_what_is_usual():
    assert 0.015 < scatter_of(np.full(3, 0.001), np.full(3, 0.01), free=0.0) < 0.04

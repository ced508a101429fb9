"""Which gap is unlike the others, on steps made up by hand."""

import numpy as np
import pytest

from pastewright.inspect.unlike import SeenGap, unlike


def gap(step: float, width_mm: float = 0.3, long: bool = False) -> SeenGap:
    return SeenGap(width_mm=width_mm, long=long, step=step)


def test_a_step_is_told_against_those_of_the_other_gaps():
    found = unlike([gap(3.0), *(gap(1.0 + d) for d in (-0.4, -0.2, -0.1, 0.1, 0.2, 0.4))])
    # By hand: the others' median is 1, the median distance from it 0.2, and 0.15 is always granted.
    assert found[0] == pytest.approx(2.0 / np.hypot(1.4826 * 0.2, 0.15))
    assert all(one is not None and abs(one) < 2 for one in found[1:])


def test_the_same_step_is_nothing_where_every_gap_shows_it():
    assert unlike([gap(3.0)] * 8) == (0.0,) * 8


def test_gaps_of_another_width_or_between_beads_tell_nothing():
    few = [gap(0.0)] * 5
    assert unlike([gap(3.0), *few])[0] is None
    assert unlike([gap(3.0), *few, gap(0.0, width_mm=0.9), gap(0.0, long=True), gap(-np.inf)])[0] is None
    assert unlike([gap(3.0), *few, gap(0.0, width_mm=0.5)])[0] == pytest.approx(20.0)


def test_a_gap_that_could_not_be_looked_at_is_not_told():
    assert unlike([gap(-np.inf), *[gap(0.0)] * 8])[0] is None

"""Predicted and simulated spreads agree, class by class, over benches drawn from the covariance that a sheet leaves."""

import pytest
from tolerance_trials import size_classes

from pastewright.board.model import Side

BENCHES = 200


@pytest.mark.campaign
def test_predicted_spreads_are_those_of_two_hundred_benches():
    """But for the few largest deposits, right after the short strip, which answer to so much doubt (the index
    0.1, seven times the air) with more than a straight line says: told in docs/tolerance.md.
    """
    for one in size_classes(Side.TOP, BENCHES):
        if one.deposits < 10:
            assert (0.25 if one.first else 0.7) < one.predicted / one.simulated < 1.2, one
        else:
            assert one.predicted == pytest.approx(one.simulated, rel=0.20), one


def test_predicted_spreads_are_about_those_of_a_few_benches():
    """Twelve benches tell a standard deviation to a fifth (1/√(2·11)); three times that is allowed."""
    for one in size_classes(Side.BOTTOM, 12):
        assert 0.4 < one.predicted / one.simulated < 1.6, one

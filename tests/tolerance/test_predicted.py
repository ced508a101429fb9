"""Predicted and simulated spreads agree, class by class, over benches drawn from the covariance that a sheet leaves."""

import pytest
from tolerance_trials import size_classes

from pastewright.board.model import Side

BENCHES = 200


@pytest.mark.campaign
def test_predicted_spreads_are_those_of_two_hundred_benches():
    for one in size_classes(Side.TOP, BENCHES):
        assert one.predicted == pytest.approx(one.simulated, rel=0.20), one


def test_predicted_spreads_are_about_those_of_a_few_benches():
    """Twelve benches tell a standard deviation to a fifth (1/√(2·11)); three times that is allowed."""
    for one in size_classes(Side.BOTTOM, 12):
        assert 0.4 < one.predicted / one.simulated < 1.6, one

"""How far deposits of the demo board are off on a bench that is not quite as profiled, by the bench written apart."""

import numpy as np
import pytest
from demo_plans import plan_of
from virtual_bench import lay, truth_of

from pastewright.board.model import Side


def errors_95(plan, **changes):
    """95th percentile of the deposits' errors [-]."""
    laid = lay(plan.motions, truth_of(plan.profile, start_kpa=plan.bench.rest_kpa, **changes))
    errors = [laid.mean_ul.get(d.index, 0.0) / d.volume_ul - 1 for d in plan.layout.deposits]
    return float(np.percentile(np.abs(errors), 95))


@pytest.fixture(scope="module")
def top():
    return plan_of(Side.TOP)


def test_a_true_profile_is_met_within_a_per_cent(top):
    assert errors_95(top) < 0.01


# Before pushes were shared these were 0.21, 0.23, 0.41 and 0.16 (measured on the same bench).
@pytest.mark.parametrize(
    ("constant", "change", "most"),
    [
        ("frame_n_mm", lambda was: 0.9 * was, 0.07),
        ("consistency", lambda was: 0.9 * was, 0.075),
        ("index", lambda was: was - 0.02, 0.125),
        ("bubble_ul", lambda was: was + 2.0, 0.06),
    ],
)
def test_a_bench_that_is_a_little_off_shows_it_little(top, constant, change, most):
    was = getattr(truth_of(top.profile), constant)
    assert errors_95(top, **{constant: change(was)}) < most

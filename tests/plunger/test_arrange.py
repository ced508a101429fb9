"""The order of groups: against every order there is, and never worse than the one that was given."""

from itertools import permutations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.plunger.arrange import MOST_GROUPS, Groups, arranged, error_of


def groups_from(seed, count):
    """Groups as boards have them: pushes falling, small dots pass on most, beads little; errors about the push's."""
    rng = np.random.default_rng(seed)
    push = np.sort(rng.uniform(4.0, 14.0, count))[::-1]
    volume = rng.uniform(0.05, 0.6, count)
    passed = np.clip(1 - rng.uniform(1.0, 4.0, count) * volume / push, 0.05, 0.98)
    sizes = np.array([0.1, 0.1, 0.06, 0.02])
    left = np.outer(push, sizes) * rng.uniform(0.9, 1.1, (count, 4)) * (1 - passed)[:, None]
    return Groups(
        laid=-left / volume[:, None],
        left=left,
        by_start=(1 - passed) / volume,
        passed=passed,
        count=rng.integers(1, 30, count),
    )


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.integers(1, 12))
def test_an_order_has_all_groups_begins_as_given_and_is_no_worse(seed, count):
    groups, start = groups_from(seed, count), np.full(4, 0.3)
    order = arranged(groups, start)
    assert sorted(order) == list(range(count))
    assert order[0] == 0
    assert error_of(groups, order, start) <= error_of(groups, list(range(count)), start) * (1 + 1e-12)


def test_it_comes_near_the_best_of_all_orders():
    gained = []
    for seed in range(12):
        groups, start = groups_from(seed, 6), np.full(4, 0.3)
        every = [error_of(groups, [0, *rest], start) for rest in permutations(range(1, 6))]
        found = error_of(groups, arranged(groups, start), start)
        assert found <= 1.1 * min(every)
        gained.append(found / every[0])
    assert min(gained) < 0.9  # or there was nothing to gain


def test_an_error_is_that_of_the_chain_worked_out_by_hand():
    groups = Groups(
        laid=np.array([[-0.1], [0.0]]),
        left=np.array([[0.2], [0.0]]),
        by_start=np.array([1.0, 2.0]),
        passed=np.array([0.5, 0.25]),
        count=np.array([1, 2]),
    )
    # s: 0.4, then 0.2 + 0.5·0.4 = 0.4, then 0.1; errors −0.1 + 0.4 = 0.3, 2·0.4 = 0.8, 2·0.1 = 0.2.
    assert np.isclose(error_of(groups, [0, 1], np.array([0.4])), 0.8)
    # The other way round: 2·0.4 = 0.8, 2·0.1 = 0.2, −0.1 + 0.025 = −0.075.
    assert np.isclose(error_of(groups, [1, 0], np.array([0.1])), 0.2)


def test_more_groups_than_are_looked_at_stay_as_they_are():
    count = MOST_GROUPS + 1
    assert arranged(groups_from(1, count), np.zeros(4)) == list(range(count))

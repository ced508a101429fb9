"""Learning from board to board on the bench written apart: a small board in the suite, the demo's under campaign."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from learning_trial import Batch, BoardTold, demo_top, fitted_bench, one_dot, swings, widened, worked
from small_board import small_board
from virtual_bench import truth_of

from pastewright.learn.belief import NAMES, Belief, seen_of
from pastewright.learn.update import MOST_CHANGE, RowAnswer
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile


def test_a_few_boards_follow_a_paste_that_loses_its_body():
    profile = parse_profile(example_text(DEMO), DEMO)
    belief = Belief(seen=seen_of(profile), covariance=np.diag(np.full(len(NAMES), 0.02) ** 2))
    batch = Batch(boards=6, consistency=-0.15, gain=0.0, refills=(), seed=4)
    with_it = worked(profile, truth_of(profile), small_board, batch, belief=belief)
    without = worked(profile, truth_of(profile), small_board, batch, belief=belief, learning=False)
    assert with_it[-1].error_95 < 0.6 * without[-1].error_95
    assert max(one.error_95 for one in with_it[1:]) < 0.06
    assert all(one.taught is not None and one.taught.change <= MOST_CHANGE for one in with_it)


SEEDS = (1, 2, 3)


@cache
def told(seed: int, *, learning: bool) -> list[BoardTold]:
    profile, truth = fitted_bench(seed)
    return worked(profile, truth, demo_top, Batch(seed=seed), learning=learning)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", SEEDS)
def test_thirty_boards_stay_within_six_per_cent_and_do_not_swing(seed):
    boards = told(seed, learning=True)
    assert np.percentile([one.error_95 for one in boards[1:]], 95) <= 0.06
    assert swings(boards) > -0.5
    assert all(one.taught is not None and one.taught.answer is not RowAnswer.STOP for one in boards)


SHORT = Batch(boards=7, consistency=-0.035, gain=0.005, refills=(), seed=SEEDS[0])


@cache
def honest() -> list[BoardTold]:
    profile, truth = fitted_bench(SEEDS[0])
    return worked(profile, truth, demo_top, SHORT)


@pytest.mark.campaign
@pytest.mark.parametrize(
    "false", [widened(1.12), widened(0.92), widened(1.04), one_dot(3, 1.5), one_dot(9, 0.7)]
)
def test_a_planted_false_reading_changes_no_board_by_more_than_three_per_cent(false):
    profile, truth = fitted_bench(SEEDS[0])
    fooled = worked(profile, truth, demo_top, replace(SHORT, false_at={5: false}))
    for one, other in zip(honest()[5:], fooled[5:], strict=True):
        assert np.percentile(np.abs(other.over / one.over - 1), 95) <= 0.03

"""Benches that a fit leaves possible: straight where the data are, bent where they bend, and never too few."""

import numpy as np
import pytest

from pastewright.tune.fit.drawn import (
    COUNTING,
    DRAWN,
    DrawnBenches,
    Valley,
    drawn_in,
    drawn_straight,
    quantile_of,
    tempered,
    together,
)

COUNT = 2000


def counting(weights):
    return float(weights.sum() ** 2 / (weights @ weights))


def valley_of(told, slopes, prior_sd):
    """A valley about zero whose residuals are `told`; the cost is half of all squares, as of normal errors."""
    centre = np.zeros(len(prior_sd))
    return Valley(
        centre=centre,
        slopes=np.asarray(slopes, dtype=float),
        prior_sd=np.asarray(prior_sd, dtype=float),
        told=told,
        cost=lambda x, rows: 0.5 * (rows**2).sum(axis=0) + 0.5 * ((x / prior_sd) ** 2).sum(axis=1),
        inside=lambda x: x,
    )


def test_straight_draws_have_the_covariance_and_count_alike():
    covariance = np.array([[4.0, 1.5], [1.5, 1.0]])
    found = drawn_straight(np.array([1.0, -2.0]), covariance, COUNT)
    assert np.allclose(found.weights, 1 / COUNT)
    assert found.vectors.mean(axis=0) == pytest.approx(
        [1.0, -2.0], abs=1e-9
    )  # each draw has its mirror image
    assert np.cov(found.vectors.T) == pytest.approx(covariance, rel=0.25)


def test_where_the_data_are_straight_nothing_moves_and_all_count_alike():
    # One datum of x + y to 0.1, priors of 1 and 2: by hand the covariance is the inverse of [[101, 100], [100, 100.25]].
    slopes = np.array([[10.0, 10.0]])
    found = drawn_in(valley_of(lambda x: slopes @ x.T, slopes, np.array([1.0, 2.0])), COUNT)
    assert counting(found.weights) == pytest.approx(COUNT, rel=1e-6)
    assert np.cov(found.vectors.T) == pytest.approx(np.linalg.inv([[101.0, 100.0], [100.0, 100.25]]), rel=0.2)


def test_draws_follow_a_valley_that_bends_and_what_is_not_told_keeps_its_spread():
    # y = x²/4 is told to 0.1, x to 3 by its prior, z not at all.
    def told(x):
        return ((x[:, 1] - 0.25 * x[:, 0] ** 2) / 0.1)[None, :]

    prior_sd = np.array([3.0, 20.0, 5.0])
    slopes = np.array([[0.0, 10.0, 0.0]])
    straight = drawn_straight(np.zeros(3), np.diag([9.0, 0.01, 25.0]), COUNT)
    found = drawn_in(valley_of(told, slopes, prior_sd), COUNT)
    assert np.abs(told(straight.vectors)).max() > 50
    assert quantile_of(np.abs(told(found.vectors)[0]), found.weights, 0.95) < 3.0
    for axis in (0, 2):
        spread = np.sqrt(found.weights @ found.vectors[:, axis] ** 2)
        assert spread == pytest.approx(prior_sd[axis], rel=0.15)


def test_no_handful_of_draws_carries_all_where_the_data_shut_most_of_them_out():
    # A wall that slopes do not know of: beyond 1 nothing is possible.
    def told(x):
        return np.where(x[:, 0] > 1.0, 500.0, 0.0)[None, :]

    found = drawn_in(valley_of(told, np.array([[0.0]]), np.array([10.0])), COUNT)
    assert counting(found.weights) >= 0.99 * COUNTING * COUNT
    outside = found.vectors[:, 0] > 1.0
    # By hand: half of the draws at a, half at 1, (1 + a)²/2(1 + a²) = 0.8 at a = 1/3.
    assert found.weights[outside].mean() < 0.4 * found.weights[~outside].mean()


def test_modes_count_by_their_likelihoods():
    parts = [
        DrawnBenches(np.zeros((DRAWN, 1)), np.full(DRAWN, 1 / DRAWN)),
        DrawnBenches(np.ones((3, 1)), np.ones(3) / 3),
    ]
    found = together(parts, [1.0, 0.25])
    assert found.weights[found.vectors[:, 0] > 0.5].sum() == pytest.approx(0.2)
    assert found.weights.sum() == pytest.approx(1.0)


def test_the_power_is_one_where_enough_count_and_less_where_they_do_not():
    mild = np.array([0.0, -0.1, -0.2, -0.3])
    assert tempered(mild) == pytest.approx(np.exp(mild) / np.exp(mild).sum())
    steep = tempered(-100.0 * np.arange(8.0), counting=0.25)
    assert counting(steep) == pytest.approx(2.0, rel=1e-3)
    assert np.all(np.diff(steep) < 0)


def test_a_quantile_counts_weights():
    values, weights = np.array([3.0, 1.0, 2.0]), np.array([0.1, 0.6, 0.3])
    assert quantile_of(values, weights, 0.5) == 1.0
    assert quantile_of(values, weights, 0.85) == 2.0
    assert quantile_of(values, weights, 0.95) == 3.0

"""Control charts and intervals against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.learn.charts import (
    AlarmRule,
    c4_of,
    cp_interval,
    ewma,
    individuals,
    proportion_interval,
    spreads,
    western_electric,
)

# e-Handbook 6.3.2.2, flowrate of ten batches (numbers from memory; the limits come out to all digits).
FLOWRATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)

# e-Handbook 6.3.2.4, twenty points, with their EWMA for λ = 0.3 from EWMA₀ = 50 (from memory; reproduced).
POINTS = (
    52.0,
    47.0,
    53.0,
    49.3,
    50.1,
    47.0,
    51.0,
    50.1,
    51.2,
    50.5,
    49.6,
    47.6,
    49.9,
    51.3,
    47.8,
    51.2,
    52.6,
)
SMOOTHED = (50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05)


def test_individuals_of_the_handbook():
    chart = individuals(FLOWRATE)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.high[0] == pytest.approx(55.8041, abs=5e-4)
    assert chart.low[0] == pytest.approx(45.8159, abs=5e-4)
    assert chart.alarms == ()


def test_ewma_of_the_handbook():
    chart = ewma(POINTS, start=50.0, sigma=2.0539)
    assert chart.high[0] == pytest.approx(52.5884, abs=5e-4)
    assert chart.low[0] == pytest.approx(47.4115, abs=5e-4)
    assert chart.values[: len(SMOOTHED)] == pytest.approx(SMOOTHED, abs=6e-3)


@pytest.mark.parametrize(
    ("count", "value"),  # e-Handbook 6.3.2.1, table of c₄
    [(2, 0.7979), (3, 0.8862), (4, 0.9213), (5, 0.9400), (10, 0.9727)],
)
def test_c4_of_the_table(count, value):
    assert c4_of(count) == pytest.approx(value, abs=5e-5)


def test_exact_limits_of_the_handbook():
    """e-Handbook 7.2.4.1: 4 of 20 defective, 90 % (from memory; reproduced)."""
    low, high = proportion_interval(4, 20, confidence=0.90)
    assert low == pytest.approx(0.071354, abs=1e-6)
    assert high == pytest.approx(0.401029, abs=1e-6)


def test_none_of_many_is_below_three_in_many():
    """The rule of three: none of n is less than 3/n with 95 % on one side; by hand 1 − 0.05^(1/n)."""
    low, high = proportion_interval(0, 100, confidence=0.90)
    assert low == 0
    assert high == pytest.approx(1 - 0.05 ** (1 / 100), rel=1e-9)


@given(st.integers(1, 300), st.data())
def test_an_exact_interval_holds_its_proportion_and_is_symmetrical(of, data):
    found = data.draw(st.integers(0, of))
    low, high = proportion_interval(found, of)
    assert 0 <= low <= found / of <= high <= 1
    other_low, other_high = proportion_interval(of - found, of)
    assert (1 - other_high, 1 - other_low) == pytest.approx((low, high), abs=1e-9)


def test_the_interval_of_a_cp_covers_as_often_as_it_says():
    rng = np.random.default_rng(3)
    sds = rng.normal(0.0, 1.0, (4000, 30)).std(axis=1, ddof=1)
    truth = 2.0  # limits 12 apart about σ = 1
    inside = [low <= truth <= high for low, high in (cp_interval(12 / (6 * sd), 30) for sd in sds)]
    assert np.mean(inside) == pytest.approx(0.95, abs=0.012)  # three standard errors of 4000 draws


def test_spreads_of_equal_boards_have_the_handbooks_limits():
    chart = spreads([0.1] * 6, [5] * 6)
    c4 = c4_of(5)
    assert chart.centre == pytest.approx(0.1 * c4)
    assert chart.high[0] - chart.centre == pytest.approx(3 * 0.1 * (1 - c4**2) ** 0.5)
    assert spreads([0.1] * 6 + [0.5], [5] * 7).alarms[0].at == 6


@pytest.mark.parametrize(
    ("z", "rule"),
    [
        ((0, 0, 3.1), AlarmRule.BEYOND),
        ((0, 2.1, 0, 2.2), AlarmRule.TWO_OF_THREE),
        ((1.1, 1.2, 0, 1.3, 1.1), AlarmRule.FOUR_OF_FIVE),
        ((-0.1, -0.2, -0.1, -0.3, -0.1, -0.2, -0.1, -0.2), AlarmRule.SIDE),
        ((-0.9, -0.6, -0.3, 0.1, 0.4, 0.8), AlarmRule.TREND),
    ],
)
def test_each_rule_alarms_at_the_point_that_ends_it(z, rule):
    alarms = western_electric(np.array(z, dtype=float), 0.0, 1.0)
    assert (alarms[-1].at, alarms[-1].rule) == (len(z) - 1, rule)
    assert not western_electric(np.array(z[:-1], dtype=float), 0.0, 1.0)


def test_two_sides_do_not_add_up():
    assert not western_electric(np.array([2.1, -2.1, 0.0, 1.1, -1.1, 1.1, -1.1]), 0.0, 1.0)

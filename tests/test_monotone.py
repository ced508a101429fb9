"""The monotone curve against scipy's, and what it promises."""

import hypothesis.extra.numpy as arrays
import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from pastewright.monotone import monotone_curve

SPANS = arrays.arrays(np.float64, st.integers(1, 12), elements=st.floats(0.01, 10))


@given(SPANS, st.data())
def test_the_curve_is_that_of_scipy(spans: NDArray[np.float64], data: st.DataObject) -> None:
    knots = np.concatenate(([0.0], np.cumsum(spans)))
    values = data.draw(
        arrays.arrays(np.float64, len(knots), elements=st.floats(-100, 100).map(lambda v: round(v, 3)))
    )
    at = np.linspace(knots[0], knots[-1], 57)
    assert np.allclose(
        monotone_curve(at, knots, values), PchipInterpolator(knots, values)(at), rtol=1e-9, atol=1e-9
    )


@given(SPANS, st.data())
def test_it_rises_where_the_knots_rise(spans: NDArray[np.float64], data: st.DataObject) -> None:
    knots = np.concatenate(([0.0], np.cumsum(spans)))
    steps = data.draw(arrays.arrays(np.float64, len(spans), elements=st.floats(0, 50)))
    values = np.concatenate(([0.0], np.cumsum(steps)))
    curve = monotone_curve(np.linspace(knots[0], knots[-1], 301), knots, values)
    assert np.all(np.diff(curve) >= -1e-9 * max(1.0, values[-1]))
    assert np.all((curve >= -1e-9) & (curve <= values[-1] * (1 + 1e-12) + 1e-9))


def test_knots_are_met_and_any_shape_is_taken() -> None:
    knots, values = np.array([0.0, 1.0, 3.0]), np.array([2.0, 5.0, 4.0])
    assert monotone_curve(knots, knots, values).tolist() == [2.0, 5.0, 4.0]
    assert monotone_curve([[0.0, 0.5], [1.0, 3.0]], knots, values).shape == (2, 2)
    assert monotone_curve(0.25, knots[:2], values[:2]) == 2.75  # two knots make a straight line

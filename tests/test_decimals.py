"""Numbers as files want them."""

import math

from hypothesis import given
from hypothesis import strategies as st
from pytest import approx, mark

from pastewright.decimals import short


@mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (-0.0004, "0"),
        (1.0, "1"),
        (100.0, "100"),
        (0.25, "0.25"),
        (-1.23456, "-1.235"),
        (1e6, "1000000"),
    ],
)
def test_a_number_is_as_short_as_it_can_be(value: float, text: str):
    assert short(value) == text


@given(st.floats(min_value=-1e6, max_value=1e6), st.integers(min_value=0, max_value=9))
def test_what_is_written_reads_back_within_half_of_the_last_digit(value: float, digits: int):
    text = short(value, digits)
    assert float(text) == approx(value, abs=0.5 * 10**-digits + 1e-9)
    assert "e" not in text
    assert not text.startswith("-0") or float(text) != 0
    assert not ("." in text and text.endswith(("0", ".")))
    assert math.isfinite(float(text))

"""Equal warnings are told together, different ones apart, and none is lost."""

import re

from hypothesis import given
from hypothesis import strategies as st

from pastewright.alike import FEW, told_together


def test_hundreds_that_differ_in_pads_and_numbers_are_one_line():
    warnings = [
        f"R{n}-1: raised to 0.0{n} µL, the least this tip lays (board.gtp:{n})" for n in range(100, 412)
    ]
    (line,) = told_together(["the barrel is small", *warnings])[1:]
    assert line == f"{warnings[0]} (312 alike: R100-1, R101-1, R102-1, R103-1, …)"


def test_a_few_alike_are_told_one_by_one():
    warnings = [f"R{n}-1: may bridge to R{n}-2: 0.01 mm" for n in range(FEW)]
    assert told_together(warnings) == warnings


def test_what_differs_in_words_is_told_apart():
    pads = range(10)
    trimmed = [f"C{n}-1: trimmed to 80 %" for n in pads]
    raised = [f"C{n}-2: raised to 80 %" for n in pads]
    told = told_together([words for pair in zip(trimmed, raised, strict=True) for words in pair])
    assert [line.split(" (")[0] for line in told] == [trimmed[0], raised[0]]
    assert all("(10 alike" in line for line in told)


def test_warnings_without_a_pad_name_nobody():
    (line,) = told_together([f"line {n} of the file is not known" for n in range(20)])
    assert line == "line 0 of the file is not known (20 alike)"


@given(
    st.lists(
        st.sampled_from(["A1: too small", "B2: too small", "C3: other", "free words", "R9: 3 mm off"]),
        max_size=40,
    )
)
def test_counts_add_up_to_all_that_was_warned_of(warnings):
    told = told_together(warnings)
    counts = [int(found.group(1)) if (found := re.search(r"\((\d+) alike", line)) else 1 for line in told]
    assert sum(counts) == len(warnings)
    assert all(any(line.startswith(words) for words in warnings) for line in told)

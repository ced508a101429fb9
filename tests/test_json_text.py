"""JSON that no program of ours wrote is told, whatever is wrong with it."""

import pytest

from pastewright.json_text import parsed
from pastewright.problems import InputError


def test_data_comes_back():
    assert parsed('{"a": [1, 2.5, null]}', what="a plan", mend="", file="x") == {"a": [1, 2.5, None]}


@pytest.mark.parametrize(
    ("text", "told", "line"),
    [
        ('{\n"a": 1,\n}', "not JSON", 3),
        ("[" * 100_000, "not a plan", None),
        ("1" * 5000, "not a plan", None),
        ("", "not JSON", 1),
    ],
)
def test_what_is_wrong_is_told(text, told, line):
    with pytest.raises(InputError, match=told) as refused:
        parsed(text, what="a plan", mend="Give another.", file="plan.json")
    (problem,) = refused.value.problems
    assert problem.file == "plan.json" and problem.line == line and problem.mend

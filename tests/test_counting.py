"""How many of what."""

import pytest

from pastewright.counting import counted


@pytest.mark.parametrize(
    ("number", "noun", "plural", "words"),
    [
        (1, "pad", "", "1 pad"),
        (0, "pad", "", "0 pads"),
        (2, "pad", "", "2 pads"),
        (1, "way", "s", "1 way"),
        (3, "way out", "ways out", "3 ways out"),
    ],
)
def test_one_thing_has_no_plural(number: int, noun: str, plural: str, words: str):
    assert counted(number, noun, plural) == words

"""How many of what."""

import pytest

from pastewright.counting import clock_words, counted


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


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (89.4, "89 s"), (89.6, "1 min 30 s"), (119.8, "2 min 00 s"), (3725.0, "62 min 05 s")],
)
def test_a_time_in_words_never_has_sixty_seconds(seconds, words):
    assert clock_words(seconds) == words

"""Paste in the barrel and on the clock."""

import pytest

from pastewright.link.bookkeeping import PasteBook


def book(**changes):
    values = {
        "fill_ul": 1000.0,
        "used_ul": 0.0,
        "board_ul": 40.0,
        "strip_ul": 10.0,
        "opened_s": 3600.0,
        "floor_life_s": 8 * 3600.0,
    }
    return PasteBook(**{**values, **changes})


def test_boards_left_count_their_settling_strips():
    assert book().boards_left == 20  # 1000 / (40 + 10)
    assert book(used_ul=1.0).boards_left == 19


def test_what_is_used_up_is_never_less_than_nothing():
    assert book(used_ul=2000.0).left_ul == 0.0
    assert book(used_ul=2000.0).boards_left == 0


@pytest.mark.parametrize(
    ("changes", "need_ul", "words"),
    [
        ({"used_ul": 970.0}, 50.0, "refill it first"),
        ({"used_ul": 940.0}, 50.0, "refill after it"),
        ({"opened_s": 9 * 3600.0}, 50.0, "1 h 00 min longer than its floor life"),
        ({"opened_s": 8 * 3600.0 - 60}, 50.0, "ends in 1 min, before this run does"),
        ({"opened_s": 7 * 3600.0}, 50.0, "another 1 h 00 min"),
        ({"opened_s": None}, 50.0, "nobody said"),
    ],
)
def test_what_a_person_should_hear(changes, need_ul, words):
    assert any(words in one for one in book(**changes).warnings(run_s=600.0, need_ul=need_ul))


def test_nothing_is_said_while_all_is_well():
    assert book().warnings(run_s=600.0, need_ul=50.0) == []


def test_only_an_empty_barrel_and_old_paste_stand_in_the_way():
    assert book(used_ul=940.0, opened_s=7.9 * 3600).obstacles(need_ul=50.0) == []
    assert len(book(used_ul=970.0, opened_s=9 * 3600).obstacles(need_ul=50.0)) == 2

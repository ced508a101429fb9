"""`pastewright barrel …`: what was filled in and used, when it was opened, and what a name means once a barrel is ended."""

import pytest

from pastewright.link.barrels import barrel_named, barrels, swept
from pastewright.link.journal import Journal


@pytest.fixture
def file(tmp_path):
    return tmp_path / "runs.db"


@pytest.fixture
def barrel(run, file):
    def say(*words):
        return run("barrel", *words, "--journal", file)

    return say


def test_the_life_of_a_barrel(barrel, file):
    assert barrel("new", "A12", "--fill-ul", "2500", "--lot", "2741").code == 0
    opened = barrel("open", "A12", "--warmed", "3h", "--when", "2h")
    assert opened.code == 0 and "lot 2741" in opened.out
    book = Journal(file)
    swept(book, barrel_named(book, "A12"), "purge", 40.0, now_s=5.0)
    first = barrel_named(book, "A12").opened_at
    book.close()
    refilled = barrel("refill", "A12", "--ul", "500")
    assert "2960 of 3000 µL left" in " ".join(refilled.out.split())
    book = Journal(file)
    row = barrel_named(book, "A12")
    # A refill makes nothing younger, nor does opening it again.
    assert first is not None
    assert row.opened_at == first and row.warmed_at == pytest.approx(first - 3600.0, abs=5.0)
    book.close()
    assert barrel("open", "A12").code in (0, 2)
    book = Journal(file)
    assert barrel_named(book, "A12").opened_at == first
    book.close()
    told = " ".join(barrel("list", "A12").out.split())
    assert "purge" in told and "2741" in told
    assert barrel("end", "A12", "--note", "dry").code == 0
    assert "was ended" in barrel("refill", "A12", "--ul", "1").err
    assert "A12" in barrel("list").out
    # The name is free again, and the account of the old one stays its own.
    assert barrel("new", "A12", "--fill-ul", "1000").code == 0
    book = Journal(file)
    assert sorted((one.filled_ul, one.used_ul) for one in barrels(book)) == [(1000.0, 0.0), (3000.0, 40.0)]
    book.close()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("open", "B7"), "there is no barrel 'B7'"),
        (("new", "A12", "--fill-ul", "1"), "there is a barrel 'A12' in use already"),
        (("open", "A12", "--when", "soon"), "soon"),
    ],
)
def test_odd_words_change_nothing(barrel, file, words, says):
    barrel("new", "A12", "--fill-ul", "2500")
    answer = barrel(*words)
    assert answer.code == 2
    assert says in " ".join(answer.err.split())
    book = Journal(file)
    (row,) = barrels(book)
    book.close()
    assert (row.filled_ul, row.opened_at) == (2500.0, None)

"""Several photos of one deposit: the one that knows tells, and what they tell differently is never good."""

import pytest

from pastewright.inspect.agree import ToldRow, agreed
from pastewright.inspect.judge import JudgedRow
from pastewright.inspect.measure import RowReading
from pastewright.records.kinds import DepositVerdict as Told


def row(place: int, verdict: Told, why: str = "", *, sd: float = 0.2, scale: float = 35.0, **more) -> ToldRow:
    reading = RowReading(
        row=0,
        px_per_mm=scale,
        whole=more.pop("whole", True),
        full=0.0,
        like_paste=0.9,
        there=verdict is not Told.MISSING,
        gone=verdict is Told.MISSING,
        volume_ul=0.0 if verdict is Told.MISSING else 0.1,
        volume_sd_ul=0.1 * sd,
        **more,
    )
    return ToldRow(reading=reading, verdict=JudgedRow(verdict=verdict, why=why), place=place)


@pytest.mark.parametrize("verdict", [Told.GOOD, Told.MISSING, Told.BRIDGED, Told.LOW])
def test_what_one_photo_does_not_see_another_tells(verdict):
    best, judged = agreed([row(0, Told.NOT_SEEN, "overexposed", scale=45.0), row(1, verdict)])
    assert (best.place, judged.verdict) == (1, verdict)


def test_the_photo_that_knows_most_counts_and_not_the_closest():
    best, judged = agreed(
        [row(0, Told.HIGH, "140 %", sd=0.5, scale=42.0), row(1, Told.LOW, "40 %", sd=0.2, scale=30.0)]
    )
    assert (best.place, judged.verdict) == (1, Told.LOW)


@pytest.mark.parametrize("fault", [Told.HIGH, Told.LOW, Told.OFF, Told.BRIDGED])
@pytest.mark.parametrize("good_sd", [0.1, 0.4])
def test_what_is_good_in_one_photo_and_not_in_another_is_not_good(fault, good_sd):
    best, judged = agreed([row(0, Told.GOOD, sd=good_sd), row(1, fault, "something", sd=0.2)])
    assert judged.verdict is (Told.NOT_SEEN if good_sd < 0.2 else fault)
    assert "something" in judged.why
    assert best.place == (0 if good_sd < 0.2 else 1)


def test_whether_paste_is_there_is_weighed_over_all_photos():
    gone = row(0, Told.MISSING, "no paste", bare_ln=55.0)
    for bare_ln, verdict in ((-10.0, Told.MISSING), (-50.0, Told.NOT_SEEN), (-55.0, Told.NOT_SEEN)):
        assert agreed([gone, row(1, Told.LOW, "39 %", bare_ln=bare_ln)])[1].verdict is verdict
    two = [row(1, Told.GOOD, bare_ln=-50.0), row(2, Told.GOOD, bare_ln=-40.0)]
    assert agreed([gone, *two])[1].verdict is Told.NOT_SEEN


def test_of_photos_that_tell_nothing_the_one_that_shows_it_whole_says_why():
    best, judged = agreed(
        [
            row(0, Told.NOT_SEEN, "not whole in the photo", scale=50.0, whole=False),
            row(1, Told.NOT_SEEN, "overexposed"),
        ]
    )
    assert (best.place, judged.why) == (1, "overexposed")

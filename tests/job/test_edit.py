"""Wishes into a job's text: what was there stays, the wish holds, and the usual takes it back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.job.edit import (
    DoseWish,
    JobWish,
    Whom,
    changed_lines,
    with_fitted,
    with_form,
    with_turn,
    with_wish,
)
from pastewright.job.model import LaidAs, LayTurn
from pastewright.job.read import parse_job
from pastewright.problems import InputError

TEXT = """# by hand
not_fitted = "R5"  # for now

[order]
first = "U1, Q*"

[[rule]]
ref = "C*"  # all of them
scale_percent = 90

[[zone]]
name = "clamp"
x_from_mm = 0
x_to_mm = 4
y_from_mm = 0
y_to_mm = 4
"""


def signs(before, after):
    return [(line.sign, line.text) for line in changed_lines(before, after) if line.sign != " " and line.text]


def test_a_wish_for_a_pin_comes_before_what_would_decide_else():
    after = with_wish(TEXT, JobWish(what=DoseWish.VOLUME, ref="C3", pin="1", value=0.08, note="tombstones"))
    rules = parse_job(after, "job.toml").rules
    assert [(rule.ref, rule.pin, rule.volume_ul) for rule in rules] == [("C3", "1", 0.08), ("C*", "", None)]
    assert {sign for sign, _ in signs(TEXT, after)} == {"+"}
    assert 'ref = "C*"  # all of them' in after


def test_a_second_wish_changes_the_first_one():
    once = with_wish(TEXT, JobWish(what=DoseWish.VOLUME, ref="C3", pin="1", value=0.08))
    twice = with_wish(once, JobWish(what=DoseWish.SKIP, ref="C3", pin="1"))
    assert len(parse_job(twice, "job.toml").rules) == 2
    assert parse_job(twice, "job.toml").rules[0].skip
    assert signs(once, twice) == [("-", "volume_ul = 0.08"), ("+", "skip = true")]


def test_the_usual_takes_a_wish_back():
    wish = JobWish(what=DoseWish.SCALE, ref="C3", value=80)
    back = with_wish(with_wish(TEXT, wish), JobWish(what=DoseWish.USUAL, ref="C3"))
    assert parse_job(back, "job.toml").rules == parse_job(TEXT, "job.toml").rules


def test_a_part_comes_after_its_own_pins():
    pin = with_wish(TEXT, JobWish(what=DoseWish.SKIP, ref="U2", pin="4"))
    both = with_wish(pin, JobWish(what=DoseWish.SCALE, ref="U2", value=95))
    assert [(rule.ref, rule.pin) for rule in parse_job(both, "job.toml").rules] == [
        ("U2", "4"),
        ("U2", ""),
        ("C*", ""),
    ]


def test_a_pad_without_names_goes_by_its_id():
    after = with_wish("", JobWish(what=DoseWish.SKIP, pad_id="P0007"))
    assert [pad.pad_id for pad in parse_job(after, "job.toml").pads] == ["P0007"]


@pytest.mark.parametrize("value", [0.0, -1.0, 1e6])
def test_a_dose_out_of_range_is_refused(value):
    with pytest.raises(InputError, match="volume_ul"):
        with_wish(TEXT, JobWish(what=DoseWish.VOLUME, ref="C3", value=value))


def test_order_and_parts_left_out():
    after = with_turn(with_turn(TEXT, "U1", LayTurn.LAST), "J1", LayTurn.FIRST)
    job = parse_job(after, "job.toml")
    assert (job.first, job.last) == (("Q*", "J1"), ("U1",))
    assert parse_job(with_turn(after, "U1", LayTurn.BETWEEN), "job.toml").last == ()
    assert parse_job(with_fitted(TEXT, "C1", fitted=False), "job.toml").not_fitted == ("R5", "C1")
    assert parse_job(with_fitted(TEXT, "R5", fitted=True), "job.toml").not_fitted == ()
    assert "# for now" in with_fitted(TEXT, "C1", fitted=False)
    assert parse_job(with_fitted("", "C1", fitted=False), "job.toml").not_fitted == ("C1",)
    assert parse_job(with_fitted("[order]\nfirst = 'U1'\n", "C1", fitted=False), "job.toml").first == ("U1",)


NAMES = st.sampled_from(["U1", "C3", "R5", "J1"])
WISHES = st.builds(
    JobWish,
    what=st.sampled_from([DoseWish.VOLUME, DoseWish.SCALE, DoseWish.SKIP, DoseWish.USUAL]),
    ref=NAMES,
    pin=st.sampled_from(["", "1", "2"]),
    value=st.floats(1, 100),
)


@given(st.lists(WISHES, max_size=6))
def test_any_wishes_leave_a_job_with_the_last_of_each(wishes):
    text = TEXT
    for wish in wishes:
        text = with_wish(text, wish)
    job = parse_job(text, "job.toml")
    wanted = {(wish.ref, wish.pin): wish for wish in wishes}
    asked = {key for key, wish in wanted.items() if wish.what is not DoseWish.USUAL}
    assert {(rule.ref, rule.pin) for rule in job.rules} == asked | {("C*", "")}
    assert job.zones == parse_job(TEXT, "job.toml").zones


def test_a_wish_how_to_lay_is_written_changed_and_taken_back():
    part, pin = Whom(ref="U2"), Whom(ref="U2", pin="4")
    once = with_form(with_form(TEXT, part, LaidAs.DOTS), pin, LaidAs.BEAD)
    told = [(wish.ref, wish.pin, str(wish.laid_as)) for wish in parse_job(once, "job.toml").forms]
    assert told == [
        ("U2", "4", "bead"),
        ("U2", "", "dots"),
    ]  # the pin first, since the first that meets decides
    twice = with_form(once, pin, LaidAs.ALONE)
    assert signs(once, twice) == [("-", 'as = "bead"'), ("+", 'as = "alone"')]
    back = with_form(with_form(twice, pin, None), part, None)
    assert parse_job(back, "job.toml").forms == ()
    assert 'ref = "C*"  # all of them' in back

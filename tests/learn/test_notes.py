"""Joints noted after reflow, and the rules that they ask for."""

import pytest

from pastewright.job.read import parse_job
from pastewright.learn.notes import (
    Answered,
    JointDefect,
    JointNote,
    changed_lines,
    percents_of,
    proposals,
    with_rules,
)

JOB = 'side = "top"\n\n[order]\nfirst = "U1"\n\n[[rule]]\nref = "U*"\nscale_percent = 95\n'


def noted(part: str, defect: JointDefect, board: str, pin: str = "") -> JointNote:
    return JointNote(part=part, pin=pin, defect=defect, board=board, dated="2026-01-05")


def test_a_part_bridged_on_two_boards_gets_a_tenth_less_and_says_why():
    notes = [noted("U3", JointDefect.BRIDGED, board) for board in ("GH-002", "GH-005")]
    (rule,) = proposals(notes, boards=12, was_percent={})
    assert rule.percent == 90
    assert rule.why == "bridged on 2 of 12 boards (GH-002, GH-005); was 100 %"
    job = parse_job(with_rules(JOB, [rule], file="job.toml"), "job.toml")
    assert [(one.ref, one.scale) for one in job.rules] == [
        ("U3", pytest.approx(0.9)),
        ("U*", pytest.approx(0.95)),
    ]
    assert job.rules[0].note.startswith("after reflow: bridged on 2")


@pytest.mark.parametrize(
    ("notes", "why"),
    [
        ([("R1", JointDefect.OPEN, "A")], "one board is no evidence yet"),
        ([("R1", JointDefect.OPEN, "A"), ("R1", JointDefect.OPEN, "A")], "one board is no evidence yet"),
        ([("R1", JointDefect.OPEN, "A"), ("R1", JointDefect.BRIDGED, "B")], "too much and too little"),
        ([("R1", JointDefect.VOIDED, "A"), ("R1", JointDefect.VOIDED, "B")], "would not mend that"),
    ],
)
def test_what_is_no_evidence_changes_no_line(notes, why):
    found = proposals([noted(*one) for one in notes], boards=9, was_percent={})
    assert [rule.percent for rule in found] == [0]
    assert why in found[0].why
    assert with_rules(JOB, found, file="job.toml") == JOB


def test_a_rule_that_notes_wrote_is_replaced_by_the_next_and_others_stay():
    notes = [noted("U3", JointDefect.STARVED, board, "4") for board in ("A", "B")]
    once = with_rules(JOB, proposals(notes, boards=5, was_percent={}), file="job.toml")
    was = percents_of(once, "job.toml")
    assert was == {("U3", "4"): 115}
    twice = with_rules(once, proposals(notes, boards=9, was_percent=was), file="job.toml")
    assert [(one.ref, one.pin, one.scale) for one in parse_job(twice, "job.toml").rules] == [
        ("U3", "4", pytest.approx(1.32)),
        ("U*", "", pytest.approx(0.95)),
    ]
    shown = changed_lines(once, twice, "job.toml")
    assert "-scale_percent = 115" in shown
    assert "+scale_percent = 132" in shown


def test_a_dose_is_never_scaled_beyond_half_and_one_and_a_half():
    notes = [noted("U3", JointDefect.OPEN, board) for board in ("A", "B")]
    (rule,) = proposals(notes, boards=5, was_percent={("U3", ""): 145})
    assert rule.percent == 150
    (rule,) = proposals(notes, boards=5, was_percent={("U3", ""): 150})
    assert rule.percent == 0
    assert "look at footprint" in rule.why


def test_an_empty_job_file_gets_its_first_rule():
    notes = [noted("D1", JointDefect.BALLED, board) for board in ("A", "B")]
    text = with_rules("", proposals(notes, boards=2, was_percent={}), file="job.toml")
    assert [one.ref for one in parse_job(text, "job.toml").rules] == ["D1"]


def test_what_a_rule_answers_asks_for_no_further_step():
    """Accepted twice, the same notes would take a tenth of the dose each time."""
    notes = [noted("U3", JointDefect.BRIDGED, board) for board in ("GH-002", "GH-005")]
    before = Answered(percent=90, boards=frozenset({"GH-002", "GH-005", "GH-006"}), since=4)
    was, answered = {("U3", ""): 90}, {("U3", ""): before}
    (rule,) = proposals(notes, boards=12, was_percent=was, answered=answered)
    assert rule.percent == 0
    assert rule.why.startswith("the rule of 90 % answers what was noted so far")
    # Board 6 was laid before the rule, and looked at after it.
    late = [*notes, noted("U3", JointDefect.BRIDGED, "GH-006"), noted("U3", JointDefect.BRIDGED, "GH-007")]
    (rule,) = proposals(late, boards=12, was_percent=was, answered=answered)
    assert (rule.percent, rule.why) == (0, "bridged on 1 of 4 boards (GH-007): one board is no evidence yet")
    (rule,) = proposals(
        [*late, noted("U3", JointDefect.BRIDGED, "GH-009")], boards=12, was_percent=was, answered=answered
    )
    assert rule.percent == 81
    # Where the rule was taken out of the job file again, all that was noted counts.
    (rule,) = proposals(late, boards=12, was_percent={}, answered=answered)
    assert rule.percent == 90

"""Programs, plans and profiles that were not made together are told, each by what differs."""

import hashlib
from dataclasses import replace

import pytest
from msgspec import structs
from plan_records import plan_record

from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.readback.judge.origin import strangers

PROFILE = parse_profile(example_text(DEMO), "bench.toml")

FILES, BENCH, JOB = "a" * 64, "b" * 64, "c" * 64
TEXT = f"; solder paste\n; files sha256: {FILES}\n; profile sha256: {BENCH}\n; job sha256: {JOB}\nG21\n"


def made_together(text=TEXT):
    plan = plan_record([], board={"inputs_sha256": FILES}, profile={"sha256": BENCH})
    sha = hashlib.sha256(text.encode()).hexdigest()
    return structs.replace(plan, program_sha256=sha, job_sha256=JOB), replace(PROFILE, sha256=BENCH)


def test_nothing_is_said_of_what_was_made_together():
    plan, profile = made_together()
    assert strangers(TEXT, plan, profile) == ()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ((FILES, "d" * 64), "the fabrication files"),
        ((BENCH, "d" * 64), "the profile"),
        ((JOB, "d" * 64), "the job file"),
    ],
)
def test_a_program_of_other_files_profile_or_job_is_told_apart(change, says):
    plan, profile = made_together()
    words = strangers(TEXT.replace(*change), plan, profile)
    assert "not the program that was written with this plan" in words[0]
    assert len(words) == 2 and words[1].startswith(says) and "dddddddddddd" in words[1]


def test_a_program_changed_by_hand_is_told_even_by_one_letter():
    plan, profile = made_together()
    (words,) = strangers(TEXT.replace("G21", "G20"), plan, profile)
    assert "changed since" in words


def test_other_fabrication_files_are_told_where_they_are_given():
    plan, profile = made_together()
    assert strangers(TEXT, plan, profile, files_sha256=FILES) == ()
    (words,) = strangers(TEXT, plan, profile, files_sha256="d" * 64)
    assert words.startswith("these fabrication files (dddddddddddd…) are not those")


def test_another_profile_is_told():
    plan, profile = made_together()
    (words,) = strangers(TEXT, plan, replace(profile, sha256="e" * 64))
    assert "eeeeeeeeeeee" in words and "bbbbbbbbbbbb" in words


def test_plans_that_keep_no_hash_are_judged_by_the_profile_alone():
    plan, profile = made_together()
    assert strangers("anything", structs.replace(plan, program_sha256=""), profile) == ()

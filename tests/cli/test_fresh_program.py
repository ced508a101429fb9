"""What is sent to a barrel that has been used: the program for it, where that makes a difference."""

from dataclasses import replace
from typing import Any

import pytest
from demo_plans import plan_of

from pastewright.board.model import Side
from pastewright.link.job import read_job
from pastewright.link.left_out import in_air
from pastewright.records.plan import PlanRecord
from pastewright.work.running import fresh
from pastewright.work.running.asking import PasteState
from pastewright.work.running.fresh import Today, bench_today, for_today

NOWHERE: Any = None
"""No change that is tested here reads the journal."""


@pytest.fixture(scope="module")
def sent():
    plan = plan_of(Side.TOP)
    return plan.program.text, plan.record, read_job(plan.program.text, plan.record)


def for_barrel(given, profile, paste):
    return for_today(given, profile, bench_today(profile, Today(journal=NOWHERE, paste=paste)))[0]


def barrel(used_ul, fill_ul=2500.0):
    return PasteState(fill_ul=fill_ul, used_ul=used_ul, lot="", opened_at=None)


def test_a_used_barrel_gets_a_program_of_its_own_that_goes_the_same_way(sent, capsys):
    profile = plan_of(Side.TOP).profile
    text, record, job = for_barrel(sent, profile, barrel(1000.0))
    assert isinstance(record, PlanRecord)
    assert text != sent[0] and record.program_sha256 == job.sha256 != sent[2].sha256
    assert job.path_sha256 == sent[2].path_sha256
    assert [laid.id for laid in job.deposits] == [laid.id for laid in sent[2].deposits]
    assert "planned anew for 1500 µL" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    "paste", [barrel(0.0), barrel(40.0), barrel(2500.0)], ids=["full", "nearly full", "empty"]
)
def test_a_barrel_that_makes_no_difference_or_is_empty_changes_nothing(sent, paste):
    assert for_barrel(sent, plan_of(Side.TOP).profile, paste) == sent


def test_a_run_in_the_air_is_never_planned_anew(sent):
    dry = (*sent[:2], in_air(sent[2], 22.0))
    assert for_barrel(dry, plan_of(Side.TOP).profile, barrel(1000.0)) == dry


def test_a_barrel_filled_less_than_the_profile_says_counts_as_used(sent):
    profile = plan_of(Side.TOP).profile
    assert for_barrel(sent, profile, barrel(0.0, fill_ul=1500.0))[0] != sent[0]
    assert (
        for_barrel(
            sent, replace(profile, barrel=replace(profile.barrel, fill_ul=1500.0)), barrel(0.0, 1500.0)
        )
        == sent
    )


def test_another_source_of_change_is_one_function_more(sent, monkeypatch):
    profile = plan_of(Side.TOP).profile
    paste = barrel(0.0)

    def stiffer_paste(bench, today):
        assert today.paste is paste
        return replace(bench, tuning=replace(bench.tuning, gain=1.03 * bench.tuning.gain))

    monkeypatch.setattr(fresh, "CHANGES", [*fresh.CHANGES, stiffer_paste])
    now = bench_today(profile, Today(journal=NOWHERE, paste=paste))
    (text, record, _), bench = for_today(sent, profile, now)
    assert now.tuning.gain == 1.03 * profile.tuning.gain
    assert bench == now and text != sent[0]
    assert for_today((text, record, sent[2]), bench, now)[0][0] == text  # once is enough

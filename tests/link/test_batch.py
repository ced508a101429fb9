"""Batches: what keys do, what the journal keeps, and random ones to the end with faults and kills."""

import pytest
from batch_campaign import UL_PER_UNIT, random_batch

from pastewright.link.batch import (
    PlaceState,
    attempt,
    begin_batch,
    change_card,
    fresh_row,
    one_more,
    places,
    put,
    records,
    settle,
    use_row,
)
from pastewright.link.journal import Journal
from pastewright.problems import InputError

PROTOCOLS = ("reprap", "cnc")


@pytest.fixture
def journal(tmp_path):
    made = Journal(tmp_path / "journal.db")
    yield made
    made.close()


def begun(journal, boards=3, sides=("top",)):
    return begin_batch(
        journal,
        name="loggers",
        serials=[f"GH-{number}" for number in range(boards)],
        sides=sides,
        settings={"sides": list(sides), "name": "p", "rows_a_card": 2, "barrel": "A"},
        now_s=1.0,
    )


def test_a_batch_has_a_place_a_board_and_side_all_waiting(journal):
    row = begun(journal, 3, ("top", "bottom"))
    found = places(journal, row.id)
    assert [(one.side, one.place) for one in found] == [
        *(("top", place) for place in (1, 2, 3)),
        *(("bottom", place) for place in (1, 2, 3)),
    ]
    assert {one.state for one in found} == {PlaceState.WAITING}
    one_more(journal, row.id, "GH-late")
    assert [one.serial for one in places(journal, row.id)].count("GH-late") == 2


def test_serials_are_each_boards_own(journal):
    with pytest.raises(InputError, match="same serial"):
        begin_batch(journal, name="x", serials=["a", "a"], sides=["top"], settings={}, now_s=0.0)


def test_a_row_of_a_card_is_used_once_and_a_full_card_has_none(journal):
    row = begun(journal)
    assert fresh_row(journal, row.id, rows_a_card=2) == (1, 0)
    use_row(journal, row.id, 1, 0, what="board 1", now_s=2.0)
    assert fresh_row(journal, row.id, rows_a_card=2) == (1, 1)
    use_row(journal, row.id, 1, 1, what="board 2", now_s=3.0)
    assert fresh_row(journal, row.id, rows_a_card=2) is None
    assert change_card(journal, row.id, now_s=4.0) == 2
    assert fresh_row(journal, row.id, rows_a_card=2) == (2, 0)


def test_a_redone_place_is_not_made_laid_again_when_the_host_comes_back(journal):
    from harness import job_of
    from programs import written

    from pastewright.link.journal_rows import DepositState
    from pastewright.records.plan import plan_of_data

    row = begun(journal)
    text, plan = written("reprap", 3)
    board = journal.begin_board(
        job_of((text, plan)), name="p", text=text, plan=plan_of_data(plan), number=1, now_s=1.0
    )
    first = places(journal, row.id)[0]
    attempt(journal, first, board, now_s=1.0)
    assert [one.state for one in settle(journal, row.id, why="killed", now_s=2.0)] == [PlaceState.AT_WORK]
    assert places(journal, row.id)[0].state is PlaceState.UNFINISHED
    put(journal, places(journal, row.id)[0], PlaceState.WAITING, note="redone")
    assert settle(journal, row.id, why="killed", now_s=3.0) == []
    assert places(journal, row.id)[0].state is PlaceState.WAITING
    assert journal.counts(board)[DepositState.NOT_STARTED] == 3
    assert [one["serial"] for one in records(journal, row.id)] == ["GH-0", "GH-1", "GH-2"]


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("seed", [1, 5])
def test_a_random_batch_lays_every_deposit_once_or_shows_it_in_doubt(protocol, seed, tmp_path):
    told = random_batch(seed, protocol, tmp_path / "journal.db", boards=12)
    assert sum(told.states.values()) in (12, 24)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_the_barrels_account_is_the_plungers_sweep(protocol, tmp_path):
    told = random_batch(3, protocol, tmp_path / "journal.db", boards=12, faulty=False, kill_share=0.0)
    assert told.plunger_ul > 100 * UL_PER_UNIT / 25
    assert told.ledger_ul == pytest.approx(told.plunger_ul, rel=0.001)


@pytest.mark.campaign
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_two_hundred_random_batches(protocol, tmp_path):
    totals = [
        random_batch(seed, protocol, tmp_path / f"{seed}.db", boards=30, faulty=seed % 2 == 0)
        for seed in range(100)
    ]
    assert sum(told.story.kills for told in totals) > 100
    assert sum(told.story.lost for told in totals) > 100
    # A kill between an entry and its bytes is counted and not swept: without kills and faults there is no doubt.
    calm = [told for told in totals if told.story.kills == 0 and told.story.lost == 0]
    for told in calm:
        assert told.ledger_ul == pytest.approx(told.plunger_ul, rel=0.001)

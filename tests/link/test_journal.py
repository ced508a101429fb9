"""The journal: states of deposits, what survives, what is refused."""

import sqlite3
from dataclasses import replace

import pytest
from harness import job_of
from host import SETTING
from programs import written

from pastewright.link.actions import Done, Doubt, Entered, Noted, Started, Swept
from pastewright.link.journal import DepositState, Journal, open_existing
from pastewright.link.journal_rows import FORMAT, SCHEMAS
from pastewright.link.phases import Phase
from pastewright.problems import InputError
from pastewright.records.plan import plan_of_data


@pytest.fixture
def path(tmp_path):
    return tmp_path / "deep" / "journal.db"


def begun(path, *, deposits=4, opened_at=None, lot=""):
    text, plan = written("reprap", deposits)
    journal = Journal(path)
    board = journal.begin_board(
        job_of((text, plan)), name="p.gcode", text=text, plan=plan_of_data(plan), number=1, now_s=100.0
    )
    run = journal.begin_run(board, replace(SETTING, opened_at=opened_at, lot=lot), process=1, now_s=101.0)
    return journal, board, run


def states(journal, board):
    return [row.state for row in journal.deposits(board)]


def test_a_board_begins_with_every_deposit_not_started_in_program_order(path):
    journal, board, _ = begun(path)
    rows = journal.deposits(board)
    assert [row.deposit for row in rows] == [10, 11, 12, 13]
    assert {row.state for row in rows} == {DepositState.NOT_STARTED}


def test_states_go_from_not_started_to_done_and_are_there_for_another_reader(path):
    journal, board, run = begun(path)
    journal.enter(run, [Started((10,))], now_s=102.0)
    other = Journal(path)
    assert states(other, board)[0] is DepositState.STARTED
    journal.enter(run, [Done((10,)), Started((11,))], now_s=103.0)
    assert states(other, board)[:2] == [DepositState.DONE, DepositState.STARTED]


@pytest.mark.parametrize(
    "actions",
    [
        [Done((10,))],
        [Doubt((10,), "")],
        [Started((10,)), Started((10,))],
        [Started((10,)), Done((10,)), Started((10,))],
        [Started((99,))],
    ],
)
def test_a_change_that_skips_a_state_is_refused_and_nothing_of_it_stays(path, actions):
    journal, board, run = begun(path)
    with pytest.raises(RuntimeError, match="cannot become"):
        journal.enter(run, [Noted("said", "before"), *actions], now_s=102.0)
    assert states(journal, board) == [DepositState.NOT_STARTED] * 4
    assert journal.events(run) == []


def test_the_file_is_written_ahead_and_synced(path, unsynced, monkeypatch):
    monkeypatch.setattr("pastewright.link.journal.SYNCED", unsynced)
    journal, _, _ = begun(path)
    assert journal._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert journal._db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL


def test_an_interrupted_deposit_is_to_be_checked_and_only_the_person_moves_it(path):
    journal, board, run = begun(path)
    journal.enter(run, [Entered(Phase.PREPARING), Started((10, 11)), Done((10,))], now_s=102.0)
    journal.close()
    journal = Journal(path)
    assert journal.interrupted(board, why="power cut", now_s=200.0) == (11,)
    assert journal.interrupted(board, why="again", now_s=201.0) == ()
    row = journal.deposits(board)[1]
    assert (row.state, row.why) == (DepositState.TO_BE_CHECKED, "power cut")
    assert journal.run(run).phase == Phase.LOST
    with pytest.raises(RuntimeError):
        journal.enter(run, [Started((11,))], now_s=202.0)
    journal.decide(board, [11], is_there=False, run=run, now_s=203.0)
    assert states(journal, board)[:2] == [DepositState.DONE, DepositState.NOT_STARTED]
    journal.enter(run, [Started((11,)), Doubt((11,), "stop")], now_s=204.0)
    journal.decide(board, [11], is_there=True, run=run, now_s=205.0)
    assert states(journal, board)[:2] == [DepositState.DONE, DepositState.DONE]
    assert any("lay it" in text for _, _, text in journal.events(run))


def test_paste_is_counted_over_the_runs_of_one_barrel(path):
    journal, board, run = begun(path, opened_at=50.0, lot="L7")
    journal.enter(run, [Entered(Phase.PREPARING), Started((10, 11)), Done((10, 11))], now_s=102.0)
    assert journal.run(run).used_ul == pytest.approx(1.0 + 2 * 0.5)  # a strip of 1 µL, two deposits of 0.5 µL
    second = journal.begin_run(
        board, journal_setting(journal, opened_at=50.0, lot="L7"), process=1, now_s=110.0
    )
    journal.enter(second, [Entered(Phase.PREPARING), Started((12,))], now_s=111.0)
    assert journal.used_ul(lot="L7", opened_at=50.0) == pytest.approx(2.0 + 1.5)
    assert journal.used_ul(lot="other", opened_at=50.0) == 0.0
    assert journal.used_ul(lot="", opened_at=None) == 0.0


def journal_setting(journal, *, opened_at, lot):
    return replace(SETTING, opened_at=opened_at, lot=lot)


def test_the_program_is_in_the_journal_and_comes_back_whole(path):
    journal, _, run = begun(path)
    text, plan = written("reprap", 4)
    row = journal.run(run)
    assert journal.program(row.program) == ("p.gcode", text, plan_of_data(plan))
    assert journal.job(row.program) == job_of((text, plan))


def test_boards_of_one_program_are_counted_on(path):
    journal, _, run = begun(path)
    job = journal.job(journal.run(run).program)
    assert journal.next_number(job) == 2
    # Planned anew it is another program, that goes the same way.
    assert journal.next_number(replace(job, sha256="anew")) == 2
    assert journal.next_number(replace(job, sha256="another", path_sha256="elsewhere")) == 1


@pytest.mark.parametrize("content", [b"no database at all" * 100, None])
def test_another_file_is_refused_with_a_message(tmp_path, content):
    file = tmp_path / "x.db"
    if content is None:
        with sqlite3.connect(file) as other:
            other.execute("CREATE TABLE recipes (name TEXT)")
        other.close()
    else:
        file.write_bytes(content)
    with pytest.raises(InputError, match="journal cannot be opened"):
        Journal(file)


def test_no_journal_yet_is_said_so(tmp_path):
    with pytest.raises(InputError, match="no journal here yet"):
        open_existing(tmp_path / "none.db")


def test_an_unknown_run_is_said_so(path):
    journal, _, _ = begun(path)
    with pytest.raises(InputError, match="no run 99"):
        journal.run(99)


def test_what_a_run_came_to_is_not_rewritten_by_a_later_one(tmp_path):
    journal, board, first = begun(tmp_path / "journal.db")
    ids = [10, 11, 12, 13]
    journal.enter(first, [Started((ids[0],)), Done((ids[0],)), Started((ids[1],))], now_s=1.0)
    journal.enter(first, [Doubt((ids[1],), "x"), Entered(Phase.STOPPED, "the person")], now_s=2.0)
    told = journal.run(first)
    assert told.counts == {"not started": len(ids) - 2, "started": 0, "done": 1, "to be checked": 1}
    journal.decide(board, [ids[1]], is_there=False, run=first, now_s=3.0)
    second = journal.begin_run(board, SETTING, process=1, now_s=4.0)
    for key in ids[1:]:
        journal.enter(second, [Started((key,)), Done((key,))], now_s=5.0)
    journal.enter(second, [Entered(Phase.FINISHED)], now_s=6.0)
    assert journal.run(first) == told
    assert journal.run(second).counts["done"] == len(ids)
    assert journal.counts(board)["done"] == len(ids)
    journal.close()


def test_the_account_of_paste_is_the_sweep_of_the_plunger(tmp_path):
    journal, board, _ = begun(tmp_path / "journal.db")
    ids = [10, 11, 12, 13]
    run = journal.begin_run(board, replace(SETTING, ul_per_unit=50.0), process=1, now_s=0.0)
    journal.enter(run, [Swept("settling strip", 0.4), Started((ids[0], ids[1]), (0.02, 0.03))], now_s=1.0)
    journal.enter(run, [Swept("broken off and relieved", -0.07)], now_s=2.0)
    assert journal.run(run).used_ul == pytest.approx(50 * (0.4 + 0.05 - 0.07))
    journal.close()


def test_a_journal_of_the_first_format_is_brought_up_to_date(tmp_path):
    path = tmp_path / "old.db"
    old = sqlite3.connect(path)
    old.executescript(SCHEMAS[1])
    old.execute("PRAGMA user_version = 1")
    old.execute("INSERT INTO programs VALUES ('a', 'p', 'G1 X1', '{}')")
    old.execute("INSERT INTO boards VALUES (1, 'a', 'b', 'top', 1, 0, 5.0)")
    old.execute(
        "INSERT INTO deposits (board, deposit, place, pads, volume_ul) VALUES (1, 7, 0, '[\"R1\"]', 0.5)"
    )
    old.execute(
        "INSERT INTO runs VALUES (1, 1, 5.0, 6.0, 'finished', '', 9, 'p', '', 'b', '', '{}', 't', 'q', 'L', NULL, 10,"
        " 3.0, 1, '')"
    )
    old.execute("INSERT INTO laid VALUES (1, 7, 0.5)")
    old.commit()
    old.close()
    journal = Journal(path)
    row = journal.run(1)
    assert row.used_ul == pytest.approx(3.5)
    assert row.kind == "board"
    assert journal.rows("PRAGMA user_version")[0][0] == FORMAT
    journal.close()

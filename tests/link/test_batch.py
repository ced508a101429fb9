"""Batches: what keys do, what the journal keeps, and random ones to the end with faults and kills."""

import csv
import io
import json
from dataclasses import replace
from statistics import median

import pytest
from batch_campaign import UL_PER_UNIT, random_batch

from pastewright.link.actions import Send
from pastewright.link.barrels import barrels, new_barrel
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
from pastewright.work.running.export import records_text

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
        settings={"sides": list(sides), "name": "p", "rows_a_card": 2, "barrel": "A", "temperature_c": 23.5},
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


class Presser:
    """Somebody, or a script, that presses Enter whatever is asked, or other keys for words that begin so."""

    def __init__(self, **keys):
        self.asked, self.said, self.keys = [], [], keys

    def key(self, words):
        self.asked.append(words)
        assert len(self.asked) < 20, "asked without end"
        return next((key for begin, key in self.keys.items() if words.startswith(begin)), "enter")

    def line(self, words):
        raise AssertionError(words)

    def say(self, words):
        self.said.append(words)


def test_enter_without_end_on_a_board_that_cannot_be_begun_ends_with_the_reason(journal):
    from pastewright.link.batch import batch
    from pastewright.link.weave import Shift
    from pastewright.problems import one_error
    from pastewright.work.running.batching import BatchWork, Hands

    def fit(side, slot, shift):
        raise one_error("the program is not verified: too low", "Look.")

    desk, row = Presser(), begun(journal)
    new_barrel(journal, "A12", paste="", lot="", fill_ul=100.0, note="", now_s=0.0)
    hands = Hands(fit=fit, find=lambda side: Shift(), lay=lambda *_: pytest.fail("laid"), now=lambda: 5.0)
    words = BatchWork(journal, batch(journal, row.id), desk, hands).go()
    assert words.startswith("paused, since board 1 was tried 3 times in vain")
    assert "too low" in words
    assert len(desk.asked) == 3
    assert {one.state for one in places(journal, row.id)} == {PlaceState.WAITING}
    assert journal.rows("SELECT count(*) FROM card_rows") == [(0,)]


def laid_with_paste_of(journal, *, age_s, desk, boards=2):
    """A batch over paste that was opened so long ago, of 8 hours; boards are laid in no time. Returns its last words."""
    from harness import job_of
    from programs import written

    from pastewright.link.barrels import BarrelEvent, enter
    from pastewright.link.batch import batch
    from pastewright.link.run import Done, Entered, Phase, Started
    from pastewright.link.weave import Shift
    from pastewright.records.plan import plan_of_data
    from pastewright.work.running.batching import BatchWork, FittedProgram, Hands, Outcome

    text, plan = written("reprap", 3)
    fitted = FittedProgram(job=job_of((text, plan)), text=text, plan=plan_of_data(plan))
    barrel = new_barrel(journal, "A", paste="", lot="", fill_ul=100.0, note="", now_s=0.0)
    enter(journal, barrel, BarrelEvent.OPENED, now_s=1000.0)
    row = begun(journal, boards)

    def lay(fitted, board, deposits):
        from host import SETTING

        run = journal.begin_run(board, SETTING, process=1, now_s=2000.0)
        ids = tuple(deposits)
        started = Started(ids, tuple(0.1 for _ in ids))
        journal.enter(run, [started, Done(ids), Entered(Phase.FINISHED)], now_s=2000.0)
        return Outcome(phase=Phase.FINISHED, why="")

    hands = Hands(
        fit=lambda side, slot, shift: fitted,
        find=lambda side: Shift(),
        lay=lay,
        now=lambda: 1000.0 + age_s,
        floor_life_s=8 * 3600.0,
    )
    return BatchWork(journal, batch(journal, row.id), desk, hands).go()


def test_paste_beyond_its_floor_life_is_asked_about_once_and_not_laid_out_of_habit(journal):
    desk = Presser()
    words = laid_with_paste_of(journal, age_s=9 * 3600.0, desk=desk)
    assert words.startswith(
        "paused, since board 1 was tried 3 times in vain (the paste has been open for 1 h 00 min"
    )
    assert {one.state for one in places(journal, 1)} == {PlaceState.WAITING}


def test_old_paste_is_used_where_the_person_says_so(journal):
    desk = Presser(The="y")
    assert laid_with_paste_of(journal, age_s=9 * 3600.0, desk=desk) == "ended"
    assert sum("Use it all the same?" in words for words in desk.asked) == 1
    assert {one.state for one in places(journal, 1)} == {PlaceState.LAID}


def test_the_records_of_boards_tell_all_that_is_asked_of_them_in_both_formats(journal):
    assert laid_with_paste_of(journal, age_s=3600.0, desk=Presser(), boards=3) == "ended"
    put(journal, places(journal, 1)[1], PlaceState.BAD, note="scratched; cleaned")
    as_csv = list(csv.DictReader(io.StringIO(records_text(journal, ".csv", 1))))
    as_json = json.loads(records_text(journal, ".json", None))
    assert [one["serial"] for one in as_json] == [one["serial"] for one in as_csv] == ["GH-0", "GH-1", "GH-2"]
    for told, row in zip(as_json, as_csv, strict=True):
        assert told.keys() == row.keys() == {
            *("batch", "batch_id", "place", "side", "serial", "state", "attempt", "runs", "began_at", "ended_at"),
            *("program_sha256", "tip", "paste", "barrel", "paste_age_s", "temperature_c", "used_ul", "done"),
            *("in_doubt", "not_started", "holds", "stops", "note"),
        }  # fmt: skip
        (run,) = told["runs"]
        assert told["program_sha256"] == journal.run(run).program == row["program_sha256"]
        assert (told["done"], told["in_doubt"], told["not_started"]) == (3, 0, 0)
        assert told["temperature_c"] == 23.5 and told["began_at"] == "1970-01-01T00:33:20+00:00"
        assert told["used_ul"] == pytest.approx(float(row["used_ul"]))
    assert (as_json[1]["state"], as_csv[1]["note"]) == ("bad", "scratched; cleaned")


def test_the_end_of_the_floor_life_is_announced_with_what_is_to_go(journal):
    desk = Presser()
    assert laid_with_paste_of(journal, age_s=7.5 * 3600.0, desk=desk) == "ended"
    assert "the paste may be used for another 30 min" in desk.said
    assert any("1 to go" in words and "done at" in words and "paste for" in words for words in desk.asked)


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("seed", [1, 5])
def test_a_random_batch_lays_every_deposit_once_or_shows_it_in_doubt(protocol, seed, tmp_path):
    told = random_batch(seed, protocol, tmp_path / "journal.db", boards=12)
    assert sum(told.states.values()) in (12, 24)
    assert abs(told.ledger_ul - told.plunger_ul) <= 0.001 * told.plunger_ul + told.doubt_ul


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("early", [False, True], ids=["waiting as the commands do", "opened early"])
def test_the_barrels_account_is_the_plungers_sweep_whoever_is_killed(protocol, early, tmp_path):
    told = random_batch(
        2, protocol, tmp_path / "journal.db", boards=8, faulty=False, kill_share=12.0, early=early
    )
    assert told.story.kills > 10
    assert told.plunger_ul > 90 * UL_PER_UNIT / 25
    # Opened again at once, the controller was reset in the midst of what it had been sent: that is told as a doubt.
    doubt_ul = told.doubt_ul if early else 0.0
    assert abs(told.ledger_ul - told.plunger_ul) <= 0.001 * told.plunger_ul + doubt_ul
    assert told.doubt_ul < 0.25 * told.plunger_ul  # of some twenty kills in eight boards


def begun_strip(journal):
    """A run whose settling strip of 0.4 units is entered, half of it sent; returns run, barrel and board."""
    from harness import job_of
    from host import SETTING
    from programs import written

    from pastewright.link.actions import Entered, Swept
    from pastewright.link.phases import Phase
    from pastewright.records.plan import plan_of_data

    text, plan = written("reprap", 3)
    barrel = new_barrel(journal, "A", paste="", lot="", fill_ul=100.0, note="", now_s=0.0)
    board = journal.begin_board(
        job_of((text, plan)), name="p", text=text, plan=plan_of_data(plan), number=1, now_s=1.0
    )
    setting = replace(SETTING, barrel=barrel.id, ul_per_unit=UL_PER_UNIT)
    run = journal.begin_run(board, setting, process=1, now_s=1.0)
    journal.enter(run, [Entered(Phase.PREPARING), Swept("settling strip", 0.4, unsent=0.4)], now_s=1.0)
    return run, board


def used(journal):
    (row,) = barrels(journal)
    return row.used_ul, row.doubt_ul


@pytest.mark.parametrize(("marked", "counted"), [(None, 0.0), (0.4, 0.0), (0.15, 0.25), (0.0, 0.4)])
def test_a_killed_host_counts_what_it_sent_and_no_more(journal, marked, counted):
    run, board = begun_strip(journal)
    if marked is not None:
        journal.mark(run, Send(b"", marked), now_s=1.5)
    journal.interrupted(board, why="killed", now_s=2.0)
    assert used(journal) == pytest.approx((counted * UL_PER_UNIT, 0.0))
    journal.interrupted(board, why="killed", now_s=3.0)  # once is enough
    assert used(journal) == pytest.approx((counted * UL_PER_UNIT, 0.0))


def test_a_host_killed_while_it_breaks_off_tells_what_may_not_have_been_laid(journal):
    run, board = begun_strip(journal)
    journal.mark(run, Send(b"", 0.15, 0.05), now_s=1.5)  # held at once, and nobody has told yet where
    journal.interrupted(board, why="killed", now_s=2.0)
    assert used(journal) == pytest.approx((0.25 * UL_PER_UNIT, 0.05 * UL_PER_UNIT))


@pytest.mark.parametrize(("seconds", "doubt"), [(4.9, 0.25), (5.1, 0.0)])
def test_a_port_opened_again_before_the_machine_had_ended_leaves_the_rest_in_doubt(journal, seconds, doubt):
    run, board = begun_strip(journal)
    journal.mark(run, Send(b"", 0.15, 0.0, 5.0, 0.25), now_s=10.0)
    ((its, port, process, left_s),) = journal.busy(12.0)
    assert (its, port, process, left_s) == (run, "", 1, 3.0)
    journal.interrupted(board, why="killed", now_s=10.0 + seconds)
    assert used(journal) == pytest.approx((0.25 * UL_PER_UNIT, doubt * UL_PER_UNIT))


def test_a_machine_that_stands_is_not_waited_for(journal):
    from pastewright.link.actions import Entered
    from pastewright.link.phases import Phase

    run, _ = begun_strip(journal)
    journal.mark(run, Send(b"", 0.0, 0.0, 30.0, 0.4), now_s=1.0)
    journal.enter(run, [Entered(Phase.LOST, "the cable", goes_on=True)], now_s=2.0)
    assert journal.busy(3.0)  # a cable was pulled: it ends what it has
    journal.enter(run, [Entered(Phase.LOST, "an alarm")], now_s=2.0)
    assert journal.busy(3.0) == []


def test_on_another_computer_the_mark_is_not_believed_and_the_doubt_is_shown(journal, monkeypatch):
    from pastewright.link import journal as module

    run, board = begun_strip(journal)
    journal.mark(run, Send(b"", 0.3, 0.0, 1.0, 0.1), now_s=1.5)
    monkeypatch.setattr(module, "boot_id", lambda: "another")
    journal.interrupted(board, why="the power was cut", now_s=2.0)
    assert used(journal) == pytest.approx((0.4 * UL_PER_UNIT, 0.4 * UL_PER_UNIT))


@pytest.mark.campaign
@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize(
    ("faulty", "early"),
    [(True, True), (False, True), (False, False)],
    ids=["over a wire that fails", "over a sound wire, opened early", "over a sound wire"],
)
def test_a_hundred_random_batches(protocol, faulty, early, tmp_path):
    """Every deposit once or in doubt (`random_batch` holds it), and the account right as far as anybody can know.

    A stop, an end or a reset in the midst of a push leaves nobody to say how far the plunger came: there the account is
    wrong by no more than it says itself, beside the 0.1 % that holds where nothing of the kind struck. A host that comes
    back by our commands waits until the machine has ended what it was sent; one that opens the port early resets it.
    """
    kills = lost = near = sure = 0
    beyond, shares = [], []
    for seed in range(100):
        told = random_batch(seed, protocol, tmp_path / f"{seed}.db", boards=30, faulty=faulty, early=early)
        kills, lost = kills + told.story.kills, lost + told.story.lost
        off_ul, allowed_ul = abs(told.ledger_ul - told.plunger_ul), 0.001 * told.plunger_ul
        near += off_ul <= allowed_ul
        sure += told.doubt_ul <= allowed_ul
        shares.append(told.doubt_ul / told.plunger_ul)
        if off_ul > allowed_ul + told.doubt_ul + 1e-9:
            beyond.append((seed, off_ul, told))
    print(
        f"{protocol}: {near} of 100 within 0.1 %, {sure} say that they are, doubt {100 * median(shares):.2f} % in the median"
        f" and {100 * max(shares):.2f} % at most; {kills} kills, {lost} lost; beyond the doubt told: {beyond}"
    )
    assert beyond == []
    assert near > (75 if early else 90) or faulty  # opened early: 84 and 98 were
    # A doubt without end would always be kept. Measured: 2.2 % in the median over a failing wire without a checksum, where
    # every tenth deposit or so meets a reset or a stop; 0.3 to 0.9 % elsewhere; 8.3 % at most (7.7 until the first deposit
    # of what goes on went out whole with its lift, all of which is in doubt when the host is gone).
    assert median(shares) < (0.03 if faulty else 0.02) and max(shares) < 0.09
    assert kills > 50 and (lost > 50 or not faulty)

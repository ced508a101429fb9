"""`batch` with its answers as lines of input, on a virtual controller: which program each board gets."""

import io
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from demo_plans import plan_of
from virtual_bench import lay, truth_of

import pastewright as pw
from pastewright.board.model import Side
from pastewright.learn.belief import NAMES, Belief, seen_of
from pastewright.learn.kept import trial_entry
from pastewright.learn.row import witness_row
from pastewright.learn.update import MOST_CHANGE
from pastewright.link.companions import Companion, job_of
from pastewright.link.journal import Journal
from pastewright.link.taught import TaughtKind, TaughtRow, taught
from pastewright.plan.again import WORTH, off_by, with_paste
from pastewright.records.plan import PlanRecord
from pastewright.tune.record.profile_update import with_entry
from pastewright.work.running import fresh


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("batch") / "plan"
    pw.write_plan(plan_of(Side.BOTTOM), folder)
    return folder


@pytest.fixture
def journal(tmp_path) -> Path:
    return tmp_path / "runs.db"


@pytest.fixture
def batch(run, bench, journal, monkeypatch):
    """Run a batch with lines typed at it; returns the answer."""

    def answer(*words: object, lines: str, fill_ul: float):
        assert run("barrel", "new", "A7", "--fill-ul", fill_ul, "--journal", journal).code == 0
        monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
        port = ("--port", "sim:reprap?scale=0", "--journal", journal)
        return run("batch", *words, "-p", bench, "--barrel", "A7", *port)

    return answer


def programs(path: Path) -> list[tuple[str, Companion]]:
    """Return text and plan of each board that was begun, in order."""
    journal = Journal(path)
    found = [journal.program(run.program)[1:] for run in reversed(journal.runs())]
    journal.close()
    return found


def pushes(program: tuple[str, Companion]) -> list[tuple[str, ...]]:
    """Return the lines of the deposits but the first, whose hop comes from the strip's own place."""
    blocks = job_of(*program).blocks
    return [block.lines for block in blocks if block.deposit is not None][1:]


def test_each_board_is_planned_for_the_barrel_as_it_is(batch, journal, planned):
    profile, plan = plan_of(Side.BOTTOM).profile, plan_of(Side.BOTTOM)
    left_ul = 0.5 * profile.barrel.fill_ul
    assert off_by(plan.program.text, plan.record, profile, now=with_paste(profile, left_ul)) > WORTH
    told = batch(planned, "--boards", 2, "--no-witness", lines="\n\n\n", fill_ul=left_ul)
    assert told.code == 0, told.out + told.err
    assert told.out.count("planned anew for 1250 µL in the barrel, and read back") == 1
    first, second = programs(journal)
    assert pushes(first) == pushes(second)  # a board more makes no difference worth a plan
    sent = first[1]
    assert isinstance(sent, PlanRecord)
    assert off_by(first[0], sent, with_paste(profile, left_ul), now=with_paste(profile, left_ul - 2)) < WORTH
    assert off_by(first[0], sent, with_paste(profile, left_ul), now=profile) > WORTH  # not for a full one


def test_a_full_barrel_gets_the_program_as_it_was_planned_and_questions_follow_a_board(
    batch, planned, monkeypatch
):
    asked = []

    def question(asker, laid):
        asked.append((laid.place.serial, laid.board, asker.line("Photo of the row")))

    monkeypatch.setattr(fresh, "AFTER_BOARD", [question])
    told = batch(
        planned, "--boards", 1, "--no-witness", "--serials", "GH-{:02d}", lines="\nrow.png\n\n", fill_ul=2500
    )
    assert told.code == 0, told.out + told.err
    assert "planned anew" not in told.out
    assert asked == [("GH-01", 1, "row.png")]


def rows_taught(path: Path) -> list[TaughtRow]:
    journal = Journal(path)
    found = taught(journal, TaughtKind.ROW)
    journal.close()
    return found


def row_diameters(*, consistency: float, false: float = 1.0) -> str:
    """Diameters of the witness row on the bench written apart, as a person would type them."""
    profile = plan_of(Side.BOTTOM).profile
    plain = truth_of(profile)
    truth = replace(plain, consistency=plain.consistency * consistency)
    landed = lay(witness_row(profile).motions, truth)
    return " ".join(f"{false * truth.dot_mm(landed.mean_ul[at]):.3f}" for at in sorted(landed.mean_ul))


@pytest.fixture
def sure_bench(bench, tmp_path):
    """The bench as a trial left it that was sure of everything."""
    profile = plan_of(Side.BOTTOM).profile
    known = Belief(seen=seen_of(profile), covariance=np.diag(np.full(len(NAMES), 0.02) ** 2))
    entry = trial_entry(known, profile, dated="2026-01-05")
    path = tmp_path / "sure.toml"
    path.write_text(with_entry(bench.read_text("utf-8"), entry), "utf-8")
    return path


def test_a_row_typed_on_key_corrects_the_next_board_when_the_person_agrees(
    run, sure_bench, journal, planned, monkeypatch
):
    drifted = row_diameters(consistency=0.9)
    assert run("barrel", "new", "A7", "--fill-ul", 2500, "--journal", journal).code == 0
    lines = f"\nw\n{drifted}\ny\n\nw\n{drifted}\nn\n\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
    port = ("--port", "sim:reprap?scale=0", "--journal", journal)
    told = run("batch", planned, "--boards", 2, "-p", sure_bench, "--barrel", "A7", *port)
    assert told.code == 0, told.out + told.err
    assert "drift " in told.out
    assert "correct? (y/n)" in told.out
    assert "the next board is planned for it" in told.out
    first, *_ = rows_taught(journal)
    assert first.record["taken"]
    assert first.record["change"] <= MOST_CHANGE
    before, after = programs(journal)
    assert pushes(before) != pushes(after)  # planned anew, and read back


def test_a_false_row_changes_no_board(run, sure_bench, journal, planned, monkeypatch):
    assert run("barrel", "new", "A7", "--fill-ul", 2500, "--journal", journal).code == 0
    lines = f"\nw\n{row_diameters(consistency=1.0, false=0.85)}\n\n\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
    port = ("--port", "sim:reprap?scale=0", "--journal", journal)
    told = run("batch", planned, "--boards", 2, "-p", sure_bench, "--barrel", "A7", *port)
    assert told.code == 0, told.out + told.err
    assert "nothing is changed" in told.out
    assert [row.record["taken"] for row in rows_taught(journal)] == [False]
    before, after = programs(journal)
    assert pushes(before)[12:] == pushes(after)[12:]


class Keyed:
    """A terminal whose keys are given; what comes soon behind a key is read with it."""

    is_there = True

    def __init__(self, *keys):
        self.keys = list(keys)

    def key(self):
        return self.keys.pop(0)

    def pressed(self, wait_s=0.0):
        assert wait_s > 0
        soon, self.keys = (
            [key for key in self.keys if key == "enter"],
            [key for key in self.keys if key != "enter"],
        )
        return soon


@pytest.mark.parametrize(("keys", "answer"), [("y", True), ("n", False), (("enter", "x", "y"), True)])
def test_enter_out_of_habit_answers_no_check(keys, answer, capsys):
    from pastewright.work.running.batch_desk import BatchBench

    bench = object.__new__(BatchBench)
    terminal: Any = Keyed(*keys, "enter")
    bench._given_terminal = terminal
    assert bench.confirm("Is it held fast?") is answer
    assert terminal.keys == [], "the Enter behind the answer waits for the next question"
    assert "Is it held fast? (y/n)" in capsys.readouterr().out

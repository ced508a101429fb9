"""`batch` with its answers as lines of input, on a virtual controller: which program each board gets."""

import io
import sys
from pathlib import Path

import pytest
from demo_plans import plan_of

import pastewright as pw
from pastewright.board.model import Side
from pastewright.cli.running import fresh
from pastewright.link.companions import Companion, job_of
from pastewright.link.journal import Journal
from pastewright.plan.again import WORTH, off_by, with_paste
from pastewright.records.plan import PlanRecord


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

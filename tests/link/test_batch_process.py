"""The command `batch` as a process at a terminal, against a virtual controller on a real pseudo-terminal.

The process is killed, its terminal is closed, boards are called bad, skipped, redone; the barrel is refilled, the card
changed. At the end every deposit of every board is laid once, or shown in doubt.
"""

import json
import os
import pty
import random
import re
import select
import signal
import subprocess
import sys
import time
from collections import Counter

import pytest
from test_endings import HASTE

import pastewright as pw
from pastewright.cli.app import app
from pastewright.demo.board import write_demo
from pastewright.link.barrels import barrels
from pastewright.link.batch import PlaceState, batch, places
from pastewright.link.job import ProgramPart
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.profile.examples import example_text

BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}
HOME = {"reprap": "G28", "cnc": "$H"}
MAIN = HASTE + "from pastewright.cli.app import main; main()"
CHECKED = "place,board,side,clear,air"


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    made = {}

    def plan(protocol):
        if protocol not in made:
            folder = tmp_path_factory.mktemp(protocol)
            bench = folder / "bench.toml"
            text = example_text(BENCHES[protocol])
            bench.write_text(text.replace("[run]", f'[run]\nhome = "{HOME[protocol]}"', 1), "utf-8")
            if "[run]" not in text:
                bench.write_text(text + f'\n[run]\nhome = "{HOME[protocol]}"\n', "utf-8")
            (folder / "board").mkdir()
            write_demo(folder / "board", "x2")
            profile = pw.read_profile(bench)
            pw.write_plan(
                pw.make_plan(pw.read_board(folder / "board", side="bottom"), profile), folder / "plan"
            )
            made[protocol] = folder
        return made[protocol]

    return plan


class Person:
    """A process at a terminal of its own, and the keys pressed for what it asks."""

    def __init__(self, words, rng, trouble):
        self.rng, self.trouble = rng, trouble
        self.here, there = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", MAIN, *words],
            stdin=there,
            stdout=there,
            stderr=there,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "200"},
        )
        os.close(there)
        self.shown = ""

    def sees(self, seconds):
        if not select.select([self.here], [], [], seconds)[0]:
            return ""
        try:
            return os.read(self.here, 65536).decode("utf-8", "replace")
        except OSError:
            return ""

    def works(self, until_s):
        """Answer until the process ends or trouble strikes; returns what struck."""
        strikes_s = time.monotonic() + self.rng.uniform(2.0, 12.0)
        answered = 0
        while self.process.poll() is None:
            assert time.monotonic() < until_s, self.shown[-3000:]
            self.shown += self.sees(0.05)
            if self.trouble and time.monotonic() > strikes_s:
                struck = self.rng.choice(["kill", "terminal", "term"])
                if struck == "kill":
                    self.process.kill()
                elif struck == "term":
                    self.process.send_signal(signal.SIGTERM)
                else:
                    os.close(self.here)
                self.process.wait(60)
                return struck
            asked = self.shown[answered:]
            if (key := self._key(asked)) is not None:
                answered = len(self.shown)
                os.write(self.here, key)
        self.shown += self.sees(0.2)
        return ""

    def _key(self, asked):
        if "How much was put in" in asked:
            return b"2000\n"
        if "What is wrong with it" in asked:
            return b"scratched\n"
        if "look at" in asked and "leaves it in doubt" in asked:
            return self.rng.choice([b"t", b"l"])
        if "card is full" in asked or "Enter ends it" in asked:
            return b"\n"
        if "tells the other keys" in asked:
            if "first\n" in asked or "first\r" in asked or "(x) first" in asked:
                return b"f"
            roll = self.rng.random()
            if self.trouble and roll < 0.12:
                return self.rng.choice([b"b", b"s", b"r", b"c"])
            return b"\n"
        return None


def carried_out(planned, protocol, tmp_path, *, boards, troubles, seed, scale):
    """Carry a batch to its end through processes that die; returns the story, after checking every deposit."""
    folder, rng = planned(protocol), random.Random(seed)
    record, journal_file = tmp_path / "record.jsonl", tmp_path / "journal.db"
    words = ["--journal", str(journal_file)]
    assert app(["barrel", "new", "A12", "--fill-ul", "120", *words], standalone_mode=False) == 0
    serve = ["--protocol", protocol, "--pty", "--scale", str(scale), "--record", str(record)]
    serving = subprocess.Popen(
        [sys.executable, "-m", "pastewright.virtual", *serve], stdout=subprocess.PIPE, text=True
    )
    assert serving.stdout is not None
    story: Counter[str] = Counter()
    try:
        port = serving.stdout.readline().strip()
        common = ["-p", str(folder / "bench.toml"), "--port", port, "--assume", CHECKED, *words]
        begin = ["batch", str(folder / "plan"), "--boards", str(boards), "--no-witness", "--barrel", "A12"]
        until_s = time.monotonic() + 1500
        over = there = False
        for attempt in range(troubles + 5):
            person = Person([*(["batch"] if there else begin), *common], rng, attempt < troubles)
            story[person.works(until_s) or "ran to its end"] += 1
            time.sleep(0.3)
            journal = Journal(journal_file)
            there = bool(journal.rows("SELECT 1 FROM batches"))
            over = there and batch(journal, 1).ended_at is not None
            journal.close()
            if over:
                break
        assert over, person.shown[-3000:]
    finally:
        serving.terminate()
        serving.wait(20)
        serving.stdout.close()
    return _checked(journal_file, record, story)


def _place(line):
    return re.sub(r"F[\d.]*", "", line.replace(" ", ""))


def _checked(journal_file, record, story):
    entries = [json.loads(line) for line in record.read_text().splitlines()]
    executed = Counter(_place(entry["text"]) for entry in entries if "text" in entry)
    journal = Journal(journal_file)
    rows = places(journal, 1)
    done: Counter[int | None] = Counter()
    most: Counter[int | None] = Counter()
    there: Counter[int | None] = Counter()
    lines: dict[int | None, str] = {}
    for run in journal.runs():
        for _, kind, told in journal.events(run.id):
            if kind == "decided":
                key = int(told.split("[")[1].split("]")[0])
                (there if "is there" in told else most)[key] += 1
    for board in [board for row in rows for board in row.boards]:
        job = journal.job(next(run.program for run in journal.runs() if run.board == board))
        lines |= {
            block.deposit: _place(block.lines[0]) for block in job.blocks if block.part is ProgramPart.DEPOSIT
        }
        for one in journal.deposits(board):
            done[one.deposit] += one.state is DepositState.DONE
            most[one.deposit] += one.state is not DepositState.NOT_STARTED
    for deposit, line in lines.items():
        assert done[deposit] - there[deposit] <= executed[line] <= most[deposit], deposit
    for row in rows:
        if row.state is PlaceState.LAID:
            assert row.board is not None
            assert {one.state for one in journal.deposits(row.board)} == {DepositState.DONE}
    states = Counter(str(row.state) for row in rows)
    last = [entry for entry in entries if "plunger" in entry][-1]
    (barrel,) = barrels(journal)
    journal.close()
    assert last["axes_mm"][2] is not None
    return {"story": dict(story), "states": dict(states), "used_ul": barrel.used_ul, "entries": len(entries)}


def test_a_batch_survives_the_end_of_its_host(planned, tmp_path):
    told = carried_out(planned, "cnc", tmp_path, boards=2, troubles=1, seed=3, scale=0.01)
    assert sum(told["states"].values()) == 2
    assert set(told["states"]) <= {"laid", "skipped", "bad"}


@pytest.mark.campaign
@pytest.mark.parametrize("protocol", ["reprap", "cnc"])
def test_thirty_boards_with_every_trouble(planned, protocol, tmp_path):
    told = carried_out(planned, protocol, tmp_path, boards=30, troubles=12, seed=7, scale=0.01)
    print(protocol, told)
    assert sum(told["states"].values()) == 30
    assert told["states"]["laid"] > 15

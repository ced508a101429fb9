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
import threading
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
CARD_ROWS = 8
FILLED_UL = 100
"""Eight rows a card and 100 µL a filling: thirty boards need some of each."""
CHECKED = "place,board,side,clear,air"


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    made = {}

    def plan(protocol):
        if protocol not in made:
            folder = tmp_path_factory.mktemp(protocol)
            bench = folder / "bench.toml"
            text = example_text(BENCHES[protocol])
            ours = f'[run]\nhome = "{HOME[protocol]}"\ncard_rows = {CARD_ROWS}\n'
            if "[run]" not in text:
                text += "\n[run]\n"
            bench.write_text(text.replace("[run]\n", ours, 1), "utf-8")
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
        self.answered: Counter[str] = Counter()

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
            self.answered["refills"] += 1
            return b"%d\n" % FILLED_UL
        if "What is wrong with it" in asked:
            return b"scratched\n"
        if "look at" in asked and "leaves it in doubt" in asked:
            return self.rng.choice([b"t", b"l"])
        if "card is full" in asked:
            self.answered["cards"] += 1
            return b"\n"
        if "Enter ends it" in asked:
            return b"\n"
        if "tells the other keys" in asked:
            if "first\n" in asked or "first\r" in asked or "(x) first" in asked:
                return b"f"
            roll = self.rng.random()
            if self.trouble and roll < 0.12:
                return self.rng.choice([b"b", b"s", b"r", b"c"])
            return b"\n"
        return None


class BadMachine:
    """A virtual controller behind a port that keeps its name: unplugged, it is plugged in again, and has forgotten all."""

    def __init__(self, protocol, folder, scale, *, faults_every=None, seed=0):
        self.port, self.record = folder / "port", folder / "record.jsonl"
        self._words = ["--protocol", protocol, "--pty", "--scale", str(scale), "--record", str(self.record)]
        self._faults = ["--faults-every", str(faults_every)] if faults_every else []
        self._seed, self.starts, self._over = seed, 0, threading.Event()
        self._start()
        self._keeper = threading.Thread(target=self._keep, daemon=True)
        self._keeper.start()

    def _start(self):
        self.starts += 1
        words = [*self._words, *self._faults, "--seed", str(self._seed + self.starts)]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "pastewright.virtual", *words], stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout is not None
        fresh = self.port.with_suffix(".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(self._process.stdout.readline().strip())
        fresh.replace(self.port)

    def _keep(self):
        while True:
            self._process.wait()
            assert self._process.stdout is not None
            self._process.stdout.close()
            if self._over.is_set():
                return
            self._start()

    def close(self):
        self._over.set()
        self._process.terminate()
        self._keeper.join(20)


def carried_out(planned, protocol, tmp_path, *, boards, troubles, seed, scale, faults_every=None):
    """Carry a batch to its end through processes that die; returns the story, after checking every deposit."""
    folder, rng = planned(protocol), random.Random(seed)
    journal_file = tmp_path / "journal.db"
    words = ["--journal", str(journal_file)]
    assert app(["barrel", "new", "A12", "--fill-ul", "120", *words], standalone_mode=False) == 0
    machine = BadMachine(protocol, tmp_path, scale, faults_every=faults_every, seed=seed)
    story: Counter[str] = Counter()
    try:
        common = ["-p", str(folder / "bench.toml"), "--port", str(machine.port), "--assume", CHECKED, *words]
        begin = ["batch", str(folder / "plan"), "--boards", str(boards), "--no-witness", "--barrel", "A12"]
        until_s = time.monotonic() + 3000
        over = there = False
        for attempt in range(troubles + 5 + (60 if faults_every else 0)):
            person = Person([*(["batch"] if there else begin), *common], rng, attempt < troubles)
            story[person.works(until_s) or "ran to its end"] += 1
            story += person.answered
            time.sleep(0.3)
            assert "Traceback" not in person.shown, person.shown[-3000:]
            journal = Journal(journal_file)
            there = bool(journal.rows("SELECT 1 FROM batches"))
            over = there and batch(journal, 1).ended_at is not None
            journal.close()
            if over:
                break
        assert over, person.shown[-3000:]
    finally:
        machine.close()
    story["plugged in"] = machine.starts
    return _checked(journal_file, machine.record, story)


NEAR_MM = 0.06
"""A digit garbled within the place's tolerance is seen by nobody; the deposit is where it was meant all the same."""


def _places(line):
    found = re.findall(r"([XY])([-\d.]+)", line.replace(" ", ""))
    return {letter: float(value) for letter, value in found}


def _checked(journal_file, record, story):
    entries = [json.loads(line) for line in record.read_text().splitlines()]
    journal = Journal(journal_file)
    rows = places(journal, 1)
    done: Counter[int | None] = Counter()
    most: Counter[int | None] = Counter()
    there: Counter[int | None] = Counter()
    begins: dict[int | None, dict[str, float]] = {}
    for run in journal.runs():
        for _, kind, told in journal.events(run.id):
            if kind == "decided":
                key = int(told.split("[")[1].split("]")[0])
                (there if "is there" in told else most)[key] += 1
    for board in [board for row in rows for board in row.boards]:
        job = journal.job(next(run.program for run in journal.runs() if run.board == board))
        begins |= {
            block.deposit: _places(block.lines[0])
            for block in job.blocks
            if block.part is ProgramPart.DEPOSIT
        }
        for one in journal.deposits(board):
            done[one.deposit] += one.state is DepositState.DONE
            most[one.deposit] += one.state is not DepositState.NOT_STARTED
    executed: Counter[int | None] = Counter()
    for entry in entries:
        if "text" not in entry or entry["share"] < 1.0 or not re.match(r"G[01](?!\d)", entry["text"]):
            continue
        if not ("X" in entry["text"] or "Y" in entry["text"]):
            continue
        at = dict(zip("XYZ", entry["axes_mm"], strict=True))
        for deposit, place in begins.items():
            if all(abs(at[letter] - value) < NEAR_MM for letter, value in place.items()):
                executed[deposit] += 1
    for deposit in begins:
        assert done[deposit] - there[deposit] <= executed[deposit] <= most[deposit], deposit
    for row in rows:
        if row.state is PlaceState.LAID:
            assert row.board is not None
            assert {one.state for one in journal.deposits(row.board)} == {DepositState.DONE}
    states = Counter(str(row.state) for row in rows)
    (barrel,) = barrels(journal)
    doubts = sum(
        one.state is DepositState.TO_BE_CHECKED
        for row in rows
        for board in row.boards
        for one in journal.deposits(board)
    )
    struck = Counter(entry["fault"] for entry in entries if "fault" in entry)
    journal.close()
    return {
        "story": dict(story),
        "states": dict(states),
        "used_ul": barrel.used_ul,
        "doubt_ul": barrel.doubt_ul,
        "in doubt": doubts,
        "faults": dict(struck),
        "runs": barrel.runs,
        "entries": len(entries),
    }


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


@pytest.mark.campaign
@pytest.mark.parametrize("protocol", ["reprap", "cnc"])
def test_thirty_boards_over_a_wire_that_fails(planned, protocol, tmp_path):
    """Bytes lost, changed, doubled and invented, resets, cables pulled; and all that the other thirty boards meet."""
    told = carried_out(
        planned, protocol, tmp_path, boards=30, troubles=12, seed=11, scale=0.01, faults_every=12_000.0
    )
    print(protocol, told)
    assert sum(told["states"].values()) == 30
    assert told["states"]["laid"] > 15
    assert told["faults"]["reset"] and told["faults"]["lose"]
    assert told["story"]["plugged in"] > 1
    assert told["story"]["cards"] >= 2
    assert told["story"]["refills"] >= 2

"""Random batches in made-up time: faults, ends of the host, refills, cards, bad boards; and what must hold at the end.

Every deposit of every board that is laid was begun exactly once by the machine, or is shown in doubt; the barrels'
accounts agree with the plunger. The machine is a virtual controller that keeps its own books; the dialogue, the run and
the journal are the real ones. An end of the host leaves everything that is not in the journal's file behind.
"""

import random
import re
from collections import Counter
from dataclasses import dataclass, field, replace

from harness import bench, job_of, sender
from host import SETTING
from programs import written

from pastewright.link.actions import Send
from pastewright.link.barrels import BarrelEvent, barrels, enter, new_barrel
from pastewright.link.batch import PlaceState, batch, begin_batch, places
from pastewright.link.drawn_back import given_back, is_drawn_back
from pastewright.link.job import ProgramPart
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.link.left_out import chosen
from pastewright.link.phases import Phase
from pastewright.link.run import Run
from pastewright.link.stroke import Punctuality
from pastewright.link.weave import Shift
from pastewright.records.plan import plan_of_data
from pastewright.virtual import Faults, Manners, VirtualController
from pastewright.work.running.batching import BatchWork, FittedProgram, Hands, Outcome

UL_PER_UNIT = 25.0
STEP_S = 0.002


class HostKilledError(BaseException):
    """`kill -9`: nothing of the host runs any more."""


@dataclass
class Story:
    """What happened, for the books."""

    resets: int = 0
    kills: int = 0
    unplugged: int = 0
    refills: int = 0
    cards: int = 0
    redone: int = 0
    bad: int = 0
    lost: int = 0
    stops: int = 0


@dataclass
class Machine:
    """The virtual controller with the whole batch's time: it lives on when hosts die."""

    protocol: str
    rng: random.Random
    faulty: bool
    early: bool = True
    """Half of the time the port is opened as soon as the host is back, as by another program; the commands wait."""
    now_s: float = 0.0
    lost_s: float = -1000.0
    """When a run was last lost: it is waited for then, where a killed one is not always."""
    controller: VirtualController = field(init=False)

    def __post_init__(self):
        self.controller = VirtualController(
            self.protocol,
            scale=1.0,
            faults=Faults(mean_gap_bytes=6000.0 if self.faulty else None),
            seed=self.rng.randrange(1 << 30),
            manners=Manners(planner_moves=None),
        )

    def opened(self):
        """Open the port: the controller starts anew, if `early` maybe before its queue has ended; a person homes it."""
        soon = self.now_s > self.lost_s + 30.0 and self.rng.random() < 0.5 and self.early
        self.now_s += self.rng.uniform(0.0, 3.0) if soon else 30.0
        self.controller.take(self.now_s)
        self.controller.reconnect(self.now_s, reset=True)
        self.now_s += 1.0
        if self.protocol == "cnc":
            self.controller.feed(b"\n$X\n", self.now_s)
        self.now_s += 0.1
        self.controller.take(self.now_s)


class RandomDesk:
    """A person who presses keys at random, mostly sensible ones."""

    def __init__(self, rng, story, host):
        self.rng, self.story, self.host = rng, story, host
        self.said = []
        self.short = False

    def key(self, words):
        self.host.perhaps_killed(0.01)
        if "card is full" in words:
            self.story.cards += 1
            return "enter"
        if "look at" in words:
            return self.rng.choice("tlt") if self.rng.random() < 0.85 else self.rng.choice(["b", "enter"])
        if "All boards" in words:
            return "enter"
        if self.short:
            self.short = False
            self.story.refills += 1
            return self.rng.choice("fx")
        roll = self.rng.random()
        if roll < 0.02:
            self.story.bad += 1
            return "b"
        if roll < 0.04:
            return "s"
        if roll < 0.06:
            self.story.redone += 1
            return "r"
        if roll < 0.08:
            return "c"
        if roll < 0.09:
            return "q"
        return "enter"

    def line(self, words):
        if "µL" in words:
            return "60"
        if "Name of the barrel" in words:
            name = f"B{self.rng.randrange(1 << 30)}"
            new_barrel(
                self.host.journal, name, paste="", lot="", fill_ul=80.0, note="", now_s=self.host.now()
            )
            return name
        return "scratched"

    def say(self, words):
        self.said.append(words)
        self.short = self.short or "refill it (f)" in words


class Host:
    """One process: it opens the journal, works on the batch, and may be killed anywhere."""

    def __init__(self, machine, path, rng, story, kill_share):
        self.machine, self.rng, self.story = machine, rng, story
        self.kill_share = kill_share
        self.journal = Journal(path)
        self.clock = machine.now_s
        self.punctual = Punctuality()
        self.fitted = {}

    def now(self):
        return self.machine.now_s

    def perhaps_killed(self, share):
        if self.rng.random() < share * self.kill_share:
            self.story.kills += 1
            raise HostKilledError

    def fit(self, side, slot, shift):
        if side not in self.fitted:
            text, plan = written(self.machine.protocol, 5, beads=True)
            # No deposit's X: a line of the strip that is cut off is told from a deposit's.
            text = text.replace("X30.000 Y10.000", "X31.200 Y10.000")
            text = text.replace("paste for", f"{side} paste for")
            self.fitted[side] = FittedProgram(job=job_of((text, plan)), text=text, plan=plan_of_data(plan))
        return self.fitted[side]

    def lay(self, fitted, board, deposits):
        machine, journal = self.machine, self.journal
        if not machine.controller.connected or self.needs_opening:
            machine.opened()
            self.needs_opening = False
        barrel = barrels_named(journal, batch(journal, None).settings["barrel"])
        setting = replace(SETTING, barrel=barrel.id, ul_per_unit=UL_PER_UNIT)
        run_id = journal.begin_run(board, setting, process=1, now_s=self.now())
        blocks, bench_there = chosen(fitted.job, deposits), bench(machine.protocol)
        if is_drawn_back(journal, barrel=barrel.id, board=board):
            blocks = given_back(blocks, fitted.job.letter, bench_there)
        run = Run(fitted.job, blocks, sender(machine.protocol), bench_there, self.punctual)
        stop_at_s = machine.now_s + self.rng.uniform(0.0, 12.0) if self.rng.random() < 0.05 else float("inf")
        unplug_at_s = (
            machine.now_s + self.rng.uniform(0.0, 12.0) if self.rng.random() < 0.03 else float("inf")
        )
        run.start(machine.now_s)
        while True:
            self.perhaps_killed(0.0003)
            for action in (actions := run.actions()):
                if isinstance(action, Send):
                    machine.controller.feed(action.data, machine.now_s)
                    journal.mark(run_id, action, now_s=self.now())
                else:
                    journal.enter(run_id, [action], now_s=self.now())
                    self.perhaps_killed(0.0005)
            if run.over:
                break
            came = machine.controller.take(machine.now_s)
            if not came and not actions:
                later = [run.next_s, machine.controller.next_s(machine.now_s)]
                machine.now_s = max(min(time for time in later if time is not None), machine.now_s + STEP_S)
            else:
                machine.now_s += STEP_S
            if came:
                run.received(came, machine.now_s)
            if machine.now_s > stop_at_s:
                stop_at_s = float("inf")
                self.story.stops += 1
                run.stop(machine.now_s)
            if machine.now_s > unplug_at_s:
                unplug_at_s = float("inf")
                self.story.unplugged += 1
                machine.controller.disconnect(machine.now_s)
            if not machine.controller.connected:
                run.lost("the connection broke")
            run.tick(machine.now_s)
        if run.phase is Phase.LOST:
            self.story.lost += 1
            self.needs_opening = True
            machine.lost_s = machine.now_s
        return Outcome(phase=run.phase, why=run.why)

    needs_opening = True


def barrels_named(journal, name):
    return next(row for row in barrels(journal) if row.name == name)


@dataclass
class Told:
    """How a batch ended."""

    story: Story
    states: Counter
    doubts: int
    ledger_ul: float
    plunger_ul: float
    doubt_ul: float


def random_batch(seed, protocol, path, *, boards=30, faulty=True, kill_share=1.0, early=True):
    """Carry a random batch to its end; returns what became of it, after checking every deposit."""
    rng = random.Random(seed)
    story = Story()
    machine = Machine(protocol, rng, faulty, early)
    journal = Journal(path)
    barrel = new_barrel(journal, "A", paste="p", lot="L", fill_ul=120.0, note="", now_s=0.0)
    enter(journal, barrel, BarrelEvent.OPENED, now_s=0.0)
    sides = ["top", "bottom"] if rng.random() < 0.2 else ["top"]
    row = begin_batch(
        journal,
        name="b",
        serials=[f"S{number}" for number in range(boards)],
        sides=sides,
        settings={"name": "p", "sides": sides, "rows_a_card": rng.randrange(3, 12), "barrel": "A"},
        now_s=0.0,
    )
    journal.close()
    for _ in range(200):
        host = Host(machine, path, rng, story, kill_share)
        desk = RandomDesk(rng, story, host)
        hands = Hands(fit=host.fit, find=lambda side: Shift(), lay=host.lay, now=host.now)
        try:
            words = BatchWork(host.journal, batch(host.journal, row.id), desk, hands).go()
        except HostKilledError:
            words = "killed"
        host.journal.close()
        if words == "ended":
            break
    else:
        raise AssertionError("the batch never ended")
    return _checked(machine, path, row.id, story)


def _checked(machine, path, key, story):
    machine.now_s += 60
    machine.controller.take(machine.now_s)
    journal = Journal(path)
    executed = Counter(_place(one.text) for one in machine.controller.executed if one.share == 1.0)
    cut = Counter(_place(one.text) for one in machine.controller.executed if one.share < 1.0)
    rows = places(journal, key)
    least: Counter[int] = Counter()
    most: Counter[int] = Counter()
    first_line: dict[int, str] = {}
    for board in [board for row in rows for board in row.boards]:
        run = next(run for run in journal.runs() if run.board == board)
        job = journal.job(run.program)
        for block in job.blocks:
            if block.part is ProgramPart.DEPOSIT:
                assert block.deposit is not None
                first_line[block.deposit] = _place(block.lines[0])
        relaid: Counter[int] = Counter()
        for one_run in journal.runs():
            if one_run.board == board:
                for _, kind, told in journal.events(one_run.id):
                    if kind == "decided" and "lay it" in told:
                        relaid[int(told.split("[")[1].split("]")[0])] += 1
        for one in journal.deposits(board):
            again = relaid[one.deposit]  # each time a person said "lay it", it had been begun or nearly so
            if one.state is DepositState.DONE:
                least[one.deposit] += 1
                most[one.deposit] += 1 + again
            elif one.state is DepositState.TO_BE_CHECKED:
                most[one.deposit] += 1 + again
            else:
                most[one.deposit] += again
    # A person's "it is there" may be wrong of a deposit that was never begun.
    for deposit, line in first_line.items():
        believed = _believed(journal, deposit)
        count = executed[line] + cut[line]
        assert least[deposit] - believed <= count <= most[deposit], (
            deposit,
            count,
            least[deposit],
            most[deposit],
        )
    for row in rows:
        if row.state is PlaceState.LAID:
            assert row.board is not None
            assert {one.state for one in journal.deposits(row.board)} == {DepositState.DONE}
    assert all(row.state not in (PlaceState.WAITING, PlaceState.AT_WORK) for row in rows)
    ledger_ul = sum(row.used_ul for row in barrels(journal))
    doubt_ul = sum(row.doubt_ul for row in barrels(journal))
    doubts = sum(
        one.state is DepositState.TO_BE_CHECKED
        for row in rows
        for board in row.boards
        for one in journal.deposits(board)
    )
    states = Counter(str(row.state) for row in rows)
    journal.close()
    return Told(
        story=story,
        states=states,
        doubts=doubts,
        ledger_ul=ledger_ul,
        plunger_ul=machine.controller.state.plunger * UL_PER_UNIT,
        doubt_ul=doubt_ul,
    )


def _place(line):
    """Return where a line goes, told by X, which is each deposit's own here.

    What else stands in the line is of no account: a word of it that is garbled into nothing, or into another speed,
    changes no place, and no host can see it; nor does a digit of X that leaves it within the tolerance of a place. A
    line at Y10 is the settling strip's, also where its plunger word is garbled into nothing.
    """
    bare = line.replace(" ", "")
    if "Y10." in bare:
        return bare
    found = re.search(r"X[\d.]+", bare)
    return f"X{float(found[0][1:]):.1f}" if found and not re.search(r"[AE][-\d]", bare) else bare


def _believed(journal, deposit):
    return sum(
        kind == "decided" and "is there" in told and f"[{deposit}]" in told
        for run in journal.runs()
        for _, kind, told in journal.events(run.id)
    )

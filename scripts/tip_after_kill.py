"""How often the tip stays down when the host vanishes: kills at random moments, on the virtual controllers.

    python scripts/tip_after_kill.py [--kills 1000] [--seed 1]

The demo board's top side is planned for both protocols. For each kill some of its deposits are drawn, a run lays them in
made-up time (115200 baud, moves in real scale, a host that takes `HOST_S` to answer), and at a moment drawn evenly
over the whole run nothing is sent any more, as after `kill -9`, a pulled cable or a dead computer. The controller goes
on with what it has. Then it is looked where the tip is. The same is done with every line sent by itself, as senders
commonly do, to show what the difference is worth. docs/running.md tells the numbers.
"""

import argparse
import random
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pastewright as pw
from pastewright.demo.board import write_demo
from pastewright.link.actions import Send
from pastewright.link.bench import bench_of
from pastewright.link.cnc import CncSender
from pastewright.link.events import Sender
from pastewright.link.job import ProgramJob, read_job
from pastewright.link.left_out import chosen
from pastewright.link.phases import Phase
from pastewright.link.reprap import RepRapSender
from pastewright.link.run import Run
from pastewright.profile.examples import example_text
from pastewright.profile.model import Profile
from pastewright.records.plan import plan_of_text
from pastewright.virtual import Manners, VirtualController

BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}
HOST_S = 0.004
"""From bytes that come to bytes that go: a USB frame or two and an entry in the journal (from memory)."""
DEPOSITS = 6
BAUD = 115_200
UP_MM = 0.1
"""A tip this close below the lowest height that its program lifts it to is up."""


@dataclass
class Tally:
    """What became of the kills of one protocol."""

    kills: int = 0
    down: int = 0
    down_in_dots: int = 0


class LineByLine(RepRapSender):
    """The sender as it would be without strokes that go out whole."""

    def push(self, lines, *, whole=False):
        super().push(lines)


class LineByLineCnc(CncSender):
    """The same, with one line unanswered at a time."""

    def push(self, lines, *, whole=False):
        super().push(lines)

    def _fill(self, now_s):
        if not self._flight:
            self._room = 0
            super()._fill(now_s)


def planned(protocol: str, folder: Path) -> tuple[ProgramJob, Profile]:
    bench_file = folder / f"{protocol}.toml"
    bench_file.write_text(example_text(BENCHES[protocol]), "utf-8")
    board = folder / "greenhouse-logger"
    if not board.exists():
        board.mkdir()
        write_demo(board, "x2")
    bench = pw.read_profile(bench_file)
    plan = pw.make_plan(pw.read_board(board, side="top"), bench)
    pw.write_plan(plan, folder / protocol)
    record = plan_of_text((folder / protocol / "plan.json").read_text("utf-8"), file="plan.json")
    (program,) = (folder / protocol).glob("program.*")
    return read_job(program.read_text("utf-8"), record), bench


def lived(run: Run, controller: VirtualController, until_s: float) -> float:
    """Drive a run in made-up time until it is over or the host is killed; returns the time."""
    now_s = 0.0
    run.start(now_s)
    while True:
        actions = run.actions()
        for action in actions:
            if isinstance(action, Send):
                controller.feed(action.data, now_s)
        if run.over:
            return now_s
        came = controller.take(now_s)
        if came or actions:
            now_s += HOST_S
        else:
            later = [time for time in (run.next_s, controller.next_s(now_s)) if time is not None]
            now_s = max(min(later), now_s + HOST_S / 4)
        if now_s >= until_s:
            return until_s
        if came:
            run.received(came, now_s)
        run.tick(now_s)


def tallied(protocol: str, job: ProgramJob, bench: Profile, kills: int, seed: int, *, whole: bool) -> Tally:
    rng = random.Random(seed)
    numbers = bench_of(bench)
    ids = [laid.id for laid in job.deposits]
    dots = {laid.id for laid in job.deposits if laid.kind == "dot"}
    tally = Tally()
    # Above all paste: where a hop is low, so is what stands below it.
    up_mm = min(block.after.place["Z"] for block in job.blocks if block.deposit is not None) - UP_MM
    length_s, wanted = 0.0, frozenset[int]()

    def sender() -> Sender:
        if protocol == "reprap":
            return RepRapSender() if whole else LineByLine()
        return CncSender() if whole else LineByLineCnc()

    def begun() -> tuple[Run, VirtualController]:
        controller = VirtualController(protocol, scale=1.0, manners=Manners(baud=BAUD))
        if protocol == "cnc":
            controller.feed(b"$X\n", 0.0)
            controller.take(0.0)  # its answer is not for the run
        return Run(job, chosen(job, wanted), sender(), numbers), controller

    for kill in range(kills):
        if kill % 20 == 0:  # the same few deposits serve for some kills: only the length must be known before
            wanted = frozenset(rng.sample(ids, DEPOSITS))
            run, controller = begun()
            length_s = lived(run, controller, until_s=float("inf"))
            if run.phase is not Phase.FINISHED:
                raise RuntimeError(f"a run that nobody killed did not end: {run.why}")
        run, controller = begun()
        at_s = lived(run, controller, rng.uniform(0.0, length_s))
        controller.take(at_s)
        controller.take(at_s + 60.0)
        ended = controller.state.axes_mm[2]
        tally.kills += 1
        # Before the first lift of the program the tip is where it was found.
        if ended < up_mm and controller.state.axes_mm[0] != 0.0:
            tally.down += 1
            tally.down_in_dots += bool(run.open) and set(run.open) <= dots
    return tally


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--kills", type=int, default=1000)
    words.add_argument("--seed", type=int, default=1)
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as name:
        for protocol in BENCHES:
            job, bench = planned(protocol, Path(name))
            beads = sum(laid.kind != "dot" for laid in job.deposits) / len(job.deposits)
            for whole in (True, False):
                tally = tallied(protocol, job, bench, given.kills, given.seed, whole=whole)
                print(
                    f"{protocol:7} {'strokes go out whole' if whole else 'line by line':21}"
                    f" {tally.kills} kills; the tip stays down after {tally.down} ({tally.down / tally.kills:.1%}),"
                    f" {tally.down_in_dots} of them in dots; beads are {beads:.0%} of the deposits",
                    flush=True,
                )


if __name__ == "__main__":
    main()

"""The link: lines a second through a pseudo-terminal, the sender's own time, how fast a stop is, what barriers cost."""

import os
import signal
import sys
import tempfile
import threading
import time
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "link"))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "helpers"))

from aims import Aims, attempted
from harness import drive, job_of, new_run
from host import SETTING
from peers import TinyCnc, TinyPrinter
from programs import written
from server import Server

from pastewright.link.actions import Send
from pastewright.link.conduct import Wish, conduct
from pastewright.link.journal import Journal
from pastewright.link.phases import Phase
from pastewright.link.port import open_port
from pastewright.link.run import Run
from pastewright.records.plan import plan_of_data
from pastewright.virtual import Manners, VirtualController

DEPOSITS = 1000  # long enough that the start does not count
AIM_LINES_S = 500.0  # a bead in short legs needs about a hundred
AIM_SENDER_US = 100.0  # a hundredth of what a line takes on the wire at 115200 baud
AIM_STOP_MS = 50.0  # less than a person's own reaction
STOPS = 12  # at different moments of a deposit
PROTOCOLS = ("reprap", "cnc")
LONG = {protocol: job_of(written(protocol, 20_000)) for protocol in PROTOCOLS}


class Counted:
    """A peer that counts the lines it was sent."""

    def __init__(self, peer):
        self.peer, self.lines = peer, 0
        self.take, self.next_s = peer.take, peer.next_s

    def feed(self, data: bytes, now_s: float) -> None:
        self.lines += data.count(b"\n")
        self.peer.feed(data, now_s)


def lines_a_second(protocol: str) -> float:
    """Acknowledged lines a second: real port, journal on disk, a barrier after every deposit."""
    text, plan = written(protocol, DEPOSITS)
    job = job_of((text, plan))
    peer = Counted(TinyPrinter() if protocol == "reprap" else TinyCnc())
    with tempfile.TemporaryDirectory() as folder, Server(peer, pty=True) as server:
        journal = Journal(Path(folder) / "journal.db")
        board = journal.begin_board(job, name="p", text=text, plan=plan_of_data(plan), number=1, now_s=0.0)
        number = journal.begin_run(board, SETTING, process=os.getpid(), now_s=0.0)
        port = open_port(server.url, baud=115200)
        run = new_run(protocol, job)
        start = time.perf_counter()
        conduct(
            run,
            port,
            lambda actions: journal.enter(number, actions, now_s=time.time()),
            wishes=list,
            show=lambda actions: None,
        )
        seconds = time.perf_counter() - start
        port.close()
        journal.close()
    assert run.phase is Phase.FINISHED, run.why
    return peer.lines / seconds


def sender_us(protocol: str) -> float:
    """Run and sender's own time per line [µs], without port, journal and controller."""
    job = job_of(written(protocol, DEPOSITS))
    peer = Counted(TinyPrinter() if protocol == "reprap" else TinyCnc())
    run = new_run(protocol, job)
    spent = 0.0
    now_s = 0.0
    run.start(now_s)
    while True:
        begin = time.perf_counter()
        actions = run.actions()
        spent += time.perf_counter() - begin
        for action in actions:
            if isinstance(action, Send):
                peer.feed(action.data, now_s)
        if run.over:
            break
        data = peer.take(now_s)
        now_s += 0.0001 if data else 0.05
        begin = time.perf_counter()
        if data:
            run.received(data, now_s)
        run.tick(now_s)
        spent += time.perf_counter() - begin
    assert run.phase is Phase.FINISHED, run.why
    return spent / peer.lines * 1e6


def stop_ms(protocol: str, delay_s: float) -> float:
    """Time from a person's stop to its first byte on the wire under full streaming [ms] (CNC: the hold byte)."""
    job = LONG[protocol]
    peer = Counted(TinyPrinter() if protocol == "reprap" else TinyCnc())
    with Server(peer, pty=True) as server:
        server.keep_wire = True
        port = open_port(server.url, baud=115200)
        run = new_run(protocol, job)
        asked: list[float] = []

        def press() -> None:
            time.sleep(delay_s)
            asked.append(time.monotonic())

        granted = [False]

        def wishes() -> list[Wish]:
            if asked and not granted[0]:
                granted[0] = True
                return [Wish.STOP]
            return []

        thread = threading.Thread(target=press)
        thread.start()
        conduct(run, port, lambda actions: None, wishes=wishes, show=lambda actions: None)
        thread.join()
        port.close()
    assert run.phase is Phase.STOPPED, run.why
    mark = b"!" if protocol == "cnc" else b" G91*"  # the lift and what goes with it
    at_s = min(at for at, data in server.wire if mark in data and at >= asked[0])
    return (at_s - asked[0]) * 1e3


def machine_s(protocol: str, per_barrier: int) -> float:
    """Time of a whole program on the virtual controller in real scale at 115200 baud, in made-up time [s]."""
    job = job_of(written(protocol, 60))
    controller = VirtualController(protocol, scale=1.0, manners=Manners(baud=115200))
    home = ("$X",) if protocol == "cnc" else ()
    run: Run = new_run(protocol, job, deposits_per_barrier=per_barrier, home=home)
    seconds = drive(run, controller)
    assert run.phase is Phase.FINISHED, run.why
    return seconds


def main() -> int:
    """Print the table; exit code 1 only where something failed."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.alarm(300)
    aims = Aims()
    print(f"{'':>8}{'lines/s':>10}{'µs/line':>10}{'stop ms, worst':>16}{'barrier cost':>14}")
    good = True
    for protocol in PROTOCOLS:
        good &= attempted(partial(_row, protocol, aims), protocol)
    aims.tell()
    return 0 if good else 1


def _row(protocol: str, aims: Aims) -> None:
    speed, own = lines_a_second(protocol), sender_us(protocol)
    stop = max(stop_ms(protocol, 0.05 + 0.017 * k) for k in range(STOPS))
    each, rare = machine_s(protocol, 1), machine_s(protocol, 60)
    print(f"{protocol:>8}{speed:>10.0f}{own:>10.1f}{stop:>16.1f}{each / rare - 1:>14.2%}")
    aims.over(f"{protocol}: lines a second", speed, AIM_LINES_S, "lines/s")
    aims.under(f"{protocol}: the sender's own time", own, AIM_SENDER_US, "µs a line")
    aims.under(f"{protocol}: until a stop is sent", stop, AIM_STOP_MS, "ms")


if __name__ == "__main__":
    sys.exit(main())

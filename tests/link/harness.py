"""A run against a controller in made-up time: no port, no clock, no waiting."""

from collections.abc import Callable
from typing import Any, Protocol

from pastewright.link.actions import Action, Done, Doubt, Send, Started
from pastewright.link.bench import Bench
from pastewright.link.cnc import CncSender
from pastewright.link.events import Sender
from pastewright.link.job import ProgramJob, read_job
from pastewright.link.left_out import chosen
from pastewright.link.reprap import RepRapSender
from pastewright.link.run import Run
from pastewright.records.plan import plan_of_data

STEP_S = 0.001


class Peer(Protocol):
    def feed(self, data: bytes, now_s: float) -> None: ...

    def take(self, now_s: float) -> bytes: ...

    def next_s(self, now_s: float) -> float | None: ...


def bench(protocol: str, **changes: Any) -> Bench:
    values: dict[str, Any] = {
        "reprap": protocol == "reprap",
        "letter": "E" if protocol == "reprap" else "A",
        "travel_z_mm": 12.0,
        "z_feed_mm_min": 600.0,
        "relief": 0.02,
        "plunger_feed": 60.0,
        "plunger_tolerance": 0.011,
        "home": (),
        "motors_off": False,
        "deposits_per_barrier": 1,
    }
    return Bench(**{**values, **changes})


def sender(protocol: str, **options: Any) -> Sender:
    return RepRapSender(**options) if protocol == "reprap" else CncSender(**options)


def new_run(protocol: str, job: ProgramJob, deposits: set[int] | None = None, **changes: Any) -> Run:
    wanted = deposits if deposits is not None else {laid.id for laid in job.deposits}
    options = {"locked_is_fine": True} if protocol == "cnc" and changes.get("home") else {}
    return Run(job, chosen(job, wanted), sender(protocol, **options), bench(protocol, **changes))


def job_of(pair: tuple[str, dict[str, Any]]) -> ProgramJob:
    text, plan = pair
    return read_job(text, plan_of_data(plan), file="program", plan_file="plan.json")


def drive(
    run: Run,
    peer: Peer,
    *,
    now_s: float = 0.0,
    until_s: float = 10_000.0,
    begin: bool = True,
    down: Callable[[bytes], bytes] = bytes,
    up: Callable[[bytes], bytes] = bytes,
    watch: Callable[[Run, list[Action], float], None] = lambda run, actions, now_s: None,
) -> float:
    """Drive a run to its end; returns the time then. `watch` sees every batch of actions before it takes effect.

    `down` and `up` are the wire in both directions: what goes in and what comes out of it.
    """
    if begin:
        run.start(now_s)
    while True:
        actions = run.actions()
        watch(run, actions, now_s)
        for action in actions:
            if isinstance(action, Send):
                peer.feed(down(action.data), now_s)
        if run.over:
            return now_s
        data = up(peer.take(now_s))
        if data:
            now_s += STEP_S
            run.received(data, now_s)
            continue
        if actions:
            now_s += STEP_S
            continue
        later = [time for time in (run.next_s, peer.next_s(now_s)) if time is not None]
        if not later or min(later) > until_s:
            raise AssertionError(f"nothing more will happen at {now_s:.1f} s in phase {run.phase}")
        now_s = max(min(later), now_s + STEP_S)
        run.tick(now_s)


class Ledger:
    """What a run wrote down: the state of each deposit, and that no byte went out before its `Started`."""

    def __init__(self, job: ProgramJob) -> None:
        self.states = {laid.id: "not started" for laid in job.deposits}
        self.actions: list[Action] = []

    def __call__(self, run: Run, actions: list[Action], now_s: float) -> None:
        self.actions += actions
        for action in actions:
            if isinstance(action, Started | Done | Doubt):
                before, after = {
                    Started: ("not started", "started"),
                    Done: ("started", "done"),
                    Doubt: ("started", "to be checked"),
                }[type(action)]
                for deposit in action.deposits:
                    assert self.states[deposit] == before, (deposit, self.states[deposit], action)
                    self.states[deposit] = after

    def count(self, state: str) -> int:
        return sum(1 for value in self.states.values() if value == state)

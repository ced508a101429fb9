"""The fault campaign: boards laid over a bad wire to a bad controller, resumed until done, and what to hold of it.

Held for every deposit of every board, whatever was injected:

- done: between `Started` and `Done` the controller carried out exactly the deposit's lines, once;
- in doubt: shown as such, and never sent again by itself;
- never two `Started` for one deposit (the journal refuses it too).

One thing no host can see: a line garbled into another line that the controller accepts. The small-CNC protocol has
no checksum, and the exclusive-or of the RepRap protocol is blind to two bytes hurt alike. Deposits with such a line
are counted as `altered`. There may be none where the wire down was clean, and no line may be doubled even then.
"""

import random
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from harness import Ledger, drive, new_run
from peers import TinyCnc, TinyPrinter

from pastewright.link.actions import Action, Done, Doubt, Started
from pastewright.link.job import ProgramBlock, ProgramJob
from pastewright.link.left_out import chosen
from pastewright.link.phases import Phase
from pastewright.link.run import Run
from pastewright.virtual import Direction, FaultKind, Faults, Manners, VirtualController

KINDS = ("lose", "corrupt", "double", "reset", "mute", "garbage", "unplug", "stop", "clean")


@dataclass
class Result:
    runs: int = 0
    done: int = 0
    doubts: int = 0
    altered: int = 0
    refused: int = 0  # boards that a controller confused for good never let begin
    repeats: int = 0
    troubles: dict[str, int] = field(default_factory=dict)

    def add(self, other: "Result") -> None:
        self.runs += other.runs
        self.done += other.done
        self.doubts += other.doubts
        self.altered += other.altered
        self.refused += other.refused
        self.repeats += other.repeats
        for trouble, count in other.troubles.items():
            self.troubles[trouble] = self.troubles.get(trouble, 0) + count


Tiny = TinyPrinter | TinyCnc


class BadWire:
    """A wire that goes wrong at random bytes, with a kind of fault for each direction."""

    def __init__(self, rng: random.Random, peer: Tiny) -> None:
        self.rng, self.peer = rng, peer
        self.down_kind = rng.choice(KINDS)
        self.up_kind = rng.choice(("lose", "corrupt", "double", "garbage", "clean", "clean"))
        self.rate = 10 ** rng.uniform(-4, -2)
        self.hurt_down = 0
        self.mute = False
        self.unplug_now = self.stop_now = False

    def down(self, data: bytes) -> bytes:
        if self.mute:
            return b""
        kind = self.down_kind
        if kind in ("reset", "mute", "unplug", "stop"):
            if self.rng.random() < self.rate * len(data):
                self.down_kind = "clean"
                cut = self.rng.randrange(len(data) + 1)
                if kind == "reset":
                    self.peer.feed(data[:cut], 0.0)
                    self.peer.reset()
                    return data[cut:]
                self.mute = kind == "mute"
                self.unplug_now = kind == "unplug"
                self.stop_now = kind == "stop"
                return data[:cut] if kind != "stop" else data
            return data
        hurt = self._hurt(data, kind)
        if hurt != data:
            self.hurt_down += 1
        return hurt

    def up(self, data: bytes) -> bytes:
        return b"" if self.mute else self._hurt(data, self.up_kind)

    def _hurt(self, data: bytes, kind: str) -> bytes:
        if kind == "clean" or self.rng.random() > self.rate * len(data):
            return data
        at = self.rng.randrange(len(data)) if data else 0
        size = 1 if self.rng.random() < 0.7 else self.rng.randrange(1, 12)
        if kind == "lose":
            return data[:at] + data[at + size :]
        if kind == "double":
            return data[: at + size] + data[at:]
        if kind == "corrupt":
            return (
                data[:at] + bytes([data[at] ^ (1 << self.rng.randrange(8))]) + data[at + 1 :]
                if data
                else data
            )
        noise = bytes(self.rng.randrange(256) for _ in range(size))
        return data[:at] + noise + data[at:]


class VirtualPeer:
    """The virtual controller, which shares no code with the sender, in the shape of the tiny peers."""

    def __init__(self, protocol: str, rng: random.Random) -> None:
        kinds = rng.sample(list(FaultKind), rng.randint(1, len(FaultKind)))
        faults = Faults(mean_gap_bytes=10 ** rng.uniform(2.3, 4), kinds=tuple(kinds), most=rng.randint(0, 12))
        manners = Manners(
            advanced_ok=rng.random() < 0.3,
            boot_s=rng.choice((0.0, 0.5)),
            baud=rng.choice((0, 115200)),
            chatter_lines=rng.choice((0, 5, 40)),
        )
        self.controller = VirtualController(
            protocol,
            scale=rng.choice((0.0, 0.0, 0.3)),
            faults=faults,
            seed=rng.randrange(1 << 30),
            manners=manners,
        )
        self.feed, self.take, self.next_s = self.controller.feed, self.controller.take, self.controller.next_s

    @property
    def executed(self) -> list[str]:
        """What was carried out, without questions and barriers of the printer protocol."""
        return [
            one.text
            for one in self.controller.executed
            if one.text[:4] not in ("M110", "M115", "M114", "M400")
        ]

    def plug_in(self, now_s: float) -> None:
        if not self.controller.connected:
            self.controller.reconnect(now_s)


class QuietWire:
    """A wire that adds nothing: the virtual controller has its own."""

    mute = unplug_now = stop_now = False
    down = up = bytes

    def __init__(self, peer: VirtualPeer) -> None:
        self._peer = peer

    @property
    def hurt_down(self) -> int:
        return sum(fault.direction is Direction.TO_CONTROLLER for fault in self._peer.controller.struck)


class Witness:
    """Compares, at every `Done`, what the controller carried out with the deposit's lines."""

    def __init__(self, job: ProgramJob, peer: "Tiny | VirtualPeer", protocol: str) -> None:
        self.lines: dict[int, list[str]] = {}
        self.job, self.peer, self.protocol = job, peer, protocol
        self.ledger = Ledger(job)
        self.begin: dict[int, int] = {}
        self.wire: BadWire | QuietWire | None = None
        self.altered: list[int] = []
        self.hurt: dict[int, int] = {}
        self.before = 0

    def __call__(self, run: Run, actions: list[Action], now_s: float) -> None:
        for action in actions:
            if isinstance(action, Started):
                for deposit in action.deposits:
                    self.begin[deposit] = len(self.peer.executed)
                    # A fault that struck at the end of the group before can reach into this one.
                    self.hurt[deposit] = self.before
                self.before = self.wire.hurt_down if self.wire else 0
            elif isinstance(action, Done):
                self._done(action.deposits)
        self.ledger(run, actions, now_s)
        if self.wire is not None and self.wire.unplug_now:
            self.wire.unplug_now = False
            run.lost("unplugged")
            self.ledger(run, run.actions(), now_s)
        if self.wire is not None and self.wire.stop_now:
            self.wire.stop_now = False
            run.stop(now_s)

    def expect(self, blocks: Sequence[ProgramBlock]) -> None:
        """The lines of each deposit in the run that begins now, restated modes included."""
        self.lines = {
            block.deposit: [_plain(line) for line in block.lines]
            for block in blocks
            if block.deposit is not None
        }

    def _done(self, group: tuple[int, ...]) -> None:
        carried = [_plain(line) for line in self.peer.executed[self.begin[group[0]] :]]
        wanted = [line for deposit in group for line in self.lines[deposit]]
        if (
            self.protocol == "cnc"
        ):  # barriers are carried out too: one, or two where the place was asked twice
            wanted += ["G4P0"] * max(len(carried) - len(wanted), 1)
            assert wanted.count("G4P0") <= 2, f"deposits {group}: {carried} instead of {wanted}"
        if carried == wanted:
            return
        words = f"deposits {group}: {carried} instead of {wanted}"
        assert self.wire is not None, words
        hurts = self.wire.hurt_down - self.hurt[group[0]]
        assert hurts > 0, f"over a good wire, {words}"
        got, asked = Counter(carried), Counter(wanted)
        # A line that lost its words may read as a feed that was restated: it moves nothing.
        twice = {line for line in got & asked if got[line] > asked[line] and set(line) & set("XYZAE")}
        assert not twice, f"doubled: {words}"
        # One hurt can reach over a line end and so into two lines.
        assert (asked - got).total() <= 2 * hurts, f"lost: {words}"
        self.altered.append(group[0])


def _plain(line: str) -> str:
    return line.replace(" ", "")


def one_board(
    seed: int,
    protocol: str,
    job: ProgramJob,
    new_peer: Callable[[random.Random], Tiny | VirtualPeer],
    record: Callable[[Run, list[Action]], None] = lambda run, actions: None,
) -> Result:
    """Lay one board with faults, resume it until it is done, and check every deposit."""
    rng = random.Random(seed)
    peer = new_peer(rng)
    witness = Witness(job, peer, protocol)
    result = Result()
    now_s = 0.0
    shown: set[int] = set()
    for attempt in range(40):
        wanted = {key for key, state in witness.ledger.states.items() if state == "not started"}
        if not wanted:
            break
        virtual = isinstance(peer, VirtualPeer)
        wire: BadWire | QuietWire | None = None
        if isinstance(peer, VirtualPeer):
            peer.plug_in(now_s + 0.5)
            wire = QuietWire(peer)
        elif attempt < 3:
            wire = BadWire(rng, peer)
        witness.wire = wire
        witness.before = wire.hurt_down if wire else 0
        # A virtual CNC controller is locked at power-on, as real ones are.
        home = ("$X",) if virtual and protocol == "cnc" else ()
        run = new_run(protocol, job, wanted, deposits_per_barrier=rng.choice((1, 1, 3)), home=home)
        witness.expect(chosen(job, wanted))

        def watch(run: Run, actions: list[Action], now_s: float) -> None:
            witness(run, actions, now_s)
            record(run, actions)

        now_s = drive(
            run,
            peer,
            now_s=now_s + 1.0,
            until_s=now_s + 5000,
            down=wire.down if wire else bytes,
            up=wire.up if wire else bytes,
            watch=watch,
        )
        result.runs += 1
        result.repeats += run.repeats
        shown |= {
            d for action in witness.ledger.actions if isinstance(action, Doubt) for d in action.deposits
        }
        assert witness.ledger.count("started") == 0, "a run ended and left a deposit started"
        if run.phase is not Phase.FINISHED:
            key = run.why.split(":")[0][:40]
            result.troubles[key] = result.troubles.get(key, 0) + 1
            if hasattr(peer, "alarm"):
                peer.alarm = False
            peer.take(now_s)  # whatever was still on its way to a host that is gone
    states = witness.ledger.states
    if virtual and "not started" in states.values():
        # A garbled line can make the virtual controller take another letter for its plunger, for good. Then every
        # run is refused, rightly, and the board stays as it is.
        assert run.phase in (Phase.STOPPED, Phase.LOST)
        result.refused = 1
    else:
        assert set(states.values()) <= {"done", "to be checked"}, states
    in_doubt = {key for key, state in states.items() if state == "to be checked"}
    assert in_doubt <= shown
    result.done = witness.ledger.count("done")
    result.doubts = len(in_doubt)
    result.altered = len(witness.altered)
    return result

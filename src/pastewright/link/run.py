"""The run as a value machine: bytes, time and wishes in; journal entries and bytes out, in the order they must happen.

Which phase follows which is the table of `phases`; what is done in each stands here.

The one rule that everything else serves: `Started` comes before the bytes of a deposit, `Done` only after a barrier
behind it has passed with the tip where the program has it. Whatever is started and not done when the run ends is in
doubt, and `Doubt` says so. A deposit in doubt is never sent again by itself.

Longer than 400 lines because phases and the plunger's account share what was sent and how far it came.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import count

from pastewright.link.actions import BROKEN_OFF, Action, Done, Doubt, Entered, Noted, Send, Started, Swept
from pastewright.link.bench import PLACE_MM, Bench, stop_lines
from pastewright.link.events import (
    KEEPS_PLACE,
    Event,
    Failed,
    Passed,
    Ready,
    Repeated,
    Said,
    Sender,
    Standing,
    Trouble,
)
from pastewright.link.job import ProgramBlock, ProgramJob, ProgramPart
from pastewright.link.left_out import height_of_ways_mm
from pastewright.link.phases import MOVING, OVER, TABLE, Cue, Phase
from pastewright.link.probes import NO_CONTACT
from pastewright.link.reports import Reports
from pastewright.link.stroke import LinesOut, Punctuality, plunger_units, walk
from pastewright.link.ways import grouped, whole_strokes
from pastewright.link.words import Modal, Scan

ARRIVED_S = 0.2
"""What went out so long before a cable broke has come through: 128 bytes take 0.13 s at 9600 baud."""
LATE, LATE_S = 1.25, 5.0
"""A machine has ended what it was sent by so much later than its feeds say: ramps, and ways whose speed no line tells, such
as one over a whole bed (250 mm at 50 mm/s; own choice)."""
HOMING_S = 60.0
"""Homing takes less (from memory)."""
ANEW_S = 3.0
"""From a reset to the greeting, starter included: up to 2 s on boards seen (from memory), and some."""
STILL = ("Hold:0", "Idle")
"""State words of a controller whose axes stand."""
TOLD_UNITS = 0.005
"""A printer's controller tells its place with two decimals."""
ACROSS_MM_S, HEIGHT_MM_S = 10.0, 0.4
"""Speeds that printers' axes take and leave without a ramp (the usual "jerk" of common firmware, from memory). Where they
stop dead from more, steps may be lost."""
LEAST_UNITS = 1e-9
"""Below the last decimal of any plunger word: rounding of sums, no motion."""


class Run:
    """One connection's worth of work on one board."""

    def __init__(
        self,
        job: ProgramJob,
        blocks: Sequence[ProgramBlock],
        sender: Sender,
        bench: Bench,
        punctual: Punctuality | None = None,
    ) -> None:
        """`punctual` is what runs before have learned about the machine's clock, and learns from this one."""
        self.phase = Phase.CONNECTING
        self.why = ""
        self.done: list[int] = []
        self.open: tuple[int, ...] = ()
        """Deposits started and neither done nor in doubt yet."""
        self.repeats = 0
        self.pause_wanted = False
        self._job = job
        self._sender = sender
        self._bench = replace(bench, travel_z_mm=height_of_ways_mm(job, bench.travel_z_mm))
        self._head = [block for block in blocks if block.part in (ProgramPart.SETUP, ProgramPart.SETTLE)]
        self._reports = Reports(job.letter, self._bench)
        self._tail = [block for block in blocks if block.part is ProgramPart.END]
        self._groups = grouped(
            [block for block in blocks if block.part is ProgramPart.DEPOSIT], bench.deposits_per_barrier
        )
        self.wanted = frozenset(block.deposit for block in blocks if block.deposit is not None)
        self.total = len(self.wanted)
        self._sent: list[ProgramBlock] = []  # blocks before the barrier that is awaited
        self._elsewhere = False
        self._stroke = LinesOut()
        self._punctual = punctual or Punctuality()
        self._now_s = self._heard_s = 0.0
        self._since_s: float | None = None  # when it was last at work, where the sender knows better
        self._breaking_off: tuple[float, float] | None = None  # what is likely not carried out, and its doubt
        self._tokens = count(1)
        self._token = self._group_token = 0
        self._asked_twice = False
        self._before_hold = Phase.LAYING
        self._relieving = False
        self.place_lost = ""
        """Why the place is not to be believed after a stop, "" where it is."""
        self._actions: list[Action] = []

    # -- wishes -----------------------------------------------------------------------------------------

    @property
    def place(self) -> dict[str, float]:
        """The last position the controller reported."""
        return self._reports.place

    @property
    def over(self) -> bool:
        """Whether nothing more will happen."""
        return self.phase in OVER

    @property
    def next_s(self) -> float | None:
        """When to tick if nothing comes."""
        return None if self.over else self._sender.next_s

    def actions(self) -> list[Action]:
        """Return what is to be done now, in this order, once."""
        actions, self._actions = self._actions, []
        return actions

    def start(self, now_s: float) -> None:
        """Begin."""
        self._actions.append(Entered(self.phase))
        self._sender.start(now_s)
        self._flush(now_s)

    def pause(self) -> None:
        """Stop before the next deposit."""
        self.pause_wanted = True

    def hold(self, now_s: float) -> None:
        """Stop at once if the protocol can, else before the next deposit."""
        if self.phase in MOVING and self._sender.hold(now_s):
            self._before_hold = self.phase
            self._stroke.held = True
            # First the byte that stops it, then the entry: a locked journal takes its time.
            self._flush(now_s, held=True)
            self._cue(Cue.HOLD)
        else:
            self.pause()

    def go_on(self, now_s: float) -> None:
        """End a pause or a hold."""
        self.pause_wanted = False
        if self.phase is Phase.HELD:
            self._sender.go_on(now_s)
            self.phase = self._before_hold
            self._actions.append(Entered(self.phase))
        elif self.phase is Phase.PAUSED:
            self._next_group(Cue.GO_ON)
        self._flush(now_s)

    def stop(self, now_s: float, why: str = "stopped by the person") -> None:
        """End motion, lift the tip, relieve the paste."""
        if self.over or self.phase is Phase.STOPPING:
            return
        self.why = why
        connecting = self.phase is Phase.CONNECTING
        if not connecting:
            self._sender.break_off(now_s, dead=True)
            self._breaking_off = self._left_undone(now_s)
            self._note_speed(now_s)
            self._flush(now_s)
        self._cue(Cue.STOP, why)

    def unrecorded(self, actions: Sequence[Action], now_s: float, why: str) -> None:
        """Stop, because these actions could not be written down; what of them are bytes was not sent."""
        self._sender.take_back(b"".join(action.data for action in actions if isinstance(action, Send)))
        begun = {key for action in actions if isinstance(action, Started) for key in action.deposits}
        if begun:  # nothing of them went out: they are not started
            self.open = tuple(key for key in self.open if key not in begun)
            self._sent = []
        self.stop(now_s, why)

    def emergency(self, why: str = "dropped by the person") -> None:
        """Send the one word that stops everything and end the run."""
        if not self.over:
            self._actions.append(Send(self._sender.emergency))
            self.lost(why)

    def lost(self, why: str, *, stands: bool = False) -> None:
        """The connection or the controller is gone. `stands`: it stopped where it was; else it ends what it was sent."""
        if self.over:
            return
        self._put_right(stands=stands)
        self.why = f"{self.why}; {why}" if self.why else why
        self._doubt(why)
        self._cue(Cue.LOST, why, goes_on=not stands)

    # -- the controller ---------------------------------------------------------------------------------

    def received(self, data: bytes, now_s: float) -> None:
        """Take bytes from the controller."""
        self._now_s = now_s
        events = self._sender.received(data, now_s)
        self._stroke.answered(self._sender.taken, now_s)
        self._events(events, now_s)
        self._heard_s = now_s  # only now: what broke the run off came after what was heard before

    def tick(self, now_s: float) -> None:
        """Let time pass."""
        self._now_s = now_s
        if not self.over:
            self._events(self._sender.tick(now_s), now_s)

    def _events(self, events: Sequence[Event], now_s: float) -> None:
        for event in events:
            if self.over:
                break
            self._event(event, now_s)
        if not self.over:
            self._flush(now_s)

    def _event(self, event: Event, now_s: float) -> None:
        if isinstance(event, Passed):
            self._passed(event, now_s)
        elif isinstance(event, Standing):
            if offset := self._reports.heard(event):
                self._actions.append(Noted("offset", offset))
            self._plunger_told(event, now_s)
            self._strayed(event.position, now_s)
        elif isinstance(event, Ready):
            self._ready(event)
        elif isinstance(event, Repeated):
            self.repeats += 1
        elif isinstance(event, Said):
            self._actions.append(Noted("said", event.text))
            if NO_CONTACT.search(event.text) and self.phase in MOVING:
                self._failed(Failed(Trouble.REFUSED, f"the probe touched nothing ({event.text})"), now_s)
        elif isinstance(event, Failed):
            self._failed(event, now_s)

    def _ready(self, event: Ready) -> None:
        if self.phase is Phase.CONNECTING:
            self._actions.append(Noted("controller", event.words))
            self._cue(Cue.READY)
            self._sender.push(self._bench.home)
            strip = sum(self._units(block) for block in self._head)
            self._sweep("settling strip", strip, unsent=strip)
            self._send_blocks(self._head)
            self._stroke.taken += len(self._bench.home)
        elif self.phase is Phase.STOPPING and not self._relieving:
            self._relieving = True
            self._breaking_off = None
            self._sender.push(self._relief())
            self._token = next(self._tokens)
            self._sender.barrier(self._token)

    def _passed(self, event: Passed, now_s: float) -> None:
        self._reports.passed(event)
        if self.phase is Phase.STOPPING:
            if event.token == self._token and self._relieving:
                self._doubt(self.why)
                self._cue(Cue.PASSED, self.why)
            elif self._sent and event.token == self._group_token and not self._off(event.position):
                # The group's own barrier came through before the stop took hold: it is laid after all.
                self._finish_group()
            return
        if event.token != self._token:
            return
        if self.phase is Phase.ENDING:
            self._cue(Cue.PASSED)
            return
        off = self._off(event.position)
        if off and not self._asked_twice:
            self._asked_twice = True  # a report can be garbled: ask once more before stopping
            self._sender.barrier(self._token)
            return
        if off:
            self._elsewhere = True
            self._failed(Failed(Trouble.ELSEWHERE, off), now_s)
            return
        self._punctual.passed(self._stroke, now_s)
        self._finish_group()
        self._next_group(Cue.PASSED)

    def _finish_group(self) -> None:
        if self.open:
            self._actions.append(Done(self.open))
            self.done += self.open
        self.open = ()
        self._sent = []

    def _next_group(self, cue: Cue) -> None:
        if self.pause_wanted and self._groups:
            self._cue(Cue.PASSED_PAUSE)
        elif self._groups:
            self._cue(cue)
            group = self._groups.popleft()
            self.open = tuple(block.deposit for block in group if block.deposit is not None)
            sweeps = tuple(self._units(block) for block in group if block.deposit is not None)
            self._actions.append(Started(self.open, sweeps))
            self._send_blocks(group)
        else:
            self._cue(Cue.ALL_LAID)
            park = sum(self._units(block) for block in self._tail)
            self._sweep("after the last deposit", park, unsent=park)
            self._send_blocks(self._tail)

    def _send_blocks(self, blocks: Sequence[ProgramBlock]) -> None:
        self._sent = list(blocks)
        for block in blocks:
            for whole, lines in whole_strokes(block, self._job.letter, self._bench.travel_z_mm - PLACE_MM):
                self._sender.push(lines, whole=whole)
        letter, steps = self._job.letter, []
        # The program does not know where the tip stands before its first move, nor where a chosen deposit is come to from;
        # the controller has told.
        came = self._reports.here
        for block in blocks:
            before = replace(block.before, place={**block.before.place, **came})
            steps += walk(block.lines, before, letter, reprap=self._bench.reprap)
            came = {axis: block.after.place[axis] for axis in "XYZ" if axis in block.after.place}
        self._stroke = LinesOut(steps, taken=self._sender.taken)
        first = self.phase is Phase.PREPARING
        self._reports.sent(blocks, first=first, homing=first and bool(self._bench.home))
        self._token = self._group_token = next(self._tokens)
        self._asked_twice = False
        self._sender.barrier(self._token)

    def _failed(self, event: Failed, now_s: float) -> None:
        self._actions.append(Noted(str(event.trouble), event.what))
        if event.trouble in KEEPS_PLACE and self.phase in (*MOVING, Phase.HELD):
            self.stop(now_s, event.what)
        else:
            self._since_s = event.since_s
            self.lost(event.what, stands=event.trouble in (Trouble.RESET, Trouble.ALARM))

    def _put_right(self, *, stands: bool) -> None:
        """Correct the account of the plunger where what was counted was not, or not wholly, carried out.

        A controller that stood still carried out some of what it had; one that goes on all of that, and of what was sent
        just now nobody knows what came through. In between the plunger may be anywhere on its way: that is the doubt.
        """
        if not self._sent or self.phase not in (*MOVING, Phase.HELD, Phase.STOPPING):
            return
        stroke = self._stroke
        stopping = self.phase is Phase.STOPPING and not self._relieving
        if stopping and self._breaking_off is not None:
            unsent, doubt = self._breaking_off
            best = stroke.counted - unsent
        elif stands:
            best, doubt = self._stood()
        else:
            came = max(stroke.acknowledged, stroke.out_by(self._now_s - ARRIVED_S))
            way = stroke.way[came : stroke.out + 1]
            best, doubt = way[-1], max(max(way) - way[-1], way[-1] - min(way))
        if doubt > LEAST_UNITS or abs(best - stroke.counted) > LEAST_UNITS:
            self._actions.append(Swept("sent and not carried out", best - stroke.counted, 0.0, doubt))

    def _stood(self) -> tuple[float, float]:
        """Return how far the plunger is after a dead stop just now, and how far that may be wrong."""
        within_s = self._sender.heard_every_s
        last_s = min(self._heard_s, self._now_s) if self._since_s is None else self._since_s
        now_s = self._now_s if within_s is None else min(self._now_s, last_s + within_s)
        if within_s is None and self._since_s is None:
            # It says nothing by itself: it may have stopped as long ago as it takes to start anew.
            last_s = max(last_s, now_s - ANEW_S)
        best, low, high = self._stroke.stood(last_s, now_s, self._punctual)
        return best, max(best - low, high - best)

    def _left_undone(self, now_s: float) -> tuple[float, float]:
        """Return how much of what is counted is likely not carried out if motion is broken off now, and the doubt of it."""
        stroke = self._stroke
        best, low, high = stroke.stood(min(self._heard_s, now_s), now_s, self._punctual)
        if self._bench.reprap:
            # Of what is not acknowledged, nobody knows whether it is carried out after the stop.
            rest = stroke.way[stroke.acknowledged : stroke.out + 1]
            low, high = min(low, *rest), max(high, *rest)
        return stroke.counted - best, max(best - low, high - best)

    def _note_speed(self, now_s: float) -> None:
        """Note where the axes may have lost steps, stopped dead from a speed that they do not take without a ramp."""
        if not self._bench.reprap or not self._sent:
            return
        across, height = self._stroke.fastest(now_s, self._punctual)
        if across > ACROSS_MM_S or height > HEIGHT_MM_S:
            self.place_lost = "it was stopped dead on its way, maybe at speed, and may have lost steps"
            self._actions.append(Noted("place", self.place_lost))

    def _plunger_told(self, event: Standing, now_s: float) -> None:
        at = self._reports.from_rest(event.position, event.machine, acknowledged=self._stroke.acknowledged)
        if at is None or not self._sent or self._relieving:
            return
        self._stroke.told(at, now_s)
        if self._breaking_off is None:
            self._punctual.told(self._stroke, at, now_s)
        if self._breaking_off is not None and event.state in STILL:
            self._breaking_off = self._stroke.counted - at, self._rounding

    def _strayed(self, position: dict[str, float], now_s: float) -> None:
        """Stop where two reports in a row have an axis where no line brings it: one was garbled into another."""
        if self.phase not in MOVING or not position:
            return
        if out := self._reports.astray(position):
            self._elsewhere = True
            self._failed(Failed(Trouble.ELSEWHERE, f"the tip is not where the program has it: {out}"), now_s)

    def _off(self, position: dict[str, float]) -> str:
        """Return how the reported position differs from the program's, "" where it does not."""
        if not self._sent or not position:
            return ""
        wrong = self._reports.off(position, self._sent[-1].after.place)
        return f"the tip is not where the program has it: {wrong}" if wrong else ""

    def _relief(self) -> list[str]:
        """Return the lines that make the machine safe after a stop."""
        letter = self._job.letter
        plunger = self.place.get(letter)
        reports = self._reports
        stood = reports.from_rest(reports.place, reports.machine, acknowledged=self._stroke.acknowledged)
        begin: float | None = None
        retraction = 0.0
        if self._sent and self._sent[0].part is not ProgramPart.END:
            begin = self._sent[0].before.place.get(letter, 0.0)
            furthest, last = self._plunger_walk()
            sign = -1.0 if self._bench.relief < 0 else 1.0
            retraction = sign * max(sign * (furthest - last), 0.0)
            if stood is not None:
                plunger = begin + stood
            told = plunger
            if plunger is not None and sign * (plunger - furthest) > 0:
                plunger = furthest  # it was never sent further: a report that says so is garbled
        lines = stop_lines(
            self._bench,
            z_mm=self.place.get("Z"),
            plunger=plunger,
            back_to=begin,
            retraction=retraction,
            dry=self._job.dry,
        )
        self._stroke = LinesOut(
            walk(lines, Modal(absolute=True, motion=1, place={letter: 0.0}), letter), taken=self._sender.taken
        )
        back = self._stroke.counted
        if begin is None:
            self._sweep("relief", back, unsent=back)
        else:
            counted = sum(self._units(block) for block in self._sent)
            stands = plunger if plunger is not None else begin
            if self._elsewhere and told is not None:
                # Told twice: a line was garbled into another, and that was carried out.
                stands = told
            units = stands - begin + back - counted
            self._sweep(BROKEN_OFF, units, unsent=back, doubt=self._rounding)
        return lines

    def _units(self, block: ProgramBlock) -> float:
        return plunger_units(block.lines, block.before, self._job.letter)

    @property
    def _rounding(self) -> float:
        """How far a report of the plunger may be off by its decimals."""
        return TOLD_UNITS if self._bench.reprap else 0.0

    def _sweep(self, what: str, units: float, *, unsent: float = 0.0, doubt: float = 0.0) -> None:
        if abs(units) > LEAST_UNITS or abs(unsent) > LEAST_UNITS:
            self._actions.append(Swept(what, units, unsent, doubt))

    def _plunger_walk(self) -> tuple[float, float]:
        """Return the plunger's furthest position in these blocks and its last."""
        letter = self._job.letter
        sign = -1.0 if self._bench.relief < 0 else 1.0
        scan = Scan(letter, self._sent[0].before)
        furthest = last = scan.place.get(letter, 0.0)
        for line in (line for block in self._sent for line in block.lines):
            scan.line(line)
            last = scan.place.get(letter, last)
            furthest = sign * max(sign * furthest, sign * last)
        return furthest, last

    # -- small things -----------------------------------------------------------------------------------

    def _flush(self, now_s: float, *, held: bool = False) -> None:
        data = self._sender.to_send(now_s)
        if not data:
            return
        if self._breaking_off is not None:
            self._actions.append(Send(data, *self._breaking_off))
            return
        self._stroke.went_out(min(self._sender.unsent, len(self._stroke.way) - 1), now_s)
        if not self._sent:  # nothing is on its way but questions
            self._actions.append(Send(data, self._stroke.unsent))
            return
        at_risk = self._stroke.at_risk(now_s, self._punctual)
        if (
            held or self.phase is Phase.HELD
        ):  # it goes on for nobody but us: without us the rest is never carried out
            self._actions.append(Send(data, self._stroke.unsent, at_risk))
            return
        busy_s = LATE_S + LATE * self._stroke.left_s(now_s)
        if self.phase is Phase.PREPARING and self._bench.home and not self._stroke.acknowledged:
            busy_s += HOMING_S
        self._actions.append(Send(data, self._stroke.unsent, 0.0, busy_s, at_risk))

    def _doubt(self, why: str) -> None:
        if self.open:
            self._actions.append(Doubt(self.open, why))
            self.open = ()

    def _cue(self, cue: Cue, why: str = "", *, goes_on: bool = False) -> None:
        before, self.phase = self.phase, TABLE[self.phase, cue]
        if self.phase is not before:
            self._actions.append(Entered(self.phase, why, goes_on))

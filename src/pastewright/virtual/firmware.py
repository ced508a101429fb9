"""What both protocols have in common: a receive buffer, one command at work at a time, and a clock.

A command at work is a generator that yields the host's time until which it has to wait, and goes on when that
has come; so a full planner, a dwell and a barrier all look the same. While a command waits, nothing is read,
and the receive buffer fills up: what does not fit is lost, as on the real thing.
"""

from collections.abc import Generator
from inspect import GEN_RUNNING, getgeneratorstate
from math import inf
from types import MappingProxyType

from pastewright.virtual.interpreter import Interpreter, VirtualStep
from pastewright.virtual.motion import Timeline
from pastewright.virtual.pace import AXES, Pace
from pastewright.virtual.reach import share_to_contact, share_within
from pastewright.virtual.state import PLUNGER_LETTERS, Manners, VirtualState

Work = Generator[float, None, None]


class Firmware:
    """The side of a controller that does not depend on the protocol. Times are the host's clock [s]."""

    END = b"\n"
    PLANNER_MOVES = 16
    RECEIVE_BYTES = 128

    def __init__(self, *, scale: float, manners: Manners, interpreter: Interpreter) -> None:
        self.scale = scale
        self.manners = manners
        self.interpreter = interpreter
        self.timeline = Timeline(scale, junction_mm=manners.junction_mm, limits=manners.limits)
        self.timeline.true.update(zip(AXES, manners.start_mm, strict=True))
        self.planner_moves = manners.planner_moves or self.PLANNER_MOVES
        self.receive_bytes = manners.receive_bytes or self.RECEIVE_BYTES
        self.now_s = 0.0
        self.said = bytearray()
        self.received = bytearray()
        self.lost_bytes = 0
        self.no_room_bytes = 0
        """Bytes to come that will find no room, whatever the buffer holds (a fault)."""
        self.stalled_until_s = -inf
        self.booting_until_s = -inf
        self.homing = False
        self._greeted = False
        self._work: Work | None = None
        self._work_text = ""
        self._until_s = -inf
        self._datum: dict[str, float] = {}
        self.power_on(0.0)

    # ---- what a protocol fills in

    def greet(self) -> None:
        """Say hello after a reset."""
        raise NotImplementedError

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes off the wire, as an interrupt would, whatever the main loop is doing."""
        raise NotImplementedError

    def work_on(self) -> bool:
        """Do one thing that can be done now; tell whether there was any."""
        raise NotImplementedError

    def finished(self) -> None:
        """Answer for the command that has just been worked off."""
        raise NotImplementedError

    def forget(self) -> None:
        """Drop what the protocol itself remembers, at a reset."""
        raise NotImplementedError

    # ---- time

    def advance(self, now_s: float) -> None:
        """Let the controller live until `now_s`, in order of what happens."""
        now_s = max(now_s, self.now_s)
        while True:
            self._loop()
            wake_s = self.wake_s()
            if wake_s is None or wake_s > now_s:
                break
            self.now_s = max(self.now_s, wake_s)
        self.now_s = now_s
        self.timeline.settle(self.settled_s())

    def settled_s(self) -> float:
        """Return the time up to which motion has run (it stands still in a hold)."""
        return self.now_s

    def wake_s(self) -> float | None:
        """Return when something will happen by itself that may end in words, or None."""
        if not self._greeted:
            return self.booting_until_s
        if self.now_s < self.stalled_until_s:
            return self.stalled_until_s if self.stalled_until_s < inf else None
        return self._until_s if self._work is not None and self._until_s < inf else None

    def frozen(self) -> bool:
        """Tell whether the main loop stands still on purpose (a hold, an emergency)."""
        return False

    def _loop(self) -> None:
        self.timeline.settle(self.settled_s())
        if not self._greeted:
            if self.now_s < self.booting_until_s:
                return
            self._greeted = True
            self.greet()
        while self.now_s >= self.stalled_until_s and not self.frozen():
            if self._work is not None and self.now_s >= self._until_s:
                self._go_on()
            elif not self.work_on():
                return

    # ---- commands at work

    @property
    def busy(self) -> bool:
        """Whether a command is at work."""
        return self._work is not None

    def begin(self, work: Work, text: str) -> None:
        """Start on a command; `text` is its name should it never end."""
        self._work, self._work_text, self._until_s = work, text, -inf
        self._go_on()

    def release(self) -> None:
        """End a wait for the person."""
        if self._until_s == inf:
            self._until_s = self.now_s

    def _go_on(self) -> None:
        work = self._work
        if work is None:
            return
        try:
            self._until_s = next(work)
        except StopIteration:
            if self._work is work:  # a command may end in a reset of its own
                self._work = None
                self.finished()

    def room(self) -> Work:
        """Wait until the planner has room for a move."""
        while self.timeline.moves >= self.planner_moves:
            yield self.timeline.first_move_end_s
            self.timeline.settle(self.now_s)

    def standstill(self) -> Work:
        """Wait until every move has ended."""
        while self.timeline.last_end_s > self.now_s:
            yield self.timeline.last_end_s
        self.timeline.settle(self.now_s)

    def dwell(self, seconds: float, *, line: int | None, text: str) -> Work:
        """Wait for standstill and then for `seconds` of the machine's own time."""
        yield from self.standstill()
        pause = Pace(seconds=seconds)
        self.timeline.add(self.now_s, line=line, text=text, pace=pause)
        yield from self.standstill()

    def home(self, letters: str, *, line: int | None, text: str) -> Work:
        """Drive the axes to where they truly are 0, one after the other, and believe it from there on."""
        yield from self.standstill()
        true = self.timeline.true
        seconds = sum(abs(true.get(letter, 0.0)) for letter in letters) / self.manners.homing_speed_mm_s
        way = {letter: -true.get(letter, 0.0) for letter in letters}
        self.homing = True
        self.timeline.add(self.now_s, line=line, text=text, pace=Pace(seconds=seconds), way=way)
        yield from self.standstill()
        self.homing = False
        for letter in letters:
            self.interpreter.position[letter] = 0.0
            self.interpreter.offset.pop(letter, None)
            self._datum[letter] = 0.0

    def drive(self, step: VirtualStep, *, line: int | None, text: str) -> Work:
        """Queue a move that was planned; one that runs into a limit switch trips it there."""
        share = share_within(self.manners.travel, self._planned_from(step), step.way)
        if share >= 1.0:
            self.timeline.add(
                self.now_s, line=line, text=text, pace=step.pace, way=step.way, stretch=step.stretch
            )
            return
        # Simplified: it gets there at the pace of the whole move, and its line is not answered any more.
        self.timeline.add(self.now_s, line=line, text=text, pace=step.pace, way=step.scaled(share))
        yield from self.standstill()
        self.hit_limit(self.now_s)

    def probe(self, step: VirtualStep, *, line: int | None, text: str) -> Generator[float, None, bool]:
        """Move towards the ground and stop dead where the contact closes; tell whether it did.

        Simplified: a real axis runs on for the length of its ramp.
        """
        yield from self.standstill()
        at, ground = dict(self.timeline.true), self.manners.ground
        share = None if ground is None else share_to_contact(ground, at, step.way)
        until = min(1.0 if share is None else share, share_within(self.manners.travel, at, step.way))
        self.timeline.add(self.now_s, line=line, text=text, pace=step.pace, way=step.scaled(until))
        yield from self.standstill()
        self.interpreter.position.update(self.reported())
        if until < 1.0 and until != share:
            self.hit_limit(self.now_s)
        return until == share

    def _planned_from(self, step: VirtualStep) -> dict[str, float]:
        """Return where the axes truly will be when a step that is planned already begins."""
        return {
            letter: self.interpreter.position.get(letter, 0.0) + self._datum.get(letter, 0.0) - part
            for letter, part in step.way.items()
        }

    # ---- words out and bytes in

    def say(self, text: str) -> None:
        """Send a line to the host."""
        self.said += text.encode("ascii", "replace") + self.END

    def buffer(self, data: bytes) -> None:
        """Put bytes into the receive buffer, from where the main loop reads; those that find no room are lost."""
        if self.no_room_bytes:
            gone = min(self.no_room_bytes, len(data))
            self.no_room_bytes -= gone
            self.lost_bytes += gone
            data = data[gone:]
        while data and (room := self.receive_bytes - len(self.received)) > 0:
            self.received += data[:room]
            data = data[room:]
            self._loop()
        self.lost_bytes += len(data)

    def deaf(self, data: bytes) -> bool:
        """Tell whether bytes are lost because the controller is starting up, and count them."""
        if self._greeted or self.now_s >= self.booting_until_s:
            return False
        self.lost_bytes += len(data)
        return True

    # ---- ends

    def power_on(self, now_s: float) -> None:
        """Reset everything, as by the reset button: moves stop dead and the controller forgets where it is."""
        self.stop_dead(now_s)
        self.interpreter.forget()
        self._datum = dict(self.timeline.true)
        self.received.clear()
        self.said.clear()
        self.forget()
        self.stalled_until_s = -inf
        self.booting_until_s = now_s + self.manners.boot_s
        self._greeted = False

    def stop_dead(self, now_s: float) -> bool:
        """End all motion and the command at work, at once; the position stays known. Tell if anything moved."""
        self.now_s = max(now_s, self.now_s)
        pending = [self._work_text] if self._work is not None else []
        # It may be the command at work itself that ends all.
        if self._work is not None and getgeneratorstate(self._work) != GEN_RUNNING:
            self._work.close()
        self._work, self._until_s, self.homing = None, -inf, False
        moved = self.timeline.cut(self.settled_s(), pending=pending)
        self.see_where()
        return moved

    def see_where(self) -> None:
        """Plan on from where the motors stand, also of axes that were to move and never did."""
        stands = self.reported()
        position = self.interpreter.position
        position.update({letter: stands.get(letter, -self._datum.get(letter, 0.0)) for letter in position})
        position.update(stands)

    def hit_limit(self, now_s: float) -> None:
        """Trip a limit switch."""
        raise NotImplementedError

    # ---- what it shows

    def reported(self) -> dict[str, float]:
        """Return where the controller believes its axes are now, machine coordinates."""
        at = self.timeline.now_at(self.settled_s())
        return {letter: value - self._datum.get(letter, 0.0) for letter, value in at.items()}

    def reported_plunger(self, at: dict[str, float], usual: str) -> float:
        """Return the plunger's coordinate out of `at`, under whichever letter drives it."""
        return at.get(self.timeline.plunger_letter or usual, 0.0)

    def activity(self) -> str:
        """Return the state's name, as status reports call it."""
        if not self._greeted:
            return "Booting"
        return "Run" if self.timeline.moves or self.busy else "Idle"

    def alarm(self) -> str:
        """Return why the controller is locked, "" when it is not."""
        return ""

    def paused(self) -> bool:
        """Tell whether it waits for the person."""
        return self._work is not None and self._until_s == inf

    def last_line(self) -> int:
        """Return the last line number taken."""
        return 0

    def state(self) -> VirtualState:
        """Return how the machine stands now."""
        true = self.timeline.now_at(self.settled_s())
        letter = self.timeline.plunger_letter or next((one for one in PLUNGER_LETTERS if one in true), "")
        return VirtualState(
            axes_mm=(true[AXES[0]], true[AXES[1]], true[AXES[2]]),
            plunger=true.get(letter, 0.0),
            reported=MappingProxyType(self.reported()),
            modal=self.interpreter.modal,
            activity=self.activity(),
            alarm=self.alarm(),
            paused=self.paused(),
            queued_moves=self.timeline.moves,
            waiting_bytes=len(self.received),
            lost_bytes=self.lost_bytes,
            last_line=self.last_line(),
        )

"""The small-CNC protocol, seen from the controller: an answer per line, and single bytes that act at once.

    bytes ─▶ ? ! ~ ctrl-X act at once
          └▶ receive buffer (128, overruns) ─▶ one line at work ─▶ planner (15 moves) ─▶ motion
                                               `ok` or `error:n`

| state | lines | ? | ! | ~ | ctrl-X |
|---|---|---|---|---|---|
| Idle, Run | taken | report | Hold | – | starts over; Alarm if it was moving, since steps may be lost |
| Hold | wait in the buffer | report | – | goes on | starts over, the position stays known |
| Alarm | `error:9`, but `$` lines | report | – | – | starts over, still Alarm |

`$X` unlocks, `$H` homes and unlocks. After power-on the position is unknown: Alarm.

`$J=…` jogs: its units, distance mode and feed are its own, and while jogs are at work the state is Jog, other lines are
`error:9`, and the byte 0x85 ends them all at once. Where soft limits are on (`$20=1`) a jog beyond the travel is `error:15`,
any other move `ALARM:2`. G38.2 and G38.3 go towards a contact and say `[PRB:…:1]`, or `[PRB:…:0]` where there was none.

Simplified: a hold stops at once, without the short ramp down and up; settings are kept and listed but change nothing.
G61.1 is taken, and a fourth axis of any letter; older firmware of this family knows neither.

Sources: the public interface notes of the protocol ("Interface", "Commands" and the tables of error and alarm codes
of its reference firmware, version 1.1): 128-byte receive buffer, lines of up to 79 characters without spaces and
comments, error and alarm numbers, the layout of reports.

Longer than 400 lines because the controller of one protocol is one table of states, above, and is read against it.
"""

from collections.abc import Mapping

from pastewright.virtual.cnc_words import (
    BAD_STATEMENT,
    JOG_TOO_FAR,
    LOCKED,
    MODES,
    NOT_IDLE,
    PROBES,
    TOO_LONG,
    CncBlock,
    block_of,
    jog_of,
)
from pastewright.virtual.firmware import Firmware, Work
from pastewright.virtual.interpreter import (
    BadLineError,
    Interpreter,
    VirtualStep,
    without_comments,
)
from pastewright.virtual.pace import AXES, STANDING, Pace
from pastewright.virtual.reach import NEARLY
from pastewright.virtual.state import Manners

ASK, HOLD, GO_ON, SOFT_RESET, JOG_CANCEL = b"?"[0], b"!"[0], b"~"[0], 0x18, 0x85
REAL_TIME = frozenset((ASK, HOLD, GO_ON, SOFT_RESET, *range(0x80, 0x100)))
"""Bytes that never reach a line. Those from 0x80 on are overrides; there is nothing to override here."""

GREETING = "Pretend 1 ['$' for help]"
"""Name and version of this controller; what follows is how controllers of this protocol end their greeting."""

LONGEST_LINE = 79
JOG = "$J="

HARD_LIMIT, SOFT_LIMIT, CUT_SHORT, TOUCHING_ALREADY, NO_CONTACT, HOMING_CUT_SHORT = 1, 2, 3, 4, 5, 6


def _settings(limits: Mapping[str, float]) -> dict[str, str]:
    """Return the few settings that are listed; numbers as in the public table of settings."""
    first = {"0": "10", "10": "1", "11": "0.010", "13": "0", "20": "0", "21": "0", "22": "1"}
    return first | {f"{110 + at}": f"{60 * speed:.3f}" for at, speed in enumerate(limits.values())}


class CncFirmware(Firmware):
    """The controller's side of the small-CNC protocol."""

    END = b"\r\n"
    PLANNER_MOVES = 15
    RECEIVE_BYTES = 128

    def __init__(self, *, scale: float, manners: Manners) -> None:
        self._line = bytearray()
        self._too_long = False
        self._alarm = ""
        self._must_reset = False
        self._held_at_s: float | None = None
        self._error = 0
        self._answered = 0
        self._reports = 0
        self._told_offset: tuple[float, ...] | None = None
        self._jogging = False
        self._probed = "0.000,0.000,0.000,0.000:0"
        self.settings = _settings({name: manners.limits[name].speed_mm_s for name in (*AXES, "A")})
        interpreter = Interpreter(limits=manners.limits, e_has_own_mode=False, first_feed=0.0)
        super().__init__(scale=scale, manners=manners, interpreter=interpreter)

    # ---- life

    def forget(self) -> None:
        """Drop what was being read, and lock: after power-on nobody knows where the axes are."""
        self._line.clear()
        self._too_long = False
        self._held_at_s = None
        self._must_reset = False
        self._alarm = "power-on, position unknown"

    def greet(self) -> None:
        """Say the greeting by which clients know the protocol, and that it is locked."""
        self.say("")
        self.say(self.manners.greeting or GREETING)
        if self._alarm:
            self.say("[MSG:'$H'|'$X' to unlock]")

    def frozen(self) -> bool:
        """Tell whether nothing is read: in a hold, and after an alarm that only a reset ends."""
        return self._held_at_s is not None or self._must_reset

    def alarm(self) -> str:
        """Return why the controller is locked."""
        return self._alarm

    def paused(self) -> bool:
        """Tell whether it is in a hold."""
        return self._held_at_s is not None

    def activity(self) -> str:
        """Return the state's name."""
        if not self._greeted:
            return "Booting"
        if self.homing:
            return "Home"
        if self._alarm:
            return "Alarm"
        if self._held_at_s is not None:
            return "Hold"
        return "Jog" if self._in_jog() else super().activity()

    def _in_jog(self) -> bool:
        """Tell whether jogs are at work."""
        at_work = self.busy and self._work_text.upper().startswith(JOG)
        self._jogging = self._jogging and (at_work or self.timeline.moves > 0)
        return self._jogging

    def settled_s(self) -> float:
        """Return the time up to which motion has run; a hold stops this clock."""
        return self.now_s if self._held_at_s is None else self._held_at_s

    def wake_s(self) -> float | None:
        """Return when something will happen by itself that may end in words, or None."""
        return None if self._greeted and self.frozen() else super().wake_s()

    # ---- bytes in

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes off the wire: real-time bytes act, the others wait in the buffer."""
        self.now_s = max(self.now_s, now_s)
        begin = 0
        for at, byte in enumerate(data):
            real_time = byte in REAL_TIME
            if real_time or byte in b"\r\n":
                end = at if real_time else at + 1
                self._arrived(data[begin:end])
                begin = at + 1
                if real_time:
                    self._act(byte)
        self._arrived(data[begin:])

    def _arrived(self, piece: bytes) -> None:
        if piece and not self.deaf(piece):
            self.buffer(piece)

    def _act(self, byte: int) -> None:
        if self.deaf(bytes((byte,))):
            return
        if byte == ASK:
            self._report()
        elif byte == HOLD:
            if self._held_at_s is None and not self._alarm:
                self._held_at_s = self.now_s
        elif byte == GO_ON:
            self._end_hold()
        elif byte == SOFT_RESET:
            self._soft_reset()
        elif byte == JOG_CANCEL and self._in_jog():
            working = self.busy
            self.stop_dead(self.now_s)
            self._held_at_s = None
            if working:
                self.finished()
            self._loop()

    def _end_hold(self) -> None:
        if self._held_at_s is None:
            self.release()
            self._loop()
            return
        self.timeline.shift(self.now_s - self._held_at_s)
        self._held_at_s = None
        self.release()
        self._loop()

    def _soft_reset(self) -> None:
        """Start over: a move under way is cut and the position is in doubt; a finished hold is safe."""
        moving = self._held_at_s is None and self.timeline.moves > 0
        number = HOMING_CUT_SHORT if self.homing else CUT_SHORT
        self.stop_dead(self.now_s)
        self._held_at_s = None
        if moving and not self._alarm:
            self._alarm = "reset while moving"
            self.say(f"ALARM:{number}")
        self._must_reset = False
        self.received.clear()
        self._line.clear()
        self._too_long = False
        self.interpreter.first_modes()
        self.greet()

    def hit_limit(self, now_s: float) -> None:
        """Trip a limit switch: everything stops until a reset."""
        self.stop_dead(now_s)
        self._held_at_s = None
        self._alarm = "limit switch"
        self._must_reset = True
        self.say(f"ALARM:{HARD_LIMIT}")
        self.say("[MSG:Reset to continue]")

    def _report(self) -> None:
        at = self.reported()
        name = "Hold:0" if self.activity() == "Hold" else self.activity()
        places = ",".join(f"{value:.3f}" for value in self._four(at))
        speed = 0.0 if self._held_at_s is not None else self.timeline.speed_at(self.now_s)
        room = f"Bf:{self.planner_moves - self.timeline.moves},{self.receive_bytes - len(self.received)}"
        text = f"<{name}|MPos:{places}|{room}|FS:{60 * speed:.0f},0"
        offset = self._four(self.interpreter.offset)
        if offset != self._told_offset or self._reports % 10 == 0:
            text += "|WCO:" + ",".join(f"{value:.3f}" for value in offset)
            self._told_offset = offset
        self._reports += 1
        self.say(text + ">")

    def _four(self, at: Mapping[str, float]) -> tuple[float, float, float, float]:
        """Return X, Y, Z and the plunger's axis, whichever letter it has."""
        return (at.get("X", 0.0), at.get("Y", 0.0), at.get("Z", 0.0), self.reported_plunger(dict(at), "A"))

    # ---- lines

    def work_on(self) -> bool:
        """Read the next line, if none is at work, and begin on it."""
        if self.busy or not self.received:
            return False
        ends = [at for at in (self.received.find(b"\n"), self.received.find(b"\r")) if at >= 0]
        if not ends:
            self._read(bytes(self.received))
            self.received.clear()
            return False
        end = min(ends)
        self._read(bytes(self.received[:end]))
        del self.received[: end + 1]
        raw, too_long = bytes(self._line), self._too_long
        self._line.clear()
        self._too_long = False
        self._error = TOO_LONG if too_long else 0
        text = without_comments(raw.decode("latin-1"))
        self.begin(self._carry_out(text) if not too_long else self._nothing(), text)
        return True

    def _read(self, part: bytes) -> None:
        """Add to the line being read. What is counted against its length has no spaces and comments."""
        self._line += part
        if len(self._line) > LONGEST_LINE:
            bare = without_comments(self._line.decode("latin-1")).replace(" ", "").replace("\t", "")
            if len(bare) > LONGEST_LINE:
                self._too_long = True
                self._line = self._line[: LONGEST_LINE + 1]

    def _nothing(self) -> Work:
        yield from ()

    def finished(self) -> None:
        """Answer for the line that was at work."""
        self.say(f"error:{self._error}" if self._error else "ok")
        self._answered += 1

    def _carry_out(self, text: str) -> Work:
        """Read the whole line, check the whole line, only then act: a bad line changes nothing."""
        if not text:
            return
        if text.startswith("$"):
            yield from self._statement(text.upper())
            return
        if self._alarm or self._in_jog():
            self._error = LOCKED
            return
        try:
            block = block_of(text, modal=self.interpreter.modal)
        except BadLineError as bad:
            self._error = bad.code
            return
        yield from self._act_on(block)

    def _act_on(self, block: CncBlock) -> Work:
        """Act in the order of RS274/NGC (NISTIR 6556, table 8): feed, dwell, units, distance, motion, stopping."""
        interpreter, commands, values, places = self.interpreter, block.commands, block.values, block.places
        for group in ("feed", "units", "distance"):
            mode = MODES.get(commands.get(group, ""))
            if mode is None:
                continue
            if mode.get("inverse_time", interpreter.modal.inverse_time) != interpreter.modal.inverse_time:
                interpreter.set(feed=0.0)  # the old number means something else now
            interpreter.set(**mode)
        if "F" in values:
            interpreter.set_feed(values["F"])
        if "motion" in commands:
            interpreter.set(motion=commands["motion"])
        once, stopping = commands.get("once"), commands.get("stopping")
        if "spindle" in commands or "coolant" in commands:
            yield from self.standstill()
        if once == "G4":
            yield from self.standstill()
            dwell = Pace(seconds=max(0.0, values["P"]))
            self.timeline.add(self.now_s, line=block.line, text=block.text, pace=dwell)
        elif once == "G28" or (places and once not in ("G92", "G92.1")):
            yield from self._move(block)
        else:
            if once == "G92":
                interpreter.rename_here(places)
            elif once == "G92.1":
                interpreter.offset = {}
            self.timeline.add(self.now_s, line=block.line, text=block.text, pace=STANDING)
        if once == "G4" or stopping:
            yield from self.standstill()
        if stopping in ("M0", "M1"):
            # Waits as in a hold, until told to go on.
            self._held_at_s = self.now_s
            yield self.now_s
        elif stopping:
            interpreter.set(relative=False, inverse_time=False, motion="G1")

    def _move(self, block: CncBlock) -> Work:
        """Move or probe as the line says, if soft limits let it."""
        interpreter, home = self.interpreter, block.commands.get("once") == "G28"
        motion = interpreter.modal.motion
        yield from self.room()
        step = interpreter.step_ahead(
            dict.fromkeys(block.places or AXES, 0.0) if home else block.places,
            rapid=home or motion == "G0",
            machine=home or block.commands.get("once") == "G53",
        )
        if self._too_far(step):
            # Comes to rest first, so that the position stays known.
            yield from self.standstill()
            self._lock("soft limit", SOFT_LIMIT)
            self._must_reset = True
        elif motion in PROBES and not home:
            yield from self._probe(step, block)
        else:
            interpreter.plan(step)
            yield from self.drive(step, line=block.line, text=block.text)

    def _probe(self, step: VirtualStep, block: CncBlock) -> Work:
        """Go towards the contact and tell where it closed, machine coordinates."""
        yield from self.standstill()
        ground = self.manners.ground
        if ground is not None and ground.touches(self.timeline.true):
            self._lock("the probe touches already", TOUCHING_ALREADY)
            return
        self.interpreter.plan(step)
        touched = yield from self.probe(step, line=block.line, text=block.text)
        if self._must_reset:
            return
        if not touched and self.interpreter.modal.motion == "G38.2":
            self._lock("the probe touched nothing", NO_CONTACT)
        places = ",".join(f"{value:.3f}" for value in self._four(self.reported()))
        self._probed = f"{places}:{int(touched)}"
        self.say(f"[PRB:{self._probed}]")

    def _too_far(self, step: VirtualStep) -> bool:
        """Tell whether soft limits are on and forbid a step that is not planned yet."""
        travel = self.manners.travel
        if self.settings["20"] != "1" or not travel:
            return False
        at = self.interpreter.position
        # The machine knows its travel from where it was homed: from the place that it calls 0.
        return any(
            not travel[letter][0] - NEARLY <= at.get(letter, 0.0) + part <= travel[letter][1] + NEARLY
            for letter, part in step.way.items()
            if letter in travel
        )

    def _lock(self, why: str, number: int) -> None:
        self._alarm = why
        self.say(f"ALARM:{number}")

    # ---- $ lines

    def _statement(self, text: str) -> Work:
        if text in ("$", "$$", "$I", "$G", "$#"):
            self._answer(text)
        elif text.startswith(JOG):
            yield from self._jog(text[3:])
        elif text in ("$X", "$H"):
            if self.timeline.moves:
                self._error = NOT_IDLE
            elif text == "$X":
                if self._alarm:
                    self._alarm = ""
                    self.say("[MSG:Caution: Unlocked]")
            else:
                self._alarm = ""
                yield from self.home(AXES, line=None, text=text)
        else:
            name, equals, value = text[1:].partition("=")
            if not (equals and name.isdecimal() and name in self.settings):
                self._error = BAD_STATEMENT
            elif self.timeline.moves:
                self._error = NOT_IDLE
            else:
                self.settings[name] = value

    def _jog(self, text: str) -> Work:
        """Move as a jog line says; none of its modes outlasts it."""
        if self._alarm or (self.timeline.moves and not self._in_jog()):
            self._error = LOCKED if self._alarm else NOT_IDLE
            return
        interpreter, before = self.interpreter, self.interpreter.modal
        try:
            block = jog_of(text)
        except BadLineError as bad:
            self._error = bad.code
            return
        for group in ("units", "distance"):
            interpreter.set(**MODES.get(block.commands.get(group, ""), {}))
        interpreter.set(inverse_time=False)
        interpreter.set_feed(block.values["F"])
        step = interpreter.step_ahead(block.places, rapid=False, machine="once" in block.commands)
        interpreter.modal = before
        if self._too_far(step):
            self._error = JOG_TOO_FAR
            return
        self._jogging = True
        yield from self.room()
        interpreter.plan(step)
        yield from self.drive(step, line=block.line, text=block.text)

    def _answer(self, text: str) -> None:
        if text == "$":
            self.say("[HLP:$$ $# $G $I $x=val $X $H ~ ! ? ctrl-x]")
        elif text == "$$":
            for name, value in self.settings.items():
                self.say(f"${name}={value}")
        elif text == "$I":
            self.say("[VER:1.1h.pastewright virtual controller:]")
            self.say(f"[OPT:V,{self.planner_moves},{self.receive_bytes}]")
        elif text == "$G":
            modal = self.interpreter.modal
            self.say(
                f"[GC:{modal.motion} G54 G17 G{20 if modal.inches else 21} G{91 if modal.relative else 90} "
                f"G{93 if modal.inverse_time else 94} M5 M9 T0 F{modal.feed:g} S0]"
            )
        else:
            # Only G54 and G92 are ever used; the others are listed since clients look for them.
            for name in ("G54", "G55", "G56", "G57", "G58", "G59", "G28", "G30"):
                self.say(f"[{name}:0.000,0.000,0.000,0.000]")
            self.say(
                "[G92:" + ",".join(f"{value:.3f}" for value in self._four(self.interpreter.offset)) + "]"
            )
            self.say("[TLO:0.000]")
            self.say(f"[PRB:{self._probed}]")

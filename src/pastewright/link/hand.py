"""The moves of a hand through the owner of the port: every one is checked against the reach here, just before it goes out.

    moves ──▶ kept within reach ──▶ words of the dialect ──▶ Owner.do ──▶ place reported = place wanted?

One batch of moves is out at a time and is waited for, so that nothing is queued behind what the person sees. The
plunger's place is counted from where this began: no controller knows where a plunger is in its barrel.
"""

import re
from collections.abc import Callable, Sequence
from contextlib import suppress

from pastewright.hands.moves import AXES, Go, Move, Push, Spot, after, spot_of
from pastewright.hands.reach import Reach, kept, reach_of
from pastewright.link.bench import PLACE_MM, Bench, bench_of, plunger_units_per_mm
from pastewright.link.detect import Protocol
from pastewright.link.events import Trouble
from pastewright.link.owner import MachineError, Owner, Stand
from pastewright.link.probes import NO_CONTACT
from pastewright.link.words import number
from pastewright.problems import InputError
from pastewright.profile.model import ProbeWord, Profile

DECIMALS = 4
"""Of a place: a tenth of what any controller resolves."""
_PRB = re.compile(r"\[PRB:([^\]:]*):([01])\]")
_BED = re.compile(r"\bX:\s*(-?[\d.]+)\s+Y:\s*(-?[\d.]+)\s+Z:\s*(-?[\d.]+)")
SETUP = {Protocol.REPRAP: ("G21", "G90"), Protocol.CNC: ("G21", "G90", "G94")}


def lines_of(moves: Sequence[Move], bench: Bench, *, units_per_mm: float) -> list[str]:
    """Return the lines that carry moves out, modes stated first; the plunger moves relatively, in its own unit."""
    lines = ["G21", "G90"] if bench.reprap else ["G21", "G90", "G94"]
    for move in moves:
        if isinstance(move, Go):
            words = " ".join(
                f"{axis}{number(round(move.to_mm[axis], DECIMALS))}" for axis in AXES if axis in move.to_mm
            )
            lines.append(f"G1 {words} F{number(60 * move.speed_mm_s)}")
        elif isinstance(move, Push):
            feed = 60 * move.speed_mm_s * abs(units_per_mm)
            push = f"G1 {bench.letter}{number(move.by_mm * units_per_mm)} F{number(feed)}"
            # A printer controller lets a cold extruder move only after M302.
            own = ["M302 P1", "M83"] if bench.reprap and bench.letter == "E" else []
            lines += [*own, push] if own else ["G91", push, "G90"]
        else:
            lines.append(f"G4 P{number(1000 * move.seconds if bench.reprap else move.seconds)}")
    return lines


class Hand:
    """A hand on the machine of an owner. `stop` is asked while anything moves; true ends the motion."""

    def __init__(
        self, owner: Owner, *, surface_z_mm: float | None = None, stop: Callable[[], bool] | None = None
    ) -> None:
        self.owner = owner
        self.stop = stop
        self.pushed_mm = 0.0
        """How far the plunger is from where this began, forward above zero [mm]."""
        self.moved = False
        """Whether anything was moved since this began."""
        self.pressed = False
        """Whether the plunger was last pushed forward from here: paste may stand under pressure."""
        self.when_relieved: Callable[[float], None] = lambda _by_mm: None
        """Told of a relief that nobody asked for, by how far the plunger went back [mm]."""
        self._surface_z_mm = surface_z_mm
        self._at: Spot | None = None

    @property
    def profile(self) -> Profile:
        """The bench."""
        return self.owner.profile

    def use(self, profile: Profile) -> None:
        """Go on with a profile in which a value was changed."""
        self.owner.profile, self.owner.bench = profile, bench_of(profile)

    def reach(self, *, touching: bool = False) -> Reach:
        """Return where the tip may go."""
        return reach_of(self.profile, surface_z_mm=self._surface_z_mm, touching=touching)

    def look(self) -> Stand:
        """Return how the machine stands, asked now."""
        stand = self.owner.look()
        self._at = self._agreed(spot_of(stand.position))
        return stand

    @property
    def at(self) -> Spot:
        """Where the tip is; asked where that is not known yet. Raises `MachineError` where the controller does not say."""
        if self._at is None:
            self.look()
        if self._at is None:
            raise MachineError(Trouble.SILENT, "the controller does not say where it stands", {})
        return self._at

    @property
    def place(self) -> Spot | None:
        """Where the tip is as far as that is known without asking."""
        return self._at

    def must_know(self) -> None:
        """Raise `InputError` while the place is not known, without asking a controller that may be dead."""
        if not self.owner.known:
            self.owner.do([])

    def home(self) -> Spot:
        """Home the machine; returns where the tip is then."""
        self._at, self.moved = None, True
        self._at = spot_of(self.owner.home(self.stop))
        return self.at

    def go(self, moves: Sequence[Move], *, touching: bool = False) -> Spot:
        """Carry moves out and wait; returns where the tip is then.

        Raises `InputError` where a move would leave the reach or the place is not known (nothing moves then), and
        `MachineError` where they did not come to their end or the tip is elsewhere afterwards.
        """
        self.must_know()
        here = self.at
        moves = kept(moves, here, self.reach(touching=touching))
        if not moves:
            return here
        wanted = here
        for move in moves:
            wanted = after(wanted, move)
        self._at, self.moved = None, True
        units = plunger_units_per_mm(self.profile)
        pushes_mm = [move.by_mm for move in moves if isinstance(move, Push)]
        self.pressed = self.pressed or any(by_mm > 0 for by_mm in pushes_mm)
        try:
            place = self.owner.do(lines_of(moves, self.owner.bench, units_per_mm=units), stop=self.stop)
        finally:
            # Where it was broken off the plunger may be anywhere on the way: count all of it.
            self.pushed_mm += sum(pushes_mm)
        if pushes_mm:
            self.pressed = pushes_mm[-1] > 0
        self._at = self._agreed(spot_of(place), wanted)
        off = max((abs(self.at.axis_mm(axis) - wanted.axis_mm(axis)) for axis in AXES), default=0.0)
        if off > PLACE_MM:
            raise MachineError(
                Trouble.ELSEWHERE,
                f"the tip is at {self.at.words} instead of {wanted.words}",
                place,
            )
        return self.at

    def feel(self, low_mm: float, speed_mm_s: float) -> Spot | None:
        """Lower the tip until the probe's contact closes; returns where it did [mm], None where it did not.

        Z goes no deeper than `low_mm` and never below the axis. The probe of printer controllers that know one word
        only (G30) goes up again by itself.
        """
        profile = self.profile
        kept([Go(to_mm={"Z": low_mm}, speed_mm_s=speed_mm_s)], self.at, self.reach(touching=True))
        stand = self.owner.look()
        single = profile.probe.word is ProbeWord.SINGLE
        # Of the two words for CNC controllers the one that takes no contact for an answer, not for an alarm.
        word = "G38.2" if self.owner.bench.reprap else "G38.3"
        probe = "G30" if single else f"{word} Z{number(low_mm)} F{number(60 * speed_mm_s)}"
        self._at, self.moved = None, True
        place = self.owner.do([*SETUP[self.owner.protocol], probe], stop=self.stop)
        self._at = spot_of(place)
        return self._touched(stand, single=single)

    def _touched(self, stand: Stand, *, single: bool) -> Spot | None:
        said = "\n".join(self.owner.said)
        if not self.owner.bench.reprap:
            found = list(_PRB.finditer(said))
            if not found or found[-1][2] == "0":
                return None
            with suppress(ValueError):
                machine = [float(value) for value in found[-1][1].split(",")][:3]
                off = {axis: stand.machine.get(axis, 0.0) - stand.position.get(axis, 0.0) for axis in AXES}
                return spot_of({axis: value - off[axis] for axis, value in zip(AXES, machine, strict=True)})
            raise MachineError(Trouble.STRANGER, f"this is no answer of a probe: {found[-1][0]}", {})
        if NO_CONTACT.search(said):
            return None
        if single:
            answer = _BED.search(said)
            if answer is None:
                return None
            return Spot(x_mm=float(answer[1]), y_mm=float(answer[2]), z_mm=float(answer[3]))
        return self.at

    def _agreed(self, reported: Spot | None, wanted: Spot | None = None) -> Spot | None:
        """Return the place wanted where the report, rounded to two decimals by many, is the same; else the report."""
        known = wanted or self._at
        if reported is None or known is None:
            return reported
        same = all(abs(reported.axis_mm(axis) - known.axis_mm(axis)) <= 0.0051 for axis in AXES)
        return known if same else reported

    def safe(self, why: str) -> bool:
        """End motion and lift, if that can be, and relieve what was pushed from here; tells whether it was done.

        What every end of the host does. Paste that this hand has not pushed stays as it was left: drawn back unasked, it
        would be missing where the next run begins.
        """
        relieve = self.pressed
        try:
            done = self.owner.safe(why, relief=relieve)
        except (MachineError, InputError):
            return False
        self._at = None
        if done and relieve:
            self.pressed = False
            by_mm = self.profile.run.relieve_ul / self.profile.barrel.area_mm2
            self.pushed_mm -= by_mm
            self.when_relieved(by_mm)
        return done

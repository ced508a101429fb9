"""Moves in time: how long one takes, where it is in the middle, and the queue of moves waiting for their turn.

    speed
      v |    ______
        |   /      \\        every move starts and ends at rest: ramp, cruise, ramp
        |  /        \\       a short one never reaches v (a triangle)
        +-/----------\\--- time
          ramp_s  ramp_s

Real controllers round the corners between moves; here each ends before the next begins, so times are a little long.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import sqrt

from pastewright.virtual.state import AxisLimit, Executed

AXES = "XYZ"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How long a move takes in all, and how long each of its two ramps is [s, the machine's own]."""

    seconds: float
    ramp_s: float

    def share_done(self, elapsed_s: float) -> float:
        """Return how much of the way [0..1] lies behind after `elapsed_s`; the area under the trapezoid."""
        whole, ramp = self.seconds, self.ramp_s
        if elapsed_s >= whole:
            return 1.0
        if elapsed_s <= 0:
            return 0.0
        if ramp <= 0:
            return elapsed_s / whole
        if elapsed_s < ramp:
            return elapsed_s**2 / (2 * ramp * (whole - ramp))
        if elapsed_s <= whole - ramp:
            return (elapsed_s - ramp / 2) / (whole - ramp)
        return 1 - (whole - elapsed_s) ** 2 / (2 * ramp * (whole - ramp))


STANDING = Pace(seconds=0.0, ramp_s=0.0)


def pace(
    way: Mapping[str, float], *, feed: float | None, seconds: float | None, limits: Mapping[str, AxisLimit]
) -> Pace:
    """Return the pace of a straight move of `way` (mm or degrees by letter) from rest to rest.

    `feed` [per s] counts along X, Y and Z where any of these moves, else along the rest; None goes as fast as the
    axes can. `seconds`, where given, is how long it should take instead (inverse time). No axis exceeds its limit.
    """
    moving = {letter: abs(part) for letter, part in way.items() if part}
    if not moving:
        return STANDING
    counted = [part for letter, part in moving.items() if letter in AXES] or list(moving.values())
    length = sqrt(sum(part * part for part in counted))
    speed = min(limits[letter].speed_mm_s * length / part for letter, part in moving.items())
    accel = min(limits[letter].accel_mm_s2 * length / part for letter, part in moving.items())
    if feed is not None:
        speed = min(speed, feed)
    if seconds is not None:
        # The cruise speed v that makes length/v + v/accel equal the time asked for, if any is slow enough.
        room = (accel * seconds) ** 2 - 4 * accel * length
        if room >= 0:
            speed = min(speed, 2 * length / (seconds + sqrt(room) / accel))
    if length * accel >= speed * speed:
        return Pace(seconds=length / speed + speed / accel, ramp_s=speed / accel)
    ramp = sqrt(length / accel)
    return Pace(seconds=2 * ramp, ramp_s=ramp)


@dataclass(slots=True, kw_only=True)
class Entry:
    """A command on its way to being carried out; `way` is empty for one that moves nothing."""

    line: int | None
    text: str
    begin_s: float
    end_s: float
    pace: Pace
    way: Mapping[str, float]


class Timeline:
    """Commands in the order they were taken, each carried out when its time has come.

    Positions here are the machine's true ones, by letter. A command without motion waits for the moves before
    it, so that what is shown as done is in order.
    """

    def __init__(self, scale: float) -> None:
        self.scale = scale
        self.true: dict[str, float] = dict.fromkeys(AXES, 0.0)
        self.plunger_letter = ""
        self.machine_s = 0.0
        self.executed: list[Executed] = []
        self.dropped: list[str] = []
        self._entries: deque[Entry] = deque()
        self._moves = 0

    @property
    def moves(self) -> int:
        """Moves planned and not yet ended, the running one included."""
        return self._moves

    @property
    def first_move_end_s(self) -> float:
        """When the oldest move ends; only asked for while there is one."""
        return next(entry.end_s for entry in self._entries if entry.way)

    @property
    def last_end_s(self) -> float:
        """When all that was taken has ended; minus infinity when nothing is open."""
        return self._entries[-1].end_s if self._entries else float("-inf")

    def add(
        self,
        now_s: float,
        *,
        line: int | None,
        text: str,
        pace: Pace = STANDING,
        way: Mapping[str, float] | None = None,
    ) -> None:
        """Queue a command behind all the others."""
        way = {letter: part for letter, part in (way or {}).items() if part}
        begin_s = max(now_s, self.last_end_s)
        self._entries.append(
            Entry(
                line=line,
                text=text,
                begin_s=begin_s,
                end_s=begin_s + pace.seconds * self.scale,
                pace=pace,
                way=way,
            )
        )
        self._moves += bool(way)
        self.settle(now_s)

    def settle(self, now_s: float) -> None:
        """Carry out everything that has ended by `now_s`."""
        while self._entries and self._entries[0].end_s <= now_s:
            self._finish(self._entries.popleft(), 1.0)

    def shift(self, by_s: float) -> None:
        """Let everything open end `by_s` later: the machine stood still for so long."""
        for entry in self._entries:
            entry.begin_s += by_s
            entry.end_s += by_s

    def cut(self, now_s: float, *, pending: Iterable[str] = ()) -> bool:
        """Stop at once: the running move keeps what it has done, the rest is dropped. Tell if one was running.

        `pending` are texts taken by the controller but not queued here, to be counted among the dropped.
        """
        self.settle(now_s)
        running = self._moves > 0
        while self._entries:
            entry = self._entries.popleft()
            share = self._share(entry, now_s)
            if share > 0:
                self._finish(entry, share, now_s)
            else:
                self.dropped.append(entry.text)
        self._moves = 0
        self.dropped.extend(pending)
        return running

    def now_at(self, now_s: float) -> dict[str, float]:
        """Return where every axis truly is at `now_s`, also in the middle of a move."""
        self.settle(now_s)
        at = dict(self.true)
        for entry in self._entries:
            share = self._share(entry, now_s)
            if share <= 0:
                break
            for letter, part in entry.way.items():
                at[letter] = at.get(letter, 0.0) + share * part
        return at

    def speed_at(self, now_s: float) -> float:
        """Return the mean speed [mm/s along X, Y, Z] of the move that runs at `now_s`, 0 at rest."""
        for entry in self._entries:
            if entry.way and entry.begin_s <= now_s < entry.end_s:
                length = sqrt(sum(part * part for letter, part in entry.way.items() if letter in AXES))
                return length / entry.pace.seconds
        return 0.0

    def _share(self, entry: Entry, now_s: float) -> float:
        if self.scale <= 0 or now_s <= entry.begin_s:
            return 0.0
        return entry.pace.share_done((now_s - entry.begin_s) / self.scale)

    def _finish(self, entry: Entry, share: float, cut_s: float | None = None) -> None:
        for letter, part in entry.way.items():
            self.true[letter] = self.true.get(letter, 0.0) + share * part
            if not self.plunger_letter and letter not in AXES:
                self.plunger_letter = letter
        seconds = entry.pace.seconds if cut_s is None else (cut_s - entry.begin_s) / self.scale
        self.machine_s += seconds
        self._moves -= bool(entry.way)
        self.executed.append(
            Executed(
                line=entry.line,
                text=entry.text,
                time_s=entry.end_s if cut_s is None else cut_s,
                machine_s=self.machine_s,
                axes_mm=(self.true["X"], self.true["Y"], self.true["Z"]),
                plunger=self.true.get(self.plunger_letter, 0.0),
                share=share,
            )
        )

"""The queue of moves waiting for their turn, and where the machine is at any moment.

Each move ends at rest before the next begins. With a junction deviation the machine runs through corners, and moves that
are not begun are timed anew whenever one more is known (`look_ahead`).
"""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import sqrt

from pastewright.virtual.look_ahead import corner_speed, rejoined
from pastewright.virtual.pace import AXES, STANDING, Pace, Stretch
from pastewright.virtual.state import AxisLimit, Executed


@dataclass(slots=True, kw_only=True)
class Entry:
    """A command on its way to being carried out; `way` is empty for one that moves nothing.

    `corner` is the most speed at which the move before may run into this one.
    """

    line: int | None
    text: str
    begin_s: float
    end_s: float
    pace: Pace
    way: Mapping[str, float]
    stretch: Stretch | None
    corner: float


class Timeline:
    """Commands in the order they were taken, each carried out when its time has come.

    Positions here are the machine's true ones, by letter. A command without motion waits for the moves before
    it, so that what is shown as done is in order.
    """

    def __init__(
        self,
        scale: float,
        *,
        junction_mm: float | None = None,
        limits: Mapping[str, AxisLimit] | None = None,
    ) -> None:
        self.scale = scale
        self._junction_mm = junction_mm
        self._limits = limits or {}
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
        stretch: Stretch | None = None,
    ) -> None:
        """Queue a command behind all the others; a move that says its `stretch` may be run into and out of."""
        way = {letter: part for letter, part in (way or {}).items() if part}
        begin_s = max(now_s, self.last_end_s)
        corner = self._corner_speed(way, stretch)
        self._entries.append(
            Entry(
                line=line,
                text=text,
                begin_s=begin_s,
                end_s=begin_s + pace.seconds * self.scale,
                pace=pace,
                way=way,
                stretch=stretch,
                corner=corner,
            )
        )
        self._moves += bool(way)
        if corner > 0:
            self._rejoin(now_s)
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

    def _corner_speed(self, way: Mapping[str, float], stretch: Stretch | None) -> float:
        """Return the most speed from the last move into one of `way`."""
        last = self._entries[-1] if self._entries else None
        if self._junction_mm is None or last is None or last.stretch is None or stretch is None:
            return 0.0
        allowed = corner_speed(last.way, way, junction_mm=self._junction_mm, limits=self._limits)
        return min(allowed, last.stretch.speed, stretch.speed)

    def _rejoin(self, now_s: float) -> None:
        """Time the last moves that run into each other anew; what has begun leaves with the speed it was to."""
        entries: list[Entry] = []
        for entry in reversed(self._entries):
            if entry.begin_s < now_s or entry.stretch is None:
                break
            entries.insert(0, entry)
            if entry.corner <= 0:
                break
        if not entries:
            return
        stretches = [entry.stretch for entry in entries if entry.stretch is not None]
        corners = [entry.corner for entry in entries[1:]]
        end_s = entries[0].begin_s
        for entry, pace in zip(
            entries, rejoined(stretches, corners, enter=entries[0].pace.enter), strict=True
        ):
            entry.pace, entry.begin_s = pace, end_s
            end_s = entry.end_s = end_s + pace.seconds * self.scale

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

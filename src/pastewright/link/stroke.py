"""Lines on their way to the controller: how far each brings the plunger, which are out, and how far they have come by now.

    units                                   what is counted: the last of these
      |            ____                     what went out: as many lines as the sender let go
      |       ____/    \\____ last          what was acknowledged: the controller has it
      |  ____/                              by the clock: a line begins when it is out and the one before it has ended
      +--------------------- lines

Lines take path/F, waits as long as they say; ramps are left out, so that the clock runs ahead of the machine a little. By
how much at most is measured at every barrier (`Punctuality`). Together they part the lines into those that are certainly
carried out, those that may be, and those that cannot have begun: the plunger stands somewhere on the way of the second.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import floor, hypot, inf
from typing import NamedTuple

from pastewright.link.words import Modal, Scan, words_of

LEAST_TIMED_S = 0.3
"""A group that lasts less says nothing about the clock: answers alone take some hundredths (own choice)."""
EARLY_S = 0.02
"""Nor does a barrier that comes early by the rounding of feeds and of the clock."""
ROUNDING = 0.02
"""Share of a push at its ends that a report may show by its rounding, three decimals of 0.1 mm being 1 %."""
TOLD_UNITS = 0.001
"""Reports have three decimals of the plunger's letter."""
UNTOLD_LAG_S, UNTOLD_LAG = 0.3, 0.05
"""How far a machine lags behind its lines by answers and ramps, where none has been timed yet (own choice: the virtual ones
lag by a tenth of a second at most)."""
LAG_FACTOR = 1.2
"""The group broken off may lag by a little more than any before it (own choice)."""
REPORT_S = 0.05
"""How old a report is at most when it comes: its 70 bytes take 6 ms at 115200 baud, and ports are read every 20 ms."""


class StrokeLine(NamedTuple):
    """One line: how far the plunger goes, how long that takes, and whether its answer waits for the end of all before.

    `across_mm` and `height_mm` are the tip's way.
    """

    units: float
    seconds: float
    waits: bool = False
    across_mm: float = 0.0
    height_mm: float = 0.0


def walk(lines: Sequence[str], before: Modal, letter: str, *, reprap: bool = True) -> list[StrokeLine]:
    """Return for each line how far the plunger goes, forward less back, and how long it takes [s]; a G92 moves nothing."""
    scan = Scan(letter, before)
    steps = []
    for line in lines:
        stood = dict(scan.place)
        scan.line(line)
        ways = {
            axis: scan.place[axis] - stood[axis]
            for axis in scan.moved
            if axis in stood and axis in scan.place
        }
        units = ways.pop(letter, 0.0)
        across_mm, height_mm = hypot(ways.get("X", 0.0), ways.get("Y", 0.0)), abs(ways.get("Z", 0.0))
        path = hypot(*ways.values()) or abs(units)
        seconds = 60 * path / scan.feed if scan.feed and path else 0.0
        if path and scan.inverse_time:
            seconds = sum(60 / value for name, value in words_of(line) if name == "F" and value > 0)
        elif scan.rapid and not reprap:
            seconds = 0.0  # as fast as the axes can
        waits = line.startswith("G4 ") or line == "G4"
        if waits:
            seconds = sum(value * (0.001 if reprap else 1.0) for name, value in words_of(line) if name == "P")
        steps.append(StrokeLine(units, seconds, waits, across_mm, height_mm))
    return steps


def plunger_units(lines: Sequence[str], before: Modal, letter: str) -> float:
    """Return how far the plunger goes by these lines, forward less back, in its letter's unit."""
    return sum(step.units for step in walk(lines, before, letter))


@dataclass(slots=True)
class Punctuality:
    """Whether the machine keeps the time that its lines say: never faster, and slower by `lag_s` at most.

    Not known before the first barrier that tells; a machine that was faster once (one that only pretends to move, say) is
    not believed again.
    """

    kept: bool | None = None
    lag_s: float = 0.0

    def passed(self, stroke: "LinesOut", now_s: float) -> None:
        """Take in when all lines of a group were carried out."""
        fastest_s = stroke.fastest_end_s()
        if now_s < fastest_s - EARLY_S - 0.01 * stroke.lasts_s:
            self.kept = False
        elif self.kept is not False and stroke.lasts_s >= LEAST_TIMED_S and not stroke.held:
            self.kept = True
            self.lag_s = max(self.lag_s, now_s - stroke.acknowledged_end_s())

    def told(self, stroke: "LinesOut", at: float, now_s: float) -> None:
        """Take in a report of the plunger on its way, which tells before any barrier does."""
        soonest_s = stroke.reached_s(at)
        if self.kept is False or stroke.held or soonest_s is None:
            return
        if now_s < soonest_s - EARLY_S - 0.01 * stroke.lasts_s:
            self.kept = False
        elif soonest_s - stroke.began_s > LEAST_TIMED_S:
            self.kept = True
            self.lag_s = max(self.lag_s, now_s - soonest_s)


class LinesOut:
    """Lines that the account of the plunger counts; `taken` is how many lines were acknowledged before them."""

    def __init__(self, steps: Sequence[StrokeLine] = (), *, taken: int = 0) -> None:
        self.way = [0.0, *accumulate(step.units for step in steps)]
        """Where the plunger is after 0, 1, … lines, from where it was before them."""
        self.taken = taken
        self.held = False
        """Whether motion was held meanwhile, so that the clock tells nothing."""
        self.lasts_s = sum(step.seconds for step in steps)
        self._steps = list(steps)
        self._out_s: list[float] = []  # when each line went out
        self._answered_s: list[float] = []  # when each was acknowledged
        self._told: tuple[float, float] | None = None  # where a report had the plunger, and when it came

    # -- what comes in ------------------------------------------------------------------------------------

    def went_out(self, unsent_lines: int, now_s: float) -> None:
        """Take in that all but so many lines are out."""
        self._out_s += [now_s] * (len(self._steps) - unsent_lines - self.out)

    def answered(self, taken: int, now_s: float) -> None:
        """Take in how many lines were acknowledged since the start."""
        lines = min(max(taken - self.taken, 0), self.out)
        self._answered_s += [now_s] * (lines - len(self._answered_s))

    def told(self, at: float, now_s: float) -> None:
        """Take in a report of where the plunger is, from where it was before the lines."""
        self._told = (at, now_s)

    # -- what it comes to ---------------------------------------------------------------------------------

    @property
    def counted(self) -> float:
        """How far the plunger goes in all."""
        return self.way[-1]

    @property
    def out(self) -> int:
        """How many lines are out."""
        return len(self._out_s)

    @property
    def acknowledged(self) -> int:
        """How many lines were acknowledged."""
        return len(self._answered_s)

    @property
    def unsent(self) -> float:
        """How far the plunger will go by the lines that are not out."""
        return self.way[-1] - self.way[self.out]

    def out_by(self, time_s: float) -> int:
        """Return how many lines had gone out by a time."""
        return bisect_right(self._out_s, time_s)

    @property
    def began_s(self) -> float:
        """When the first line went out, infinity where none did."""
        return self._out_s[0] if self._out_s else inf

    def reached_s(self, at: float) -> float | None:
        """Return when the plunger could first have been on its way at `at`; None where that is no place on its way."""
        for number, (step, end_s) in enumerate(zip(self._steps, self._ends(self._out_s), strict=False)):
            low, high = sorted(self.way[number : number + 2])
            if step.units and low + ROUNDING * (high - low) < at < high - ROUNDING * (high - low):
                return end_s - step.seconds * (self.way[number + 1] - at) / step.units
            if step.units < 0:
                return None  # from here on it may have been there twice
        return None

    def left_s(self, now_s: float) -> float:
        """Return how long what is out still takes by its feeds, were each line begun when it went out."""
        return max(self.fastest_end_s() - now_s, 0.0)

    def at_risk(self, now_s: float, punctual: "Punctuality") -> float:
        """Return how far the plunger may be from the end of what is out, were the machine reset from now on."""
        _, least, _ = self._shares(now_s, now_s, punctual)
        rest = [self._at(least), *self.way[floor(least) + 1 : self.out + 1]]
        return max(abs(at - self.way[self.out]) for at in rest)

    def fastest_end_s(self) -> float:
        """Return when all could have been carried out at the earliest."""
        return max(self._ends(self._out_s), default=-inf)

    def acknowledged_end_s(self) -> float:
        """Return when all would have been carried out had each begun when it was acknowledged."""
        return max(self._ends(self._answered_s), default=-inf)

    def stood(self, last_s: float, now_s: float, punctual: Punctuality) -> tuple[float, float, float]:
        """Return where the plunger stands after a dead stop at some time from `last_s` to `now_s`: likely, least, most."""
        best, least, most = self._shares(last_s, now_s, punctual)
        way = [self._at(least), self._at(most), *self.way[floor(least) + 1 : floor(most) + 1]]
        return self._at(min(max(best, least), most)), min(way), max(way)

    def fastest(self, now_s: float, punctual: Punctuality) -> tuple[float, float]:
        """Return how fast the tip of a machine at work may go at a time: across, and up or down [mm/s].

        Before any barrier has told how punctual the machine is, it is taken to be so more or less.
        """
        if punctual.kept is None and self._out_s:
            lag_s = UNTOLD_LAG_S + UNTOLD_LAG * (now_s - self._out_s[0])
            punctual = Punctuality(kept=True, lag_s=lag_s)
        _, least, most = self._shares(now_s, now_s, punctual)
        steps = [step for step in self._steps[floor(least) : floor(most) + 1] if step.seconds > 0]
        return (
            max((step.across_mm / step.seconds for step in steps), default=0.0),
            max((step.height_mm / step.seconds for step in steps), default=0.0),
        )

    def _shares(self, last_s: float, now_s: float, punctual: Punctuality) -> tuple[float, float, float]:
        """Return how many lines have been carried out at some time from `last_s` to `now_s`: likely, least, most."""
        waited = [number for number, step in enumerate(self._steps[: self.acknowledged], 1) if step.waits]
        least, most = float(waited[-1] if waited else 0), float(self.out)
        best = self._share(self._out_s, now_s)
        if punctual.kept and not self.held:
            lag_s = LAG_FACTOR * punctual.lag_s + EARLY_S
            least = max(least, self._share(self._answered_s, last_s - lag_s))
            most = max(self._share(self._out_s, now_s), least)
            best = self._share(self._out_s, (last_s + now_s - lag_s) / 2)
            if (told := self._since_told(least, most, lag_s, now_s)) is not None:
                least, most = told
        return best, least, most

    def _since_told(
        self, least: float, most: float, lag_s: float, now_s: float
    ) -> tuple[float, float] | None:
        """Return how many lines have been carried out, at least and at most, by what the last report tells.

        Where the plunger was there more than once, any of these times may have been meant. A report that fits nowhere
        was garbled on the way.
        """
        if self._told is None:
            return None
        at, told_s = self._told
        first = self._share(self._answered_s, told_s - lag_s - REPORT_S)
        last = min(self._share(self._out_s, told_s), most)
        spans = []
        for number, step in enumerate(self._steps):
            low, high = sorted(self.way[number : number + 2])
            near = ROUNDING * (high - low) + TOLD_UNITS
            if not low - near <= at <= high + near:
                continue
            inside, spread = 0.0, 1.0  # while it stands, any time of the line may be meant
            if step.units:
                inside, spread = (at - self.way[number]) / step.units, near / abs(step.units)
            begin = max(number + max(inside - spread, 0.0), first)
            end = min(number + min(inside + spread, 1.0), last)
            if begin <= end:
                spans.append((begin, end))
        if not spans:
            return None
        soonest, latest = min(begin for begin, _ in spans), max(end for _, end in spans)
        return max(least, soonest), max(
            min(most, self._advanced(latest, now_s - told_s + REPORT_S)), least, soonest
        )

    def _advanced(self, share: float, seconds: float) -> float:
        """Return how many lines are carried out at most so many seconds later."""
        done = floor(share)
        while done < self.out:
            needed_s = (done + 1 - share) * self._steps[done].seconds
            if needed_s > seconds:
                return share + seconds / self._steps[done].seconds
            seconds, done = seconds - needed_s, done + 1
            share = float(done)
        return share

    def _ends(self, begins_s: Sequence[float]) -> list[float]:
        """Return when each line has ended that begins no sooner than given; an answered wait has ended."""
        ends: list[float] = []
        end_s = -inf
        for begin_s, step in zip(begins_s, self._steps, strict=False):
            over = step.waits and begins_s is self._answered_s
            end_s = begin_s if over else max(end_s, begin_s) + step.seconds
            ends.append(end_s)
        return ends

    def _share(self, begins_s: Sequence[float], now_s: float) -> float:
        """Return how many lines have been carried out at a time, of those that begin then, and of the next which share."""
        ends = self._ends(begins_s)
        done = bisect_right(ends, now_s)
        if done == len(ends):
            return float(done)
        seconds = self._steps[done].seconds
        return done + (max(1 - (ends[done] - now_s) / seconds, 0.0) if seconds else 0.0)

    def _at(self, share: float) -> float:
        done = floor(share)
        if done >= len(self.way) - 1:
            return self.way[-1]
        return self.way[done] + (share - done) * (self.way[done + 1] - self.way[done])

"""Lines on their way to the controller: how far each brings the plunger, which are out, and how far they have come by now.

    units                                   what is counted: the last of these
      |            ____                     what went out: as many lines as the sender let go
      |       ____/    \\____ last          what was acknowledged: no more can have begun
      |  ____/                              by the clock: a line begins when it is out and the one before it has ended
      +--------------------- lines

Lines take path/F, waits as long as they say; ramps are left out, so that the clock runs ahead of the machine a little.
"""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate
from math import hypot

from pastewright.link.words import Modal, Scan, words_of


def walk(
    lines: Sequence[str], before: Modal, letter: str, *, reprap: bool = True
) -> list[tuple[float, float]]:
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
        path = hypot(*ways.values()) or abs(units)
        seconds = 60 * path / scan.feed if scan.feed and path else 0.0
        if line.startswith("G4 ") or line == "G4":
            seconds = sum(value * (0.001 if reprap else 1.0) for name, value in words_of(line) if name == "P")
        steps.append((units, seconds))
    return steps


def plunger_units(lines: Sequence[str], before: Modal, letter: str) -> float:
    """Return how far the plunger goes by these lines, forward less back, in its letter's unit."""
    return sum(units for units, _ in walk(lines, before, letter))


class LinesOut:
    """Lines that the account of the plunger counts; `taken` is how many lines were acknowledged before them."""

    def __init__(self, steps: Sequence[tuple[float, float]] = (), *, taken: int = 0) -> None:
        self.way = [0.0, *accumulate(units for units, _ in steps)]
        """Where the plunger is after 0, 1, … lines, from where it was before them."""
        self.taken = taken
        self._seconds = [seconds for _, seconds in steps]
        self._out_s: list[float] = []  # when each line went out

    @property
    def counted(self) -> float:
        """How far the plunger goes in all."""
        return self.way[-1]

    @property
    def out(self) -> int:
        """How many lines are out."""
        return len(self._out_s)

    @property
    def unsent(self) -> float:
        """How far the plunger will go by the lines that are not out."""
        return self.way[-1] - self.way[self.out]

    def went_out(self, unsent_lines: int, now_s: float) -> None:
        """Take in that all but so many lines are out."""
        self._out_s += [now_s] * (len(self._seconds) - unsent_lines - self.out)

    def by_the_clock(self, now_s: float, most_lines: int) -> float:
        """Return where the plunger is at a time, of the first `most_lines` lines [its letter's unit]."""
        ends: list[float] = []
        end_s = float("-inf")
        for out_s, seconds in zip(self._out_s[:most_lines], self._seconds, strict=False):
            end_s = max(end_s, out_s) + seconds
            ends.append(end_s)
        done = bisect_right(ends, now_s)
        if done == len(ends):
            return self.way[done]
        seconds = self._seconds[done]
        share = max(1 - (ends[done] - now_s) / seconds, 0.0) if seconds else 0.0
        return self.way[done] + share * (self.way[done + 1] - self.way[done])

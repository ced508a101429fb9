"""What a controller reports of its place, held against the lines that were sent."""

from collections.abc import Mapping, Sequence

from pastewright.link.bench import PLACE_MM, Bench
from pastewright.link.events import Passed, Standing
from pastewright.link.job import ProgramBlock
from pastewright.link.ways import names_plunger, number_at_rest, reach_of


class Reports:
    """The last reports, and what the lines sent make of them. `letter` is the plunger's."""

    def __init__(self, letter: str, bench: Bench) -> None:
        self.place: dict[str, float] = {}
        """The last position the controller reported."""
        self.machine: dict[str, float] = {}
        """The last place told in the machine's own coordinates."""
        self._letter, self._bench = letter, bench
        self._offset = dict.fromkeys("XYZ", 0.0)  # as most are; another is noted
        # The plunger's number before the lines sent, None where they rename it on the way.
        self._told_from: float | None = 0.0
        self._named: int | None = None  # which of the lines sent renames the plunger's place, if any does
        self._called: float | None = 0.0  # the plunger's number before that line, None until it was told
        self._machine_twice: float | None = None  # the plunger's there, where two reports in a row agree
        self._machine_rest: float | None = None  # the plunger's there before the lines sent
        self._reach: dict[str, tuple[float, float]] = {}  # from where to where the lines sent bring each axis
        self._strays = 0  # reports in a row that have an axis elsewhere

    def heard(self, event: Standing) -> str:
        """Take a report. Return how far the program's coordinates are from the machine's own where that is new, else "":
        the answers of a probe are in the latter.
        """
        self.place = event.position or self.place
        at = event.machine.get(self._letter)
        self._machine_twice = at if at == self.machine.get(self._letter) else None
        self.machine = event.machine or self.machine
        offset = {
            letter: round(event.machine[letter] - event.position[letter], 4)
            for letter in "XYZ"
            if letter in event.machine and letter in event.position
        }
        if len(offset) < 3 or offset == self._offset:
            return ""
        self._offset = offset
        return " ".join(f"{value:g}" for value in offset.values())

    def passed(self, event: Passed) -> None:
        """Take what a barrier told."""
        self.place = event.position or self.place
        self.machine = event.machine or self.machine

    @property
    def here(self) -> dict[str, float]:
        """Where the tip stands, as far as it was told."""
        return {axis: self.place[axis] for axis in "XYZ" if axis in self.place}

    def sent(self, blocks: Sequence[ProgramBlock], *, first: bool, homing: bool) -> None:
        """Take note of what goes out. `first`: nothing went out before; `homing`: the machine homes before it."""
        letter = self._letter
        self._told_from = number_at_rest(blocks, letter)
        lines = (line for block in blocks for line in block.lines)
        names = [at for at, line in enumerate(lines) if names_plunger(line, letter)]
        self._named, self._called = (names[-1] if names else None), self.place.get(letter)
        # What was said before the first lines no barrier has proved: one report may be garbled, two alike are not.
        self._machine_rest = self._machine_twice if first else self.machine.get(letter)
        # Where it is while it homes, no line says.
        self._reach = {} if homing else reach_of(blocks, letter, self.here)
        self._strays = 0

    def from_rest(
        self, position: Mapping[str, float], machine: Mapping[str, float], *, acknowledged: int
    ) -> float | None:
        """Return how far the plunger is from where it stood before the lines sent, None where a report does not tell.

        The machine's own coordinates tell it whatever lines that rename places did, or did not, arrive.
        """
        letter = self._letter
        if self._machine_rest is not None and letter in machine:
            return machine[letter] - self._machine_rest
        if letter not in position or self._told_from is None:
            return None
        renamed = self._named is None or not self._bench.reprap or acknowledged > self._named
        if renamed:
            return position[letter] - self._told_from
        if self._called is None:
            # The first report of this run: what a run before left its number at. It has not moved since.
            self._called = position[letter]
        return position[letter] - self._called

    def astray(self, position: Mapping[str, float]) -> str:
        """Return what is wrong where two reports in a row have an axis where no line brings it, else ""."""
        out = []
        for letter, (low, high) in self._reach.items():
            at, limit = position.get(letter, low), self._limit(letter)
            if not low - limit <= at <= high + limit:
                out.append(f"{letter} is at {at:.3f}, and goes from {low:.3f} to {high:.3f}")
        self._strays = self._strays + 1 if out else 0
        return ", ".join(out) if self._strays > 1 else ""

    def off(self, position: Mapping[str, float], wanted: Mapping[str, float]) -> str:
        """Return how a reported position differs from the program's, "" where it does not."""
        return ", ".join(
            f"{letter} is at {position[letter]:.3f} instead of {at:.3f}"
            for letter, at in wanted.items()
            if letter in position and abs(position[letter] - at) > self._limit(letter)
        )

    def _limit(self, letter: str) -> float:
        return self._bench.plunger_tolerance if letter == self._letter else PLACE_MM

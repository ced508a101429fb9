"""What can go wrong on the way, as values, and the wire on which it goes wrong.

A fault strikes when its direction has carried `at_byte` bytes. Where faults are drawn at random, the same seed and
the same bytes give the same faults. Seconds of faults are the host's own and are never scaled.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from math import inf, log
from random import Random


class Direction(StrEnum):
    """Which way the bytes go."""

    TO_CONTROLLER = "to-controller"
    TO_HOST = "to-host"


class FaultKind(StrEnum):
    """What goes wrong. `count` and `seconds` are those of the `Fault`.

    LOSE: `count` bytes vanish. CORRUPT: `count` bytes are changed by exclusive-or with `mask`. DUPLICATE: `count`
    bytes come twice in a row. DELAY: the next `count` bytes are `seconds` late, and those behind them wait. STALL:
    nothing passes to the host for `seconds`, or the controller reads nothing for as long (moves go on). RESET: the
    controller starts over (once; not again while it has only greeted). DISCONNECT: the wire is gone. GARBAGE:
    `count` random bytes get in between. OVERRUN: `count` bytes find no room where they are received.
    """

    LOSE = "lose"
    CORRUPT = "corrupt"
    DUPLICATE = "duplicate"
    DELAY = "delay"
    STALL = "stall"
    RESET = "reset"
    DISCONNECT = "disconnect"
    GARBAGE = "garbage"
    OVERRUN = "overrun"


MOST_RANDOM_BYTES = 12
LONGEST_RANDOM_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault: what, on which way, before which byte (counted from 0), and how much of it."""

    kind: FaultKind
    direction: Direction
    at_byte: int
    count: int = 1
    seconds: float = 0.0
    mask: int = 0x01

    def __post_init__(self) -> None:
        if self.at_byte < 0 or self.count < 1 or self.seconds < 0 or not 0 < self.mask < 256:
            raise ValueError(f"no such fault: {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """Faults to come: `scripted` ones at their places, and random ones every `mean_gap_bytes` or so.

    The random ones are of `kinds` and `directions`, at most `most` on each way; their places, sizes and masks come
    from the controller's seed alone.
    """

    scripted: tuple[Fault, ...] = ()
    mean_gap_bytes: float | None = None
    kinds: tuple[FaultKind, ...] = tuple(FaultKind)
    directions: tuple[Direction, ...] = tuple(Direction)
    most: int | None = None

    def __post_init__(self) -> None:
        if self.mean_gap_bytes is not None and (self.mean_gap_bytes < 1 or not self.kinds):
            raise ValueError("random faults need a mean gap of 1 byte or more, and at least one kind")

    def along(self, direction: Direction, *, seed: int) -> Iterator[Fault]:
        """Yield the faults of one direction in the order of their bytes; without end where they are random."""
        drawn = self._drawn(direction, Random(f"{seed} {direction}"))
        scripted = sorted(
            (fault for fault in self.scripted if fault.direction is direction),
            key=lambda fault: fault.at_byte,
        )
        waiting = next(drawn, None)
        for fault in scripted:
            while waiting is not None and waiting.at_byte < fault.at_byte:
                yield waiting
                waiting = next(drawn, None)
            yield fault
        while waiting is not None:
            yield waiting
            waiting = next(drawn, None)

    def _drawn(self, direction: Direction, chance: Random) -> Iterator[Fault]:
        if self.mean_gap_bytes is None or direction not in self.directions:
            return
        at_byte, drawn = 0, 0
        while self.most is None or drawn < self.most:
            # Gaps between events that come at random on an even stream are exponential.
            at_byte += 1 + int(-log(1 - chance.random()) * (self.mean_gap_bytes - 1))
            kind, count = chance.choice(self.kinds), chance.randint(1, MOST_RANDOM_BYTES)
            yield Fault(
                kind=kind,
                direction=direction,
                at_byte=at_byte,
                # One byte only: two that change alike cancel out in a checksum by exclusive-or.
                count=1 if kind is FaultKind.CORRUPT else count,
                seconds=chance.uniform(0, LONGEST_RANDOM_S),
                mask=chance.randint(1, 255),
            )
            drawn += 1


Item = bytes | Fault


class Wire:
    """One direction: bytes go in, and come out when they arrive, together with the faults that act at the far end.

    `byte_s` is the time of one byte on the wire, 0 for none. `struck` is added to as faults strike.
    """

    def __init__(
        self, direction: Direction, *, faults: Faults, seed: int, byte_s: float, struck: list[Fault]
    ) -> None:
        self.direction = direction
        self.carried_bytes = 0
        self._struck = struck
        self._faults = faults.along(direction, seed=seed)
        self._next = next(self._faults, None)
        self._noise = Random(f"{seed} noise {direction}")
        self._byte_s = byte_s
        self._items: deque[tuple[float, Item]] = deque()
        self._last_s = -inf
        self._under_way: dict[FaultKind, tuple[Fault, int]] = {}
        self._repeat = bytearray()

    def put(self, data: bytes, now_s: float) -> None:
        """Send bytes at `now_s`."""
        begin = 0
        while begin < len(data):
            while self._next is not None and self._next.at_byte <= self.carried_bytes:
                self._strike(self._next, now_s)
                self._next = next(self._faults, None)
            end = len(data)
            if self._next is not None:
                end = min(end, begin + self._next.at_byte - self.carried_bytes)
            if self._under_way:
                end = min(end, begin + min(left for _, left in self._under_way.values()))
            self._carry(data[begin:end], now_s)
            self.carried_bytes += end - begin
            begin = end

    def arrived(self, now_s: float) -> Iterator[tuple[float, Item]]:
        """Yield what has arrived by `now_s`, in order, each with its time; what is cut meanwhile never arrives."""
        while self._items and self._items[0][0] <= now_s:
            yield self._items.popleft()

    def next_s(self) -> float | None:
        """Return when something arrives next, None when nothing is under way."""
        return self._items[0][0] if self._items else None

    def cut(self) -> None:
        """Lose everything under way."""
        self._items.clear()
        self._under_way.clear()
        self._repeat.clear()

    def _strike(self, fault: Fault, now_s: float) -> None:
        self._struck.append(fault)
        to_host = self.direction is Direction.TO_HOST
        kind = fault.kind
        if kind is FaultKind.GARBAGE:
            self._deliver(self._noise.randbytes(fault.count), now_s)
        elif kind is FaultKind.STALL and to_host:
            self._last_s = max(self._last_s, now_s) + fault.seconds
        elif kind is FaultKind.OVERRUN and to_host:
            self._under_way[FaultKind.LOSE] = (fault, fault.count)
        elif kind in (FaultKind.RESET, FaultKind.DISCONNECT, FaultKind.STALL, FaultKind.OVERRUN):
            self._items.append((max(now_s, self._last_s), fault))
        else:
            self._under_way[kind] = (fault, fault.count)

    def _carry(self, piece: bytes, now_s: float) -> None:
        """Deliver bytes that are all under the same faults."""
        under_way = {kind: fault for kind, (fault, _) in self._under_way.items()}
        for kind, (fault, left) in tuple(self._under_way.items()):
            if left > len(piece):
                self._under_way[kind] = (fault, left - len(piece))
            else:
                del self._under_way[kind]
        if FaultKind.CORRUPT in under_way:
            mask = under_way[FaultKind.CORRUPT].mask
            piece = bytes(byte ^ mask for byte in piece)
        if FaultKind.DUPLICATE in under_way:
            self._repeat += piece
        late_s = under_way[FaultKind.DELAY].seconds if FaultKind.DELAY in under_way else 0.0
        if FaultKind.LOSE not in under_way:
            self._deliver(piece, now_s + late_s)
        if self._repeat and FaultKind.DUPLICATE not in self._under_way:
            self._deliver(bytes(self._repeat), now_s + late_s)
            self._repeat.clear()

    def _deliver(self, piece: bytes, at_s: float) -> None:
        """Let bytes arrive, never before those sent earlier."""
        if self._byte_s <= 0:
            self._last_s = max(at_s, self._last_s)
            self._items.append((self._last_s, piece))
            return
        for at in range(len(piece)):
            self._last_s = max(at_s, self._last_s) + self._byte_s
            self._items.append((self._last_s, piece[at : at + 1]))

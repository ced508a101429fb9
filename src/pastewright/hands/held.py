"""Held motion, for where a key-up can be seen: short moves, never more than one of them on its way.

    key down ─▶ move ─▶ carried out ─▶ move ─▶ carried out ─▶ … ─▶ key up: no more moves
                 `SLICE_S` each, from rest to rest

Whatever happens to the host, the page or the cable, at most the one short move that is out goes on to its own end.
So motion ends within `SLICE_S` of a key-up and of a lost connection; a page says `alive` again and again, and is held
for lost `LEASE_S` after it last did:

    end after a key-up or a lost cable    ≤ SLICE_S            60 ms
    end after the page's last word        ≤ LEASE_S + SLICE_S  95 ms

Neither needs a word to the controller that a broken wire could swallow. The price is speed: a move that begins and ends
at rest covers a·t²/4 in the time t, 0.9 mm at 1000 mm/s², so that a held key is for metres no machine has; steps of
10 mm and places by name are quicker.
"""

from dataclasses import dataclass, replace

from pastewright.hands.jog import JogHalt, JogStep, Speeds, pressed
from pastewright.hands.moves import Go, Move, Push, Spot
from pastewright.hands.reach import Reach
from pastewright.profile.model import Profile

SLICE_S = 0.06
LEASE_S = 0.035
"""Two frames of a 60 Hz page: its timers are late by one now and then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paces:
    """What an axis can do: acceleration [mm/s²] of level axes, Z and plunger."""

    level_mm_s2: float
    z_mm_s2: float
    plunger_mm_s2: float

    def slice_mm(self, axis: str, speed_mm_s: float) -> float:
        """Return how far an axis comes in `SLICE_S` from rest to rest [mm].

        Triangle a·t²/4 while its peak a·t/2 stays below v; else trapezoid v·(t − v/a).
        """
        accel = {"Z": self.z_mm_s2, "P": self.plunger_mm_s2}.get(axis, self.level_mm_s2)
        if accel * SLICE_S / 2 <= speed_mm_s:
            return accel * SLICE_S**2 / 4
        return speed_mm_s * (SLICE_S - speed_mm_s / accel)


def paces_of(profile: Profile) -> Paces:
    """Return the accelerations of a bench."""
    return Paces(
        level_mm_s2=profile.machine.accel_xy_mm_s2,
        z_mm_s2=profile.machine.accel_z_mm_s2,
        plunger_mm_s2=profile.plunger.accel_mm_s2,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A key that may be down: which way, since when the page was last heard, and whether a move is out."""

    step: JogStep | None = None
    heard_s: float = 0.0
    out: bool = False


def down(held: Held, axis: str, sign: int, now_s: float) -> Held:
    """Return the state behind a key-down of an axis, forwards or backwards."""
    return replace(held, step=JogStep(axis=axis, by_mm=float(sign)), heard_s=now_s)


def alive(held: Held, now_s: float) -> Held:
    """Return the state behind a word of the page that it is still there."""
    return replace(held, heard_s=now_s)


def up(held: Held) -> Held:
    """Return the state behind a key-up, a lost page or a lost connection: no further move."""
    return replace(held, step=None)


def carried_out(held: Held) -> Held:
    """Return the state behind the end of the move that was out."""
    return replace(held, out=False)


def next_move(
    held: Held,
    now_s: float,
    at: Spot,
    reach: Reach,
    speeds: Speeds,
    paces: Paces,
    *,
    pushed_mm: float = 0.0,
) -> tuple[Held, Move | JogHalt | None]:
    """Return the next short move and the state with it; None while one is out or no key is held."""
    if held.step is not None and now_s - held.heard_s > LEASE_S:
        held = up(held)
    if held.out or held.step is None:
        return held, None
    step = held.step
    size_mm = paces.slice_mm(step.axis, speeds.of(step.axis))
    move = pressed(replace(step, by_mm=step.by_mm * size_mm), at, reach, speeds, pushed_mm=pushed_mm)
    if isinstance(move, JogHalt):
        return up(held), move
    assert isinstance(move, Go | Push)
    return replace(held, out=True), move

"""One bounded step a press: an axis, a direction and a size to a move that cannot leave the reach.

    press ──▶ step ──▶ shortened to the limit, and to what is safe near the board ──▶ Go or Push, or why nothing moves

Typed words (`x+0.1 z-1 p+0.05`) are whole or not at all: a script that asks for too much is told so and moves nothing.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pastewright.hands.moves import PLUNGER, Go, Move, Push, Spot, after
from pastewright.hands.reach import LEVEL_STEP_MM, SAME_MM, Reach, kept
from pastewright.problems import InputError, Problem
from pastewright.profile.model import Profile

SIZES_MM = (0.01, 0.1, 1.0, 10.0)
"""Steps to choose from: about a microstep, paper's thickness, a pad, a part (a choice)."""
LONGEST_MM = 10.0
TOUCHING_STEP_MM = 1.0
"""Longest step down while the surface is looked for: a glass board does not break in it, and a hand can stop it."""
_WORD = re.compile(r"([xyzp])\s*([+-]\s*\d+(?:\.\d*)?|[+-]\s*\.\d+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class JogStep:
    """A step by hand: "X", "Y", "Z" or "P" (the plunger, forward above zero), by so much [mm]."""

    axis: str
    by_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class JogHalt:
    """Nothing moves: why."""

    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Speeds:
    """How fast a hand moves the tip level, up and down, and the plunger [mm/s]."""

    level_mm_s: float
    z_mm_s: float
    plunger_mm_s: float

    def of(self, axis: str) -> float:
        """Return the speed of an axis [mm/s]."""
        return {"Z": self.z_mm_s, PLUNGER: self.plunger_mm_s}.get(axis, self.level_mm_s)


def speeds_of(profile: Profile) -> Speeds:
    """Return the speeds of steps by hand: half of what the bench can, level steps no faster than 50 mm/s.

    50 mm/s: one longest step takes a fifth of a second, which an eye can follow (a choice).
    """
    machine = profile.machine
    return Speeds(
        level_mm_s=min(machine.speed_xy_mm_s / 2, 50.0),
        z_mm_s=machine.speed_z_mm_s / 2,
        plunger_mm_s=profile.plunger.speed_mm_s / 2,
    )


def typed_steps(words: Sequence[str]) -> tuple[JogStep, ...]:
    """Return the steps of words such as x+0.1 z-1 p+0.05; raises `InputError` with every word that is none."""
    steps: list[JogStep] = []
    problems: list[Problem] = []
    for word in words:
        found = _WORD.fullmatch(word.strip())
        by_mm = float(found[2].replace(" ", "")) if found else 0.0
        if found is None:
            problems.append(
                Problem(
                    what=f"{word!r} is no step",
                    mend="Write an axis (x, y, z, or p for the plunger) and a distance in mm with its sign: x+0.1",
                )
            )
        elif abs(by_mm) > LONGEST_MM:
            problems.append(
                Problem(
                    what=f"{word!r} is too far: one step is {LONGEST_MM:g} mm at most",
                    mend="Use several steps, or `pastewright machine to` for a place.",
                )
            )
        else:
            steps.append(JogStep(axis=found[1].upper(), by_mm=by_mm))
    if problems:
        raise InputError(problems)
    return tuple(steps)


def pressed(
    step: JogStep, at: Spot, reach: Reach, speeds: Speeds, *, pushed_mm: float = 0.0
) -> Move | JogHalt:
    """Return the move of one press, shortened to where it may end, or why nothing moves.

    `pushed_mm` is where the plunger is from where it began, forward above zero [mm].
    """
    if not abs(step.by_mm) <= LONGEST_MM:
        return JogHalt(words=f"one step is {LONGEST_MM:g} mm at most")
    if step.axis == PLUNGER:
        return _pushed(step, reach, speeds, pushed_mm)
    by_mm = step.by_mm
    if step.axis in "XY" and at.z_mm < reach.travel_z_mm - SAME_MM:
        by_mm = max(-LEVEL_STEP_MM, min(by_mm, LEVEL_STEP_MM))
    if step.axis == "Z" and reach.touching:
        by_mm = max(by_mm, -TOUCHING_STEP_MM)
    low, high = reach.range_mm(step.axis)
    here = at.axis_mm(step.axis)
    # From beyond an end the only way is back.
    to_mm = min(max(here + by_mm, min(low, here)), max(high, here))
    if abs(to_mm - here) < SAME_MM:
        return JogHalt(words=reach.limit_words(step.axis, low=by_mm < 0) if by_mm else "a step of nothing")
    return Go(to_mm={step.axis: to_mm}, speed_mm_s=speeds.of(step.axis))


def _pushed(step: JogStep, reach: Reach, speeds: Speeds, pushed_mm: float) -> Move | JogHalt:
    ends = (-reach.stroke_mm, reach.stroke_mm)
    to_mm = min(max(pushed_mm + step.by_mm, min(ends[0], pushed_mm)), max(ends[1], pushed_mm))
    if abs(to_mm - pushed_mm) < SAME_MM:
        return JogHalt(words=f"the plunger has gone its stroke of {reach.stroke_mm:g} mm since this began")
    return Push(by_mm=to_mm - pushed_mm, speed_mm_s=speeds.plunger_mm_s)


def stepped(steps: Iterable[JogStep], at: Spot, reach: Reach, speeds: Speeds) -> tuple[Move, ...]:
    """Return the moves of typed steps, all of them; raises `InputError` where one would not stay within reach."""
    moves: list[Move] = []
    here = at
    for step in steps:
        if step.axis == PLUNGER:
            moves.append(Push(by_mm=step.by_mm, speed_mm_s=speeds.plunger_mm_s))
        else:
            moves.append(
                Go(to_mm={step.axis: here.axis_mm(step.axis) + step.by_mm}, speed_mm_s=speeds.of(step.axis))
            )
        here = after(here, moves[-1])
    return kept(moves, at, reach)

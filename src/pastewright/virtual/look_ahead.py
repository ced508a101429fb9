"""Corners taken without a stop, as controllers with a planner take them.

The corner of two moves is thought of as rounded by a circle that leaves it by no more than the junction deviation δ;
what the axes can bear towards its centre allows

    v² = a·R      R = δ·sin(θ/2) / (1 − sin(θ/2))      θ between the moves: 180° straight on, 0° back again

(S. K. Jeon, "Improving Grbl: cornering algorithm", 2011; the setting $11 of that firmware, which comes with 0.01 mm, from
memory.) The tip does not follow the circle: it turns at the corner, at that speed. Then one pass from the last move
backwards, so that each can still be slowed in time, and one forwards, so that none is quicker than it can be by then.
"""

from collections.abc import Mapping, Sequence
from math import inf, sqrt

from pastewright.virtual.pace import Pace, Stretch, paced
from pastewright.virtual.state import AxisLimit

# Ways that agree in direction to this are one line, own choice.
STRAIGHT = 1e-9


def corner_speed(
    first: Mapping[str, float],
    then: Mapping[str, float],
    *,
    junction_mm: float,
    limits: Mapping[str, AxisLimit],
) -> float:
    """Return the most speed [mm/s] through the corner between two ways [mm by letter]; inf where there is none."""
    one, other = _unit(first), _unit(then)
    letters = sorted({*one, *other})
    cosine = sum(one.get(letter, 0.0) * other.get(letter, 0.0) for letter in letters)
    half_sine = sqrt(max((1 + cosine) / 2, 0.0))
    if half_sine >= 1 - STRAIGHT:
        return inf
    towards = {letter: other.get(letter, 0.0) - one.get(letter, 0.0) for letter in letters}
    size = sqrt(sum(part * part for part in towards.values()))
    accel = min(limits[letter].accel_mm_s2 * size / abs(part) for letter, part in towards.items() if part)
    return sqrt(accel * junction_mm * half_sine / (1 - half_sine))


def rejoined(stretches: Sequence[Stretch], corners: Sequence[float], enter: float) -> list[Pace]:
    """Return the paces of moves that run into each other and end at rest.

    `corners` are the most speeds between them, one less than there are moves; `enter` is what the first comes with.
    """
    ends = [0.0] * len(stretches)
    for i in range(len(stretches) - 1, 0, -1):
        reach = sqrt(ends[i] ** 2 + 2 * stretches[i].accel * stretches[i].length)
        ends[i - 1] = min(corners[i - 1], reach)
    paces: list[Pace] = []
    for stretch, end in zip(stretches, ends, strict=True):
        leave = min(end, sqrt(enter**2 + 2 * stretch.accel * stretch.length))
        paces.append(paced(stretch, enter, leave))
        enter = leave
    return paces


def _unit(way: Mapping[str, float]) -> dict[str, float]:
    size = sqrt(sum(part * part for part in way.values()))
    return {letter: part / size for letter, part in way.items() if part}

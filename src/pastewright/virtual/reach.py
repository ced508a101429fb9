"""Where the pretend machine ends, and where its tip would touch: how much of a straight move comes before that.

Positions are the machine's true ones by letter [mm]; a share is how much of the move lies behind [0..1].
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

NEARLY = 1e-6
"""Less than any step [mm]: rounding of sums of moves, not a move into a switch."""

Travel = Mapping[str, tuple[float, float]]
"""Where the limit switches of an axis are, by letter: lowest and highest place that trips neither."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """A plane that closes the probe's contact: Z over true X and Y [mm], slopes in mm per mm."""

    z_mm: float
    slope_x: float = 0.0
    slope_y: float = 0.0

    def z_at(self, at: Mapping[str, float]) -> float:
        """Return the plane's height below a place [mm]."""
        return self.z_mm + self.slope_x * at.get("X", 0.0) + self.slope_y * at.get("Y", 0.0)

    def touches(self, at: Mapping[str, float]) -> bool:
        """Tell whether the contact is closed at a place."""
        return at.get("Z", 0.0) <= self.z_at(at) + NEARLY


GROUND_FORM = "Z[,SLOPE_X,SLOPE_Y]"


def ground_of(text: str) -> Ground:
    """Return the ground that is written as in `GROUND_FORM`; raises ValueError for anything else."""
    numbers = [float(word) for word in text.split(",")]
    if len(numbers) not in (1, 3) or not all(isfinite(value) for value in numbers):
        raise ValueError(f"{text!r} is not {GROUND_FORM}")
    z_mm, slope_x, slope_y = numbers if len(numbers) == 3 else (*numbers, 0.0, 0.0)
    return Ground(z_mm=z_mm, slope_x=slope_x, slope_y=slope_y)


def share_within(travel: Travel, at: Mapping[str, float], way: Mapping[str, float]) -> float:
    """Return the share of a move from `at` along `way` that comes before the first switch; 1 for all of it.

    An axis that stands beyond its switch already may go back, but no further out.
    """
    shares = [1.0]
    for letter, part in way.items():
        if letter not in travel or not part:
            continue
        low, high = travel[letter]
        end = high + NEARLY if part > 0 else low - NEARLY
        room = (end - at.get(letter, 0.0)) / part
        shares.append(max(room, 0.0))
    return min(shares)


def share_to_contact(ground: Ground, at: Mapping[str, float], way: Mapping[str, float]) -> float | None:
    """Return the share of a move after which it touches the plane, None where it does not get there.

    The height above a plane changes evenly along a straight way: h(s) = h0 + s·(h1 − h0), zero at h0/(h0 − h1).
    """
    end = {letter: at.get(letter, 0.0) + way.get(letter, 0.0) for letter in {*at, *way}}
    begin_mm, end_mm = at.get("Z", 0.0) - ground.z_at(at), end.get("Z", 0.0) - ground.z_at(end)
    if end_mm > 0 or begin_mm <= end_mm:
        return None
    return max(begin_mm / (begin_mm - end_mm), 0.0)

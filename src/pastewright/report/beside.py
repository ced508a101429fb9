"""What lies beside the boards, drawn: settling strips, what is thrown away, wiping pad, park place [mm, y up]."""

from collections.abc import Iterable, Iterator, Sequence
from math import hypot

from msgspec import Struct

from pastewright.board.model import Point
from pastewright.decimals import short as _n
from pastewright.motion.aside import strips_mm
from pastewright.place.transform import Affine, Placements
from pastewright.profile.model import Profile
from pastewright.report import colours

Line = tuple[Point, Point]
PARK_MM = 1.2
"""Half the size of the park place's mark."""


class Beside(Struct, frozen=True, kw_only=True):
    """Where they lie, in the coordinates of a picture; `strip_mm` is the width of a strip's paste."""

    strips: tuple[Line, ...]
    park: Point
    strip_mm: float
    wipe: Line | None = None
    thrown: tuple[tuple[Point, float], ...] = ()
    """What is thrown away in the middle of the board: where, and how wide it is at rest."""

    def points(self) -> Iterator[Point]:
        """Yield the places that a picture must hold; the park place may be far, and is pointed at from its edge."""
        for line in (*self.strips, *([self.wipe] if self.wipe else [])):
            yield from line
        for place, _ in self.thrown:
            yield place


def beside_of(
    profile: Profile,
    placements: Placements,
    *,
    strip_mm: float,
    back: Affine | None = None,
    thrown: Sequence[tuple[Point, float]] = (),
) -> Beside:
    """Return what lies beside the boards [mm, machine], or seen through `back` [mm, board]."""

    def seen(line: Line) -> Line:
        return (back.point(line[0]), back.point(line[1])) if back is not None else line

    wipe = placements.wipe
    park = (profile.bed.park_x_mm, profile.bed.park_y_mm)
    return Beside(
        strips=tuple(seen(line) for line in strips_mm(profile, placements)),
        park=back.point(park) if back is not None else park,
        strip_mm=strip_mm,
        wipe=None if wipe is None else seen((wipe.from_mm, wipe.to_mm)),
        thrown=tuple((back.point(place) if back is not None else place, width) for place, width in thrown),
    )


def drawn(beside: Beside, box: Sequence[float]) -> Iterable[str]:
    """Return the elements within a picture's box (left, low, right, high)."""
    several = len(beside.strips) > 1
    for number, line in enumerate(beside.strips, start=1):
        words = f"settling strip {number}" if several else "settling strip"
        yield _line(line, colours.APERTURE, beside.strip_mm, words)
    for place, width_mm in beside.thrown:
        yield _line((place, place), colours.APERTURE, width_mm, "thrown away in the middle of the board")
    if beside.wipe is not None:
        yield _line(beside.wipe, colours.TRAVEL, 2.4, "wiping pad", opacity=0.7)
    yield _park(beside.park, box)


def _line(line: Line, colour: str, width_mm: float, words: str, *, opacity: float = 1.0) -> str:
    (xa, ya), (xb, yb) = line
    return (
        f'<path d="M{_n(xa)} {_n(ya)}L{_n(xb)} {_n(yb)}" stroke="{colour}" stroke-width="{_n(width_mm)}"'
        f' stroke-linecap="round" stroke-opacity="{opacity:g}" fill="none"><title>{words}</title></path>'
    )


def _park(park: Point, box: Sequence[float]) -> str:
    """Return a cross where the program ends, or an arrow at the edge of the picture that points there."""
    left, low, right, high = box
    margin = 2 * PARK_MM
    x, y = min(max(park[0], left + margin), right - margin), min(max(park[1], low + margin), high - margin)
    away = hypot(park[0] - x, park[1] - y)
    r = PARK_MM
    if away < 1e-6:
        path = f"M{_n(x - r)} {_n(y - r)}l{_n(2 * r)} {_n(2 * r)}M{_n(x - r)} {_n(y + r)}l{_n(2 * r)} {_n(-2 * r)}"
        words = "park place"
    else:
        u, v = (park[0] - x) / away, (park[1] - y) / away
        tail, tip = (x - r * u, y - r * v), (x + r * u, y + r * v)
        one, other = ((tip[0] - r * (u + k * v), tip[1] - r * (v - k * u)) for k in (0.6, -0.6))
        path = (
            f"M{_n(tail[0])} {_n(tail[1])}L{_n(tip[0])} {_n(tip[1])}M{_n(one[0])} {_n(one[1])}"
            f"L{_n(tip[0])} {_n(tip[1])}L{_n(other[0])} {_n(other[1])}"
        )
        words = f"park place, {away:.0f} mm further this way"
    return (
        f'<path d="{path}" stroke="{colours.TRAVEL}" stroke-width="0.4" stroke-linecap="round" fill="none">'
        f"<title>{words}</title></path>"
    )

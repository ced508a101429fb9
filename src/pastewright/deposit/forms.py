"""Dose and land to a form: one dot, a row of dots, a bead, a dot field or a serpentine, in the land's own frame.

Tried in this order; the first that fits is taken:

1. a grid of few equal dots: one, or up to three in a row, or a field on large lands. A dot is no wider than the
   land and its overhang, no taller than `tall_mm`, and serves no cell wider than `spread` dots;
2. a bead along the long side;   3. a serpentine;   4. the same again without care for spread and height;
5. what is nearest to the dose: trimmed, or raised to what the tip can lay, with a warning;
6. where even that leaves the limits, the nearest all the same, with a warning that names a tip that could.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from math import cbrt, inf, log

from pastewright.deposit.model import DepositKind
from pastewright.deposit.shape import (
    bead_path_mm,
    bead_volume_ul,
    bead_width_mm,
    dot_volume_ul,
    dot_width_mm,
)
from pastewright.materials.model import Paste, Tip
from pastewright.materials.rules import smallest_bore_mm
from pastewright.materials.tables import tips
from pastewright.profile.model import DepositSettings, Tuning
from pastewright.records.kinds import Form as Form

# A strand may be drawn narrower than a dot that rests: the lower end of 1.2 to 1.5 bores (common practice).
BEAD_BORES = 1.2
# A deposit taller than this leans, and the part squeezes it out sideways. Own choice, about four foils.
TALL_MM = 0.5
# Cells of a grid are no wider than this many dots, so that paste is spread over a land. Own choice.
SPREAD = 2.0
# Dots in one row before a bead is quicker and surer: two to three on an SOIC lead (trade habit, from memory).
ROW_DOTS = 3
# Dots in a field before a serpentine is quicker. Own choice.
FIELD_DOTS = 16
SERPENTINE_LINES = 12  # more lines are a pad of over ten millimetres, which dots fill as well; own choice
# The path of a bead is at least this many widths, else it is a dot with a smear.
BEAD_PATH_WIDTHS = 0.5

_EPS = 1e-9  # [mm and shares] rounding of sums, far below what any axis places


@dataclass(frozen=True, slots=True, kw_only=True)
class FormLimits:
    """What tip, paste and settings allow; lengths in mm, ratios of height over width [-]."""

    bore_mm: float
    dot_bores: float
    dot_ratio: float
    bead_ratio: float
    overhang_mm: float
    trim_to: float
    raise_to: float
    powder_bore_mm: float
    tall_mm: float = TALL_MM
    spread: float = SPREAD

    @property
    def least_dot_mm(self) -> float:
        """Width of the smallest dot."""
        return self.dot_bores * self.bore_mm

    @property
    def least_bead_mm(self) -> float:
        """Width of the narrowest bead."""
        return min(self.dot_bores, BEAD_BORES) * self.bore_mm


def limits(*, tip: Tip, paste: Paste, tuning: Tuning, settings: DepositSettings) -> FormLimits:
    """Return the limits of a bench."""
    return FormLimits(
        bore_mm=tip.bore_mm,
        dot_bores=tuning.smallest_dot_bores,
        dot_ratio=tuning.dot_shape_ratio,
        bead_ratio=tuning.bead_shape_ratio,
        overhang_mm=settings.overhang_mm,
        trim_to=settings.trim_to,
        raise_to=settings.raise_to,
        powder_bore_mm=smallest_bore_mm(paste.powder),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One deposit in the frame of its land: points (u, v) [mm]."""

    kind: DepositKind
    points_mm: tuple[tuple[float, float], ...]
    volume_ul: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FormChoice:
    """The form chosen for a dose on a land; `possible` is False where it leaves the limits."""

    form: Form
    pieces: tuple[Piece, ...]
    reason: str
    warnings: tuple[str, ...] = ()
    possible: bool = True

    @property
    def volume_ul(self) -> float:
        """Paste laid [µL]."""
        return sum(piece.volume_ul for piece in self.pieces)


def choose(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    """Return the form for a dose [µL] on a land of `long_mm` × `short_mm`; u runs along the long side."""
    choice = attempt(long_mm, short_mm, volume_ul, limits)
    if choice.possible:
        return choice
    hint = finer_tip(lambda finer: attempt(long_mm, short_mm, volume_ul, finer).possible, limits)
    return replace(choice, warnings=(*choice.warnings[:-1], f"{choice.warnings[-1]}; {hint}"))


def finer_tip(possible: Callable[[FormLimits], bool], limits: FormLimits) -> str:
    """Return words about the widest tip of the table, finer than this one, that makes a thing possible."""
    finer = [size for size in tips() if size.bore_mm < limits.bore_mm - _EPS]
    for size in sorted(finer, key=lambda size: -size.bore_mm):
        if possible(replace(limits, bore_mm=size.bore_mm)):
            words = f"a {size.gauge}G tip (bore {size.bore_mm:g} mm) could"
            if size.bore_mm < limits.powder_bore_mm - _EPS:
                words += (
                    f", with a powder finer than this paste's, which asks for {limits.powder_bore_mm:.3f} mm"
                )
            return words
    return "no tip of the table could"


def attempt(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    """Return the form for a dose on a land, without advice about other tips."""
    careless = replace(limits, tall_mm=inf, spread=inf)
    for care, grid in ((limits, _grid), (replace(limits, spread=inf), _widest_grid), (careless, _grid)):
        for form in (grid, _bead, _serpentine):
            choice = form(long_mm, short_mm, volume_ul, care)
            if choice is not None:
                return choice
    return _nearest(long_mm, short_mm, volume_ul, careless)


@cache
def _grids(aspect: float) -> tuple[tuple[int, int], ...]:
    """Grids (along the long side, along the short side), few dots first, then squarest cells first."""
    rows = [(count, 1) for count in range(1, ROW_DOTS + 1)]
    fields = [
        (nx, ny) for ny in range(2, FIELD_DOTS) for nx in range(ny, FIELD_DOTS) if nx * ny <= FIELD_DOTS
    ]
    return tuple(
        sorted(
            rows + fields, key=lambda grid: (grid[0] * grid[1], abs(log(aspect * grid[1] / grid[0])), grid)
        )
    )


def _grid(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """The grid of fewest dots that fits."""
    fits = (
        _fitting(grid, long_mm, short_mm, volume_ul, limits) for grid in _grids(round(long_mm / short_mm, 3))
    )
    return next((choice for choice in fits if choice is not None), None)


def _widest_grid(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """The grid of most dots that fits: a little paste on a large land is spread as far as the tip allows."""
    grids = reversed(_grids(round(long_mm / short_mm, 3)))
    fits = (_fitting(grid, long_mm, short_mm, volume_ul, limits) for grid in grids)
    return next((choice for choice in fits if choice is not None), None)


def _fitting(
    grid: tuple[int, int], long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits
) -> FormChoice | None:
    nx, ny = grid
    widest_mm, longest_mm = short_mm + 2 * limits.overhang_mm, long_mm + 2 * limits.overhang_mm
    dot_mm = dot_width_mm(volume_ul / (nx * ny), limits.dot_ratio)
    cell_u, cell_v = long_mm / nx, short_mm / ny
    if dot_mm < limits.least_dot_mm - _EPS or dot_mm > widest_mm + _EPS:
        return None
    if dot_mm * limits.dot_ratio > limits.tall_mm or max(cell_u, cell_v) > limits.spread * dot_mm:
        return None
    # A field lies within its cells; a row may use the overhang, sideways and at its ends.
    if ny > 1 and dot_mm > min(cell_u, cell_v) + _EPS:
        return None
    pitch_u = max(cell_u, dot_mm)
    if (nx - 1) * pitch_u + dot_mm > longest_mm + _EPS:
        return None
    return _dots(nx, ny, dot_mm, volume_ul, limits, pitch=(pitch_u, cell_v), land=(long_mm, short_mm))


def _dots(
    nx: int,
    ny: int,
    dot_mm: float,
    volume_ul: float,
    limits: FormLimits,
    *,
    pitch: tuple[float, float],
    land: tuple[float, float],
) -> FormChoice:
    count = nx * ny
    pieces = tuple(
        dot_piece(((ix - (nx - 1) / 2) * pitch[0], (iy - (ny - 1) / 2) * pitch[1]), volume_ul / count, limits)
        for iy in range(ny)
        for ix in range(nx)
    )
    on = f"{land[0]:.2f} × {land[1]:.2f} mm land"
    if count == 1:
        return FormChoice(form=Form.DOT, pieces=pieces, reason=f"one dot {dot_mm:.2f} mm wide on a {on}")
    why = _why_not_one(*land, volume_ul, limits)
    if ny == 1:
        reason = f"{count} dots {dot_mm:.2f} mm wide along a {on}: {why}"
        return FormChoice(form=Form.DOT_ROW, pieces=pieces, reason=reason)
    reason = f"{nx} × {ny} dots {dot_mm:.2f} mm wide over a {on}: {why}"
    return FormChoice(form=Form.DOT_FIELD, pieces=pieces, reason=reason)


def dot_piece(at_mm: tuple[float, float], volume_ul: float, limits: FormLimits) -> Piece:
    """Return a dot of a volume at a place of the frame."""
    width_mm = dot_width_mm(volume_ul, limits.dot_ratio)
    return Piece(
        kind=DepositKind.DOT,
        points_mm=(at_mm,),
        volume_ul=volume_ul,
        width_mm=width_mm,
        height_mm=limits.dot_ratio * width_mm,
    )


def _why_not_one(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> str:
    dot_mm = dot_width_mm(volume_ul, limits.dot_ratio)
    if dot_mm > short_mm + 2 * limits.overhang_mm:
        return f"one dot would be {dot_mm:.2f} mm wide"
    if dot_mm * limits.dot_ratio > min(limits.tall_mm, TALL_MM):
        return f"one dot would stand {dot_mm * limits.dot_ratio:.2f} mm high"
    return f"one dot of {dot_mm:.2f} mm would leave much of the land bare"


def _bead(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """One straight bead; over the land's whole length if that is not too thin, else wider or longer as needed."""
    longest_mm = long_mm + 2 * limits.overhang_mm
    widest_mm = min(short_mm + 2 * limits.overhang_mm, longest_mm / (1 + BEAD_PATH_WIDTHS))
    try:
        width_mm = bead_width_mm(volume_ul, limits.bead_ratio, path_mm=long_mm, widths_in_path=1)
    except ValueError:
        width_mm = inf
    width_mm = min(max(width_mm, limits.least_bead_mm), widest_mm)
    path_mm = bead_path_mm(volume_ul, width_mm, limits.bead_ratio)
    if path_mm < BEAD_PATH_WIDTHS * width_mm:
        # Too stout: the width whose shortest path holds the volume.
        width_mm = cbrt(volume_ul / bead_volume_ul(1.0, BEAD_PATH_WIDTHS, limits.bead_ratio))
        path_mm = BEAD_PATH_WIDTHS * width_mm
    if (
        not limits.least_bead_mm - _EPS <= width_mm <= widest_mm + _EPS
        or path_mm > longest_mm - width_mm + _EPS
    ):
        return None
    if width_mm * limits.bead_ratio > limits.tall_mm or short_mm > limits.spread * width_mm:
        return None
    why = _why_not_one(long_mm, short_mm, volume_ul, limits)
    return FormChoice(
        form=Form.BEAD,
        pieces=(bead_piece(((-path_mm / 2, 0.0), (path_mm / 2, 0.0)), volume_ul, width_mm, limits),),
        reason=(
            f"a bead {width_mm:.2f} mm wide and {path_mm + width_mm:.2f} mm long on a"
            f" {long_mm:.2f} × {short_mm:.2f} mm land: {why}"
        ),
    )


def bead_piece(
    points_mm: tuple[tuple[float, float], ...], volume_ul: float, width_mm: float, limits: FormLimits
) -> Piece:
    """Return a bead of a volume and width along points of the frame."""
    return Piece(
        kind=DepositKind.BEAD,
        points_mm=points_mm,
        volume_ul=volume_ul,
        width_mm=width_mm,
        height_mm=limits.bead_ratio * width_mm,
    )


def _serpentine(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice | None:
    """One bead to and fro along the long side, within the land, its lines spread but not overlapping."""
    for lines in range(2, SERPENTINE_LINES + 1):
        # Tip path: `lines` runs of (long − w), and the steps between them, which add up to (short − w).
        try:
            width_mm = bead_width_mm(
                volume_ul, limits.bead_ratio, path_mm=lines * long_mm + short_mm, widths_in_path=lines + 1
            )
        except ValueError:
            continue
        if width_mm < limits.least_bead_mm - _EPS:
            return None  # more lines are thinner still
        step_mm = (short_mm - width_mm) / (lines - 1)
        if width_mm > step_mm + _EPS or width_mm * limits.bead_ratio > limits.tall_mm:
            continue
        if step_mm > limits.spread * width_mm:
            continue
        end_mm, first_mm = (long_mm - width_mm) / 2, -(short_mm - width_mm) / 2
        points = tuple(
            (side * end_mm, first_mm + line * step_mm)
            for line in range(lines)
            for side in ((-1, 1) if line % 2 == 0 else (1, -1))
        )
        return FormChoice(
            form=Form.SERPENTINE,
            pieces=(bead_piece(points, volume_ul, width_mm, limits),),
            reason=(
                f"a bead {width_mm:.2f} mm wide to and fro in {lines} lines over a"
                f" {long_mm:.2f} × {short_mm:.2f} mm land"
            ),
        )
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Option:
    """A form and the volumes [µL] that this tip and this land allow it, from `least_ul` to `most_ul`."""

    least_ul: float
    most_ul: float
    make: Callable[[float, float, float, FormLimits], FormChoice | None]


def _options(long_mm: float, short_mm: float, limits: FormLimits) -> Iterator[_Option]:
    widest_mm, longest_mm = short_mm + 2 * limits.overhang_mm, long_mm + 2 * limits.overhang_mm
    least_ul = dot_volume_ul(limits.least_dot_mm, limits.dot_ratio)
    for count in range(1, ROW_DOTS + 1):
        dot_mm = min(widest_mm, longest_mm / count)
        if dot_mm >= limits.least_dot_mm - _EPS:
            most_ul = count * dot_volume_ul(dot_mm, limits.dot_ratio)
            yield _Option(least_ul=min(count * least_ul, most_ul), most_ul=most_ul, make=_grid)
    bead_mm = min(widest_mm, longest_mm / (1 + BEAD_PATH_WIDTHS))
    if bead_mm >= limits.least_bead_mm - _EPS:
        least_mm = min(limits.least_bead_mm, bead_mm)
        yield _Option(
            least_ul=bead_volume_ul(least_mm, BEAD_PATH_WIDTHS * least_mm, limits.bead_ratio),
            most_ul=bead_volume_ul(bead_mm, longest_mm - bead_mm, limits.bead_ratio),
            make=_bead,
        )


def _nearest(long_mm: float, short_mm: float, volume_ul: float, limits: FormLimits) -> FormChoice:
    """The form nearest to a dose that no form meets: trimmed, raised, or the smallest dot in spite of all."""
    land = f"{long_mm:.2f} × {short_mm:.2f} mm land"
    options = list(_options(long_mm, short_mm, limits))
    # The limits themselves are met to rounding: ask for a hair less or more than the very edge.
    below = max((o for o in options if o.most_ul <= volume_ul), key=lambda o: o.most_ul, default=None)
    above = min((o for o in options if o.least_ul >= volume_ul), key=lambda o: o.least_ul, default=None)
    if below is not None and (below.most_ul >= limits.trim_to * volume_ul or above is None):
        choice = below.make(long_mm, short_mm, below.most_ul * (1 - _EPS), limits)
        if choice is not None:
            return _trimmed(choice, volume_ul, land, limits)
    if above is not None:
        choice = above.make(long_mm, short_mm, above.least_ul * (1 + _EPS), limits)
        if choice is not None:
            return _raised(choice, volume_ul, land, limits)
    smallest = dot_piece((0.0, 0.0), dot_volume_ul(limits.least_dot_mm, limits.dot_ratio), limits)
    beyond_mm = (smallest.width_mm - short_mm) / 2
    return FormChoice(
        form=Form.DOT,
        pieces=(smallest,),
        reason=f"one dot {smallest.width_mm:.2f} mm wide, the smallest of this tip, on a {land}",
        warnings=(
            f"cannot be done with this tip: its smallest dot, {smallest.width_mm:.2f} mm wide, reaches"
            f" {beyond_mm:.2f} mm beyond the {land} and is laid all the same,"
            f" {smallest.volume_ul:.4f} µL of {volume_ul:.4f} µL",
        ),
        possible=False,
    )


def _trimmed(choice: FormChoice, volume_ul: float, land: str, limits: FormLimits) -> FormChoice:
    part = choice.volume_ul / volume_ul
    if part >= limits.trim_to - _EPS:
        words = (
            f"trimmed to {choice.volume_ul:.4f} µL of {volume_ul:.4f} µL ({100 * part:.0f} %): more would reach"
            f" over {limits.overhang_mm:g} mm beyond the {land}"
        )
        return replace(choice, warnings=(words,))
    words = (
        f"cannot be done within the limits: the {land} holds {choice.volume_ul:.4f} µL of {volume_ul:.4f} µL"
        f" ({100 * part:.0f} %, the limit is {100 * limits.trim_to:g} %)"
    )
    return replace(choice, warnings=(words,), possible=False)


def _raised(choice: FormChoice, volume_ul: float, land: str, limits: FormLimits) -> FormChoice:
    part = choice.volume_ul / volume_ul
    width_mm = choice.pieces[0].width_mm
    if part <= limits.raise_to + _EPS:
        words = (
            f"raised to {choice.volume_ul:.4f} µL from {volume_ul:.4f} µL ({100 * part:.0f} %): this tip lays"
            f" nothing smaller on the {land} than a {choice.form} {width_mm:.2f} mm wide"
        )
        return replace(choice, warnings=(words,))
    words = (
        f"cannot be done with this tip: the smallest it can lay on the {land} is a {choice.form} {width_mm:.2f} mm wide,"
        f" {choice.volume_ul:.4f} µL, {100 * part:.0f} % of the {volume_ul:.4f} µL wanted (the limit is"
        f" {100 * limits.raise_to:g} %)"
    )
    return replace(choice, warnings=(words,), possible=False)

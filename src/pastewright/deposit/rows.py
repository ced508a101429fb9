"""Rows of fine-pitch pads where single deposits would bridge: one bead across the row instead.

    ┌──┐  ┌──┐  ┌──┐  ┌──┐
    │  │  │  │  │  │  │  │
  (=│==│==│==│==│==│==│==│=)   one bead across, from the first pad's middle to the last one's; in reflow the solder
    │  │  │  │  │  │  │  │     mask and surface tension part it among the pads
    └──┘  └──┘  └──┘  └──┘
      |<-p->|

The tip goes from middle to middle, or as near to that as the overhang allows; what the half pitches beyond are due is
laid at the ends (`plunger.row`). Where something stands there, the bead keeps within the outer edges.

A row is pads of one component (or of unknown ones) of equal size, direction, pitch and dose, whose centres lie
on one line across their long sides. Paste between pads is drawn to them, so the bead lays `row_factor` of the sum.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import atan2, pi

import numpy as np
import shapely
from msgspec import Struct
from shapely.geometry import LineString, Polygon

from pastewright.board.model import Pad, Point
from pastewright.deposit.frame import Frame
from pastewright.deposit.limits import FormChoice, FormLimits
from pastewright.deposit.shape import bead_volume_ul, bead_width_mm
from pastewright.profile.model import DepositSettings

# Fewer pads are no row, and pads less slender than this are no leads (a bead across balls would join rows).
LEAST_PADS = 3
LEAST_SLENDERNESS = 1.5
"""Leads of QFN and SOIC are 2 to 6 times as long as wide (land patterns, from memory), balls are 1."""
# Pads of one row agree this well in size, pitch and line [mm], direction [rad] and dose [-]. Own choice: files
# round coordinates to micrometres, inch footprints to 0.0127 mm.
_SAME_MM = 0.02
_SAME_RAD = 0.002  # 0.002 rad turns a 10 mm row by 0.02 mm, the tolerance in length
_SAME_DOSE = 0.1
"""The bead lays the same everywhere; 10 % is within what a print scatters (common practice)."""
_EPS = 1e-9  # [mm] rounding of sums, far below what any axis places


SQUARE_MM = 10.0  # about a row's length; smaller ones only make more of them


class Single(Struct, frozen=True, kw_only=True):
    """A pad that could stand in a row, and what would be laid on it alone."""

    index: int
    pad: Pad
    frame: Frame
    target_ul: float
    choice: FormChoice


class RowBead(Struct, frozen=True, kw_only=True):
    """A bead across the pads `members` (places in the board's pads, in order along the row) [mm, board]."""

    members: tuple[int, ...]
    points_mm: tuple[Point, Point]
    width_mm: float
    height_mm: float
    shares_ul: tuple[float, ...]
    row_mm: float
    reason: str
    warnings: tuple[str, ...] = ()


class Rows(Struct, frozen=True, kw_only=True):
    """The rows to be laid, and by pad (its place) why a row that is needed is not."""

    rows: tuple[RowBead, ...]
    refused: dict[int, str]


def find_rows(
    singles: Sequence[Single],
    lands: Sequence[Polygon],
    *,
    settings: DepositSettings,
    limits: FormLimits,
    wished: frozenset[int] = frozenset(),
) -> Rows:
    """Return the rows that need one bead, and those with a pad that is `wished` in one (by its place in the board).

    `lands` are those of all pads of the board, in its order.
    """
    rows: list[RowBead] = []
    laid = _LaidRows(settings)
    refused: dict[int, str] = {}
    tree: shapely.STRtree | None = None
    for run in sorted(_runs(singles), key=lambda run: min(single.index for single in run)):
        why = _why(run, settings)
        if not why and any(single.index in wished for single in run):
            why = "the job wishes it"
        if not why:
            continue
        if tree is None:
            tree = shapely.STRtree(lands)
        row: RowBead | str = ""
        for within in (False, True):
            row = _bead(run, why, settings, limits, within=within)
            if isinstance(row, RowBead):
                row = _blocked(row, lands, tree, settings) or laid.crossed(row) or row
            if isinstance(row, RowBead):
                break
        if isinstance(row, RowBead):
            rows.append(row)
            laid.add(row)
        else:
            refused.update(
                {single.index: f"no bead across the row of {len(run)} pads: {row}" for single in run}
            )
    return Rows(rows=tuple(rows), refused=refused)


def _runs(singles: Sequence[Single]) -> Iterator[list[Single]]:
    """Pads of equal size, direction, line, dose and pitch, sorted along the row."""
    by_ref: dict[str, list[Single]] = defaultdict(list)
    for single in singles:
        if single.frame.long_mm >= LEAST_SLENDERNESS * single.frame.short_mm:
            by_ref[single.pad.ref].append(single)
    for group in by_ref.values():
        if len(group) < LEAST_PADS:
            continue
        for alike in _alike(group):
            yield from _on_lines(alike)


def _alike(group: list[Single]) -> Iterator[list[Single]]:
    for long in _clusters(group, [single.frame.long_mm for single in group], _SAME_MM):
        for short in _clusters(long, [single.frame.short_mm for single in long], _SAME_MM):
            # Directions count modulo half a turn; those just under it belong with those just over zero.
            angles = [atan2(single.frame.uy, single.frame.ux) % pi for single in short]
            angles = [angle - pi if angle > pi - _SAME_RAD else angle for angle in angles]
            yield from _clusters(short, angles, _SAME_RAD)


def _on_lines(group: list[Single]) -> Iterator[list[Single]]:
    if len(group) < LEAST_PADS:
        return
    # The direction of the lot, not of whichever pad comes first in the file; the row runs across it.
    ux, uy = _mean_direction(group)
    vx, vy = (-uy, ux) if (-uy, ux) > (0.0, 0.0) else (uy, -ux)
    along = [single.frame.x_mm * ux + single.frame.y_mm * uy for single in group]
    place = {single.index: single.frame.x_mm * vx + single.frame.y_mm * vy for single in group}
    for line in _clusters(group, along, _SAME_MM):
        line.sort(key=lambda single: place[single.index])
        yield from _even_runs(line, [place[single.index] for single in line])


def _mean_direction(group: list[Single]) -> tuple[float, float]:
    angles = np.array([atan2(single.frame.uy, single.frame.ux) for single in group])
    mean = np.angle(np.exp(2j * np.sort(angles % pi)).mean()) / 2
    return float(np.cos(mean)), float(np.sin(mean))


def _even_runs(line: list[Single], places_mm: list[float]) -> Iterator[list[Single]]:
    begin = 0
    while begin < len(line) - 1:
        pitch_mm = places_mm[begin + 1] - places_mm[begin]
        end = begin + 1
        while (
            end < len(line)
            and abs(places_mm[end] - places_mm[end - 1] - pitch_mm) <= _SAME_MM
            and abs(line[end].target_ul / line[begin].target_ul - 1) <= _SAME_DOSE
        ):
            end += 1
        if end - begin >= LEAST_PADS:
            yield line[begin:end]
            begin = end
        else:
            begin += 1


def _clusters(group: list[Single], values: list[float], same: float) -> Iterator[list[Single]]:
    """Split a group where its sorted values leave a gap wider than `same`."""
    order = sorted(range(len(group)), key=lambda k: (values[k], group[k].index))
    begin = 0
    for k in range(1, len(order) + 1):
        if k == len(order) or values[order[k]] - values[order[k - 1]] > same:
            yield [group[i] for i in order[begin:k]]
            begin = k


def _why(run: list[Single], settings: DepositSettings) -> str:
    """Return why a run cannot be laid pad by pad; nothing when it can."""
    if not all(single.choice.possible for single in run):
        return "this tip cannot lay them pad by pad"
    least_mm = min(_gap_mm(one, other, settings) for one, other in pairwise(run))
    if least_mm < settings.bridge_gap_mm - _EPS:
        gap = (
            f"leave {least_mm:.2f} mm between them"
            if least_mm >= 0
            else f"run {-least_mm:.2f} mm into each other"
        )
        return f"single deposits would {gap}, the limit is {settings.bridge_gap_mm:g} mm"
    return ""


def _gap_mm(one: Single, other: Single, settings: DepositSettings) -> float:
    if one.pad.net and one.pad.net == other.pad.net:
        return float("inf")
    pitch_mm = float(np.hypot(other.frame.x_mm - one.frame.x_mm, other.frame.y_mm - one.frame.y_mm))
    return pitch_mm - _half_mm(one.choice) - _half_mm(other.choice) - settings.placement_error_mm


def _half_mm(choice: FormChoice) -> float:
    """Reach of a form across its land, from the long axis [mm]."""
    return max(abs(v) + piece.width_mm / 2 for piece in choice.pieces for _, v in piece.points_mm)


def _bead(
    run: list[Single], why: str, settings: DepositSettings, limits: FormLimits, *, within: bool
) -> RowBead | str:
    """Return the bead across a run, or the words that say why this tip or these pads do not allow one.

    It goes from middle to middle of the outer pads, as far as it overhangs their outer edges no more than deposits may; or,
    `within`, from outer edge to outer edge.
    """
    first, last = run[0].frame, run[-1].frame
    span_mm = float(np.hypot(last.x_mm - first.x_mm, last.y_mm - first.y_mm))
    overhang_mm = 0.0 if within else settings.overhang_mm
    extent_mm, widths = span_mm + first.short_mm + 2 * overhang_mm, 1
    widest_mm = first.long_mm + 2 * settings.overhang_mm
    asked_ul = settings.row_factor * sum(single.target_ul for single in run)
    if not within:
        from_middle_mm = bead_width_mm(asked_ul, limits.bead_ratio, path_mm=span_mm)
        if max(from_middle_mm, limits.least_bead_mm) <= first.short_mm + 2 * overhang_mm:
            extent_mm, widths = span_mm, 0
    try:
        width_mm = bead_width_mm(asked_ul, limits.bead_ratio, path_mm=extent_mm, widths_in_path=widths)
    except ValueError:
        width_mm = float("inf")
    width_mm = min(max(width_mm, limits.least_bead_mm), widest_mm)
    laid_ul = bead_volume_ul(width_mm, extent_mm - widths * width_mm, limits.bead_ratio)
    part = laid_ul / asked_ul
    if width_mm < limits.least_bead_mm - _EPS or part > limits.raise_to:
        return f"this tip lays no bead narrower than {limits.least_bead_mm:.2f} mm ({100 * part:.0f} % of the doses)"
    if part < limits.trim_to:
        return f"the pads are too short for it, it would hold {100 * part:.0f} % of the doses"
    warnings: tuple[str, ...] = ()
    if abs(part - 1) < 1e-6:
        laid_ul = asked_ul
    else:
        word = "trimmed" if part < 1 else "raised"
        cause = "wider it would leave the pads" if part < 1 else "this tip lays no narrower bead"
        warnings = (f"the bead across the row is {word} to {100 * part:.0f} % of its volume: {cause}",)
    dx, dy = (last.x_mm - first.x_mm) / span_mm, (last.y_mm - first.y_mm) / span_mm
    inset_mm = (span_mm - extent_mm + widths * width_mm) / 2
    sum_ul = sum(single.target_ul for single in run)
    pitch_mm = span_mm / (len(run) - 1)
    return RowBead(
        members=tuple(single.index for single in run),
        points_mm=(
            (first.x_mm + inset_mm * dx, first.y_mm + inset_mm * dy),
            (last.x_mm - inset_mm * dx, last.y_mm - inset_mm * dy),
        ),
        width_mm=width_mm,
        height_mm=limits.bead_ratio * width_mm,
        row_mm=len(run) * pitch_mm,
        shares_ul=tuple(laid_ul * single.target_ul / sum_ul for single in run),
        reason=(
            f"one bead {width_mm:.2f} mm wide across {len(run)} pads at {pitch_mm:.2f} mm pitch: {why};"
            f" it lays {100 * settings.row_factor:g} % of their doses"
        ),
        warnings=warnings,
    )


def _blocked(
    row: RowBead,
    lands: Sequence[Polygon],
    tree: shapely.STRtree,
    settings: DepositSettings,
) -> str:
    """Return words about the nearest foreign land that the bead would come too near to; nothing when none."""
    path = LineString(row.points_mm)
    clear_mm = settings.bridge_gap_mm + settings.placement_error_mm
    near = set(tree.query(path, predicate="dwithin", distance=row.width_mm / 2 + clear_mm).tolist()) - set(
        row.members
    )
    if not near:
        return ""
    gap_mm = min(float(path.distance(lands[index])) for index in near) - row.width_mm / 2
    return f"it would come within {max(gap_mm, 0):.2f} mm of another pad, {clear_mm:.2f} mm must remain"


class _LaidRows:
    """The beads across rows so far, by squares of the board, so that each new one looks only at those near by."""

    def __init__(self, settings: DepositSettings) -> None:
        self._clear_mm = settings.bridge_gap_mm + settings.placement_error_mm
        self._rows: list[tuple[RowBead, LineString]] = []
        self._squares: dict[tuple[int, int], list[int]] = defaultdict(list)

    def add(self, row: RowBead) -> None:
        """Take one more bead in."""
        for square in self._touched(row):
            self._squares[square].append(len(self._rows))
        self._rows.append((row, LineString(row.points_mm)))

    def crossed(self, row: RowBead) -> str:
        """Return words about an earlier bead that this one would come too near to; nothing when none."""
        near = {number for square in self._touched(row) for number in self._squares.get(square, ())}
        path = LineString(row.points_mm)
        for other, its_path in (self._rows[number] for number in sorted(near)):
            away_mm = path.distance(its_path) - (row.width_mm + other.width_mm) / 2
            if away_mm < self._clear_mm:
                return (
                    f"it would come within {max(away_mm, 0):.2f} mm of another bead,"
                    f" {self._clear_mm:.2f} mm must remain"
                )
        return ""

    def _touched(self, row: RowBead) -> Iterator[tuple[int, int]]:
        """Yield the squares that a bead, with half of what must remain around it, reaches into."""
        around_mm = (row.width_mm + self._clear_mm) / 2
        xs, ys = zip(*row.points_mm, strict=True)
        x0, x1, y0, y1 = (
            int(at // SQUARE_MM)
            for at in (min(xs) - around_mm, max(xs) + around_mm, min(ys) - around_mm, max(ys) + around_mm)
        )
        yield from ((x, y) for x in range(x0, x1 + 1) for y in range(y0, y1 + 1))

"""A profile to the `Sheet` that tunes it: the order that tells most, a lattice wide enough for whatever comes out.

    recipe (doses, blocks) → many orders → the one with most information → the largest drop it may lay → pitch → sheet

The pitch is the photo's ruler. Three odd dots beside the lattice tell how the photo is turned; they come last and are
the largest, when the barrel has come to lay what it is told even on a bench that is far from its profile. Below the
lattice come beads at two speeds, and the shape trial: a circle with a cross inside.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import cos, dist, log, pi, sin

import numpy as np
from numpy.typing import NDArray

from pastewright.deposit.model import Layout
from pastewright.deposit.shape import bead_volume_ul, dot_volume_ul, dot_width_mm
from pastewright.motion.model import Motions
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.tune.constants import AT, CONSTANTS, as_seen, constants_of
from pastewright.tune.evidence import DOT_SPREAD, MODEL_SPREAD
from pastewright.tune.model import Forward, score_of, setting_of
from pastewright.tune.recipe import (
    Item,
    Recipe,
    log_determinant,
    orders,
    possible_benches,
    recipe_of,
)
from pastewright.tune.sheet_model import Role, Sheet, SheetBead, SheetDot, odd_places
from pastewright.tune.sheet_program import BeadToLay, DotToLay, sheet_motions, strip_of
from pastewright.tune.strokes import turns_data, turns_of

Floats = NDArray[np.float64]
Point = tuple[float, float]

ROWS = COLUMNS = 12
TRIES = 16

# The lattice keeps so much air beside the largest dot that any bench within the doubt would lay.
AIR = 1.3
AIR_MM = 0.3
LEAST_PITCH_BORES = 6.0

# A dot counts in the choice of order with this spread, about that of its volume through a phone's photo [-, of ln V].
SEEN_SPREAD = (DOT_SPREAD**2 + MODEL_SPREAD**2 + 0.03**2) ** 0.5

# Rest of the sheet, in pitches: gap between lattice and beads, and of the beads among themselves.
BEAD_STEP = 1.2
BEAD_WIDTHS = (2.0, 3.0)  # in bores
BEAD_SPEEDS = (1.0, 0.5)  # of the tuned speed
CIRCLE_LEGS = 36


@dataclass(frozen=True, slots=True)
class Designed:
    """A sheet with the journey that lays it. `largest_mm` is the widest dot foreseen, on the worst bench."""

    sheet: Sheet
    motions: Motions
    layout: Layout
    recipe: Recipe
    largest_mm: float
    expected_sd: Mapping[str, float]


def design_sheet(
    profile: Profile,
    *,
    name: str = "sheet",
    seed: int = 1,
    tries: int = TRIES,
    on_try: Callable[[], None] = lambda: None,
) -> Sheet:
    """Return the sheet that tells most about this bench; see `designed`."""
    return designed(profile, name=name, seed=seed, tries=tries, on_try=on_try).sheet


def designed(
    profile: Profile,
    *,
    name: str = "sheet",
    seed: int = 1,
    tries: int = TRIES,
    on_try: Callable[[], None] = lambda: None,
) -> Designed:
    """Return the sheet and the journey that lays it.

    The same profile and seed give the same sheet. Raises `InputError` where the sheet does not fit the machine.
    """
    recipe = recipe_of(profile)
    strip = strip_of(profile)
    count = ROWS * COLUMNS
    rough = _pitch(profile, dot_width_mm(recipe.doses_ul[-1], profile.tuning.dot_shape_ratio))
    benches = [_moved(profile, factors) for factors in possible_benches(profile, recipe.doubt)]
    forward_of: Callable[[Sequence[DotToLay], float], Forward] = lambda dots, _pitch_mm: Forward(  # noqa: E731
        score_of(turns_of(sheet_motions(dots, (), profile, strip=strip)[0], profile)), setting_of(profile)
    )
    best: tuple[float, tuple[Item, ...], list[Floats]] | None = None
    for items in orders(recipe, count, tries=tries, seed=seed):
        on_try()
        forward = forward_of(_dots(items, recipe, rough), rough)
        information = [_information(forward, bench, profile) for bench in benches]
        score = log_determinant(information)
        if best is None or score > best[0]:
            best = (score, items, information)
    if best is None:
        raise ValueError("no order was tried")
    _, items, information = best
    forward = forward_of(_dots(items, recipe, rough), rough)
    most_ul = max(float(_drops(forward, bench).max()) for bench in benches)
    largest_mm = dot_width_mm(most_ul, profile.tuning.dot_shape_ratio)
    pitch = _pitch(profile, largest_mm)
    dots = _dots(items, recipe, pitch)
    beads = _beads(profile, pitch)
    motions, layout = sheet_motions(dots, beads, profile, strip=strip)
    sds = np.sqrt(np.diag(np.linalg.inv(information[0])))
    sheet = Sheet(
        name=name,
        rows=ROWS,
        columns=COLUMNS,
        pitch_mm=pitch,
        dots=_sheet_dots(items, recipe, dots),
        beads=tuple(
            SheetBead(
                index=len(dots) + at,
                path_mm=bead.path_mm,
                dose_ul=round(bead.volume_ul, 6),
                tip_mm_s=bead.tip_mm_s,
            )
            for at, bead in enumerate(beads)
        ),
        process={
            "profile": profile.name,
            "profile_sha256": profile.sha256,
            "paste": profile.paste.name,
            "paste_key": paste_key(profile.paste),
            "tip_key": tip_key(profile.tip),
            "doubt": recipe.doubt,
            "largest_mm": round(largest_mm, 3),
            "constants": constants_of(profile),
            "turns": turns_data(turns_of(motions, profile)),
        },
    )
    return Designed(
        sheet,
        motions,
        layout,
        recipe,
        largest_mm,
        {constant.name: float(sd) for constant, sd in zip(CONSTANTS, sds, strict=True)},
    )


def _moved(profile: Profile, factors: Mapping[str, float]) -> Floats:
    own = constants_of(profile)
    seen = as_seen(own)
    for name, factor in factors.items():
        seen[AT[name]] += log(factor)
    return seen


def _information(forward: Forward, seen: Floats, profile: Profile) -> Floats:
    """Fisher's information of the dots' logarithms [constants × constants], the priors' own included."""
    flowed, starts = forward.run(seen)
    active = range(len(CONSTANTS))
    by_out, _, _ = forward.slopes(seen, starts, flowed, active)
    out = flowed.out_ul[1:]
    least = dot_volume_ul(
        profile.tuning.smallest_dot_bores * profile.tip.bore_mm, profile.tuning.dot_shape_ratio
    )
    seen_well = out[:, 0] > least
    rows = by_out[1:][seen_well] / out[seen_well] / SEEN_SPREAD
    # The volume that a photo tells moves with the shape ratio: ln V = ln(s·(3/4 + s²)) + 3·ln d + …
    shape = profile.tuning.dot_shape_ratio
    rows[:, AT["dot_shape_ratio"]] -= (1 + 2 * shape**2 / (0.75 + shape**2)) / SEEN_SPREAD
    priors = np.array([constant.sd for constant in CONSTANTS])
    matrix: Floats = rows.T @ rows + np.diag(1 / priors**2)
    return matrix


def _drops(forward: Forward, seen: Floats) -> Floats:
    flowed, _ = forward.run(seen)
    out: Floats = flowed.out_ul[1:, 0]
    return out


def _pitch(profile: Profile, largest_mm: float) -> float:
    """Pitch [mm] that keeps the largest dots apart, in tenths of a millimetre."""
    wanted = max(AIR * largest_mm + AIR_MM, LEAST_PITCH_BORES * profile.tip.bore_mm)
    return float(np.ceil(wanted * 10) / 10)


def _origin(pitch: float) -> Point:
    # Room for the odd dot left of the lattice, and for the beads below it.
    return (1.5 * pitch + 1.0, 1.0 + (len(BEAD_WIDTHS) * len(BEAD_SPEEDS) + 1) * BEAD_STEP * pitch)


def _place(row: float, column: float, pitch: float) -> Point:
    x0, y0 = _origin(pitch)
    return (round(x0 + column * pitch, 4), round(y0 + row * pitch, 4))


def _lattice(count: int) -> list[tuple[int, int]]:
    """Places in the order of laying: row by row, to and fro."""
    return [
        (at // COLUMNS, at % COLUMNS if at // COLUMNS % 2 == 0 else COLUMNS - 1 - at % COLUMNS)
        for at in range(count)
    ]


def _odd_items(recipe: Recipe) -> list[Item]:
    top = len(recipe.doses_ul) - 1
    return [Item(level=top, role=Role.ODD) for _ in range(3)]


def _dots(items: Sequence[Item], recipe: Recipe, pitch: float) -> list[DotToLay]:
    places = [_place(row, column, pitch) for row, column in _lattice(len(items))]
    odd = [_place(row, column, pitch) for row, column in odd_places(ROWS, COLUMNS)]
    # From the last row's end the way goes over the two above it to the one at the left.
    return [
        DotToLay(place_mm=place, cycle=recipe.cycle(item), pause_s=item.pause_s)
        for item, place in zip([*items, *_odd_items(recipe)], [*places, *odd], strict=True)
    ]


def _sheet_dots(items: Sequence[Item], recipe: Recipe, dots: Sequence[DotToLay]) -> tuple[SheetDot, ...]:
    lattice = [*_lattice(len(items)), (-1, -1), (-1, -1), (-1, -1)]
    return tuple(
        SheetDot(
            index=index,
            row=row,
            column=column,
            x_mm=dot.place_mm[0],
            y_mm=dot.place_mm[1],
            dose_ul=round(dot.cycle.volume_ul, 7),
            role=item.role,
        )
        for index, (item, dot, (row, column)) in enumerate(
            zip([*items, *_odd_items(recipe)], dots, lattice, strict=True)
        )
    )


def _beads(profile: Profile, pitch: float) -> list[BeadToLay]:
    """Straight beads at two widths and two speeds below the lattice, then the circle with its cross."""
    shape, bore = profile.tuning.bead_shape_ratio, profile.tip.bore_mm
    x0, y0 = _origin(pitch)
    length = 4 * pitch
    beads = []
    line = 1
    for width_bores in BEAD_WIDTHS:
        for speed in BEAD_SPEEDS:
            y = round(y0 - line * BEAD_STEP * pitch, 4)
            path = ((round(x0, 4), y), (round(x0 + length, 4), y))
            volume = bead_volume_ul(width_bores * bore, length, shape)
            beads.append(BeadToLay(path_mm=path, volume_ul=volume, tip_mm_s=speed * profile.tuning.bead_mm_s))
            line += 1
    return beads + _trial(profile, pitch, width_mm=BEAD_WIDTHS[-1] * bore)


def _trial(profile: Profile, pitch: float, *, width_mm: float) -> list[BeadToLay]:
    """A circle that closes on itself, a bar through it, and two half bars that end at the bar.

    It shows whether beads begin and end cleanly, whether corners are even, and whether lines meet.
    """
    shape = profile.tuning.bead_shape_ratio
    x0, y0 = _origin(pitch)
    lines = len(BEAD_WIDTHS) * len(BEAD_SPEEDS)
    radius = lines * BEAD_STEP * pitch / 2 - 0.5
    cx, cy = x0 + 8.0 * pitch, y0 - (lines + 1) * BEAD_STEP * pitch / 2
    if radius < 4 * width_mm:
        raise one_error(f"a circle of {2 * radius:.1f} mm is too small for beads {width_mm:.2f} mm wide")
    circle = tuple(
        (round(cx + radius * cos(angle), 4), round(cy + radius * sin(angle), 4))
        for angle in np.linspace(pi / 2, pi / 2 + 2 * pi, CIRCLE_LEGS + 1).tolist()
    )
    arm = radius - 1.5 * width_mm
    paths = [
        circle,
        ((cx - arm, cy), (cx + arm, cy)),
        ((cx, cy + arm), (cx, cy + width_mm)),
        ((cx, cy - arm), (cx, cy - width_mm)),
    ]
    beads = []
    for path in paths:
        points = tuple((round(x, 4), round(y, 4)) for x, y in path)
        length = sum(dist(a, b) for a, b in pairwise(points))
        beads.append(
            BeadToLay(
                path_mm=points,
                volume_ul=bead_volume_ul(width_mm, length, shape),
                tip_mm_s=profile.tuning.bead_mm_s,
            )
        )
    return beads

"""A profile to the `Sheet` that tunes it: the order that tells most, a lattice wide enough for whatever comes out.

    recipe (doses, blocks) → many orders → the one that promises the truest board → the largest drop → pitch → sheet

The pitch is the photo's ruler. Three odd dots beside the lattice tell how the photo is turned; they come last and are
the largest, when the barrel has come to lay what it is told even on a bench that is far from its profile. Below the
lattice come beads at two speeds, and the shape trial: a circle with a cross inside.

Longer than 400 lines because the search and what it weighs share the candidates from end to end.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import cos, dist, log, pi, sin

import numpy as np
from numpy.typing import NDArray

from pastewright.deposit.model import Deposit, Layout
from pastewright.deposit.shape import bead_volume_ul, dot_width_mm
from pastewright.motion.model import Motions
from pastewright.plunger.settle import Settling, strip_of
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.profile.tuned import bench_key, paste_key, tip_key
from pastewright.tune.fit.constants import (
    AT,
    CONSTANTS,
    SHARED,
    as_seen,
    as_they_are,
    constants_of,
    with_constants,
)
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import turns_data, turns_of
from pastewright.tune.sheet.block import Block, block_of
from pastewright.tune.sheet.foreseen import (
    Known,
    Rival,
    after_sheet,
    apart,
    board_in_mind,
    dots_among,
    expected_error,
    information,
    known_alone,
    known_before,
    mistaken,
    planned_stakes,
    where_it_matters,
    within_95,
)
from pastewright.tune.sheet.model import Role, Sheet, SheetBead, SheetDot, odd_places
from pastewright.tune.sheet.program import BeadToLay, DotToLay, SolvedBead, sheet_motions, solved_beads_of
from pastewright.tune.sheet.recipe import (
    LARGEST_MM,
    Item,
    Recipe,
    altered,
    orders,
    possible_benches,
    recipe_of,
)
from pastewright.tune.sheet.sizes import SheetSize, chosen_size, sizes_of

Floats = NDArray[np.float64]
Point = tuple[float, float]
SheetPlace = tuple[Role, int, int]  # why a dot is there, and its row and column

ROWS, COLUMNS = 14, 12
SHORTER = (
    6,
    8,
    10,
    12,
)  # rows of sheets for a board, where little is in doubt; fewer do not tell how a photo is turned
TRIES = 24
DRAWN = 3  # every third try is an order drawn anew, the first ones; the others improve on the best

# A rival bench that lays boards alike still holds pressures down and asks for a further sheet: as if it cost so much of
# every volume (own choice, half of what a board may be off).
LEAST_LOSS = 0.05

# The lattice keeps so much air beside the largest dot that any bench within the doubt would lay.
AIR = 1.15
AIR_MM = 0.3
LEAST_PITCH_BORES = 6.0

# Rest of the sheet, in pitches: gap between lattice and beads, and of the beads among themselves.
BEAD_STEP = 0.8
BEAD_WIDTHS = (2.0, 3.0)  # in bores
BEAD_SPEEDS = (1.0, 0.5)  # of the tuned speed
BEAD_LINES = len(BEAD_WIDTHS) * len(BEAD_SPEEDS) + 1
CIRCLE_LEGS = 36
CIRCLE_WIDTHS = 4.0  # least radius of the circle, in widths of its bead: the cross in it stays apart from it
CIRCLE_AIR_MM = 0.5

# Where the machine has too little room, the widest dot is made smaller, step by step.
SHRINK = 0.85
SHRINKINGS = 8


@dataclass(frozen=True, slots=True)
class Designed:
    """A sheet with the journey that lays it. `largest_mm` is the widest dot foreseen, on the worst bench; `sizes` are those
    that were weighed for a board. `apart` is how many standard errors the sheet sets other benches apart that explained an
    earlier one as well.
    """

    sheet: Sheet
    motions: Motions
    layout: Layout
    recipe: Recipe
    largest_mm: float
    expected_sd: Mapping[str, float]
    block: Block | None = None
    sizes: tuple[SheetSize, ...] = ()
    apart: tuple[float, ...] = ()


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
    laid: Sequence[Deposit] = (),
) -> Designed:
    """Return the sheet and the journey that lays it.

    `laid` are the deposits of a board in their order, for which the sheet is then made: its dots tell what this board
    suffers from most, and it is shorter where that takes fewer. The same arguments give the same sheet. Raises
    `InputError` where the sheet does not fit the machine.
    """
    strip = strip_of(profile)
    room = _largest_pitch(profile)
    widest = LARGEST_MM
    for _ in range(SHRINKINGS):
        recipe = recipe_of(profile, widest_mm=widest)
        benches = _benches(profile, recipe, laid)
        drawn = orders(recipe, ROWS * COLUMNS, tries=max(-(-tries // DRAWN), 1), seed=seed)
        rough = _pitch(profile, dot_width_mm(recipe.doses_ul[-1], profile.tuning.dot_shape_ratio))
        largest_mm = _largest_mm(drawn[0], recipe, min(rough, room), profile, strip, benches)
        pitch = _pitch(profile, largest_mm)
        if pitch <= room:
            break
        widest = SHRINK * dot_width_mm(recipe.doses_ul[-1], profile.tuning.dot_shape_ratio)
    else:
        raise one_error(
            f"there is no room for the sheet: dots must be {pitch:.1f} mm apart, the bed has room for {room:.1f} mm",
            "Move the board's corner in [bed], so that more of the machine's travel lies right of it and beyond it.",
            file=profile.file,
        )
    boards = [_board(profile, bench, recipe, laid) for bench in benches]
    known = known_alone(profile)
    rivals = _rivals(known, boards[0])
    sizes: tuple[SheetSize, ...] = ()
    if laid:
        sizes = _sizes(drawn[0], recipe, pitch, profile, strip, boards[0])
        dots = COLUMNS * chosen_size(sizes, profile.verify.tolerance).rows
        drawn = [items[:dots] for items in drawn]
    beads = solved_beads_of(
        [thing for thing, _ in _things(drawn[0], recipe, pitch, profile, strip)], profile, strip=strip
    )

    def tried(items: tuple[Item, ...]) -> _Try:
        on_try()
        forward = _forward(items, recipe, pitch, profile, strip, beads)
        return _tried(items, forward, boards, rivals, known.covariance, profile)

    best = _improved(drawn, tries, tried, profile=profile, room_mm=room, seed=seed)
    # Orders differ in their largest drop; where this one's is larger after all, the lattice is widened.
    items, largest_mm = best.items, best.largest_mm
    pitch = min(max(pitch, _pitch(profile, largest_mm)), room)
    trial = [(bead, None) for bead in _trial(profile, pitch, width_mm=_trial_width_mm(profile))]
    things = [*_things(items, recipe, pitch, profile, strip), *trial]
    motions, layout = sheet_motions([thing for thing, _ in things], profile, strip=strip)
    sheet = _sheet(name, things, pitch, recipe, profile, motions)
    block = block_of(recipe, profile)
    more = {} if block is None else {"block": block.data(profile)}
    sheet = replace(sheet, process={**sheet.process, "largest_mm": round(largest_mm, 3), **more})
    return Designed(
        sheet,
        motions,
        layout,
        recipe,
        largest_mm,
        _expected_sd(best.covariance),
        block,
        _as_chosen(sizes, best, boards[0], motions),
        best.apart,
    )


def _improved(
    drawn: Sequence[tuple[Item, ...]],
    tries: int,
    tried: Callable[[tuple[Item, ...]], "_Try"],
    *,
    profile: Profile,
    room_mm: float,
    seed: int,
) -> "_Try":
    """Return the best of so many orders: those that were drawn, and then changes of the best one."""
    rng = np.random.default_rng([seed, 1])
    best = tried(drawn[0])
    for number in range(1, tries):
        one = tried(drawn[number] if number < len(drawn) else altered(best.items, rng))
        if one.error < best.error and _pitch(profile, one.largest_mm) <= room_mm:
            best = one
    return best


def _expected_sd(covariance: Floats) -> dict[str, float]:
    return {
        CONSTANTS[at].name: float(sd) for at, sd in zip(SHARED, np.sqrt(np.diag(covariance)), strict=True)
    }


def sheet_at_random(
    profile: Profile, *, seed: int, recipe: Recipe | None = None
) -> tuple[Sheet, Motions, Layout]:
    """Return a sheet whose order is drawn and not chosen, with the journey that lays it and its layout; `recipe` is the
    profile's, if known.
    """
    strip = strip_of(profile)
    recipe = recipe or recipe_of(profile)
    (items,) = orders(recipe, ROWS * COLUMNS, tries=1, seed=seed)
    pitch = min(
        _pitch(profile, dot_width_mm(recipe.doses_ul[-1], profile.tuning.dot_shape_ratio)),
        _largest_pitch(profile),
    )
    things = _things(items, recipe, pitch, profile, strip)
    motions, layout = sheet_motions([thing for thing, _ in things], profile, strip=strip)
    return _sheet(f"random {seed}", things, pitch, recipe, profile, motions), motions, layout


def _sizes(
    items: tuple[Item, ...], recipe: Recipe, pitch: float, profile: Profile, strip: Settling, board: "_Board"
) -> tuple[SheetSize, ...]:
    """What sheets of this order, cut off after some rows, would bring a board."""
    things = _things(items, recipe, pitch, profile, strip)
    motions, _ = sheet_motions([thing for thing, _ in things], profile, strip=strip)
    lattice = [at for at, (_, place) in enumerate(things, start=1) if place is not None and place[1] >= 0]
    return sizes_of(
        Forward(score_of(turns_of(motions, profile)), setting_of(profile)),
        motions,
        [
            (rows, COLUMNS * rows + len(odd_places(rows, COLUMNS)), lattice[COLUMNS * rows - 1])
            for rows in (*SHORTER, ROWS)
        ],
        bench=board.bench,
        stakes=board.stakes,
        profile=profile,
    )


def _as_chosen(
    sizes: tuple[SheetSize, ...], best: "_Try", board: "_Board", motions: Motions
) -> tuple[SheetSize, ...]:
    """The sizes that were weighed, the one that was taken as its order, which was chosen, makes it."""
    rows = len(best.items) // COLUMNS
    within = within_95(board.stakes, best.covariance)
    return tuple(
        replace(size, seconds=motions.machine_s, within=within) if size.rows == rows else size
        for size in sizes
    )


def _sheet(
    name: str,
    things: Sequence[tuple[DotToLay, SheetPlace] | tuple[BeadToLay, None]],
    pitch: float,
    recipe: Recipe,
    profile: Profile,
    motions: Motions,
) -> Sheet:
    return Sheet(
        name=name,
        rows=1 + max(place[1] for _, place in things if place is not None),
        columns=COLUMNS,
        pitch_mm=pitch,
        dots=tuple(
            _sheet_dot(index, thing, place)
            for index, (thing, place) in enumerate(things)
            if isinstance(thing, DotToLay) and place is not None
        ),
        beads=tuple(
            _sheet_bead(index, thing)
            for index, (thing, _) in enumerate(things)
            if isinstance(thing, BeadToLay)
        ),
        process={
            "profile": profile.name,
            "bench_key": bench_key(profile),
            "profile_sha256": profile.sha256,
            "paste": profile.paste.name,
            "paste_key": paste_key(profile.paste),
            "tip_key": tip_key(profile.tip),
            "doubt": recipe.doubt,
            "constants": constants_of(profile),
            "turns": turns_data(turns_of(motions, profile)),
        },
    )


def _benches(profile: Profile, recipe: Recipe, laid: Sequence[Deposit]) -> list[Floats]:
    """The benches that this one may be, as vectors of the fit, that of the profile first.

    Where a trial has left a covariance, other ways to explain it included, the others lie along what a board would
    suffer from most: there a second sheet has to tell.
    """
    here = _moved(profile, {})
    before = known_before(profile)[np.ix_(SHARED, SHARED)]
    if not profile.tuning.dated or not profile.history:
        return [_moved(profile, factors) for factors in possible_benches(profile, recipe.doubt)]
    stakes = _stakes(profile, recipe, laid, here)
    limits = [(log(c.low), log(c.high)) if c.logarithmic else (c.low, c.high) for c in CONSTANTS]
    low, high = (
        np.array([x + end if c.logarithmic else end for c, x, end in zip(CONSTANTS, here, ends, strict=True)])
        for ends in zip(*limits, strict=True)
    )
    steps = where_it_matters(stakes, before, 2)
    return [here, *(np.clip(here + way * step, low, high) for step in steps for way in (1.0, -1.0))]


def _moved(profile: Profile, factors: Mapping[str, float]) -> Floats:
    own = constants_of(profile)
    seen = as_seen(own)
    for name, factor in factors.items():
        seen[AT[name]] += log(factor)
    return seen


@dataclass(frozen=True, slots=True)
class _Try:
    """An order that was tried: the error to expect of a board after it [-], the widest dot that any of the benches
    would lay, what is known of the bench after it, were it as profiled, and how far it sets rivals apart.
    """

    items: tuple[Item, ...]
    error: float
    largest_mm: float
    covariance: Floats
    apart: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Board:
    """A bench that may be, and what a board planned for it makes of what is not known."""

    bench: Floats
    stakes: Floats


def _board(profile: Profile, bench: Floats, recipe: Recipe, laid: Sequence[Deposit]) -> _Board:
    there = with_constants(profile, as_they_are(bench))
    return _Board(bench, _stakes(there, recipe, laid, bench))


def _stakes(profile: Profile, recipe: Recipe, laid: Sequence[Deposit], bench: Floats) -> Floats:
    """How a board answers to the constants: the one that the sheet is for, or one of all sizes."""
    return planned_stakes(profile, laid) if laid else board_in_mind(profile, recipe.doses_ul).stakes(bench)


def _rivals(known: Known, board: _Board) -> tuple[Rival, ...]:
    """The other benches that explain the last trial as well, with what a board would lose that is planned for the wrong
    one; the share of each in its own direction is all that straight lines tell of it.
    """
    here = board.bench
    return tuple(
        Rival(seen, likelihood, float(np.sqrt(np.mean(np.square(board.stakes @ (seen - here))))))
        for seen, likelihood in known.rivals
    )


def _tried(
    items: tuple[Item, ...],
    forward: Forward,
    boards: Sequence[_Board],
    rivals: Sequence[Rival],
    before: Floats,
    profile: Profile,
) -> _Try:
    told = [information(forward, board.bench, profile) for board in boards]
    after = [after_sheet(before, matrix) for matrix, _ in told]
    errors = [
        expected_error(board.stakes, covariance) for board, covariance in zip(boards, after, strict=True)
    ]
    far = tuple(apart(forward, boards[0].bench, rival.seen, before, profile) for rival in rivals)
    # What a rival costs that stays: a board may be planned for the wrong one, and pressures keep their distance for both.
    stays = [
        rival.likelihood * mistaken(sigmas) * max(rival.loss, LEAST_LOSS) ** 2
        for rival, sigmas in zip(rivals, far, strict=True)
    ]
    # Squares are added, so that the worst of the benches count most.
    error = float(np.sqrt(np.mean(np.square(errors)) + sum(stays)))
    most_ul = max(most for _, most in told)
    return _Try(items, error, dot_width_mm(most_ul, profile.tuning.dot_shape_ratio), after[0], far)


def _forward(
    items: Sequence[Item],
    recipe: Recipe,
    pitch: float,
    profile: Profile,
    strip: Settling,
    beads: Sequence[SolvedBead] | None = None,
) -> Forward:
    things = [thing for thing, _ in _things(items, recipe, pitch, profile, strip)]
    motions, _ = sheet_motions(things, profile, strip=strip, beads=beads)
    return Forward(score_of(turns_of(motions, profile)), setting_of(profile))


def _largest_mm(
    items: Sequence[Item],
    recipe: Recipe,
    pitch: float,
    profile: Profile,
    strip: Settling,
    benches: Sequence[Floats],
) -> float:
    """Width of the largest dot [mm] that any of the benches would lay."""
    forward = _forward(items, recipe, pitch, profile, strip)
    dots = dots_among(forward)
    most_ul = max(float(forward.run(bench).out_ul[1:][dots].max()) for bench in benches)
    return dot_width_mm(most_ul, profile.tuning.dot_shape_ratio)


def _largest_pitch(profile: Profile) -> float:
    """Largest pitch [mm] at which the sheet still lies within the machine's travel."""
    machine, bed = profile.machine, profile.bed
    wide = (machine.x_max_mm - bed.board_x_mm - 1.0) / (COLUMNS + 0.5)
    high = (machine.y_max_mm - bed.board_y_mm - 1.0) / (ROWS + BEAD_LINES * BEAD_STEP)
    return float(np.floor(min(wide, high) * 10) / 10)


def _pitch(profile: Profile, largest_mm: float) -> float:
    """Pitch [mm] that keeps the largest dots apart, in tenths of a millimetre."""
    # The circle below the lattice, which is as high as the straight beads beside it, must be wide enough for its bead.
    circle = (CIRCLE_WIDTHS * _trial_width_mm(profile) + CIRCLE_AIR_MM) / (BEAD_STEP * (BEAD_LINES - 1) / 2)
    wanted = max(AIR * largest_mm + AIR_MM, LEAST_PITCH_BORES * profile.tip.bore_mm, circle)
    return float(np.ceil(wanted * 10) / 10)


def _trial_width_mm(profile: Profile) -> float:
    return BEAD_WIDTHS[-1] * profile.tip.bore_mm


def _origin(pitch: float) -> Point:
    # Room for the odd dot left of the lattice, and for the beads below it.
    return (1.5 * pitch + 1.0, 1.0 + BEAD_LINES * BEAD_STEP * pitch)


def _place(row: float, column: float, pitch: float) -> Point:
    x0, y0 = _origin(pitch)
    return (round(x0 + column * pitch, 4), round(y0 + row * pitch, 4))


def _lattice(count: int) -> list[tuple[int, int]]:
    """Places in the order of laying: row by row, to and fro."""
    return [
        (at // COLUMNS, at % COLUMNS if at // COLUMNS % 2 == 0 else COLUMNS - 1 - at % COLUMNS)
        for at in range(count)
    ]


def _things(
    items: Sequence[Item], recipe: Recipe, pitch: float, profile: Profile, strip: Settling
) -> list[tuple[DotToLay, SheetPlace] | tuple[BeadToLay, None]]:
    """Everything on the sheet in the order of laying, dots with their role and lattice place.

    The straight beads come in between, so that the dots after them tell what a large deposit leaves behind; the odd
    dots and the shape trial come last.
    """
    lattice = _lattice(len(items))
    beads = _beads(profile, pitch)
    every = len(items) // (len(beads) + 1)
    things: list[tuple[DotToLay, SheetPlace] | tuple[BeadToLay, None]] = []
    used_ul = strip.cycle.volume_ul
    # From the last row's end the way goes over the two odd dots above it to the one at the left.
    odd = [
        (Item(level=len(recipe.doses_ul) - 1, role=Role.ODD), place)
        for place in odd_places(len(items) // COLUMNS, COLUMNS)
    ]
    for number, (item, (row, column)) in enumerate([*zip(items, lattice, strict=True), *odd]):
        if number and number % every == 0 and beads and number < len(items):
            bead = beads.pop(0)
            used_ul += bead.volume_ul
            things.append((bead, None))
        cycle = recipe.cycle(item, used_ul)
        used_ul += cycle.volume_ul
        where = (-1, -1) if item.role is Role.ODD else (int(row), int(column))
        dot = DotToLay(place_mm=_place(row, column, pitch), cycle=cycle, pause_s=item.pause_s)
        things.append((dot, (item.role, *where)))
    return [*things, *((bead, None) for bead in beads)]


def _sheet_dot(index: int, dot: DotToLay, place: SheetPlace) -> SheetDot:
    role, row, column = place
    return SheetDot(
        index=index,
        row=row,
        column=column,
        x_mm=dot.place_mm[0],
        y_mm=dot.place_mm[1],
        dose_ul=round(dot.cycle.volume_ul, 7),
        role=role,
    )


def _sheet_bead(index: int, bead: BeadToLay) -> SheetBead:
    return SheetBead(
        index=index, path_mm=bead.path_mm, dose_ul=round(bead.volume_ul, 6), tip_mm_s=bead.tip_mm_s
    )


def _beads(profile: Profile, pitch: float) -> list[BeadToLay]:
    """Straight beads at two widths and two speeds below the lattice."""
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
    return beads


def _trial(profile: Profile, pitch: float, *, width_mm: float) -> list[BeadToLay]:
    """A circle that closes on itself, a bar through it, and two half bars that end at the bar.

    It shows whether beads begin and end cleanly, whether corners are even, and whether lines meet.
    """
    shape = profile.tuning.bead_shape_ratio
    x0, y0 = _origin(pitch)
    lines = len(BEAD_WIDTHS) * len(BEAD_SPEEDS)
    radius = lines * BEAD_STEP * pitch / 2 - CIRCLE_AIR_MM
    cx, cy = x0 + 8.0 * pitch, y0 - (lines + 1) * BEAD_STEP * pitch / 2
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

"""A profile to the `Sheet` that tunes it: the order that tells most, a lattice wide enough for whatever comes out.

recipe (doses, blocks) → many orders → the one that promises the truest board → the largest drop → pitch → sheet
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pastewright.deposit.model import Deposit, Layout
from pastewright.deposit.shape import dot_width_mm
from pastewright.motion.model import Motions
from pastewright.plunger.settle import Settling, strip_of
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.profile.tuned import bench_key, paste_key, tip_key
from pastewright.tune.fit.constants import CONSTANTS, SHARED, Floats, constants_of
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import turns_data, turns_of
from pastewright.tune.sheet.block import Block, block_of
from pastewright.tune.sheet.foreseen import dots_among, known_alone, within_95
from pastewright.tune.sheet.model import Sheet, SheetBead, SheetDot, odd_places
from pastewright.tune.sheet.program import BeadToLay, DotToLay, SolvedBead, sheet_motions, solved_beads_of
from pastewright.tune.sheet.recipe import LARGEST_MM, Item, Recipe, orders, recipe_of
from pastewright.tune.sheet.sizes import SheetSize, chosen_size, sizes_of
from pastewright.tune.sheet.things import (
    COLUMNS,
    ROWS,
    SheetPlace,
    Thing,
    largest_pitch_mm,
    pitch_mm,
    things_of,
    trial_beads,
    trial_width_mm,
)
from pastewright.tune.sheet.tried import (
    BenchStakes,
    Try,
    benches_in_doubt,
    improved,
    rivals_of,
    stakes_on,
    weighed,
)

# Rows of sheets for a board, where little is in doubt; fewer do not tell how a photo is turned.
SHORTER = (6, 8, 10, 12)
TRIES = 24
DRAWN = 3  # every third try is an order drawn anew, the first ones; the others improve on the best

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
    room = largest_pitch_mm(profile)
    widest = LARGEST_MM
    for _ in range(SHRINKINGS):
        recipe = recipe_of(profile, widest_mm=widest)
        benches = benches_in_doubt(profile, recipe, laid)
        drawn = orders(recipe, ROWS * COLUMNS, tries=max(-(-tries // DRAWN), 1), seed=seed)
        rough = pitch_mm(profile, dot_width_mm(recipe.doses_ul[-1], profile.tuning.dot_shape_ratio))
        largest_mm = _largest_mm(drawn[0], recipe, min(rough, room), profile, strip, benches)
        pitch = pitch_mm(profile, largest_mm)
        if pitch <= room:
            break
        widest = SHRINK * dot_width_mm(recipe.doses_ul[-1], profile.tuning.dot_shape_ratio)
    else:
        raise one_error(
            f"there is no room for the sheet: dots must be {pitch:.1f} mm apart, the bed has room for {room:.1f} mm",
            "Move the board's corner in [bed], so that more of the machine's travel lies right of it and beyond it.",
            file=profile.file,
        )
    boards = [stakes_on(profile, bench, recipe, laid) for bench in benches]
    known = known_alone(profile)
    rivals = rivals_of(known, boards[0])
    sizes: tuple[SheetSize, ...] = ()
    if laid:
        sizes = _sizes(drawn[0], recipe, pitch, profile, strip, boards[0])
        dots = COLUMNS * chosen_size(sizes, profile.verify.tolerance).rows
        drawn = [items[:dots] for items in drawn]
    beads = solved_beads_of(
        [thing for thing, _ in things_of(drawn[0], recipe, pitch, profile, strip)], profile, strip=strip
    )

    def tried(items: tuple[Item, ...]) -> Try:
        on_try()
        forward = _forward(items, recipe, pitch, profile, strip, beads)
        return weighed(items, forward, boards, rivals, known.covariance, profile)

    best = improved(drawn, tries, tried, profile=profile, room_mm=room, seed=seed)
    # Orders differ in their largest drop; where this one's is larger after all, the lattice is widened.
    items, largest_mm = best.items, best.largest_mm
    pitch = min(max(pitch, pitch_mm(profile, largest_mm)), room)
    trial = [(bead, None) for bead in trial_beads(profile, pitch, width_mm=trial_width_mm(profile))]
    things = [*things_of(items, recipe, pitch, profile, strip), *trial]
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
        pitch_mm(profile, dot_width_mm(recipe.doses_ul[-1], profile.tuning.dot_shape_ratio)),
        largest_pitch_mm(profile),
    )
    things = things_of(items, recipe, pitch, profile, strip)
    motions, layout = sheet_motions([thing for thing, _ in things], profile, strip=strip)
    return _sheet(f"random {seed}", things, pitch, recipe, profile, motions), motions, layout


def _sizes(
    items: tuple[Item, ...],
    recipe: Recipe,
    pitch: float,
    profile: Profile,
    strip: Settling,
    board: BenchStakes,
) -> tuple[SheetSize, ...]:
    """What sheets of this order, cut off after some rows, would bring a board."""
    things = things_of(items, recipe, pitch, profile, strip)
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
    sizes: tuple[SheetSize, ...], best: Try, board: BenchStakes, motions: Motions
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
    things: Sequence[Thing],
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


def _forward(
    items: Sequence[Item],
    recipe: Recipe,
    pitch: float,
    profile: Profile,
    strip: Settling,
    beads: Sequence[SolvedBead] | None = None,
) -> Forward:
    things = [thing for thing, _ in things_of(items, recipe, pitch, profile, strip)]
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

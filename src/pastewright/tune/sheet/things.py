"""What lies where on a sheet: the lattice of dots, the odd dots beside it, straight beads below, and the shape trial.

The pitch is the photo's ruler. Three odd dots beside the lattice tell how the photo is turned; they come last and are
the largest, when the barrel has come to lay what it is told even on a bench that is far from its profile. Below the
lattice come beads at two speeds, and the shape trial: a circle with a cross inside.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import cos, dist, pi, sin

import numpy as np

from pastewright.deposit.shape import bead_volume_ul
from pastewright.plunger.settle import Settling
from pastewright.profile.model import Profile
from pastewright.tune.sheet.model import Role, odd_places
from pastewright.tune.sheet.program import BeadToLay, DotToLay
from pastewright.tune.sheet.recipe import Item, Recipe

Point = tuple[float, float]
SheetPlace = tuple[Role, int, int]  # why a dot is there, and its row and column
Thing = tuple[DotToLay, SheetPlace] | tuple[BeadToLay, None]

ROWS, COLUMNS = 14, 12

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


def things_of(
    items: Sequence[Item], recipe: Recipe, pitch: float, profile: Profile, strip: Settling
) -> list[Thing]:
    """Everything on the sheet in the order of laying, dots with their role and lattice place.

    The straight beads come in between, so that the dots after them tell what a large deposit leaves behind; the odd
    dots and the shape trial come last.
    """
    lattice = _lattice(len(items))
    beads = _beads(profile, pitch)
    every = len(items) // (len(beads) + 1)
    things: list[Thing] = []
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


def _lattice(count: int) -> list[tuple[int, int]]:
    """Places in the order of laying: row by row, to and fro."""
    return [
        (at // COLUMNS, at % COLUMNS if at // COLUMNS % 2 == 0 else COLUMNS - 1 - at % COLUMNS)
        for at in range(count)
    ]


def largest_pitch_mm(profile: Profile) -> float:
    """Largest pitch [mm] at which the sheet still lies within the machine's travel."""
    machine, bed = profile.machine, profile.bed
    wide = (machine.x_max_mm - bed.board_x_mm - 1.0) / (COLUMNS + 0.5)
    high = (machine.y_max_mm - bed.board_y_mm - 1.0) / (ROWS + BEAD_LINES * BEAD_STEP)
    return float(np.floor(min(wide, high) * 10) / 10)


def pitch_mm(profile: Profile, largest_mm: float) -> float:
    """Pitch [mm] that keeps the largest dots apart, in tenths of a millimetre."""
    # The circle below the lattice, which is as high as the straight beads beside it, must be wide enough for its bead.
    circle = (CIRCLE_WIDTHS * trial_width_mm(profile) + CIRCLE_AIR_MM) / (BEAD_STEP * (BEAD_LINES - 1) / 2)
    wanted = max(AIR * largest_mm + AIR_MM, LEAST_PITCH_BORES * profile.tip.bore_mm, circle)
    return float(np.ceil(wanted * 10) / 10)


def trial_width_mm(profile: Profile) -> float:
    """Width of the shape trial's beads [mm]."""
    return BEAD_WIDTHS[-1] * profile.tip.bore_mm


def _origin(pitch: float) -> Point:
    # Room for the odd dot left of the lattice, and for the beads below it.
    return (1.5 * pitch + 1.0, 1.0 + BEAD_LINES * BEAD_STEP * pitch)


def _place(row: float, column: float, pitch: float) -> Point:
    x0, y0 = _origin(pitch)
    return (round(x0 + column * pitch, 4), round(y0 + row * pitch, 4))


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


def trial_beads(profile: Profile, pitch: float, *, width_mm: float) -> list[BeadToLay]:
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

"""A bench to the block of equal dots that is weighed: how many a kitchen-table scale needs, and the program of them.

Dots that follow their like lay what the plunger swept, whatever springs and paste are: the mass of many tells the gain.
The scale is read twice, bare card and card with paste, and each reading is off by its rounding, evenly within half a
step: √2·0.01 g/√12 = 4 mg. The block is large enough for that to be 0.7 % of it.
"""

from dataclasses import dataclass
from math import ceil, floor, sqrt
from typing import Any

from pastewright.deposit.model import Layout
from pastewright.deposit.shape import dot_width_mm
from pastewright.motion.model import Motions
from pastewright.plunger.settle import strip_of
from pastewright.profile.model import Profile
from pastewright.records.sheet import FORMAT, VERSION, SheetDotRecord, SheetRecord
from pastewright.tune.fit.strokes import turns_data, turns_of
from pastewright.tune.sheet.model import Role
from pastewright.tune.sheet.program import DotToLay, sheet_motions
from pastewright.tune.sheet.recipe import Item, Recipe

SCALE_STEP_MG = 10.0  # kitchen-table scales with two decimals of a gram (common practice)
READING_SHARE = 0.007  # of the mass: less than what the paste's density is known to
LEAST_DOTS = 24  # the first ones still differ from their like
AIR = (
    1.6  # pitch over the width that the dots are planned with: a wrong gain or a wrong bench makes them wider
)
MOST_OF_BARREL = 0.25  # a block that needs more of the paste is not worth it


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """The block: so many dots of `dose_ul` in `columns`, the journey that lays them, and about what they should weigh
    [mg].
    """

    dots: int
    dose_ul: float
    mass_mg: float
    motions: Motions
    layout: Layout
    columns: int
    pitch_mm: float

    def data(self, profile: Profile) -> dict[str, Any]:
        """Return the block as the sheet's record keeps it."""
        return {
            "dots": self.dots,
            "dose_ul": round(self.dose_ul, 7),
            "turns": turns_data(turns_of(self.motions, profile)),
        }


def block_record(block: Block, name: str, profile: Profile) -> SheetRecord:
    """Return the file beside the block's program, by which it is sent like any sheet."""
    dots = []
    for at in range(block.dots):
        row, column = _place_of(at, block.columns)
        dots.append(
            SheetDotRecord(
                index=at,
                row=row,
                column=column,
                x_mm=_along_mm(column, block.pitch_mm),
                y_mm=_along_mm(row, block.pitch_mm),
                dose_ul=round(block.dose_ul, 7),
                role=Role.REPEAT,
            )
        )
    return SheetRecord(
        format=FORMAT,
        version=VERSION,
        name=name,
        rows=ceil(block.dots / block.columns),
        columns=block.columns,
        pitch_mm=block.pitch_mm,
        dots=tuple(dots),
        process={"profile_sha256": profile.sha256, "paste": profile.paste.name},
    )


def _place_of(at: int, columns: int) -> tuple[int, int]:
    """Return row and column of a dot in the order of laying: to and fro."""
    row, column = divmod(at, columns)
    return row, column if row % 2 == 0 else columns - 1 - column


def _along_mm(place: int, pitch_mm: float) -> float:
    return round((place + 1) * pitch_mm, 4)


def block_of(recipe: Recipe, profile: Profile) -> Block | None:
    """Return the block of the recipe's largest dots, pushed as any foreseen bench stands it; None where the barrel or
    the bed is too small for one.
    """
    dose_ul = recipe.doses_ul[-1]
    density = profile.paste.density_g_cm3
    needed_mg = sqrt(2 / 12) * SCALE_STEP_MG / READING_SHARE
    dots = max(ceil(needed_mg / (density * dose_ul)), LEAST_DOTS)
    pitch = AIR * dot_width_mm(dose_ul, profile.tuning.dot_shape_ratio)
    wide = floor((profile.machine.x_max_mm - profile.bed.board_x_mm) / pitch - 1)
    high = floor((profile.machine.y_max_mm - profile.bed.board_y_mm) / pitch - 1)
    columns = min(wide, ceil(sqrt(dots)))
    if columns < 1 or ceil(dots / columns) > high or dots * dose_ul > MOST_OF_BARREL * profile.barrel.fill_ul:
        return None
    item = Item(level=len(recipe.doses_ul) - 1, role=Role.REPEAT)
    strip = strip_of(profile)
    things = []
    for at in range(dots):
        row, column = _place_of(at, columns)
        place = (_along_mm(column, pitch), _along_mm(row, pitch))
        cycle = recipe.cycle(item, min(strip.cycle.volume_ul + at * dose_ul, recipe.late_ul))
        things.append(DotToLay(place_mm=place, cycle=cycle))
    motions, layout = sheet_motions(things, profile, strip=strip)
    return Block(
        dots=dots,
        dose_ul=dose_ul,
        mass_mg=dots * dose_ul * density,
        motions=motions,
        layout=layout,
        columns=columns,
        pitch_mm=pitch,
    )

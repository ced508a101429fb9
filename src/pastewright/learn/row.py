"""The witness row: a dozen dots on the card, before the board, that tell which of few constants have moved.

Three sizes, from near the smallest that the tip lays to ten times as much, in such an order that each follows each:
a size by itself tells what flows (consistency, gain), what comes after another size tells what is stored (air, the
frame). The ten places of a shortest such order (de Bruijn's of three letters, pairs) are followed by two more large
ones, which tell drift within the row.

The row's record is a sheet's, one row high; its `process` holds the plunger's strokes, so that whoever measures the dots
needs nothing else to say what they mean.
"""

from dataclasses import dataclass

from pastewright.deposit.model import Layout
from pastewright.materials.cap import dot_volume_ul
from pastewright.motion.model import Motions
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle
from pastewright.plunger.settle import strip_of
from pastewright.profile.model import Profile
from pastewright.profile.tuned import bench_key, paste_key, tip_key
from pastewright.program.model import Program
from pastewright.readback.model import Verdict
from pastewright.records.kinds import Role
from pastewright.records.sheet import FORMAT, VERSION, SheetDotRecord, SheetRecord
from pastewright.tune.fit.strokes import turns_data, turns_of
from pastewright.tune.sheet.program import DotToLay, sheet_motions, sheet_program, sheet_verdict

NAME = "witness row"
ORDER = "ssmsllmmlsll"
"""Kept since orders chosen bench by bench by the volume of the doubt of what drifts bring 3 % (bench/witness_order.py)."""
SIZES = {"s": 1.5, "m": 4.0, "l": 12.0}
"""Volumes in smallest dots: ten times from small to large holds what boards hold (0402 to thermal pads)."""
LEAST_MICROSTEPS = 4
"""Of the small dots: below three a program is refused, and one more keeps rounding from it (own choice)."""
BESIDE_MM = 2.5
"""From the strip to the row: half a strip and half a large dot, with as much left between (own choice)."""
ASIDE_MM = 0.6
"""Every second dot stands so much farther from the strip, the others so much nearer: dots in one line would not tell a
photo's reader how the camera was tilted; 1.2 mm tell heights against widths to 1 % from a dozen centres (own choice)."""
EDGE_MM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WitnessRow:
    """The settling strip and the row beside it: motions, program text and record. Places count from the bed's corner."""

    motions: Motions
    layout: Layout
    program: Program
    record: SheetRecord

    @property
    def text(self) -> str:
        """The program."""
        return self.program.text

    def verdict(self, profile: Profile) -> Verdict:
        """Return what the read-back says of the program."""
        return sheet_verdict(self.program, self.layout, profile)


def smallest_dot_ul(profile: Profile) -> float:
    """Return the volume that a row's sizes are multiples of [µL]: the smallest dot that tip and plunger can lay."""
    tuning = profile.tuning
    tip_ul = float(dot_volume_ul(tuning.smallest_dot_bores * profile.tip.bore_mm, tuning.dot_shape_ratio))
    return max(tip_ul, LEAST_MICROSTEPS * profile.microstep_ul / SIZES["s"])


def witness_row(profile: Profile) -> WitnessRow:
    """Return the row beside the settling strip, as long as the strip."""
    bench, bed = bench_of(profile), profile.bed
    smallest_ul = smallest_dot_ul(profile)
    solved = {size: dot_cycle(factor * smallest_ul, bench) for size, factor in SIZES.items()}
    cycles = [solved[size] for size in ORDER]
    pitch = (bed.strip_length_mm - 2 * EDGE_MM) / (len(ORDER) - 1)
    x0, y0 = bed.strip_x_mm - bed.board_x_mm + EDGE_MM, bed.strip_y_mm - bed.board_y_mm
    away = -1.0 if bed.strip_y_mm < bed.board_y_mm else 1.0
    places = [
        (x0 + pitch * at, y0 + away * (BESIDE_MM + (ASIDE_MM if at % 2 else -ASIDE_MM)))
        for at in range(len(ORDER))
    ]
    things = [DotToLay(place_mm=place, cycle=cycle) for place, cycle in zip(places, cycles, strict=True)]
    motions, layout = sheet_motions(things, profile, strip=strip_of(profile))
    program = sheet_program(NAME, motions, layout, profile)
    dots = tuple(
        SheetDotRecord(
            index=at,
            row=0,
            column=at,
            x_mm=place[0],
            y_mm=place[1],
            dose_ul=cycle.volume_ul,
            role=Role.RISING,
        )
        for at, (place, cycle) in enumerate(zip(places, cycles, strict=True))
    )
    record = SheetRecord(
        format=FORMAT,
        version=VERSION,
        name=NAME,
        rows=1,
        columns=len(dots),
        pitch_mm=pitch,
        dots=dots,
        process={
            "profile_sha256": profile.sha256,
            "bench": bench_key(profile),
            "paste": paste_key(profile.paste),
            "tip": tip_key(profile.tip),
            "fill_ul": profile.barrel.fill_ul,
            "turns": turns_data(turns_of(motions, profile)),
        },
    )
    return WitnessRow(motions=motions, layout=layout, program=program, record=record)

"""The witness row: a dozen dots on the card, before the board, that tell which of few constants have moved.

Three sizes, from near the smallest that the tip lays to ten times as much, in such an order that each follows each:
a size by itself tells what flows (consistency, gain), what comes after another size tells what is stored (air, the
frame). The ten places of a shortest such order (de Bruijn's of three letters, pairs) are followed by two more large
ones, which tell drift within the row.
"""

from pastewright.link.sheets import sheet_job
from pastewright.link.weave import Shift, Witness
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle
from pastewright.plunger.settle import strip_of
from pastewright.profile.model import Profile
from pastewright.records.kinds import Role
from pastewright.records.sheet import FORMAT, SheetDotRecord, SheetRecord
from pastewright.tune.sheet.program import DotToLay, sheet_motions, sheet_program

ORDER = "ssmsllmmlsll"
SIZES = {"s": 1.5, "m": 4.0, "l": 12.0}
"""Volumes in smallest dots: ten times from small to large holds what boards hold (0402 to thermal pads)."""
BESIDE_MM = 2.5
"""From the strip to the row: half a strip and half a large dot, with as much left between (own choice)."""
EDGE_MM = 1.0


def witness_of(profile: Profile, shift: Shift) -> Witness:
    """Return the row beside the settling strip, as long as the strip; `shift` is the way to the strip's fresh place."""
    bench, bed, tuning = bench_of(profile), profile.bed, profile.tuning
    smallest_mm = tuning.smallest_dot_bores * profile.tip.bore_mm
    shape = tuning.dot_shape_ratio
    # The cap of diameter d and height s·d: docs/concepts.md.
    smallest_ul = smallest_mm**3 * 3.141592653589793 * shape * (3 / 4 + shape**2) / 6
    doses = [SIZES[size] * smallest_ul for size in ORDER]
    pitch = (bed.strip_length_mm - 2 * EDGE_MM) / (len(doses) - 1)
    x0, y0 = bed.strip_x_mm - bed.board_x_mm + EDGE_MM, bed.strip_y_mm - bed.board_y_mm
    away = -1.0 if bed.strip_y_mm < bed.board_y_mm else 1.0
    places = [(x0 + pitch * at, y0 + away * BESIDE_MM) for at in range(len(doses))]
    solved = [dot_cycle(dose, bench) for dose in doses]
    things = [DotToLay(place_mm=place, cycle=cycle) for place, cycle in zip(places, solved, strict=True)]
    motions, layout = sheet_motions(things, profile, strip=strip_of(profile))
    program = sheet_program("witness row", motions, layout, profile)
    record = SheetRecord(
        format=FORMAT,
        version=1,
        name="witness row",
        rows=1,
        columns=len(doses),
        pitch_mm=pitch,
        dots=tuple(
            SheetDotRecord(
                index=at, row=0, column=at, x_mm=place[0], y_mm=place[1], dose_ul=dose, role=Role.RISING
            )
            for at, (place, dose) in enumerate(zip(places, doses, strict=True))
        ),
    )
    job = sheet_job(program.text, record)
    return Witness(job=job, text=program.text, shift=shift)

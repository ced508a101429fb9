"""Walks to even walks: the tip walks already while pressure builds up and still while it goes.

    path   |--run in--|---------------- steady ----------------|--run out--|
    sweep     prime                     feed                      retract

Laid standing, what leaks while priming and retracting would lie in two lumps at the ends. Evenly spread, a leak s of
a bead V long L is worth the length L·s/V. It comes late in the prime and early in the retraction, so that walking all
of that length would leave the very ends bare; `RUN_SHARE` of it puts the middle of the leak about where it belongs.

The plunger sets the time of a run, so the leaks are the same as standing, and so is the cycle.
"""

from collections.abc import Sequence

import numpy as np
from msgspec import structs
from numpy.typing import ArrayLike, NDArray

from pastewright.plunger.bead import BeadTable, bead_table, flow_range_ul_s
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.row import RowLengths, row_ends, small_enough
from pastewright.plunger.walk import Walk

Floats = NDArray[np.float64]

# With the leak's middle at about 0.85 of the prime's way and 0.3 of the retraction's (simulated, on the example
# benches), runs of 0.6 and 0.7 of the even length would put it right; 0.7 leaves the tenths of a bead most alike.
RUN_SHARE = 0.7

# A walk is slowed until its leaks are no more than this share of the bead, or to the least share of its speed. While a
# motor crosses its backlash paste flows on, and the tip has hardly begun to move: with leaks of 0.4 of the bead a short
# one had 2.0 to 2.5 of its mean in one tenth and 0.1 to 0.5 in the last, with 0.2 all tenths have 0.86 to 1.5 (simulated,
# all example benches); it takes 3 to 10 % more time for beads of 0.8 to 4.5 mm.
LEAK_SHARE = 0.2
LEAST_SPEED = (
    0.1  # slower than that a bead of a millimetre would take longer than the longest dwell; own choice
)
SPEEDS = 13  # speeds tried between the two, 12 % apart; the share of leaks answers in proportion

# Shorter than this a run is not worth a line; controllers round places to 0.01 or 0.001 mm.
LEAST_RUN_MM = 0.03

# Share of the bead's first or last leg that a run may take: of the only leg, and of one of several.
OF_ONLY_LEG = 0.4
OF_OUTER_LEG = 0.8


def even_walks(volumes_ul: ArrayLike, walks: Sequence[Walk], bench: PlungerBench) -> tuple[Walk, ...]:
    """Return the same paths with runs at their ends, for beads of the given volumes > 0 [µL].

    A walk whose leaks are more than 20 % of its bead is slowed, to a tenth at least: less flow leaks less. Beads across rows
    of pads end as `row` says.
    """
    volumes = np.atleast_1d(np.asarray(volumes_ul, dtype=float))
    if not volumes.size:
        return ()
    slowest, fastest = flow_range_ul_s(volumes, walks, bench)
    table = bead_table(slowest, fastest, bench)
    lengths = np.array([walk.length_mm for walk in walks])
    speeds = np.array([walk.speed_mm_s for walk in walks])
    rows = np.array([walk.row_mm for walk in walks])
    pitches = rows / np.array([walk.row_pads for walk in walks])
    top = np.minimum(volumes * speeds / np.where(rows > 0, rows, lengths), fastest)
    along = RowLengths(rows, pitches, lengths)
    share = _speed_shares(volumes, along, top, table)
    flow = top * share
    leaks = table.prime_leak_ul(flow), table.retract_leak_ul(flow)
    even_mm = RUN_SHARE * lengths / volumes
    ends = row_ends(volumes, along, leaks, flow)
    runs_in = np.where(rows > 0, ends.run_in_mm, even_mm * leaks[0])
    runs_out = np.where(rows > 0, ends.run_out_mm, even_mm * leaks[1])
    spare = table.spare_ul(flow)
    sweep_in = np.maximum(spare - bench.press_ul, 0.0) + (0.0 if bench.press_ul > 0 else bench.backlash_ul)
    sweep_out = np.maximum(spare - bench.draw_ul, 0.0) + bench.backlash_ul
    return tuple(
        structs.replace(
            _with_runs(walk, slow * walk.speed_mm_s, into, out), stand_in_s=stand_in, stand_out_s=stand_out
        )
        for walk, slow, into, out, stand_in, stand_out in zip(
            walks,
            share.tolist(),
            np.minimum(runs_in, _most_mm(walks, sweep_in, bench)).tolist(),
            np.minimum(runs_out, _most_mm(walks, sweep_out, bench)).tolist(),
            ends.stand_in_s.tolist(),
            ends.stand_out_s.tolist(),
            strict=True,
        )
    )


def _speed_shares(volumes: Floats, lengths: RowLengths, top: Floats, table: BeadTable) -> Floats:
    """The largest share of the speed at which the leaks are small enough, or the least."""
    share = np.full_like(volumes, LEAST_SPEED)
    for slower in np.geomspace(LEAST_SPEED, 1.0, SPEEDS):
        flow = slower * top
        leaks = table.prime_leak_ul(flow), table.retract_leak_ul(flow)
        few = np.where(
            lengths.row_mm > 0,
            small_enough(volumes, lengths, leaks),
            leaks[0] + leaks[1] <= LEAK_SHARE * volumes,
        )
        share = np.where(few, slower, share)
    return share


def _most_mm(walks: Sequence[Walk], sweeps_ul: Floats, bench: PlungerBench) -> Floats:
    """What the tip may walk in the time of each sweep [mm], neither faster nor more jerkily than along the bead."""
    speeds = np.array([walk.speed_mm_s for walk in walks])
    accels = np.array([walk.accel_mm_s2 for walk in walks])
    most: Floats = np.minimum(speeds * sweeps_ul / bench.push_ul_s, accels * sweeps_ul / bench.accel_ul_s2)
    return most


def _with_runs(walk: Walk, speed_mm_s: float, into_mm: float, out_mm: float) -> Walk:
    legs = list(walk.legs_mm)
    of_leg = OF_ONLY_LEG if len(legs) == 1 else OF_OUTER_LEG
    into = min(into_mm, of_leg * legs[0])
    out = min(out_mm, of_leg * legs[-1])
    into = into if into >= LEAST_RUN_MM else 0.0
    out = out if out >= LEAST_RUN_MM else 0.0
    legs[0] -= into
    legs[-1] -= out
    return structs.replace(walk, legs_mm=tuple(legs), speed_mm_s=speed_mm_s, run_in_mm=into, run_out_mm=out)

"""Volumes and walks to bead cycles: prime, feed along the path, retract; many at a time.

    V = leak while priming + Q·T + (what the walk's ramps leave out) + leak while retracting

Both leaks depend on the flow Q alone (prime: P_rest to P_ss(Q); retraction: from where the walk ended to P_rest),
so they are solved once on a ladder of flows. What remains per bead is one root over Q on that ladder.

The plunger's speed follows the tip's, as it must in one coordinated move, so the feed is low while the tip gets up
to speed and while it brakes. Pressure answers with its own time constant; the walk of each different bead is
therefore integrated, and the retraction starts from the pressure where the walk really ends.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.monotone import monotone_curve
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.cycle import most_flow_ul_s, primes_ul, retractions_ul
from pastewright.plunger.flow import driving_pressure_kpa, flow_ul_s
from pastewright.plunger.model import BeadCycle
from pastewright.plunger.pressure import after_fed, after_legs
from pastewright.plunger.ramp import Leg
from pastewright.plunger.roots import bracketed_roots
from pastewright.plunger.storage import stored_ul
from pastewright.plunger.walk import Walk, walk_lasting, walked_shares

Floats = NDArray[np.float64]

LADDER = 64
"""Rungs from the slowest to the fastest flow; own choice, 14 % apart over a range of 5000."""

# Rounds of walking and solving again. Each shrinks what is left by the share that the ramps have of the volume;
# three leave less than 1e-4 (measured in the tests).
ROUNDS = 3


@dataclass(frozen=True, slots=True)
class BeadTable:
    """Leaks over flow: natural logarithms of flow, leaks and spare storage [µL], and of the prime's peak [kPa]."""

    log_flow: Floats
    log_prime_leak: Floats
    log_retract_leak: Floats
    log_peak: Floats
    log_spare: Floats

    def spare_ul(self, flow: Floats) -> Floats:
        """What is stored under the pressure of a flow beyond what is at rest [µL]."""
        return _read(self.log_flow, self.log_spare, flow)

    def prime_leak_ul(self, flow: Floats) -> Floats:
        """What flows out while the pressure rises from rest to that of a steady flow [µL]."""
        return _read(self.log_flow, self.log_prime_leak, flow)

    def retract_leak_ul(self, flow: Floats) -> Floats:
        """What flows out while the pressure is taken from that of a flow back to rest [µL]."""
        return _read(self.log_flow, self.log_retract_leak, flow)


@dataclass(frozen=True, slots=True)
class Beads:
    """Solved beads, one a lane. `ends_ul` of the volume lies at the two ends beyond what their length is due; `leak_in_ul`
    and `leak_out_ul` flow out while the plunger primes and retracts.
    """

    volume_ul: Floats
    prime_ul: Floats
    feed_ul: Floats
    retract_ul: Floats
    travel_s: Floats
    peak_kpa: Floats
    ends_ul: Floats
    stand_in_ul: Floats
    stand_out_ul: Floats
    leak_in_ul: Floats
    leak_out_ul: Floats
    walks: tuple[Walk, ...]


def _read(log_x: Floats, log_y: Floats, x: Floats) -> Floats:
    at = np.log(np.maximum(x, 1e-300))
    inside = np.clip(at, log_x[0], log_x[-1])
    # Below the ladder leaks fall at least as fast as the flow, so a proportional tail never exceeds them by much.
    tail = np.minimum(at - log_x[0], 0.0)
    value: Floats = np.exp(monotone_curve(inside, log_x, log_y) + tail)
    return value


def bead_table(slowest_ul_s: float, fastest_ul_s: float, bench: PlungerBench) -> BeadTable:
    """Return the leaks for flows from `slowest_ul_s` to `fastest_ul_s` [µL/s]."""
    flow = np.geomspace(slowest_ul_s, fastest_ul_s, LADDER)
    pressure = driving_pressure_kpa(flow, bench.tip)
    spare = stored_ul(pressure, bench.store) - bench.rest_ul
    prime, peak = primes_ul(pressure, bench)
    tiny = 1e-12 * spare  # keeps the logarithm where nothing leaks
    return BeadTable(
        np.log(flow),
        np.log(np.maximum(prime - spare, tiny)),
        np.log(np.maximum(spare - retractions_ul(pressure, bench), tiny)),
        np.log(peak),
        np.log(spare),
    )


def bead_cycle(volume_ul: float, walk: Walk, bench: PlungerBench) -> BeadCycle:
    """Return the cycle that lays one bead of `volume_ul` > 0 along a walk."""
    beads = solved_beads([volume_ul], [walk], bench)
    return BeadCycle(
        volume_ul=volume_ul,
        prime_ul=float(beads.prime_ul[0]),
        prime_ul_s=bench.push_ul_s,
        feed_ul=float(beads.feed_ul[0]),
        travel_s=float(beads.travel_s[0]),
        retract_ul=float(beads.retract_ul[0]),
        retract_ul_s=bench.push_ul_s,
        peak_kpa=float(beads.peak_kpa[0]),
        stand_in_ul=float(beads.stand_in_ul[0]),
        stand_out_ul=float(beads.stand_out_ul[0]),
        leak_in_ul=float(beads.leak_in_ul[0]),
        leak_out_ul=float(beads.leak_out_ul[0]),
    )


def solved_beads(volumes_ul: ArrayLike, walks: Sequence[Walk], bench: PlungerBench) -> Beads:
    """Return the beads of the given volumes > 0 [µL] along their walks.

    Any volume above zero has a solution, since flow and leaks vanish together; `ends_ul` tells how even the
    bead is. Where the flow would pass what the bench can do (`cycle.most_flow_ul_s`), the walk is slowed.
    """
    volumes = np.atleast_1d(np.asarray(volumes_ul, dtype=float))
    if volumes.size and not float(volumes.min()) > 0:
        raise ValueError(f"a bead of {volumes.min()} µL; volumes must be above zero")
    slowest, fastest = flow_range_ul_s(volumes, walks, bench)
    table = bead_table(slowest, fastest, bench)
    walks = _within_flow(volumes, list(walks), table, fastest)
    walking = np.array([walk.time_s for walk in walks])
    standing = np.array([(walk.stand_in_s, walk.stand_out_s) for walk in walks])
    times = walking + standing.sum(axis=1)

    left_out = np.zeros_like(volumes)
    left_share = np.zeros_like(volumes)
    for _ in range(ROUNDS):
        flow = _flows(volumes, times, left_share, table, fastest)
        steady = stored_ul(driving_pressure_kpa(flow, bench.tip), bench.store)
        ended, highest = _walked(flow * walking, steady, walks, bench)
        if standing[:, 1].any():
            ended, _ = after_legs(ended, [Leg(standing[:, 1], flow, flow)], bench)
        end_leak = table.retract_leak_ul(flow_ul_s(ended, bench.tip))
        left_out = steady - stored_ul(ended, bench.store) + end_leak - table.retract_leak_ul(flow)
        left_share = left_out / flow
    flow = _flows(volumes, times, left_share, table, fastest)
    steady = stored_ul(driving_pressure_kpa(flow, bench.tip), bench.store)
    prime_leak = table.prime_leak_ul(flow)
    prime = steady - bench.rest_ul + prime_leak
    feed = flow * times
    peak = np.maximum(_read(table.log_flow, table.log_peak, flow), highest)
    due = volumes / np.array([walk.path_mm for walk in walks])
    ends = np.maximum(prime_leak - due * np.array([walk.run_in_mm for walk in walks]), 0.0)
    ends += np.maximum(end_leak - due * np.array([walk.run_out_mm for walk in walks]), 0.0)
    return Beads(
        volume_ul=volumes,
        prime_ul=prime,
        feed_ul=feed,
        retract_ul=prime + feed - volumes,
        travel_s=times,
        peak_kpa=peak,
        # What lies at the ends of a bead across a row is meant for what its path leaves out.
        ends_ul=np.where([walk.row_mm > 0 for walk in walks], 0.0, ends),
        stand_in_ul=flow * standing[:, 0],
        stand_out_ul=flow * standing[:, 1],
        leak_in_ul=prime_leak,
        leak_out_ul=end_leak,
        walks=tuple(walks),
    )


def flow_range_ul_s(volumes: Floats, walks: Sequence[Walk], bench: PlungerBench) -> tuple[float, float]:
    """Return the least and the largest flow that any of the beads may have [µL/s]."""
    times = np.array([walk.time_s + walk.standing_s for walk in walks])
    fastest = min(most_flow_ul_s(bench), float((volumes / times).max()) * 1.01)
    whole = float(stored_ul(driving_pressure_kpa(fastest, bench.tip), bench.store))
    standing_s = 2 * whole / bench.push_ul_s + 2 * bench.push_ul_s / bench.accel_ul_s2
    slowest = 0.2 * float((volumes / (times + 2 * standing_s)).min())
    return min(slowest, 0.5 * fastest), fastest


def _within_flow(volumes: Floats, walks: list[Walk], table: BeadTable, most: float) -> list[Walk]:
    """Slow those walks that would need more than `most` [µL/s]."""
    top = np.array([most])
    leaks = float(table.prime_leak_ul(top)[0] + table.retract_leak_ul(top)[0])
    needed = (volumes - leaks) / (most * 0.999)
    return [
        walk_lasting(walk, float(time) - walk.standing_s) if time > walk.time_s + walk.standing_s else walk
        for walk, time in zip(walks, needed, strict=True)
    ]


def _flows(volumes: Floats, times: Floats, left_share: Floats, table: BeadTable, fastest: float) -> Floats:
    def surplus(flow: Floats) -> Floats:
        leaks = table.prime_leak_ul(flow) + table.retract_leak_ul(flow)
        return leaks + flow * (times + left_share) - volumes

    low = np.full_like(volumes, np.exp(table.log_flow[0]))
    high = np.full_like(volumes, fastest)
    return bracketed_roots(surplus, low, high, tolerance=1e-6 * volumes)


def _walked(feeds: Floats, stored: Floats, walks: list[Walk], bench: PlungerBench) -> tuple[Floats, Floats]:
    """Pressure at the end of each walk and the highest on it [kPa]; beads of like many legs go together."""
    ended, highest = np.zeros_like(feeds), np.zeros_like(feeds)
    groups: dict[int, list[int]] = {}
    for index, walk in enumerate(walks):
        groups.setdefault((len(walk.legs_mm) - 1).bit_length(), []).append(index)
    for power, members in groups.items():
        chosen = [walks[index] for index in members]
        times = np.array([walk.time_s for walk in chosen])
        ended[members], highest[members] = after_fed(
            stored[members],
            times,
            partial(_fed, feeds[members], chosen),
            bench,
            least_steps=16 * 2**power,
        )
    return ended, highest


def _fed(feeds: Floats, walks: list[Walk], steps: int) -> Floats:
    return feeds[:, None] * walked_shares(walks, steps)

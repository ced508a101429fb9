"""Even beads: where along its path a bead's paste lies, followed in steps of a thousandth of each move."""

from math import dist, sqrt

import numpy as np
import pytest
from foreign_bench import along_beads, as_profiled, lay_all, track
from foreign_trials import board_motions
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.plunger.bead import solved_beads
from pastewright.plunger.flow import flow_ul_s
from pastewright.plunger.runs import LEAST_SPEED, even_walks
from pastewright.plunger.settle import strip_of
from pastewright.plunger.storage import pressure_of_stored_kpa
from pastewright.plunger.walk import Walk
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.sheet.program import BeadToLay, sheet_motions

STEPS = 1000


def walked(mm, speed=4.0):
    return Walk(legs_mm=(mm,), speed_mm_s=speed, accel_mm_s2=1000.0)


def trapezoid(way, speed, accel):
    """Way done at equal times from standstill to standstill, and the time of a step."""
    top = min(speed, sqrt(accel * way))
    rise, total = top / accel, way / top + top / accel
    t = np.linspace(0.0, total, STEPS + 1)
    left = total - t
    up, down = accel * t**2 / 2, way - accel * left**2 / 2
    return np.where(t < rise, up, np.where(left < rise, down, top * (t - rise / 2))), total / STEPS


def laid(volume, walk, bench):
    """Share of the path and share of the paste, from the first paste to the last; and the bead."""
    bead = solved_beads([volume], [walk], bench)
    walk = bead.walks[0]
    store, tip = bench.store, bench.tip
    backlash = bench.backlash_ul
    parts = [
        (float(bead.prime_ul[0]), walk.run_in_mm, backlash, bench.push_ul_s, bench.accel_ul_s2),
        *(
            (float(bead.feed_ul[0]) * leg / walk.length_mm, leg, None, walk.speed_mm_s, walk.accel_mm_s2)
            for leg in walk.legs_mm
        ),
        (-float(bead.retract_ul[0]), walk.run_out_mm, backlash, bench.push_ul_s, bench.accel_ul_s2),
    ]
    stored, at = bench.rest_ul, 0.0
    places, paste = [], []
    for sweep, way, lost, speed, accel in parts:
        whole = way if lost is None else abs(sweep) + lost
        done, step_s = trapezoid(whole, speed, accel)
        swept = sweep * done / whole if lost is None else np.copysign(np.maximum(done - lost, 0.0), sweep)
        for k in range(STEPS):
            out = float(flow_ul_s(pressure_of_stored_kpa(np.array([stored]), store), tip)[0]) * step_s
            stored += float(swept[k + 1] - swept[k]) - out
            places.append(at + way * (done[k] + done[k + 1]) / 2 / whole)
            paste.append(out)
        at += way
    return np.array(places) / at, np.cumsum(paste) / volume, bead


def furthest_off(volume, walk, bench):
    """How far the paste laid so far is from the path's share, at its worst; share of the bead."""
    path, paste, _ = laid(volume, walk, bench)
    assert paste[-1] == pytest.approx(1.0, abs=0.02)  # the steps here are coarse
    return float(np.abs(paste - path).max())


@pytest.mark.parametrize(("volume", "mm"), [(0.1, 1.5), (0.25, 3.75), (0.6, 5.0)])
def test_paste_is_laid_evenly_along_a_bead(benches, volume, mm):
    soft = benches["soft"]
    standing = furthest_off(volume, walked(mm), soft)
    even = furthest_off(volume, even_walks([volume], [walked(mm)], soft)[0], soft)
    assert even < 0.13
    assert even < 0.6 * standing  # or there was nothing to mend


@pytest.mark.parametrize("name", ["stiff", "newton", "weak"])
def test_no_bench_lays_worse_for_it(benches, name):
    bench = benches[name]
    even = even_walks([0.3], [walked(3.0)], bench)[0]
    assert furthest_off(0.3, even, bench) < max(0.12, furthest_off(0.3, walked(3.0), bench))


def test_what_lies_at_the_ends_is_told(benches):
    # Standing, what leaks before the first step and after the last lies at the ends, and `ends_ul` is just that.
    path, paste, bead = laid(0.3, walked(2.0), benches["soft"])
    at_start = paste[np.searchsorted(path, 1e-9)]
    at_end = 1 - paste[np.searchsorted(path, 1 - 1e-9) - 1]
    assert bead.ends_ul[0] / 0.3 == pytest.approx(at_start + at_end, abs=0.03)
    even = solved_beads([0.3], even_walks([0.3], [walked(2.0)], benches["soft"]), benches["soft"])
    assert even.ends_ul[0] < 0.5 * bead.ends_ul[0]


legs = st.lists(st.floats(0.05, 4.0), min_size=1, max_size=4).map(tuple)


@settings(deadline=None, max_examples=30)
@given(legs, st.floats(0.01, 2.0), st.floats(0.5, 20.0), st.floats(50.0, 2000.0))
def test_runs_keep_the_path_and_what_tip_and_plunger_can_do(benches, legs_mm, volume, speed, accel):
    bench = benches["soft"]
    walk = Walk(legs_mm=legs_mm, speed_mm_s=speed, accel_mm_s2=accel)
    even = even_walks([volume], [walk], bench)[0]
    assert even.run_in_mm + even.length_mm + even.run_out_mm == pytest.approx(walk.length_mm)
    assert even.legs_mm[1:-1] == walk.legs_mm[1:-1]
    assert min(even.legs_mm) > 0
    assert LEAST_SPEED * speed * (1 - 1e-9) <= even.speed_mm_s <= speed * (1 + 1e-9)
    bead = solved_beads([volume], [even], bench)
    # A run is one straight move in which the plunger keeps its own pace; the tip must be able to follow.
    motor_ul = float(bead.retract_ul[0]) + bench.backlash_ul
    for run in (even.run_in_mm, even.run_out_mm):
        assert run * bench.accel_ul_s2 / motor_ul <= accel * 1.25
        assert run * bench.push_ul_s / motor_ul <= speed * 1.25


def test_the_same_bead_is_even_in_any_company(benches):
    soft = benches["soft"]
    alone = even_walks([0.2], [walked(2.0)], soft)[0]
    among = even_walks([1.5, 0.2, 0.05], [walked(9.0), walked(2.0), walked(0.6)], soft)[1]
    assert dist((alone.run_in_mm, alone.run_out_mm), (among.run_in_mm, among.run_out_mm)) < 0.01
    assert even_walks([], [], soft) == ()


@pytest.mark.parametrize("name", ["bench-ngc-turns-b", "bench-reprap-e"])
def test_every_tenth_of_a_short_bead_has_about_its_due(name):
    """Laid on a bench written apart: a worm that crosses its backlash slowly, and a planetary gear."""
    profile = parse_profile(example_text(name), name)
    beads = [
        BeadToLay(
            path_mm=((5.0, 5.0 + 4 * at), (5.0 + mm, 5.0 + 4 * at)),
            volume_ul=volume,
            tip_mm_s=profile.tuning.bead_mm_s,
        )
        for at, (volume, mm) in enumerate([(0.06, 0.8), (0.1, 1.0), (0.141, 1.5), (0.24, 2.5), (0.41, 4.5)])
    ]
    motions, _ = sheet_motions(beads, profile, strip=strip_of(profile))
    tenths = 10 * np.array(
        list(along_beads(track(motions, profile), as_profiled(profile, least_bores=0.02)).values())
    )
    assert tenths.shape == (5, 10)
    assert tenths.min() > 1 / 1.5
    assert tenths.max() < 1.5


def test_the_first_deposits_after_the_strip_of_a_large_barrel_are_as_full_as_the_last():
    """The strip takes 70 µL out of 6 mL, which makes the barrel stiffer by more than a dot's worth."""
    profile = parse_profile(example_text("bench-ngc-turns-b"), "worm")
    wanted, motions = board_motions(profile)
    way = track(motions, profile)
    # From the middle of no pressure and a rest at half of yield, which the strip is made for.
    (laid,) = lay_all([way], [as_profiled(profile, start_share=0.25, least_bores=0.05)])
    order = [index for index in way.lands.tolist() if index >= 0]
    off = np.array([laid.mean_ul[index] / wanted[index] - 1 for index in order])
    assert np.abs(off).max() < 0.01

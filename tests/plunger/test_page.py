"""The tables of docs/plunger.md are what the code says of the demo's bench."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pastewright.plunger.bead import solved_beads
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_cycle, dot_end_kpa
from pastewright.plunger.flow import steady_pressure_kpa
from pastewright.plunger.limits import force_n, microsteps
from pastewright.plunger.pressure import retracted
from pastewright.plunger.runs import even_walks
from pastewright.plunger.settle import settling
from pastewright.plunger.storage import stored_ul
from pastewright.plunger.walk import Walk
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.off import bench_off
from pastewright.profile.read import parse_profile

PAGE = Path(__file__).parents[2] / "docs" / "plunger.md"


@pytest.fixture(scope="module")
def profile():
    return parse_profile(example_text(DEMO), "bench.toml")


def rows(title):
    lines = PAGE.read_text(encoding="utf-8").splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith(f"| {title} |"))
    table: list[list[str]] = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            return table
        table.append([cell.strip() for cell in line.strip("|").split("|")])
    return table


def test_numbers_of_the_bench(profile):
    bench = bench_of(profile)
    text = " ".join(PAGE.read_text(encoding="utf-8").split())
    assert (
        f"Yield at {bench.yield_kpa:.1f} kPa, rest at {bench.rest_kpa:.1f} kPa,"
        f" limit {bench.limit_kpa:.0f} kPa, one microstep {1000 * bench.microstep_ul:.2f} nL."
    ) in text


def test_table_of_dots(profile):
    bench = bench_of(profile)
    for volume, steps, push, retract, peak, force in rows("dot µL"):
        cycle = dot_cycle(float(volume), bench)
        assert steps == f"{microsteps(float(volume), bench):.0f}"
        assert float(push) == pytest.approx(cycle.push_ul, abs=6e-4)
        assert float(retract) == pytest.approx(cycle.retract_ul, abs=6e-4)
        assert float(peak) == pytest.approx(cycle.peak_kpa, abs=0.6)
        assert float(force) == pytest.approx(force_n(cycle.peak_kpa, bench), abs=0.6)


def test_table_of_beads(profile):
    bench = bench_of(profile)
    for volume, length, speed, run_in, run_out, prime, feed, retract, peak, standing, ends in rows("bead µL"):
        walk = Walk(
            legs_mm=(float(length),),
            speed_mm_s=profile.tuning.bead_mm_s,
            accel_mm_s2=profile.machine.accel_xy_mm_s2,
        )
        lumped = solved_beads([float(volume)], [walk], bench)
        assert float(standing.rstrip(" %")) == pytest.approx(100 * lumped.ends_ul[0] / float(volume), abs=0.6)
        walk = even_walks([float(volume)], [walk], bench)[0]
        assert float(speed) == pytest.approx(walk.speed_mm_s, abs=0.06)
        assert float(run_in) == pytest.approx(walk.run_in_mm, abs=6e-3)
        assert float(run_out) == pytest.approx(walk.run_out_mm, abs=6e-3)
        bead = solved_beads([float(volume)], [walk], bench)
        assert float(prime) == pytest.approx(bead.prime_ul[0], abs=6e-4)
        assert float(feed) == pytest.approx(bead.feed_ul[0], abs=6e-5)
        assert float(retract) == pytest.approx(bead.retract_ul[0], abs=6e-4)
        assert float(peak) == pytest.approx(bead.peak_kpa[0], abs=0.6)
        assert float(ends.rstrip(" %")) == pytest.approx(100 * bead.ends_ul[0] / float(volume), abs=0.6)


DEVIATIONS = {
    "as planned": (1.0, 1.0),
    "30% softer": (0.7, 1.0),
    "30% stiffer": (1.3, 1.0),
    "30% less flow": (1.0, 0.7),
    "30% more flow": (1.0, 1.3),
}


def laid_over_planned(profile, stiffness, flow):
    """Eight small dots, six large ones, eight small ones, planned for the profile, laid on a bench that is off."""
    bench = bench_of(profile)
    strip = settling(
        bench,
        length_mm=profile.bed.strip_length_mm,
        speed_mm_s=profile.tuning.bead_mm_s,
        accel_mm_s2=profile.machine.accel_xy_mm_s2,
    )
    real = bench_of(bench_off(profile, stiffness=stiffness, consistency=flow**-profile.paste.flow_index))
    small, large = dot_cycle(0.05, bench), dot_cycle(0.3, bench)
    # The strip is long enough for any bench near this one: it ends at the bench's own steady pressure, with the barrel
    # emptier by the strip.
    used = replace(real.store, paste_ul=real.store.paste_ul - strip.cycle.volume_ul - strip.cycle.retract_ul)
    pressure = retracted(
        np.array([steady_pressure_kpa(strip.flow_ul_s, real.tip)]),
        strip.cycle.retract_ul,
        replace(real, store=used),
    )
    ratios = []
    for cycle in [small] * 8 + [large] * 6 + [small] * 8:
        before = float(stored_ul(pressure, real.store)[0])
        pressure = dot_end_kpa(
            pressure,
            push_ul=cycle.push_ul,
            push_ul_s=cycle.push_ul_s,
            retract_ul=cycle.retract_ul,
            bench=real,
        )
        ratios.append(1 - (float(stored_ul(pressure, real.store)[0]) - before) / cycle.volume_ul)
    return ratios


def test_table_of_a_bench_that_is_off(profile):
    table = rows("bench")
    assert {row[0] for row in table} == set(DEVIATIONS)
    for name, *told in table:
        found = laid_over_planned(profile, *DEVIATIONS[name])
        ratios = [found[place] for place in (0, 7, 8, 13, 14, 21)]
        assert [float(cell) for cell in told] == pytest.approx(ratios, abs=6e-3)

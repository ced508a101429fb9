"""The compiled loops' flow and storage are those of `flow` and `storage`."""

from dataclasses import replace

import numpy as np
import pytest
from tuning_trials import demo_bench

from pastewright.plunger.bench import bench_of
from pastewright.plunger.flow import flow_ul_s
from pastewright.plunger.loops import P0_KPA, flow_at, pressure_at
from pastewright.plunger.pressure import _store_numbers, _tip_numbers
from pastewright.plunger.storage import ATMOSPHERE_KPA, pressure_of_stored_kpa, stored_ul


@pytest.mark.parametrize("bubble_ul", [0.0, 1.0, 25.0])
def test_flow_and_pressure_of_the_loops_are_those_of_the_arrays(bubble_ul):
    bench = bench_of(demo_bench())
    store = replace(bench.store, bubble_ul=bubble_ul)
    tip, (linear, bubble, standing) = _tip_numbers(bench.tip), _store_numbers(store)
    assert P0_KPA == ATMOSPHERE_KPA
    assert standing == pytest.approx(store.paste_ul / store.bulk_modulus_kpa)
    for pressure in (-20.0, 0.0, 24.0, 24.3, 60.0, 500.0):
        assert flow_at(pressure, tip) == pytest.approx(float(flow_ul_s(pressure, bench.tip)), rel=1e-12)
        volume = float(stored_ul(pressure, store))
        assert pressure_at(volume, linear, bubble) == pytest.approx(
            float(pressure_of_stored_kpa(np.array(volume), store)), rel=1e-12, abs=1e-12
        )

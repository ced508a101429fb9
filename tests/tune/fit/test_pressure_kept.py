"""No board goes above the limit of pressure on a bench that its sheet leaves possible, whatever was weighed."""

import numpy as np
import pytest
from foreign_bench import lay_all, track
from foreign_benches import drawn
from foreign_trials import block_mg, board_errors, readings
from tuning_trials import demo_bench

from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.fit.constants import with_constants
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import fit_sheets
from pastewright.tune.fit.weighing import WeighedBlock
from pastewright.tune.record.profile_update import tuning_entry, with_entry
from pastewright.tune.sheet.design import designed
from pastewright.tune.sheet.promise import promise_of


@pytest.mark.campaign
@pytest.mark.parametrize("seed", [1404, 1409])
def test_a_weighed_block_makes_nobody_sure_of_pressure(seed):
    """On both benches the way along the valley of stiffness and consistency was lost at its bend once a block was weighed:
    pressures were told to be 1.1 and 1.3 times the planned ones at most, and 960 kPa came where 700 are allowed.
    """
    profile = demo_bench()
    sheet, bench = designed(profile, name="one"), drawn(profile, seed)
    (laid,) = lay_all([track(sheet.motions, profile)], [bench])
    seen = readings(sheet.sheet, laid, bench, np.random.default_rng([seed, 1]))
    mass_mg = block_mg(sheet, bench, np.random.default_rng([seed, 2]))
    block = WeighedBlock(sheet.sheet.process["block"], mass_mg, profile)
    fitted = fit_sheets([Evidence(sheet.sheet, seen, profile)], profile, blocks=[block], leave_rows_out=False)
    promise = promise_of(fitted, with_constants(profile, fitted.lasting))
    assert promise.pressure_doubt > 2
    entry = tuning_entry(fitted, profile, dated="2025-03-14", sheets=["one"], promise=promise)
    tuned = parse_profile(with_entry(example_text(DEMO), entry), "bench.toml")
    ((_, peak_kpa),) = board_errors([tuned], [bench])
    assert peak_kpa < profile.barrel.limit_kpa

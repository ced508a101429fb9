"""What pads may be off stands in the plan, in its table, and in a sentence."""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of
from virtual_bench import lay, truth_of

from pastewright.board.model import Side
from pastewright.plan.document import PAD_COLUMNS, pad_rows
from pastewright.plan.tolerances import reach_of, tolerance_words, with_tolerances, worst_pads
from pastewright.profile.covariance import TOLD
from pastewright.profile.model import Covariance, Drift, TuningRecord
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.report.tolerance_svg import step_of, tolerance_svg


@pytest.fixture(scope="module")
def top():
    return plan_of(Side.TOP)


def tuned(profile, **sds):
    """The bench after a trial that knew each constant within its standard deviation, nothing having happened since."""
    matrix = np.diag([sds.get(name, 0.0) ** 2 for name in TOLD])
    record = TuningRecord(
        dated="2025-03-14", paste=paste_key(profile.paste), tip=tip_key(profile.tip), spread=sds.get("scatter", 0.0),
        gain=1.0, backlash_mm=0.02, frame_stiffness_n_mm=100.0, bubble_ul=1.0, seal_friction_n=0.0,
        consistency_kpa_sn=0.2, flow_index=0.4, yield_stress_kpa=0.2, standing=0.0,
        covariance=Covariance(names=TOLD, rows=tuple(map(tuple, matrix.tolist()))),
    )  # fmt: skip
    return replace(profile, history=(record,), drift=Drift(hours=0.0))


def retold(plan, profile):
    return with_tolerances(plan.record, plan.motions, plan.layout.deposits, profile)


def test_a_gain_of_one_per_cent_shows_as_on_the_bench_written_apart(top):
    """Two per cent at 95 % where a row of like dots has settled; before that some of it is kept in the barrel."""
    record = retold(top, tuned(top.profile, gain=0.01))
    plain, more = (
        lay(top.motions, truth_of(top.profile, start_kpa=top.bench.rest_kpa, gain=gain)).mean_ul
        for gain in (top.profile.tuning.gain, 1.01 * top.profile.tuning.gain)
    )
    pads = [pad for pad in record.pads if pad.tolerance]
    simulated = [
        sum(row.volume_ul * (more[row.id] / plain[row.id] - 1) for row in pad.deposits)
        / sum(row.volume_ul for row in pad.deposits)
        for pad in pads
    ]
    told = [pad.tolerance.within for pad in pads]
    np.testing.assert_allclose(told, 1.96 * np.array(simulated), atol=0.001)
    assert {pad.tolerance.most for pad in record.pads if pad.tolerance} == {"gain"}


def test_scatter_of_single_dots_averages_out_over_a_pad(top):
    record = retold(top, tuned(top.profile, scatter=0.05))
    for pad in record.pads:
        if pad.tolerance is None:
            continue
        parts = np.array([row.volume_ul for row in pad.deposits])
        expected = 1.96 * 0.05 * np.sqrt(np.sum((parts / parts.sum()) ** 2))
        assert pad.tolerance.within == pytest.approx(expected, rel=0.01)
        assert pad.tolerance.most == "scatter"


def test_a_warmer_day_is_a_bias_and_half_as_much_spread_is_half_as_wide(top):
    bench = tuned(top.profile, flow_index=0.02)
    once, half = (retold(top, tuned(top.profile, flow_index=sd)) for sd in (0.02, 0.01))
    for one, other in zip(once.pads, half.pads, strict=True):
        if one.tolerance and other.tolerance:
            assert other.tolerance.within == pytest.approx(one.tolerance.within / 2, abs=2e-4)
    (record,) = bench.history
    warm = replace(
        bench,
        history=(replace(record, temperature_c=20.0),),
        drift=Drift(hours=0.0, temperature_c=22.0, consistency_c=0.04),
    )
    told = [pad.tolerance.bias for pad in retold(top, warm).pads if pad.tolerance]
    assert max(map(abs, told)) > 0.01
    assert all(pad.tolerance.bias == 0 for pad in once.pads if pad.tolerance)


def test_an_untuned_bench_says_so_and_a_tuned_one_counts_its_pads(top):
    assert "never tuned" in tolerance_words(top.record)
    record = retold(
        top, tuned(top.profile, frame_stiffness_n_mm=0.05, consistency_kpa_sn=0.05, flow_index=0.01)
    )
    words = tolerance_words(record)
    assert words.startswith("95 of 100 pads within ±")
    spread = record.spread
    reaches = [reach_of(pad.tolerance) for pad in record.pads if pad.tolerance]
    assert spread.reached == pytest.approx(np.percentile(reaches, 95), abs=1e-4)
    assert spread.beyond == sum(reach > spread.limit for reach in reaches)
    worst = worst_pads(record)
    assert [reach_of(pad.tolerance) for pad in worst] == sorted(reaches, reverse=True)[:10]


def test_the_table_has_it_and_a_dry_plan_has_none(top):
    for pad, cells in zip(top.record.pads, pad_rows(top.record), strict=True):
        row = dict(zip(PAD_COLUMNS, cells, strict=True))
        if pad.tolerance:
            assert float(row["within_percent"]) == pytest.approx(100 * pad.tolerance.within, abs=0.06)
        else:
            assert row["within_percent"] == ""
    dry = replace(top.motions, dry=True)
    assert with_tolerances(top.record, dry, top.layout.deposits, top.profile) is top.record


def test_the_picture_tells_tolerances_by_colour_and_by_bars(top):
    assert [step_of(reach, 0.1) for reach in (0.04, 0.1, 0.19, 0.5)] == [0, 1, 2, 3]
    ids = [pad.id for pad in top.board.pads][:4]
    picture = tolerance_svg(top.board, dict(zip(ids, (0.04, 0.1, 0.19, 0.5), strict=True)), limit=0.1)
    assert picture.count('stroke="#12261f"') == 3
    assert "beyond (3 bars)" in picture

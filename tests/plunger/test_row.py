"""Beads across rows: by a bench written apart, each pad has its share nearest to it, and the plan says how much."""

import numpy as np
import pytest
from demo_plans import plan_of
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from rows_judged import nearest_by_pad

from pastewright.board.model import Side
from pastewright.plan.document import PAD_COLUMNS, pad_rows
from pastewright.plunger.bead import bead_cycle
from pastewright.plunger.row import NEAREST_WITHIN, nearest_shares
from pastewright.plunger.runs import even_walks
from pastewright.plunger.walk import Walk

ROWS_OF_EIGHT = 7  # on the demo's top


def is_as_told(plan):
    found = nearest_by_pad(plan)
    told = {pad.id: pad.nearest for pad in plan.record.pads if pad.nearest is not None}
    assert found.keys() == told.keys()
    assert max(abs(found[pad] - told[pad]) for pad in found) < 0.08
    return found


def test_each_pad_of_the_demo_s_rows_has_its_share_nearest_to_it():
    """Before, the end pads had 5 to 55 % and their neighbours up to 168 % (same bench)."""
    plan = plan_of(Side.TOP)
    found = is_as_told(plan)
    assert len(found) == 8 * ROWS_OF_EIGHT
    assert max(abs(share - 1) for share in found.values()) <= NEAREST_WITHIN
    rows = [dict(zip(PAD_COLUMNS, row, strict=True)) for row in pad_rows(plan.record)]
    cells = {row["id"]: row["nearest_percent"] for row in rows}
    assert all(abs(float(cells[pad]) - 100) <= 15 for pad in found)
    assert any(cell == "" for cell in cells.values())


@pytest.mark.campaign
@pytest.mark.parametrize(
    "bench", ["bench-ngc-linear-u", "bench-ngc-rotary-a", "bench-ngc-turns-b", "bench-reprap-ul-abs"]
)
def test_so_it_is_on_the_other_benches(bench):
    found = is_as_told(plan_of(Side.TOP, bench))
    assert found
    assert max(abs(share - 1) for share in found.values()) <= NEAREST_WITHIN


@settings(deadline=None, max_examples=40)
@given(
    pads=st.integers(3, 40),
    pitch=st.floats(0.4, 0.8),
    share_ul=st.floats(0.015, 0.08),
    inset=st.floats(0.0, 0.35),
)
def test_what_a_bead_lays_is_all_told_and_even_where_its_ends_allow(benches, pads, pitch, share_ul, inset):
    """`inset` is how far inside of its outer pads' middles the path keeps, in pitches."""
    bench = benches["soft"]
    path = (pads - 1 - 2 * inset) * pitch
    walk = Walk(legs_mm=(path,), speed_mm_s=4.0, accel_mm_s2=1000.0, row_mm=pads * pitch, row_pads=pads)
    even = even_walks([pads * share_ul], [walk], bench)[0]
    assert even.path_mm == pytest.approx(path)
    cycle = bead_cycle(pads * share_ul, even, bench)
    assert cycle.prime_ul + cycle.feed_ul - cycle.retract_ul == pytest.approx(cycle.volume_ul)
    shares = np.array(nearest_shares(cycle, even))
    assert shares.sum() == pytest.approx(pads)
    assert shares[1:-1] == pytest.approx(np.full(pads - 2, shares[1:-1].mean()), abs=0.35)
    if even.speed_mm_s > 0.11 * walk.speed_mm_s:
        assert np.abs(shares - 1).max() <= NEAREST_WITHIN


def test_a_bead_of_its_own_length_is_laid_as_before(benches):
    bench = benches["soft"]
    plain = Walk(legs_mm=(3.0,), speed_mm_s=4.0, accel_mm_s2=1000.0)
    (even,) = even_walks([0.3], [plain], bench)
    assert (even.stand_in_s, even.stand_out_s) == (0.0, 0.0)
    assert even.run_in_mm > 0
    (row,) = even_walks([0.3], [structs.replace(plain, row_mm=3.5, row_pads=7)], bench)
    assert row.run_in_mm + row.run_out_mm < even.run_in_mm + even.run_out_mm

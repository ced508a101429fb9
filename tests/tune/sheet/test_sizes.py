"""Sheets for a board: how long they have to be, and that they are made of no more dots than that."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from demo_plans import plan_of

from pastewright.board.model import Side
from pastewright.plan.again import deposits_in_order
from pastewright.profile.covariance import TOLD
from pastewright.profile.model import Covariance, Drift, TuningRecord
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.tune.sheet.design import SHORTER, designed
from pastewright.tune.sheet.program import sheet_program, sheet_verdict
from pastewright.tune.sheet.sizes import SheetSize, chosen_size
from pastewright.tune.sheet.things import COLUMNS, ROWS


def told_within(profile, sd):
    """The bench after a trial that knew each constant so well."""
    record = TuningRecord(
        dated="2025-03-14", paste=paste_key(profile.paste), tip=tip_key(profile.tip), spread=0.02, gain=1.0,
        backlash_mm=0.02, frame_stiffness_n_mm=100.0, bubble_ul=1.0, seal_friction_n=0.0, consistency_kpa_sn=0.2,
        flow_index=0.4, yield_stress_kpa=0.2, standing=0.0,
        covariance=Covariance(names=TOLD, rows=tuple(map(tuple, (sd**2 * np.eye(len(TOLD))).tolist()))),
    )  # fmt: skip
    tuning = replace(profile.tuning, dated="2025-03-14")
    return replace(profile, tuning=tuning, history=(record,), drift=Drift(hours=0.0))


@pytest.fixture(scope="module")
def bottom():
    return plan_of(Side.BOTTOM)


def test_deposits_come_in_the_order_of_the_program(bottom):
    laid = deposits_in_order(bottom.record)
    assert [one.index for one in laid] == [visit.deposit for visit in bottom.tour.visits]


def test_a_bench_in_little_doubt_gets_a_short_sheet_that_verifies(bottom):
    profile = told_within(bottom.profile, 0.01)
    made = designed(profile, tries=1, laid=deposits_in_order(bottom.record))
    assert made.sheet.rows == min(SHORTER)
    assert len(made.sheet.dots) == COLUMNS * min(SHORTER) + 3
    assert [size.rows for size in made.sizes] == [0, *SHORTER, ROWS]
    assert made.sizes[0].within < 0.5 * profile.verify.tolerance
    # Orders of another length are drawn anew: a longer sheet may tell a hundredth less, not more than that.
    within = [size.within for size in made.sizes]
    assert all(more <= 1.01 * less for less, more in pairwise(within))
    assert within[-1] == min(within) < within[0]
    seconds = [size.seconds for size in made.sizes]
    assert seconds == sorted(seconds)
    assert seconds[1] == pytest.approx(made.motions.machine_s)
    program = sheet_program("short", made.motions, made.layout, profile)
    assert sheet_verdict(program, made.layout, profile).ok


def sizes(*withins):
    return [
        SheetSize(rows=rows, dots=12 * rows + 3, seconds=60.0 * rows, within=within)
        for rows, within in zip((0, *SHORTER, ROWS), withins, strict=True)
    ]


def test_the_shortest_is_taken_that_leaves_half_of_the_tolerance_or_nearly_as_little_as_the_longest():
    assert chosen_size(sizes(9.0, 0.2, 0.06, 0.049, 0.03, 0.02), 0.10).rows == 10
    assert chosen_size(sizes(9.0, 0.3, 0.206, 0.201, 0.2, 0.2), 0.10).rows == 8
    assert chosen_size(sizes(9.0, 0.9, 0.8, 0.7, 0.6, 0.5), 0.10).rows == ROWS

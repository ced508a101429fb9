"""The read-back judges a plan's tolerance by its own simulation, and sees through a claim that is not so."""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of
from msgspec import structs

from pastewright.board.model import Side
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.tolerances import judged_tolerance
from pastewright.tolerance.predict import predicted
from pastewright.tune.fit.spread import spread_of


def judged(plan, **changes):
    record = structs.replace(plan.record, spread=structs.replace(plan.record.spread, **changes))
    return judged_tolerance(plan.program.text, record, expected_from_plan(record), plan.profile)


def few(spread):
    """The same spread, a tenth as wide, of three constants only: each costs a simulation."""
    names = ("frame_stiffness_n_mm", "gain", "consistency_kpa_sn")
    at = [spread.names.index(name) for name in names]
    rows = tuple(
        tuple(0.01 * spread.covariance[max(i, j)][min(i, j)] for j in at[: n + 1]) for n, i in enumerate(at)
    )
    return {"names": names, "covariance": rows, "bias": (0.0, 0.0, 0.0)}


@pytest.fixture(scope="module")
def bottom():
    return plan_of(Side.BOTTOM)


def test_a_claim_is_judged_by_simulation_and_a_better_one_is_seen_through(bottom):
    own = few(bottom.record.spread)
    found = judged(bottom, **own, reached=1.0)
    assert found.pads == sum(1 for pad in bottom.record.pads if pad.deposits)
    assert 0.05 < found.reached < 0.3
    assert found.honest
    assert found.holds == (found.reached <= bottom.profile.verify.tolerance)
    assert not judged(bottom, **own, reached=0.5 * found.reached).honest


def test_a_plan_that_claims_nothing_is_not_judged(bottom):
    record = structs.replace(bottom.record, spread=None)
    expected = expected_from_plan(record)
    assert judged_tolerance(bottom.program.text, record, expected, bottom.profile) is None


@pytest.mark.campaign
@pytest.mark.parametrize("side", list(Side))
def test_what_plans_claim_is_what_is_simulated(side):
    """Where nothing bends, both tell the same; on a bench that is far off the plan, which plays what bends and oozes, claims
    no less than small steps tell.
    """
    plan = plan_of(side)
    far = judged(plan)
    assert far.reached < 1.05 * far.claimed
    spread = spread_of(plan.profile)
    near = replace(spread, covariance=0.05**2 * spread.covariance)
    each = predicted(plan.motions, plan.layout.deposits, plan.profile, near)
    pads = [pad for pad in plan.record.pads if pad.deposits]
    shares = [(at, row.id, row.volume_ul) for at, pad in enumerate(pads) for row in pad.deposits]
    claimed = float(np.percentile(each.of_pads(shares).reach, 95))
    rows = tuple(tuple(near.covariance[i, : i + 1].tolist()) for i in range(len(near.names)))
    # The claim takes the larger of what is played and of straight lines: 6 % more on the bottom.
    assert judged(plan, covariance=rows, reached=claimed).reached == pytest.approx(claimed, rel=0.08)

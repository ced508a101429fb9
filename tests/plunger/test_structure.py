"""Structure of paste in plans: what is built up and broken down, and boards on a bench written apart that stiffens."""

from dataclasses import replace
from functools import cache
from math import exp, log, pi

import numpy as np
import pytest
from demo_plans import make_plan, plan_of
from foreign_bench import BREAKS_UL, BUILDS_S, Foreign, as_profiled, lay_all, track
from foreign_trials import p95
from tuning_trials import demo_bench

from pastewright.board.model import Side
from pastewright.plan.pipeline import Plan
from pastewright.plunger.structure import breaking_ul, stood_between, structures, thicker
from pastewright.profile.model import Profile
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify

STIFFENS = 0.3


def stiffening(standing: float = log(1 + STIFFENS)) -> Profile:
    """The demo's bench with a paste as that of the bench written apart, in its words."""
    plain = demo_bench()
    strain = 4 * BREAKS_UL / (pi * plain.tip.radius_mm**3)
    tuning = replace(plain.tuning, standing=standing, building_s=BUILDS_S, breaking_strain=strain)
    return replace(plain, tuning=tuning)


def test_structure_is_built_up_by_standing_and_broken_down_by_what_flows():
    """By hand: after T seconds 1 − 1/e; the mean over one breaking volume is 1 − 1/e of what it begins with."""
    profile = stiffening()
    (first,) = structures(np.array([BUILDS_S]), np.array([breaking_ul(profile)]), profile)
    assert first == pytest.approx((1 - exp(-1)) ** 2, rel=1e-9)
    # The second begins with what the first left, and what has come back since.
    _, second = structures(np.array([BUILDS_S, 2 * BUILDS_S]), np.full(2, BREAKS_UL), profile)
    left = (1 - exp(-1)) * exp(-1)
    assert second == pytest.approx((1 - (1 - left) * exp(-2)) * (1 - exp(-1)), rel=1e-6)
    assert thicker(np.array([1e6]), np.array([1e-9]), profile)[0] == pytest.approx(log(1.3), rel=1e-6)


def test_most_of_a_push_and_a_retraction_is_standing():
    """A flow with the power 2 of a pressure that rises evenly has its middle three quarters through, by hand."""
    stood = stood_between(np.array([1.0]), np.array([0.4]), np.array([0.8]), flow_index=0.5)
    assert stood[0] == pytest.approx(1.0 + 0.75 * 1.2)


@cache
def planned(standing: float) -> Plan:
    demo = plan_of(Side.TOP)
    return make_plan(demo.board, stiffening(standing)) if standing else demo


def errors_on(bench: Foreign, plan: Plan) -> np.ndarray:
    (laid,) = lay_all([track(plan.motions, plan.profile)], [bench], steps=20)
    return np.array([laid.mean_ul.get(d.index, 0.0) / d.volume_ul - 1 for d in plan.layout.deposits])


def test_a_plan_that_knows_how_paste_stiffens_lays_its_doses_on_a_bench_written_apart():
    bench = as_profiled(stiffening(), thixotropy=STIFFENS, start_share=0.5)
    knowing, not_knowing = errors_on(bench, planned(log(1 + STIFFENS))), errors_on(bench, planned(0.0))
    assert p95(knowing) < 0.5 * p95(not_knowing)
    assert p95(knowing) < 0.02


def test_the_read_back_holds_plans_against_paste_that_stiffens():
    """It simulates the structure by itself: a plan that knows of it passes, one that does not is off."""
    assert planned(log(1 + STIFFENS)).verdict.ok
    plain = planned(0.0)
    assert plain.verdict.ok
    expected = expected_from_plan(plain.record)
    found = verify(plain.program.text, expected, stiffening())
    both = zip(found.delivered, plain.verdict.delivered, strict=True)
    lost = np.log([a.volume_ul / b.volume_ul for a, b in both if a is not None and b is not None])
    # About what they lose on the bench written apart.
    bench = as_profiled(stiffening(), thixotropy=STIFFENS, start_share=0.5)
    there = np.log1p(errors_on(bench, plain)) - np.log1p(errors_on(replace(bench, thixotropy=0.0), plain))
    assert p95(there) > 0.01
    assert np.sqrt(np.mean((lost - there) ** 2)) < 0.15 * np.sqrt(np.mean(there**2))

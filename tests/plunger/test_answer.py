"""How deposits answer to the bench's constants: against finer steps, conservation, and benches really laid on."""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of
from virtual_bench import lay, truth_of

from pastewright.board.model import Side
from pastewright.plan.pipeline import make_plan
from pastewright.plunger import answer
from pastewright.plunger.answer import CONSTANTS, answers_of, turns_of
from pastewright.plunger.bench import bench_of
from pastewright.plunger.chain import NAMES, chained
from pastewright.plunger.common import dots_of
from pastewright.plunger.model import DotCycle
from pastewright.tolerance.predict import predicted
from pastewright.tune.fit.spread import of_sds


@pytest.fixture(scope="module")
def bench():
    return bench_of(plan_of(Side.TOP).profile)


def dot_cycles(volumes, bench, push=12.0):
    dots = dots_of(volumes, push, bench)
    rows = zip(
        dots.volume_ul,
        dots.push_ul,
        dots.push_ul_s,
        dots.dwell_s,
        dots.retract_ul,
        dots.peak_kpa,
        strict=True,
    )
    return [
        DotCycle(
            volume_ul=v,
            push_ul=a,
            push_ul_s=u,
            dwell_s=t,
            retract_ul=b,
            retract_ul_s=bench.push_ul_s,
            peak_kpa=p,
        )
        for v, a, u, t, b, p in rows
    ]


def test_what_is_pushed_comes_out_or_stays(bench):
    """Conservation: only gain, backlash and the seal change what is swept."""
    answers = answers_of(turns_of(dot_cycles([0.05, 0.3, 1.0], bench), bench), bench)
    inside = [
        CONSTANTS.index(n) for n in ("frame_stiffness_n_mm", "bubble_ul", "consistency_kpa_sn", "flow_index")
    ]
    np.testing.assert_allclose(answers.laid[:, inside], -answers.left[:, inside], atol=1e-6)
    np.testing.assert_allclose(answers.laid_by_start + answers.left_by_start, 1.0, atol=1e-6)


def test_alike_dots_lay_what_is_swept_whatever_the_springs_are(bench):
    """After many dots of one kind the errors are gone; of the gain one per cent is one per cent."""
    turns = turns_of(dot_cycles([0.3] * 200, bench), bench)
    chain = chained(answers_of(turns, bench), turns.volume_ul, np.ones_like(turns.volume_ul))
    last = dict(zip(NAMES, chain.by_constant[-1].tolist(), strict=True))
    assert last["gain"] == pytest.approx(1.0, abs=0.02)
    for name in ("frame_stiffness_n_mm", "consistency_kpa_sn", "flow_index", "bubble_ul"):
        assert abs(last[name]) < 0.02
    assert abs(chain.by_constant[0, NAMES.index("consistency_kpa_sn")]) > 0.5


def test_finer_steps_change_little(bench, monkeypatch):
    turns = turns_of(dot_cycles([0.03, 0.1, 0.5, 1.5], bench), bench)
    coarse = answers_of(turns, bench)
    monkeypatch.setattr(answer, "STROKE_STEPS", 4 * answer.STROKE_STEPS)
    monkeypatch.setattr(answer, "WAIT_STEPS", 4 * answer.WAIT_STEPS)
    monkeypatch.setattr(answer, "WAIT_GROWTH", answer.WAIT_GROWTH**0.25)
    fine = answers_of(turns, bench)
    scale = np.abs(fine.left).max(axis=1, keepdims=True)
    assert np.abs((coarse.left - fine.left) / scale).max() < 0.02


def test_a_seal_answers_as_a_backlash_does(bench):
    """A little friction takes up 2·F/k at each reversal, as a backlash of that much would."""
    turns = turns_of(dot_cycles([0.3], bench), bench)
    answers = answers_of(turns, bench)
    backlash_mm = bench.backlash_mm
    by_mm = answers.laid[0, CONSTANTS.index("backlash_mm")] / backlash_mm
    by_newton = answers.laid[0, CONSTANTS.index("seal_friction_n")]
    assert by_newton == pytest.approx(by_mm * 2 / bench.store.stiffness_n_mm, rel=0.02)


@pytest.mark.parametrize(
    ("name", "key", "step"),
    [("frame_stiffness_n_mm", "frame_n_mm", 0.02), ("flow_index", "index", 0.005)],
)
@pytest.mark.parametrize("standing", [True, False])
def test_derivatives_are_those_of_a_bench_written_apart(name, key, step, standing):
    """Where dots press on the way down and draw back on the way up too: 2 to 3 % (measured)."""
    plan = plan_of(Side.TOP)
    if standing:
        profile = replace(
            plan.profile, tuning=replace(plan.profile.tuning, press_fraction=0.0, draw_yields=0.0)
        )
        plan = make_plan(plan.board, profile)
    found = predicted(plan.motions, plan.layout.deposits, plan.profile, of_sds({}))
    plain = truth_of(plan.profile, start_kpa=plan.bench.rest_kpa)
    was = lay(plan.motions, plain).mean_ul
    now = lay(plan.motions, replace(plain, **{key: getattr(plain, key) * np.exp(step)})).mean_ul
    simulated = np.array([np.log(now[index] / was[index]) / step for index in found.deposits])
    own = found.by_constant[:, found.spread.names.index(name)]
    assert np.sqrt(np.mean((own - simulated) ** 2)) < 0.05 * np.sqrt(np.mean(simulated**2))

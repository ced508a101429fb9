"""What a trial knew of a bench, what has been since, and what nobody knows: the spread of the constants."""

from dataclasses import replace

import numpy as np
import pytest
from tuning_trials import demo_bench

from pastewright.problems import InputError
from pastewright.profile.covariance import TOLD, covariance_keys
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.model import Covariance, Drift, TuningRecord
from pastewright.profile.read import parse_profile
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.tune.fit.constants import constant_named
from pastewright.tune.fit.spread import COUNTED, known_spread, of_sds, spread_of
from pastewright.tune.record.profile_update import with_entry

TEXT = example_text(DEMO)
STILL = Drift(hours=0.0)


def random_covariance(seed=5, names=TOLD):
    rng = np.random.default_rng(seed)
    mixed = rng.normal(size=(len(names), len(names))) * 0.05
    return names, mixed @ mixed.T


def trial(profile, *, covariance=None, paste=None, tip=None, **values):
    own = {
        "frame_stiffness_n_mm": 150.0, "backlash_mm": 0.02, "gain": 1.0, "bubble_ul": 2.0, "seal_friction_n": 1.0,
        "consistency_kpa_sn": 0.2, "flow_index": 0.4, "yield_stress_kpa": 0.15, "standing": 0.03,
    }  # fmt: skip
    return TuningRecord(
        dated="2025-03-14",
        paste=paste or paste_key(profile.paste),
        tip=tip or tip_key(profile.tip),
        covariance=covariance,
        **{**own, **values},
    )


def whole(names, matrix):
    return Covariance(names=names, rows=tuple(tuple(row) for row in matrix.tolist()))


def test_a_covariance_goes_into_the_file_and_comes_back():
    names, matrix = random_covariance()
    profile = demo_bench()
    entry = {"dated": "2025-03-14", "paste": paste_key(profile.paste), "tip": tip_key(profile.tip)}
    told = {"flow_index": 0.41, "gain_percent": 98.0, **covariance_keys(names, matrix.tolist())}
    (record,) = parse_profile(with_entry(TEXT, {**entry, **told}), "bench.toml").history
    assert record.covariance is not None
    assert record.covariance.names == names
    np.testing.assert_allclose(record.covariance.rows, matrix, rtol=1e-6)


@pytest.mark.parametrize(
    ("names", "rows", "words"),
    [
        ("gain", [[-1.0]], "square below zero"),
        ("gain flow_index", [[1.0], [2.0, 1.0]], "square below zero"),
        ("gain flow_index", [[1.0]], "1 rows for 2"),
        ("gain flow_index", [[1.0], [0.1]], "row 2"),
        ("gain gain", [[1.0], [0.1, 1.0]], "twice"),
        ("gain colour", [[1.0], [0.1, 1.0]], "no constant"),
        ("gain", [["1"]], "something else than numbers"),
        ("gain", [[float("inf")]], "that is none"),
        ("", [[1.0]], "1 rows for 0"),
    ],
)
def test_what_is_no_covariance_is_refused_with_its_line(names, rows, words):
    longer = with_entry(TEXT, {"dated": "2025-03-14"})
    cells = ", ".join("[" + ", ".join(repr(cell) for cell in row) + "]" for row in rows).replace("'", '"')
    text = longer + f'covariance_of = "{names}"\ncovariance = [{cells}]\n'
    with pytest.raises(InputError) as caught:
        parse_profile(text, "bench.toml")
    (problem,) = caught.value.problems
    assert words in problem.what
    assert problem.line == len(text.splitlines())


def test_a_bench_that_nobody_tried_has_wide_priors():
    spread = known_spread(demo_bench())
    assert not spread.tuned
    for name in COUNTED:
        assert spread.sd(name) == pytest.approx(constant_named(name).sd)
    dated = replace(demo_bench(), tuning=replace(demo_bench().tuning, dated="2025-01-01"))
    assert known_spread(dated).sd("frame_stiffness_n_mm") < 0.5 * spread.sd("frame_stiffness_n_mm")


def test_constants_of_one_trial_keep_their_covariance():
    names, matrix = random_covariance()
    profile = demo_bench()
    profile = replace(profile, history=(trial(profile, covariance=whole(names, matrix), spread=0.05),))
    spread = known_spread(profile)
    at = [names.index(name) for name in COUNTED]
    np.testing.assert_allclose(spread.covariance, matrix[np.ix_(at, at)])
    assert spread.scatter == 0.05


def test_another_paste_keeps_what_the_machine_knew_and_forgets_the_rest():
    names, matrix = random_covariance()
    profile = demo_bench()
    record = trial(profile, covariance=whole(names, matrix), paste="tooth paste")
    spread = known_spread(replace(profile, history=(record,)))
    machine = ["frame_stiffness_n_mm", "backlash_mm", "gain"]
    at = [names.index(name) for name in machine]
    np.testing.assert_allclose(spread.over(machine).covariance, matrix[np.ix_(at, at)])
    assert spread.sd("consistency_kpa_sn") == constant_named("consistency_kpa_sn").sd
    row = spread.covariance[COUNTED.index("gain")]
    assert np.flatnonzero(row).tolist() == [COUNTED.index(name) for name in machine]


def test_trials_of_before_say_standard_deviations_only():
    profile = demo_bench()
    record = trial(profile, flow_index_sd=0.02, seal_friction_sd_n=0.7)
    spread = known_spread(replace(profile, history=(record,)))
    assert spread.sd("flow_index") == pytest.approx(0.02)
    assert spread.sd("seal_friction_n") == pytest.approx(0.7)


def test_drift_adds_what_has_been_since():
    profile = demo_bench()
    profile = replace(
        profile,
        tuning=replace(profile.tuning, bubble_ul=2.0),
        barrel=replace(profile.barrel, fill_ul=0.5 * profile.barrel.capacity_ul),
    )
    quiet = whole(TOLD, np.zeros((len(TOLD), len(TOLD))))
    record = trial(profile, covariance=quiet, temperature_c=20.0, fill_ul=profile.barrel.capacity_ul)
    profile = replace(profile, history=(record,))
    assert spread_of(profile, STILL).sd("consistency_kpa_sn") == 0.0
    # By hand: 3 h of 2 %; half a barrel of 1 µL in a bubble of 2 µL; half a barrel of 0.5 N.
    spread = spread_of(profile, Drift(hours=3.0, consistency_h=0.02, bubble_ul_barrel=1.0, seal_n_barrel=0.5))
    assert spread.sd("consistency_kpa_sn") == pytest.approx(0.06)
    assert spread.sd("bubble_ul") == pytest.approx(0.25)
    assert spread.sd("seal_friction_n") == pytest.approx(0.25)
    # 3 °C warmer at 4 % a °C: 12 % thinner, a third of it in doubt.
    warm = spread_of(profile, Drift(hours=0.0, temperature_c=23.0, consistency_c=0.04))
    assert warm.bias[COUNTED.index("consistency_kpa_sn")] == pytest.approx(-0.12)
    assert warm.sd("consistency_kpa_sn") == pytest.approx(0.04)
    refilled = spread_of(profile, Drift(hours=0.0, refills=4, stiffness_refill=0.02, bubble_ul_refill=1.0))
    assert refilled.sd("frame_stiffness_n_mm") == pytest.approx(0.04)  # √4 · 2 %
    assert refilled.sd("bubble_ul") == pytest.approx(np.hypot(1.0, 0.25))


def test_benches_drawn_from_a_spread_have_its_covariance():
    names, matrix = random_covariance(seed=7, names=TOLD[:4])
    spread = replace(of_sds({}), names=names, covariance=matrix, bias=np.array([0.1, 0.0, 0.0, 0.0]))
    drawn = spread.drawn(np.random.default_rng(1), 40_000)
    np.testing.assert_allclose(drawn.mean(axis=0), spread.bias, atol=0.003)
    np.testing.assert_allclose(np.cov(drawn.T), matrix, rtol=0.05, atol=3e-4)

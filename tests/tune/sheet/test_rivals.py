"""Other benches that explain a sheet as well: kept in the profile, and set apart by the next sheet."""

from dataclasses import replace
from functools import cache
from math import erfc, sqrt
from typing import cast

import numpy as np
import pytest
from tuning_trials import demo_bench, trial
from virtual_bench import truth_of

from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.fit.constants import AT, CONSTANTS, SHARED, Group, as_seen, constants_of
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fitted import Estimate, Fitted, Mode
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import turns_of
from pastewright.tune.fit.valleys import MODE_COST, other_modes
from pastewright.tune.record.profile_update import tuning_entry, with_entry
from pastewright.tune.sheet.design import designed, sheet_at_random
from pastewright.tune.sheet.foreseen import apart, known_alone, mistaken, told_rows

SHARED_CONSTANTS = [c for c in CONSTANTS if c.group is not Group.SHEET]
SD = 0.05


def fitted_with(*modes):
    """A fit that knows each constant to 5 %, widened by other benches as `fit_sheets` widens it."""
    here = constants_of(demo_bench())
    alone = np.diag(np.full(len(CONSTANTS), SD**2))
    whole = alone.copy()
    for mode in modes:
        away = as_seen(mode.constants) - as_seen(here)
        whole = whole + mode.weight * np.outer(away, away)
    return Fitted(
        estimates=tuple(
            Estimate(constant=c, value=here[c.name], prior=here[c.name], sd=SD, prior_sd=c.sd)
            for c in SHARED_CONSTANTS
        ),
        constants=here,
        covariance=whole[: len(SHARED), : len(SHARED)],
        whole=whole,
        alone=alone,
        dots=(),
        measured=150,
        missing=0,
        spread=0.03,
        before=0.5,
        chi=1.0,
        weighed=False,
        modes=modes,
    )


@cache
def softer():
    """A frame a third as stiff with paste that is thinner."""
    there = constants_of(demo_bench())
    return Mode(
        constants={
            **there,
            "frame_stiffness_n_mm": there["frame_stiffness_n_mm"] / 3,
            "consistency_kpa_sn": there["consistency_kpa_sn"] / 2,
        },
        weight=0.8,
    )


def tuned_profile(*modes):
    entry = tuning_entry(fitted_with(*modes), demo_bench(), dated="2025-03-14", sheets=["one"])
    return parse_profile(with_entry(example_text(DEMO), entry), "bench.toml")


def test_other_benches_are_kept_in_the_profile_and_taken_out_of_the_covariance_that_they_widened():
    profile = tuned_profile(softer())
    (other,) = profile.history[-1].other_benches
    assert other.likelihood == pytest.approx(0.8)
    known = known_alone(profile)
    ((seen, likelihood),) = known.rivals
    assert likelihood == pytest.approx(0.8)
    assert seen[list(SHARED)] == pytest.approx(as_seen(softer().constants)[list(SHARED)], abs=1e-3)
    stiff = SHARED.index(AT["frame_stiffness_n_mm"])
    assert known.covariance[stiff, stiff] == pytest.approx(SD**2, rel=0.05)
    assert known_alone(tuned_profile()).rivals == ()


def test_a_trial_of_another_paste_has_no_rivals_for_this_one():
    profile = tuned_profile(softer())
    other = replace(profile, paste=replace(profile.paste, name="another"))
    assert known_alone(other).rivals == ()


@pytest.mark.parametrize("row", [[0.5, 1.0], [2.0, *[0.0] * 13], ["a", *[0.0] * 13]])
def test_rows_of_other_benches_that_cannot_be_are_refused(row):
    entry = tuning_entry(fitted_with(), demo_bench(), dated="2025-03-14", sheets=["one"])
    with pytest.raises(InputError, match="other_benches"):
        with_entry(example_text(DEMO), {**entry, "other_benches": [row]})


@cache
def forward():
    _, motions, _ = sheet_at_random(demo_bench(), seed=1)
    return Forward(score_of(turns_of(motions, demo_bench())), setting_of(demo_bench()))


def test_a_sheet_sets_no_bench_apart_from_itself_and_a_far_one_by_its_dots():
    here, far = as_seen(constants_of(demo_bench())), as_seen(softer().constants)
    tight = np.eye(len(SHARED)) * 1e-10
    assert apart(forward(), here, here, tight, demo_bench()) == pytest.approx(0.0, abs=1e-6)
    sure = apart(forward(), here, far, tight, demo_bench())
    # The same told by hand where nothing else may give way but the sheet's own constants: not more than all dots together.
    dots = len(told_rows(forward(), here, demo_bench())[1])
    assert 5 < sure <= 4.0 * np.sqrt(dots)
    # What is hardly known gives way, and less is told.
    assert apart(forward(), here, far, np.eye(len(SHARED)) * 0.3**2, demo_bench()) < sure


def test_a_rival_within_what_is_known_is_none_to_be_told_by_the_sheet():
    """A gain that is 5 % larger makes all dots larger, and so would another shape of dots: nothing tells the two."""
    here = as_seen(constants_of(demo_bench()))
    rival = here.copy()
    rival[AT["gain"]] += 0.05
    loose = np.diag([c.sd**2 for c in SHARED_CONSTANTS])
    assert apart(forward(), here, rival, loose, demo_bench()) < 2.0


def test_how_likely_a_rival_stays():
    assert mistaken(0.0) == pytest.approx(1.0)
    assert mistaken(2 * 1.959964) == pytest.approx(0.05, rel=1e-3)  # tables of the normal distribution
    assert mistaken(6.0) == pytest.approx(erfc(3 / sqrt(2)))


@pytest.mark.campaign
def test_the_second_sheet_sets_rivals_farther_apart_than_one_drawn_by_chance():
    profile = tuned_profile(softer())
    here, rival = as_seen(constants_of(profile)), known_alone(profile).rivals[0][0]
    before = known_alone(profile).covariance
    by_chance = []
    for seed in range(6):
        _, motions, _ = sheet_at_random(profile, seed=seed)
        one = Forward(score_of(turns_of(motions, profile)), setting_of(profile))
        by_chance.append(apart(one, here, rival, before, profile))
    made = designed(profile, tries=24)
    assert made.apart[0] >= np.median(by_chance)


class TwoBenches:
    """Evidence of a first sheet that two benches explain alike: it knows each constant to 5 % but for the way from the
    profile's bench to the softer one, along which both ends are right and all between is six standard errors off.
    """

    def __init__(self):
        self.here = as_seen(constants_of(demo_bench()))
        self.away = as_seen(softer().constants) - self.here

    def survey(self, lanes):
        share = (lanes - self.here) @ self.away / (self.away @ self.away)
        beside = (lanes - self.here - share[:, None] * self.away)[:, list(SHARED)]
        return np.vstack([24 * share * (1 - share), beside.T / SD])

    def residuals(self, seen, keep=None):
        return self.survey(seen[None, :])[:, 0]

    def slopes(self, seen, active, **_):
        lanes = np.repeat(seen[None, :], 1 + len(active), axis=0)
        lanes[np.arange(1, 1 + len(active)), list(active)] += 1e-6
        rows = self.survey(lanes)
        return rows[:, 0], (rows[:, 1:] - rows[:, :1]) / 1e-6


def benches_left(evidence):
    """Where searches from either bench end, the best first, and those that the data allow beside it."""
    problem = LeastSquares(evidence, demo_bench(), shape_stated=False, priors={})
    ended = [
        problem.search(as_seen(bench)[problem.order], 25)
        for bench in (constants_of(demo_bench()), softer().constants)
    ]
    ended.sort(key=lambda item: item[1])
    allowed = [x for x, cost in ended if cost <= ended[0][1] + MODE_COST]
    return problem, ended[0][0], other_modes(problem, allowed, problem.covariance(allowed[0], 1.0))


@pytest.mark.campaign
@pytest.mark.parametrize("truly_softer", [False, True])
def test_of_two_benches_that_explain_a_first_sheet_a_second_one_leaves_the_true_one(truly_softer):
    first = cast(Evidence, TwoBenches())
    _, _, others = benches_left([first])
    assert len(others) == 1
    plain = truth_of(demo_bench())
    softer_truth = replace(plain, frame_n_mm=plain.frame_n_mm / 3, consistency=plain.consistency / 2)
    truth = softer_truth if truly_softer else plain
    made, _, readings = trial(tuned_profile(softer()), truth, np.random.default_rng(5), name="two", tries=2)
    problem, best, others = benches_left([first, Evidence(made.sheet, readings, demo_bench())])
    assert others == []
    stiffness = float(np.exp(best[problem.shared.index(AT["frame_stiffness_n_mm"])]))
    assert stiffness == pytest.approx(truth.frame_n_mm, rel=0.25)
